"""Noise-free problems: what testing would cost if answers were certain.

A noise-free problem has rows (causes, or causes that no test tells apart), one certain outcome
for each row and test, minutes for each test, and a label for each row: the replaceable units
behind it. A row is narrowed down once all rows that fit the answers bear one label. Sets of rows
are whole numbers, bit `r` for row `r`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from diagnose.reasoning.belief import UNKNOWN, Belief, Hypotheses
from diagnose.reasoning.strategy import FLAT, Candidate, Strategy, Terrain


@dataclass(frozen=True)
class Problem:
    """A noise-free problem.

    Attributes
    ----------
    rows : (rows,)
        Names; all rows have distinct outcomes.
    labels : (rows,)
        What has to be told apart, sorted so that equal labels stand together.
    weight : (rows,)
        Probabilities, summing to 1.
    tests : (tests,)
        Each with its minutes.
    outcome : (rows, tests)
        The certain outcome.
    terrain
        What getting ready for each test costs; by default its minutes are all there is.
    """

    rows: tuple[str, ...]
    labels: tuple[str, ...]
    weight: tuple[float, ...]
    tests: tuple[Candidate, ...]
    outcome: NDArray[np.int_]
    terrain: Terrain = FLAT

    @staticmethod
    def of(
        names: Sequence[str],
        labels: Sequence[str],
        weight: Sequence[float],
        tests: Sequence[Candidate],
        outcome: NDArray[np.int_],
        terrain: Terrain = FLAT,
    ) -> Problem:
        """Merge rows with equal outcomes, their labels joined; drop those without weight."""
        groups: dict[tuple[int, ...], list[int]] = {}
        for k, key in enumerate(map(tuple, outcome.tolist())):
            if weight[k] > 0:
                groups.setdefault(key, []).append(k)
        joined = {
            key: "+".join(sorted({labels[k] for k in members})) for key, members in groups.items()
        }
        order = sorted(groups, key=lambda key: joined[key])
        total = sum(weight[k] for members in groups.values() for k in members)
        return Problem(
            rows=tuple("+".join(names[k] for k in groups[key]) for key in order),
            labels=tuple(joined[key] for key in order),
            weight=tuple(sum(weight[k] for k in groups[key]) / total for key in order),
            tests=tuple(tests),
            outcome=np.array(order, dtype=np.int_).reshape(len(order), len(tests)),
            terrain=terrain,
        )

    @staticmethod
    def likeliest(table: Hypotheses, p: NDArray[np.float64], tests: Sequence[Candidate]) -> Problem:
        """The problem in which every hypothesis shows its likeliest outcome.

        Parameters
        ----------
        p : (hypotheses,)
            Weights; hypotheses without weight, and `UNKNOWN`, are left out.
        """
        chosen = table.clean[:, [c.index for c in tests]].argmax(axis=2)
        weight = [0.0 if n == UNKNOWN else float(x) for n, x in zip(table.names, p, strict=True)]
        return Problem.of(table.names, table.units, weight, tests, chosen)

    @cached_property
    def parts(self) -> tuple[tuple[int, tuple[int, ...]], ...]:
        """Per useful test its index and the set of rows (as bits) of each outcome.

        Of tests that split alike and ask for the same way only the cheapest is kept.
        """
        cheapest: dict[tuple[tuple[int, ...], int], int] = {}
        for k, test in enumerate(self.tests):
            column = self.outcome[:, k]
            sets = tuple(
                sum(1 << r for r in np.flatnonzero(column == o).tolist()) for o in np.unique(column)
            )
            key = (tuple(sorted(sets)), test.way)
            if len(sets) > 1 and (
                key not in cheapest or test.alone < self.tests[cheapest[key]].alone
            ):
                cheapest[key] = k
        found = sorted((k, sets) for (sets, _), k in cheapest.items())
        return tuple(found)

    def cost(self, test: int, standing: int) -> float:
        """Minutes of a test from a standing."""
        made = self.tests[test]
        return made.alone + float(self.terrain.minutes[standing, made.way])

    def least(self, test: int) -> float:
        """Minutes of a test from the standing that is nearest to it."""
        return min(self.cost(test, s) for s in range(len(self.terrain.minutes)))

    def after(self, test: int, standing: int) -> int:
        """Where one stands after a test."""
        return int(self.terrain.after[standing, self.tests[test].way])

    @cached_property
    def label_sets(self) -> tuple[int, ...]:
        """The rows of each label, as bits."""
        sets: dict[str, int] = {}
        for r, label in enumerate(self.labels):
            sets[label] = sets.get(label, 0) | (1 << r)
        return tuple(sets.values())

    @property
    def everything(self) -> int:
        """All rows, as bits."""
        return (1 << len(self.rows)) - 1

    def mass(self, rows: int) -> float:
        """Probability of a set of rows."""
        return math.fsum(self.weight[r] for r in bits(rows))

    def solved(self, rows: int) -> bool:
        """Whether all rows of a set bear one label."""
        first = self.label_sets_of[(rows & -rows).bit_length() - 1]
        return rows & ~first == 0

    @cached_property
    def label_sets_of(self) -> tuple[int, ...]:
        """Per row, the set of rows with its label."""
        return tuple(next(s for s in self.label_sets if s >> r & 1) for r in range(len(self.rows)))

    @cached_property
    def table(self) -> Hypotheses:
        """The same problem as a table for a belief, with certain likelihoods."""
        widest = int(self.outcome.max(initial=0)) + 1
        clean = np.zeros((*self.outcome.shape, widest))
        np.put_along_axis(clean, self.outcome[:, :, None], 1.0, axis=2)
        starts = [r for r, x in enumerate(self.labels) if r == 0 or self.labels[r - 1] != x]
        names = tuple(test.test for test in self.tests)
        return Hypotheses(
            names=self.rows,
            units=self.labels,
            unit_names=tuple(self.labels[r] for r in starts),
            starts=np.array(starts),
            tests=names,
            sizes=np.full(len(self.tests), widest),
            clean=clean,
            complaint={},
            weight=np.array(self.weight),
            errors=np.zeros(len(self.tests)),
            index={name: r for r, name in enumerate(self.rows)},
            test_index={name: k for k, name in enumerate(names)},
        )


def bits(rows: int) -> Iterator[int]:
    """The members of a set."""
    while rows:
        low = rows & -rows
        yield low.bit_length() - 1
        rows ^= low


def expected_cost(problem: Problem, strategy: Strategy) -> float:
    """Expected minutes of a strategy on a noise-free problem, until every row bears its label.

    Only tests that still split the rows that fit are offered.

    Raises
    ------
    ValueError
        The strategy stops before the label is known.
    """
    log_weight = np.log(np.array(problem.weight))
    known: dict[tuple[int, int], float] = {}

    def cost(rows: int, standing: int) -> float:
        if problem.solved(rows):
            return 0.0
        if (rows, standing) not in known:
            members = list(bits(rows))
            fitting = np.full(len(problem.rows), -np.inf)
            fitting[members] = log_weight[members]
            split = np.ptp(problem.outcome[members], axis=0) > 0
            offered = [
                replace(test, index=k, minutes=problem.cost(k, standing), own=test.alone)
                for k, test in enumerate(problem.tests)
                if split[k]
            ]
            terrain = replace(problem.terrain, start=standing)
            choices = strategy.rank(Belief(problem.table, fitting), offered, terrain)
            if not choices:
                raise ValueError(f"'{strategy.name}' stops before the label is known")
            k = choices[0].candidate.index
            parts: dict[int, int] = {}
            for r in members:
                o = int(problem.outcome[r, k])
                parts[o] = parts.get(o, 0) | (1 << r)
            then = problem.after(k, standing)
            known[rows, standing] = problem.cost(k, standing) * problem.mass(rows) + sum(
                cost(part, then) for part in parts.values()
            )
        return known[rows, standing]

    return cost(problem.everything, problem.terrain.start)
