"""Operating points and what is known of them while they settle."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from diagnose.knowledge.expressions import code
from diagnose.knowledge.records import DOMAINS, Domain

Flags = NDArray[np.bool_]
Indices = NDArray[np.int_]


@dataclass(frozen=True)
class Condition:
    """One operating point: the situation's variables, what is lifted, what is bridged."""

    values: Mapping[str, str]
    after: str = ""
    lift: frozenset[str] = frozenset()
    bridge: frozenset[tuple[str, str]] = frozenset()
    found: bool = False

    @property
    def dead(self) -> bool:
        """Isolated: no source of the 5 V and mains sides is there, so there is nothing to solve."""
        return self.values.get("supply") == "off"

    @property
    def key(self) -> tuple[Any, ...]:
        return (
            tuple(sorted(self.values.items())),
            self.after,
            tuple(sorted(self.lift)),
            tuple(sorted(self.bridge)),
            self.found,
        )


class Values(dict[str, Any]):
    """Names to arrays; parts that are not fitted and unset memory read as false or empty."""

    def __missing__(self, key: str) -> Any:
        return code("") if key.startswith("situation.") else False


@dataclass
class Phase:
    """One settled (or momentary) state of all rows."""

    values: dict[str, NDArray[Any]] = field(default_factory=dict)
    v: dict[Domain, NDArray[Any]] = field(default_factory=dict)
    on: dict[Domain, Flags] = field(default_factory=dict)

    def put(self, rows: Indices, other: Phase) -> None:
        """Set `rows` from another phase: of as many rows, or of the same shape as this one."""
        if not len(rows):
            return
        few = len(other.v["dc"]) == len(rows)
        take: Any = slice(None) if few else rows
        for domain in DOMAINS:
            self.v[domain][rows] = other.v[domain][take]
            self.on[domain][rows] = other.on[domain][take]
        for name, value in other.values.items():
            self.values[name][rows] = value[take]

    def copy(self) -> Phase:
        """A phase that shares no arrays with this one."""
        return Phase(
            {k: np.array(x) for k, x in self.values.items()},
            {k: x.copy() for k, x in self.v.items()},
            {k: x.copy() for k, x in self.on.items()},
        )


@dataclass
class Frame:
    """The rows being iterated: signals and logic, solved networks, resistances at the pins."""

    values: Values
    phase: Phase = field(default_factory=Phase)
    seen: dict[str, NDArray[Any]] = field(default_factory=dict)

    def narrow(self, rows: Indices) -> Frame:
        """Some of the rows."""
        phase = Phase(
            {},
            {d: x[rows] for d, x in self.phase.v.items()},
            {d: x[rows] for d, x in self.phase.on.items()},
        )
        values = Values({name: x[rows] for name, x in self.values.items()})
        return Frame(values, phase, {name: x[rows] for name, x in self.seen.items()})

    def whole(self, moving: Sequence[str]) -> Phase:
        """What is there now, the `moving` names of it, as a phase of its own."""
        return Phase(
            {name: self.values[name].copy() for name in moving},
            {d: x.copy() for d, x in self.phase.v.items()},
            {d: x.copy() for d, x in self.phase.on.items()},
        )
