"""Ways from a complaint to the failed unit on a noise-free problem: the expert's, a trainee's.

That trainees look into one suspect at a time, take tests that tell little, and repair before the
tests are done is how they are described in W. B. Rouse, R. M. Hunt, "Human problem solving in fault
diagnosis tasks", Advances in Man-Machine Systems Research 1 (1984) 195-222 (from memory). The very
rule of `trainee_way` is judgement.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diagnose.reasoning.exact import Branch
from diagnose.reasoning.noise_free import Problem

CONVINCED = 0.8
"""Share of one unit among what fits at which the standard trainee repairs it (judgement)."""


@dataclass(frozen=True)
class Way:
    """Minutes, tests (indices of the problem's) and units repaired in vain, in order."""

    minutes: float
    tests: tuple[int, ...]
    in_vain: tuple[str, ...]


@dataclass(frozen=True)
class Case:
    """One noise-free problem with the units behind its rows.

    Attributes
    ----------
    weight : (rows, units)
        The rows' probability by replaceable unit.
    vain : (units,)
        Minutes lost by repairing a unit in vain: repair, verification, the spare.
    """

    problem: Problem
    units: tuple[str, ...]
    weight: NDArray[np.float64]
    vain: NDArray[np.float64]

    @staticmethod
    def of(
        problem: Problem,
        hypotheses: Mapping[str, tuple[str, float]],
        vain: Mapping[str, float],
    ) -> Case:
        """From the unit and the weight of each hypothesis that the rows' names consist of."""
        units = tuple(sorted({unit for unit, _ in hypotheses.values()}))
        weight = np.zeros((len(problem.rows), len(units)))
        for r, row in enumerate(problem.rows):
            for name in row.split("+"):
                unit, w = hypotheses[name]
                weight[r, units.index(unit)] += w
        return Case(problem, units, weight, np.array([vain[u] for u in units]))

    def repair(self, unit: int, standing: int) -> tuple[float, int]:
        """Minutes to get ready for the repair of a unit, and where one then stands."""
        terrain = self.problem.terrain
        column = terrain.repair[self.units[unit]]
        return float(terrain.minutes[standing, column]), int(terrain.after[standing, column])


def expert_way(case: Case, tree: Branch | None, row: int, unit: str) -> Way:
    """The cheapest sequence of tests, then the units that are left, the likeliest first.

    Parameters
    ----------
    tree
        The sequence, as `diagnose.reasoning.exact.optimal` finds it; None where there is nothing
        to tell apart.
    row, unit
        The truth.
    """
    problem = case.problem
    index = {test.test: k for k, test in enumerate(problem.tests)}
    standing, minutes, done = problem.terrain.start, 0.0, list[int]()
    fits = np.ones(len(problem.rows), dtype=bool)
    while tree is not None:
        k = index[tree.test]
        minutes += problem.cost(k, standing)
        standing = problem.after(k, standing)
        done.append(k)
        fits &= problem.outcome[:, k] == problem.outcome[row, k]
        tree = tree.after[int(problem.outcome[row, k])]
    order = np.argsort(-np.round(fits @ case.weight, 12), kind="stable")
    swapped = []
    for u in order.tolist():
        ready, standing = case.repair(u, standing)
        minutes += ready
        if case.units[u] == unit:
            break
        minutes += float(case.vain[u])
        swapped.append(case.units[u])
    return Way(minutes, tuple(done), tuple(swapped))


def trainee_way(case: Case, row: int, unit: str) -> Way:
    """The way of the standard trainee, who never misreads but is soon convinced.

    The likeliest cause of the likeliest unit is the suspect. The test is the cheapest, from where
    one stands, that would show something else for at least half of the rest (other units, by
    weight); where there is none, that would for any of it; of equally cheap ones the first. As soon
    as one unit holds `CONVINCED` of what fits, or nothing tells any more, it is repaired; in vain,
    it is out of the question and the search goes on.
    """
    problem, weight = case.problem, case.weight.copy()
    terrain, shown = problem.terrain, problem.outcome
    own = np.array([test.alone for test in problem.tests])
    way = np.array([test.way for test in problem.tests])
    standing, minutes, done, swapped = terrain.start, 0.0, list[int](), list[str]()
    fits = np.ones(len(weight), dtype=bool)
    while True:
        of_unit = fits @ weight
        best = int(np.argmax(np.round(of_unit, 12)))
        telling = _telling(shown, np.where(fits[:, None], weight, 0.0), best)
        if of_unit[best] >= CONVINCED * of_unit.sum() or not telling:
            ready, standing = case.repair(best, standing)
            minutes += ready
            if case.units[best] == unit:
                return Way(minutes, tuple(done), tuple(swapped))
            minutes += float(case.vain[best])
            swapped.append(case.units[best])
            weight[:, best] = 0.0
            continue
        cost = np.round(own + terrain.minutes[standing, way], 9)
        chosen = min(telling, key=lambda k: (cost[k], k))
        minutes += problem.cost(chosen, standing)
        standing = problem.after(chosen, standing)
        done.append(chosen)
        fits &= shown[:, chosen] == shown[row, chosen]


def _telling(shown: NDArray[np.int_], weight: NDArray[np.float64], best: int) -> Sequence[int]:
    """The tests that part the suspect from half of the rest, else from any of it."""
    suspect = int(np.argmax(np.round(weight[:, best], 12)))
    rest = weight.sum(axis=1) - weight[:, best]
    if rest.sum() <= 0:
        return ()
    told = rest @ (shown != shown[suspect]) / rest.sum()
    half = np.flatnonzero(told >= 0.5 - 1e-9)
    return [int(k) for k in (half if len(half) else np.flatnonzero(told > 1e-9))]
