"""Draws of an installation's numbers: one that would have been handed over, and chance by name.

Parameters are drawn from the whole of their tolerance or range, or, for benchmarks, from nominal
±20 % and ranges in full. A draw in which the healthy installation would not
work would never have been handed over; one in which a test would call a healthy part faulty
(a run capacitor 20 % off its marking, mains at 185 V) would be a second fault.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from diagnose.knowledge.records import Number
from diagnose.plant.matrix import MatrixBuilder
from diagnose.plant.simulation import Simulation

SPREAD = 0.2
"""How far the benchmarks' world lies off the knowledge base's numbers."""
CANDIDATES = 600
"""Draws among which one that works is looked for."""


class Drawer:
    """Draws parameters: nominal ± `spread`, or log-uniform/uniform over the whole stated range.

    `kept` are the candidates that stand for the samples, in order; None: the first ones.
    """

    def __init__(self, seed: int, spread: float = SPREAD) -> None:
        self.seed = seed
        self.spread = spread
        self.kept: NDArray[np.int_] | None = None

    def __call__(self, name: str, number: Number, count: int) -> NDArray[np.float64]:
        key = [self.seed, *name.encode()]
        u = np.random.default_rng(key).random(CANDIDATES)
        u = u[:count] if self.kept is None else u[self.kept[:count]]
        low, high = number.low, number.high
        narrow = high - low < 2 * self.spread * abs(number.nominal)
        if narrow:
            low, high = number.nominal * (1 - self.spread), number.nominal * (1 + self.spread)
        if number.log and low > 0:
            return np.asarray(np.exp(np.log(low) + u * (np.log(high) - np.log(low))))
        return np.asarray(low + u * (high - low))


def unsound(
    builder: MatrixBuilder,
    healthy: Simulation,
    usual: Sequence[NDArray[np.float64]],
    sure: float = 0.5,
) -> NDArray[np.bool_]:
    """Lanes in which some reading of the healthy installation is out of its limits, (lanes,).

    Parameters
    ----------
    usual : per test (lanes, outcomes)
        What the healthy installation shows at its nominal values (`MatrixBuilder.shown`).
    sure
        Chance with which the usual outcome must be read, the error of the instrument counted.
    """
    faulty = np.zeros(healthy.lanes, dtype=bool)
    for test, drawn, known in zip(
        builder.tests.values(), builder.shown(healthy), usual, strict=True
    ):
        if test.condition is not None:
            faulty |= drawn[:, int(known.mean(axis=0).argmax())] < sure
    return faulty


def chance(seed: int, *names: object) -> float:
    """A number from 0 to below 1 that hangs on the seed and the names alone."""
    text = "\0".join(str(name) for name in names)
    key = [seed, zlib.crc32(text.encode()), len(text)]
    return float(np.random.Generator(np.random.PCG64(key)).random())


def chosen(seed: int, weights: Sequence[float], *names: object) -> int:
    """A position drawn by weight; it hangs on the seed and the names alone."""
    ends = np.cumsum(np.asarray(weights, dtype=float))
    return int(np.searchsorted(ends, chance(seed, *names) * ends[-1], side="right"))
