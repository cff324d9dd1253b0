"""Flights: the levels between two events, in closed form, or integrated where a hole leaks.

While nothing switches, every flow of the plant's water network is a constant plus a share of each
level, so the levels are a linear system with constant coefficients: sums of exponentials, and
the time at which one of them comes to a threshold is found on stretches where it only rises or
only falls. A hole in a floor with a constant inflow has a closed form too. A hole beside flows that
hang on the level has none: there SciPy integrates.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from diagnose.plant.balance import NEAR, Affine, Balance, Flight, Levels

FINEST = 1e-13
"""To so many minutes a crossing is found."""
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
            fixed[f"surplus:{tank}"] = whole.net(tank)
    if holes and Draining.suits(whole):
        return Draining(whole, levels)
    if holes:
        return Integrated(whole, levels, horizon)
    return Closed(whole, levels)


def _phi(rate: float, t: float) -> float:
    """∫₀ᵗ exp(rate·s) ds."""
    x = rate * t
    return t if x == 0.0 else t * math.expm1(x) / x


def _psi(rate: float, t: float) -> float:
    """∫₀ᵗ φ(rate, s) ds, by its series where the difference would cancel."""
    x = rate * t
    if abs(x) < 0.1:
        term, total = 0.5, 0.0
        for k in range(3, 14):
            total += term
            term *= x / k
        return t * t * (total + term)
    return (_phi(rate, t) - t) / rate


class Closed:
    """Levels in closed form: h(t) = h₀ + Σ vector·k·φ(rate, t) over the modes of the system."""

    def __init__(self, balance: Balance, start: Levels) -> None:
        self.balance = balance
        self.start = start
        self.free = [k for k, held in enumerate(balance.held) if not held]
        matrix = np.zeros((len(self.free), len(self.free)))
        rate_now = np.zeros(len(self.free))
        for row, tank in enumerate(self.free):
            net = balance.net(tank)
            matrix[row] = [net.slope[k] / balance.areas[tank] for k in self.free]
            rate_now[row] = net.at(start) / balance.areas[tank]
        rates, vectors = _modes(matrix)
        self.rates = [float(rate) for rate in rates]
        self.vectors = np.zeros((len(start), len(self.free)))
        self.vectors[self.free] = vectors
        self.push = np.linalg.solve(vectors, rate_now) if len(self.free) else rate_now

    def _change(self, t: float) -> Levels:
        phi = np.array([_phi(rate, t) for rate in self.rates])
        return np.asarray(self.vectors @ (self.push * phi))

    def levels(self, t: float) -> Levels:
        """See `Flight.levels`."""
        return np.asarray(self.start + self._change(t))

    def litres(self, t: float) -> dict[str, float]:
        """See `Flight.litres`."""
        psi = np.array([_psi(rate, t) for rate in self.rates])
        area = self.start * t + self.vectors @ (self.push * psi)
        return {
            name: float(flow.const * t + np.dot(flow.slope, area))
            for name, flow in self.balance.flows.items()
        }

    def falls_below(self, what: Affine, horizon: float) -> float | None:
        """See `Flight.falls_below`; a sum of two exponentials turns at most once."""
        slope = np.array(what.slope)
        first = what.at(self.start)
        sizes = [float(x) for x in (slope @ self.vectors) * self.push]
        if first < -NEAR:
            return 0.0
        if not any(sizes):
            return None

        def value(t: float) -> float:
            return first + sum(k * _phi(rate, t) for k, rate in zip(sizes, self.rates, strict=True))

        turns = [0.0, *(t for t in self._turn(sizes) if t < horizon), horizon]
        return _first(value, turns)

    def _turn(self, sizes: Sequence[float]) -> Iterator[float]:
        if len(sizes) == 2 and sizes[0] * sizes[1] < 0 and self.rates[0] != self.rates[1]:
            t = math.log(-sizes[1] / sizes[0]) / (self.rates[0] - self.rates[1])
            if t > 0:
                yield t


def _modes(matrix: NDArray[np.float64]) -> tuple[NDArray[Any], NDArray[Any]]:
    """Rates and vectors; a pipe network loses, so the rates are real and not above zero."""
    if len(matrix) < 2:
        return matrix.reshape(-1), np.eye(len(matrix))
    if matrix[0, 1] == matrix[1, 0] == 0.0:
        return np.diag(matrix).copy(), np.eye(2)
    rates, vectors = np.linalg.eig(matrix)
    return np.real(rates), np.real(vectors)


def _first(value: Callable[[float], float], turns: Sequence[float]) -> float | None:
    """The first zero on the way down; between two `turns` the value only rises or falls."""
    for a, b in pairwise(turns):
        before, after = value(a), value(b)
        if after >= before or after > 0.0:
            continue
        if before <= NEAR:
            return a
        from scipy.optimize import brentq  # only here: what never crosses needs none

        return float(brentq(value, a, b, xtol=FINEST, rtol=1e-15))
    return None


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
        self.inflow = balance.net(self.tank).const
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
            and not any(balance.net(holes[0].tank).slope)
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
        return _first(lambda t: what.at(self.levels(t)), turns)


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
            met = _first(lambda t: what.at(self.levels(t)), ends)
            if met is not None:
                return met
        return None
