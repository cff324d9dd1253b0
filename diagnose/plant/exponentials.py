"""Levels of one or two tanks in closed form: sums of exponentials."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise

import numpy as np

from diagnose.plant.balance import NEAR, Affine, Balance, Levels

FINEST = 1e-13
"""To so many minutes a crossing is found."""


def _phi(rate: float, t: float) -> float:
    """∫₀ᵗ exp(rate·s) ds."""
    x = rate * t
    return t * (1 + x / 2) if abs(x) < TINY else t * math.expm1(x) / x


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


TINY = 1e-8
"""Below this the exponential is its first terms, to the last digit."""
NOTHING = 1e-100
"""A smaller rate, 1/min, is none: products of such numbers lose their digits."""
Mode = tuple[float, float, tuple[float, ...]]
"""Rate in 1/min, how hard it is pushed, its share in each level."""


class Closed:
    """Levels in closed form: h(t) = h₀ + Σ share·push·φ(rate, t) over the modes of the system.

    Written with plain numbers: two at a time are quicker so than as arrays.
    """

    def __init__(self, balance: Balance, start: Levels) -> None:
        self.balance = balance
        self.start = tuple(float(level) for level in start)
        self.modes = _modes(balance, self.start)
        self._reach: tuple[float, list[float]] = (-1.0, [])

    @staticmethod
    def suits(balance: Balance) -> bool:
        """Whether two rates, real and apart, are there; a network of pipes has such."""
        free = [k for k, held in enumerate(balance.held) if not held]
        if len(free) < 2:
            return True
        (a, b), (c, d) = _matrix(balance, free)
        return b == c == 0.0 or (a - d) ** 2 / 4 + b * c > 1e-18 * (a * a + d * d)

    def levels(self, t: float) -> Levels:
        """See `Flight.levels`."""
        levels = list(self.start)
        for rate, push, share in self.modes:
            change = push * _phi(rate, t)
            levels = [h + s * change for h, s in zip(levels, share, strict=True)]
        return np.array(levels)

    def litres(self, t: float) -> dict[str, float]:
        """See `Flight.litres`."""
        area = [h * t for h in self.start]
        for rate, push, share in self.modes:
            change = push * _psi(rate, t)
            area = [x + s * change for x, s in zip(area, share, strict=True)]
        return {
            name: flow.const * t + _dot(flow.slope, area)
            for name, flow in self.balance.flows.items()
        }

    def falls_below(self, what: Affine, horizon: float) -> float | None:
        """See `Flight.falls_below`; a sum of two exponentials turns at most once."""
        first = what.const + _dot(what.slope, self.start)
        if first < -NEAR:
            return 0.0
        if self._reach[0] < horizon:
            self._reach = (horizon, self._reaches(horizon))
        if first > sum(abs(s) * r for s, r in zip(what.slope, self._reach[1], strict=True)):
            return None
        rates = [rate for rate, _, _ in self.modes]
        sizes = [push * _dot(what.slope, share) for _, push, share in self.modes]
        if not any(sizes):
            return None

        def value(t: float) -> float:
            return first + sum(k * _phi(rate, t) for k, rate in zip(sizes, rates, strict=True))

        return first_zero(value, [0.0, *(t for t in _turns(rates, sizes) if t < horizon), horizon])

    def _reaches(self, horizon: float) -> list[float]:
        """How far each level can go at most."""
        reach = [0.0] * len(self.start)
        for rate, push, share in self.modes:
            size = abs(push) * _phi(rate, horizon)
            reach = [r + abs(s) * size for r, s in zip(reach, share, strict=True)]
        return reach


def _dot(a: Sequence[float], b: Sequence[float]) -> float:
    return sum(x * y for x, y in zip(a, b, strict=True))


def _turns(rates: Sequence[float], sizes: Sequence[float]) -> Iterator[float]:
    """Where the sum of two exponentials turns round."""
    if len(sizes) == 2 and sizes[0] * sizes[1] < 0 and rates[0] != rates[1]:
        t = math.log(-sizes[1] / sizes[0]) / (rates[0] - rates[1])
        if t > 0:
            yield t


def _matrix(balance: Balance, free: Sequence[int]) -> list[list[float]]:
    """How each free level's rate hangs on each free level, 1/min."""
    rows = [[balance.nets[k].slope[j] / balance.areas[k] for j in free] for k in free]
    return [[rate if abs(rate) > NOTHING else 0.0 for rate in row] for row in rows]


def _modes(balance: Balance, start: Sequence[float]) -> list[Mode]:
    """The modes of the levels that are free to move."""
    free = [k for k, held in enumerate(balance.held) if not held]
    now = [balance.nets[k].at(start) / balance.areas[k] for k in free]
    matrix = _matrix(balance, free)
    rates = [matrix[0][0]] if len(free) == 1 else []
    vectors: list[tuple[float, ...]] = [(1.0,)] if len(free) == 1 else []
    pushes = now
    if len(free) == 2:
        (a, b), (c, d) = matrix
        rates, vectors = [a, d], [(1.0, 0.0), (0.0, 1.0)]
        if b or c:
            root = math.sqrt((a - d) ** 2 / 4 + b * c)
            outer = (a + d) / 2 - root if a + d < 0 else (a + d) / 2 + root
            rates = [outer, (a * d - b * c) / outer]
            (p, q), (r, s) = (_vector(a, b, c, d, rate) for rate in rates)
            vectors = [(p, q), (r, s)]
            size = p * s - q * r
            pushes = [(now[0] * s - now[1] * r) / size, (now[1] * p - now[0] * q) / size]
    modes = []
    for rate, push, vector in zip(rates, pushes, vectors, strict=True):
        share = [0.0] * len(start)
        for k, part in zip(free, vector, strict=True):
            share[k] = part
        modes.append((rate, push, tuple(share)))
    return modes


def _vector(a: float, b: float, c: float, d: float, rate: float) -> tuple[float, float]:
    """The direction of a rate: from the row of the matrix that says more about it."""
    first, second = (b, rate - a), (rate - d, c)
    x, y = max(first, second, key=lambda v: math.hypot(*v))
    size = math.hypot(x, y)
    return x / size, y / size


def first_zero(value: Callable[[float], float], turns: Sequence[float]) -> float | None:
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
