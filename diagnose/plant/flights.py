"""Flights: the levels between two events, in closed form, or integrated where a hole leaks.

While nothing switches, every flow of the plant's water network is a constant plus a share of each
level, so the levels are a linear system with constant coefficients: sums of exponentials, and
the time at which one of them comes to a threshold is found on stretches where it only rises or
only falls. A hole in a floor with a constant inflow has a closed form too. A hole beside flows that
hang on the level has none: there SciPy integrates.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from diagnose.plant.balance import NEAR, Affine, Balance, Flight, Levels
from diagnose.plant.exponentials import Closed, first_zero

TIGHT = 1e-10
"""Relative tolerance of the integrator."""
LONGEST = 5.0
"""Longest step of the integrator, min."""
PARTS = 64
"""What is neither a sum of exponentials nor monotone is looked at in so many parts."""


def flight(balance: Balance, start: Sequence[float] | Levels, horizon: float) -> Flight:
    """The flight from the levels `start` on: in closed form unless a hole leaks."""
    levels = np.array(start, dtype=float)
    fixed, holes = dict(balance.flows), {}
    for name, hole in balance.holes.items():
        if balance.held[hole.tank]:
            zero = (0.0,) * len(levels)
            fixed[name] = Affine(hole.flow(float(levels[hole.tank])), zero)
        else:
            holes[name] = hole
    signs = [dict(each) for each in balance.signs]
    for name, hole in balance.holes.items():
        if name not in holes:
            signs[hole.tank][name] = -1.0
    whole = Balance(balance.areas, fixed, tuple(signs), holes, balance.held)
    for tank, held in enumerate(whole.held):
        if held:
            fixed[f"surplus:{tank}"] = whole.nets[tank]
    if holes and Draining.suits(whole):
        return Draining(whole, levels)
    if holes or not Closed.suits(whole):
        return Integrated(whole, levels, horizon)
    return Closed(whole, levels)


class Draining:
    """One tank with a hole in its floor and else a constant inflow q; the other tank by itself.

    With s the root of the level, ``2 A s ds/dt = q − k s``, so the time to any level is
    ``2A/k² · (k (s₀ − s) + q ln((q − k s₀)/(q − k s)))``; for q = 0 that is Torricelli's
    ``2A/k · (s₀ − s)``.
    """

    def __init__(self, balance: Balance, start: Levels) -> None:
        ((self.name, self.hole),) = balance.holes.items()
        self.tank = self.hole.tank
        held = tuple(h or k == self.tank for k, h in enumerate(balance.held))
        self.rest = Closed(replace(balance, held=held, holes={}), start)
        self.area = balance.areas[self.tank]
        self.inflow = balance.nets[self.tank].const
        self.root = math.sqrt(max(float(start[self.tank]), 0.0))
        self.ends_at = max(self.inflow / self.hole.factor, 0.0)
        """Root of the level that it nears."""

    @staticmethod
    def suits(balance: Balance) -> bool:
        """Whether there is one hole, in a floor, and nothing hangs on its tank's level."""
        holes = list(balance.holes.values())
        return (
            len(holes) == 1
            and holes[0].at == 0.0
            and all(flow.slope[holes[0].tank] == 0.0 for flow in balance.flows.values())
            and not any(balance.nets[holes[0].tank].slope)
        )

    def _time(self, root: float) -> float:
        """When the level has this root; infinite where it never does."""
        k, q, first = self.hole.factor, self.inflow, self.root
        if root == first:
            return 0.0
        if (root - first) * (self.ends_at - first) < 0 or abs(root - first) > abs(
            self.ends_at - first
        ):
            return math.inf
        if q == 0.0:
            return 2 * self.area / k * (first - root)
        left = (q - k * root) / (q - k * first)
        if left <= 0.0:
            return math.inf
        return 2 * self.area / k**2 * (k * (first - root) - q * math.log(left))

    def _root(self, t: float) -> float:
        from scipy.optimize import brentq  # only here: most days leak nowhere

        if t <= 0.0 or self.ends_at == self.root:
            return self.root
        if self.inflow == 0.0:
            return max(self.root - self.hole.factor * t / (2 * self.area), 0.0)
        if self._time(self.ends_at) <= t:
            return self.ends_at
        low, high = sorted((self.root, self.ends_at))
        return float(brentq(lambda s: min(self._time(s), 2 * t) - t, low, high, xtol=1e-15))

    def levels(self, t: float) -> Levels:
        """See `Flight.levels`."""
        levels = self.rest.levels(t)
        levels[self.tank] = self._root(t) ** 2
        return levels

    def litres(self, t: float) -> dict[str, float]:
        """See `Flight.litres`."""
        found = self.rest.litres(t)
        gained = self.area * (self._root(t) ** 2 - float(self.rest.start[self.tank]))
        found[self.name] = float(self.inflow * t - gained)
        return found

    def falls_below(self, what: Affine, horizon: float) -> float | None:
        """See `Flight.falls_below`."""
        own = what.slope[self.tank]
        others = replace(
            what, slope=tuple(0.0 if k == self.tank else x for k, x in enumerate(what.slope))
        )
        if own == 0.0:
            return self.rest.falls_below(what, horizon)
        if what.at(self.rest.start) < -NEAR:
            return 0.0
        end = self.levels(horizon)
        if not any(others.slope):
            if what.at(end) >= what.at(self.rest.start) or what.at(end) > 0.0:
                return None
            if what.at(self.rest.start) <= NEAR:
                return 0.0
            return min(self._time(math.sqrt(max(-what.const / own, 0.0))), horizon)
        pairs = zip(what.slope, self.rest.start, end, strict=True)
        if what.const + sum(min(s * a, s * b) for s, a, b in pairs) > 0.0:
            return None
        turns = [horizon * k / PARTS for k in range(PARTS + 1)]
        return first_zero(lambda t: what.at(self.levels(t)), turns)


