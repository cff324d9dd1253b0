"""Which test tells a failure mode best, and from what.

The rivals of a failure mode are those of other units that show under one of its complaints, each
weighed by its failure rate and by how surely it shows. A test tells it as well as it parts the
mode from its rivals: the total variation distance between their outcomes, averaged over these
weights. Where a mode has no rival, what counts is how it parts from a healthy installation.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diagnose.knowledge.names import unit_of
from diagnose.plant.matrix import HEALTHY, DependencyMatrix
from diagnose.reasoning.separation import SEPARATED, SHOWN, distances

NEARLY = 0.95
"""A live test is not named where another tells at least this share as much."""


@dataclass(frozen=True)
class Distinction:
    """The test that tells a failure mode best, and its nearest rival with the test for it.

    Attributes
    ----------
    test : str
        The best test; "" where no test tells it from anything.
    score : float
        Mean distance from its rivals in that test, 0 to 1.
    parted, rivals : int
        Rivals that the test parts it from, and how many there are (0: a healthy installation).
    nearest : str
        The rival that the best of all tests parts it from least.
    nearest_test : str
        That test; "" where none parts the two.
    nearest_distance : float
        How well it does, 0 to 1.
    """

    mode: str
    test: str
    score: float
    parted: int
    rivals: int
    nearest: str
    nearest_test: str
    nearest_distance: float


def distinctions(
    matrix: DependencyMatrix,
    rates: Mapping[str, float],
    minutes: Mapping[str, float],
    live: Collection[str] = (),
) -> dict[str, Distinction]:
    """For each failure mode of an installation, the test that tells it best.

    Parameters
    ----------
    rates
        Failure rate of each failure mode.
    minutes
        Working time of each test: of tests that tell equally well, the shortest is named.
    live
        Tests on an open, energised panel: named only where no other tells `NEARLY` as well.
    """
    weight = _weights(matrix, rates)
    totals = weight.sum(axis=1)
    count, tests = len(matrix.rows), len(matrix.tests)
    best = np.zeros((count, count))
    by = np.full((count, count), -1)
    score = np.zeros((count, tests))
    is_live = np.array([test in live for test in matrix.tests])
    handicap = np.where(is_live, NEARLY, 1.0)
    order = sorted(range(tests), key=lambda k: (is_live[k], minutes.get(matrix.tests[k], 0.0)))
    for k in order:
        apart = distances(matrix, k)
        score[:, k] = (apart * weight).sum(axis=1) / totals
        better = handicap[k] * apart > best + 1e-9
        best[better], by[better] = apart[better], k
    found = {}
    for r, mode in enumerate(matrix.rows):
        if mode == HEALTHY:
            continue
        k = max(order, key=lambda k: round(float(handicap[k] * score[r, k]), 6))
        rivals = np.flatnonzero(weight[r])
        near = int(min(rivals, key=lambda o: (round(float(best[r, o]), 6), -weight[r, o])))
        parted = int((distances(matrix, k)[r, rivals] >= SEPARATED).sum())
        alone = matrix.rows[near] == HEALTHY
        told = score[r, k] > 0
        found[mode] = Distinction(
            mode=mode,
            test=matrix.tests[k] if told else "",
            score=float(score[r, k]),
            parted=parted,
            rivals=0 if alone else len(rivals),
            nearest=matrix.rows[near],
            nearest_test=matrix.tests[by[r, near]] if best[r, near] >= SEPARATED else "",
            nearest_distance=float(best[r, near]),
        )
    return found


def _weights(matrix: DependencyMatrix, rates: Mapping[str, float]) -> NDArray[np.float64]:
    """How much each row counts as a rival of each, (rows, rows); the healthy one if none does."""
    count = len(matrix.rows)
    rate = np.array([rates.get(row, 0.0) for row in matrix.rows])
    units = np.array([unit_of(row) for row in matrix.rows])
    shared = np.zeros((count, count))
    for shown in matrix.complaints.values():
        both = np.where((shown[:, None] >= SHOWN) & (shown >= SHOWN), shown[None, :], 0.0)
        shared = np.maximum(shared, both)
    weight = shared * rate * (units[:, None] != units)
    healthy = matrix.rows.index(HEALTHY)
    weight[:, healthy] = 0.0
    weight[weight.sum(axis=1) == 0.0, healthy] = 1.0
    return np.asarray(weight)
