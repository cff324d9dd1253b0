"""A lower bound on the cost of telling rows apart: a toll for every pair, once.

Wherever a test is done, every row that still fits pays its probability times the test's minutes.
It can share that out among its rivals, the rows of other labels that this very test parts from
it. Every such pair is parted exactly once, whatever the order of tests; so if some toll for each
pair can be met by what its two rows pay, whichever test parts them, then no sequence costs less
than all the tolls together. The highest such tolls are a linear program:

    maximise the sum of toll[r, s] over pairs of rows with different labels, such that
    toll[r, s] <= pays[t, r, s] + pays[t, s, r]               for every test t that parts them,
    sum over s of pays[t, r, s] <= minutes[t] * weight[r]     for every test t and row r.

The tolls within a subset bound the cost of that subset, too: what is met is met there.

References
----------
.. [1] M. Adler, B. Heeringa, "Approximating optimal binary decision trees", Algorithmica 62 (2012)
   1112-1121: the cost of a tree spread over the pairs that its tests part (from memory). The
   program above, with costs, labels and the split between the two rows, is our own.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog
from scipy.sparse import csr_matrix

from diagnose.reasoning.exact import Floor, OutOfBudget
from diagnose.reasoning.noise_free import Problem, bits

FEWEST = 8
"""Rows from which a set gets tolls of its own; smaller ones keep those of the set before."""
SHRUNK = 0.5
"""A set gets tolls of its own once it has at most this share of the rows that the last ones had."""
RIVALS = 30
"""Rivals of each row, those hardest to part from it, whose pairs may have a toll at all."""
KEPT = 15
"""Rows from which the tolls of a set are kept."""
ROUNDING = 1 - 1e-9
"""Sums of many small numbers are rounded; a bound gives way by so much."""

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Tolls:
    """Tolls, (rows, rows) and symmetric, of the pairs within a set; by them a bound for subsets.

    `place` has each row's index in `toll`.
    """

    place: NDArray[np.int_]
    toll: Floats

    def __call__(self, rows: int) -> float:
        """(Weighted) minutes that no sequence undercuts on a subset."""
        inside = self.place[list(bits(rows))]
        return float(self.toll[np.ix_(inside, inside)].sum()) / 2 * ROUNDING


class Sharpener:
    """Tolls for the sets that a search opens.

    Parameters
    ----------
    until
        Value of `time.monotonic` after which the search ends.
    """

    def __init__(self, problem: Problem, until: float = math.inf) -> None:
        tests = [k for k, _ in problem.parts]
        self.until = until
        self.outcome = problem.outcome[:, tests]
        self.minutes = np.array([problem.least(k) for k in tests])
        self.weight = np.array(problem.weight)
        self.label = np.unique(np.array(problem.labels), return_inverse=True)[1]
        self.kept: dict[int, Tolls] = {}
        self.programs = 0

    def __call__(self, rows: int, before: Floor | None) -> Floor:
        """See `exact.Sharpen`."""
        if time.monotonic() > self.until:
            raise OutOfBudget
        if rows in self.kept:
            return self.kept[rows]
        members = np.array(list(bits(rows)))
        size = len(members)
        if isinstance(before, Tolls) and (size < FEWEST or size > SHRUNK * len(before.toll)):
            return before
        tolls = self.tolls(members)
        if size >= KEPT:
            self.kept[rows] = tolls
        return tolls

    def tolls(self, members: NDArray[np.int_]) -> Tolls:
        """The highest tolls within a set of rows."""
        self.programs += 1
        label, weight = self.label[members], self.weight[members]
        mass = weight.sum()
        one, other = np.triu_indices(len(members), 1)
        rivals = label[one] != label[other]
        one, other = one[rivals], other[rivals]
        parts = (self.outcome[members[one]] != self.outcome[members[other]]).T
        tests = undominated(parts, self.minutes)
        ease = (parts[tests] / self.minutes[tests, None]).sum(axis=0)
        hard = hardest(one, other, ease, RIVALS)
        one, other, parts = one[hard], other[hard], parts[:, hard]
        test, pair = np.nonzero(parts[tests])
        budget = (self.minutes[tests, None] * (weight / mass)).ravel()
        payers = (test * len(members) + one[pair], test * len(members) + other[pair])
        toll = _highest(pair, payers, budget, len(one)) * mass
        table = np.zeros((len(members), len(members)))
        table[one, other] = table[other, one] = toll
        place = np.zeros(len(self.label), dtype=np.int_)
        place[members] = np.arange(len(members))
        return Tolls(place, table)


def undominated(parts: NDArray[np.bool_], minutes: Floats) -> NDArray[np.int_]:
    """The tests that matter: no other parts all the same pairs (and maybe more) for no more.

    Parameters
    ----------
    parts : (tests, pairs)
        Whether a test parts a pair.
    minutes : (tests,)
    """
    count = parts.sum(axis=1)
    order = np.lexsort((-count, minutes))
    order = order[count[order] > 0]
    chosen = parts[order].astype(np.float32)
    missing = count[order, None] - chosen @ chosen.T
    earlier = np.tri(len(order), k=-1, dtype=np.bool_)
    return np.sort(order[~((missing < 0.5) & earlier).any(axis=1)])


def hardest(
    one: NDArray[np.int_], other: NDArray[np.int_], ease: Floats, count: int
) -> NDArray[np.bool_]:
    """The pairs, (pairs,), that are among the so many hardest of either of their two rows.

    Parameters
    ----------
    one, other : (pairs,)
        The two rows.
    ease : (pairs,)
        How easily they are parted.
    """
    rows = int(max(one.max(), other.max())) + 1
    table = np.full((rows, rows), np.inf)
    table[one, other] = table[other, one] = ease
    rank = table.argsort(axis=1, kind="stable").argsort(axis=1, kind="stable")
    return np.asarray((rank[one, other] < count) | (rank[other, one] < count))


def _highest(
    pair: NDArray[np.int_],
    payers: tuple[NDArray[np.int_], NDArray[np.int_]],
    budget: Floats,
    pairs: int,
) -> Floats:
    """Solve the program; the tolls returned are met exactly, whatever the solver's tolerance.

    Parameters
    ----------
    pair, payers : (shares,)
        Per test and pair that it parts: the pair, and the budgets of its two rows.
    budget : (budgets,)
        Minutes times weight, per test and row.
    """
    count = len(pair)
    scale = 1e3
    share = np.arange(count)
    ones = np.ones(count)
    first, second = payers
    within = len(budget) + share
    rows = np.concatenate([first, second, second, within, within])
    columns = np.concatenate([pairs + share, pair, pairs + share, pairs + share, pair])
    factors = np.concatenate([ones, ones, -ones, ones, -ones])
    matrix = csr_matrix((factors, (rows, columns)), (len(budget) + count, pairs + count))
    found = linprog(
        np.concatenate([-np.ones(pairs), np.zeros(count)]),
        A_ub=matrix,
        b_ub=np.concatenate([scale * budget, np.zeros(count)]),
        method="highs-ipm",
    )
    if found.x is None:
        return np.zeros(pairs)
    toll: Floats = np.maximum(found.x[:pairs] / scale, 0.0)
    mine = np.maximum(found.x[pairs:] / scale, 0.0)
    rest = np.maximum(toll[pair] - mine, 0.0)
    asked = np.bincount(first, mine, len(budget)) + np.bincount(second, rest, len(budget))
    granted = np.minimum(budget / np.maximum(asked, 1e-300), 1.0)
    np.minimum.at(toll, pair, mine * granted[first] + rest * granted[second])
    return toll