class Integrated:
    """Levels where a hole leaks, integrated with dense output up to a horizon.

    The litres are integrated beside the levels by the same steps, so that what came in and went
    out is what the levels say, whatever the error of the integrator.
    """

    def __init__(self, balance: Balance, start: Levels, horizon: float) -> None:
        from scipy.integrate import solve_ivp  # only here: most days leak nowhere

        self.balance = balance
        self.start = start
        self.names = [*balance.flows, *balance.holes]
        self.tanks = len(start)
        slopes = np.array([balance.flows[n].slope for n in balance.flows])
        consts = np.array([balance.flows[n].const for n in balance.flows])
        signs = np.array(
            [[balance.signs[k].get(n, 0.0) for n in balance.flows] for k in range(self.tanks)]
        )
        holes = list(balance.holes.values())
        drain = np.array([[-float(hole.tank == k) for hole in holes] for k in range(self.tanks)])
        free = 1.0 - np.array(balance.held, dtype=float)
        share = free / np.array(balance.areas)

        def change(t: float, y: NDArray[np.float64]) -> NDArray[np.float64]:
            levels = y[: self.tanks]
            flows = consts + slopes @ levels
            lost = np.array([hole.flow(float(levels[hole.tank])) for hole in holes])
            return np.concatenate([share * (signs @ flows + drain @ lost), flows, lost])

        y = np.concatenate([start, np.zeros(len(self.names))])
        self._solved = solve_ivp(
            change,
            (0.0, horizon),
            y,
            method="DOP853",
            rtol=TIGHT,
            atol=1e-11,
            dense_output=True,
            max_step=LONGEST,
        )

    def levels(self, t: float) -> Levels:
        """See `Flight.levels`."""
        return np.asarray(self._solved.sol(t)[: self.tanks])

    def litres(self, t: float) -> dict[str, float]:
        """See `Flight.litres`."""
        found = self._solved.sol(t)[self.tanks :]
        return {name: float(x) for name, x in zip(self.names, found, strict=True)}

    @cached_property
    def _looked_at(self) -> tuple[list[float], NDArray[np.float64]]:
        """Times in order and the levels then: each step of the integrator in quarters."""
        steps = [float(t) for t in self._solved.t]
        times = [a + (b - a) * k / 4 for a, b in pairwise(steps) for k in range(4)] + steps[-1:]
        return times, self._solved.sol(np.array(times))[: self.tanks]

    def falls_below(self, what: Affine, horizon: float) -> float | None:
        """See `Flight.falls_below`; looked for between the times that are looked at."""
        if what.at(self.start) < -NEAR:
            return 0.0
        times, levels = self._looked_at
        values = what.const + np.array(what.slope) @ levels
        for k in np.flatnonzero((np.diff(values) < 0) & (values[1:] <= 0)):
            if times[k] >= horizon:
                break
            ends = times[k], min(times[k + 1], horizon)
            met = first_zero(lambda t: what.at(self.levels(t)), ends)
            if met is not None:
                return met
        return None
