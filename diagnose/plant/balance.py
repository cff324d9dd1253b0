"""What flows into one or two tanks and out of them while nothing switches.

Levels are in m, flows in L/min, times in min, areas in L per m of height.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Levels = NDArray[np.float64]
NEAR = 1e-9
"""A threshold this near counts as met: metres or litres per minute."""
GRAVITY = 9.806_65
"""Standard gravity, m/s² (ISO 80000-3, from memory)."""


@dataclass(frozen=True)
class Affine:
    """A quantity that is a constant plus a share of each level."""

    const: float
    slope: tuple[float, ...]

    def at(self, levels: Sequence[float] | Levels) -> float:
        """Its value at the given levels."""
        return float(self.const + sum(s * h for s, h in zip(self.slope, levels, strict=True)))

    def __add__(self, other: Affine) -> Affine:
        slope = tuple(a + b for a, b in zip(self.slope, other.slope, strict=True))
        return Affine(self.const + other.const, slope)

    def __mul__(self, factor: float) -> Affine:
        return Affine(self.const * factor, tuple(s * factor for s in self.slope))

    def __neg__(self) -> Affine:
        return self * -1.0


def level_of(tank: int, tanks: int, sign: float = 1.0, less: float = 0.0) -> Affine:
    """``sign · level(tank) − less``."""
    return Affine(-less, tuple(sign if k == tank else 0.0 for k in range(tanks)))


@dataclass(frozen=True)
class Hole:
    """A hole in a tank's wall at the height `at`: flow = factor · √(level − at), L/min."""

    tank: int
    factor: float
    at: float

    @staticmethod
    def of(tank: int, bore: float, discharge: float, at: float) -> Hole:
        """A round hole of the given bore, m: Torricelli's law with a coefficient of discharge."""
        area = math.pi * bore**2 / 4
        return Hole(tank, discharge * area * math.sqrt(2 * GRAVITY) * 60_000, at)

    def flow(self, level: float) -> float:
        """Flow at a level, L/min."""
        return self.factor * math.sqrt(max(level - self.at, 0.0))


@dataclass(frozen=True)
class Balance:
    """What flows while nothing switches.

    Attributes
    ----------
    areas
        Litres per metre of each tank.
    flows
        Named flows, L/min; `signs` says for each tank which of them come in (+1) or go out (−1).
    holes
        Named holes; what they lose is a flow too.
    held
        Tanks whose level stays (running over, or empty). Their surplus, which may be negative, is
        the flow ``surplus:<tank>``.
    """

    areas: tuple[float, ...]
    flows: Mapping[str, Affine]
    signs: tuple[Mapping[str, float], ...]
    holes: Mapping[str, Hole]
    held: tuple[bool, ...]

    @cached_property
    def nets(self) -> tuple[Affine, ...]:
        """What each tank gains, holes left out."""
        return tuple(self._net(tank) for tank in range(len(self.areas)))

    def _net(self, tank: int) -> Affine:
        const, slope = 0.0, [0.0] * len(self.areas)
        for name, sign in self.signs[tank].items():
            flow = self.flows[name]
            const += sign * flow.const
            slope = [a + sign * b for a, b in zip(slope, flow.slope, strict=True)]
        return Affine(const, tuple(slope))


class Flight(Protocol):
    """The levels from one event on, t = 0 there."""

    def levels(self, t: float) -> Levels:
        """All levels after `t` minutes, (tanks,)."""

    def litres(self, t: float) -> dict[str, float]:
        """What each flow has brought after `t` minutes."""

    def falls_below(self, what: Affine, horizon: float) -> float | None:
        """When `what` first comes to zero from above within `horizon`; 0.0 where it is below."""
