"""What elements, logic lines and signals become once compiled to arrays, one entry per lane."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from numpy.typing import NDArray

from diagnose.knowledge.expressions import Expression
from diagnose.knowledge.records import Domain
from diagnose.plant.lanes import Flags, Samples


@dataclass(frozen=True)
class Branch:
    """An element as a branch: conductance and constant current per lane, and when closed.

    `cut` and `joined` flag the lanes in which a failure mode holds it open or shorts it.
    """

    name: str
    kind: str
    domain: Domain
    index: int
    g: NDArray[Any]
    c: NDArray[Any]
    drop: Samples
    closed: Expression | None
    bridge: bool = False
    cut: Flags | None = None
    joined: Flags | None = None


@dataclass(frozen=True)
class LogicLine:
    """One line of logic: its expression, and others for the modes that change it."""

    name: str
    base: Expression
    changed: tuple[tuple[int, Expression], ...]

    @property
    def names(self) -> frozenset[str]:
        """All that any of its expressions reads."""
        return self.base.names.union(*(e.names for _, e in self.changed))


@dataclass(frozen=True)
class Watched:
    """A signal with its terminals resolved and its thresholds sampled."""

    name: str
    kind: str
    latches: bool
    nodes: tuple[int, ...]
    branches: tuple[int, ...]
    domain: Domain
    on_above: Samples
    off_below: Samples
    noise: str | None
