"""Looking ahead: the leading tests compared by what would still be to do after each.

Information per minute looks one test ahead and is drawn to cheap tests that a dearer one,
needed anyway, would have made superfluous; and it pays a walk or an isolation for one test
although several would use it. So the leading tests are compared on a simplified problem: the
likeliest causes, each with its likeliest outcomes, minutes stretched by what a test's spread
costs in information, and what every walk and change of state costs from wherever one then stands.

Where the simplified problem is small, its optimum is found (`diagnose.reasoning.exact`). Where it
is not, each leading test is followed by the best of a few tests, `DEPTH` times, and then by
information per minute to the end: a rollout [1]_ with a short search before it. The work is bounded
by counts, never by the clock.

References
----------
.. [1] D. P. Bertsekas, J. N. Tsitsiklis, C. Wu, "Rollout algorithms for combinatorial
   optimization", Journal of Heuristics 3 (1997) 245-262 (from memory); for test sequencing:
   F. Tu, K. R. Pattipati, "Rollout strategies for sequential fault diagnosis", IEEE Transactions
   on Systems, Man, and Cybernetics A 33 (2003) 86-99 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from diagnose.reasoning.bearing import entropy
from diagnose.reasoning.belief import UNKNOWN, Belief
from diagnose.reasoning.exact import Plan, optimal
from diagnose.reasoning.noise_free import Problem
from diagnose.reasoning.strategy import (
    FLAT,
    WORTH_BITS,
    Candidate,
    Choice,
    Greedy,
    Outlook,
    Terrain,
)

WIDTH = 20
"""Tests compared."""
DEPTH = 2
"""Tests after the compared one that are chosen by trying several."""
BRANCH = 5
"""Tests tried at each of them, those with most information per minute."""
DEEPER = 4
"""Tests compared so; all are compared by information per minute to the end first, to find them."""
NEAR = 0.3
"""Share of the leading test's information per minute below which a test is not compared."""
ROWS = 32
"""Causes looked at, those that look alike counted once."""
TESTS = 150
"""Tests looked at, those with most information per minute."""
COVERED = 0.9999
"""Share of the probability (of known causes) that is looked at, if `ROWS` allows."""
SUPPORTED = 0.02
"""Chance of an outcome below which a cause is dropped where that outcome is supposed."""
STRETCH = 4.0
"""Most by which minutes are stretched."""
EXACT_ROWS = 12
"""Causes up to which the optimum is looked for."""
EXPANSIONS = 300
"""Sets that the search for the optimum may open in one turn, about 200 ms on two cores."""

Floats = NDArray[np.float64]
Rows = NDArray[np.int_]


class Lookahead:
    """Information per minute, the leading few reordered by looking ahead.

    Parameters
    ----------
    worth
        A test that tells less than this, in bits, is not done.
    sure
        Share of one unit at which looking ahead counts the unit as known.
    expansions
        Sets that the search for the optimum may open; 0 never searches.
    depth
        Tests after each compared one that are chosen by trying several.
    """

    name = "lookahead"

    def __init__(
        self,
        worth: float = WORTH_BITS,
        sure: float = 0.98,
        width: int = WIDTH,
        near: float = NEAR,
        rows: int = ROWS,
        expansions: int = EXPANSIONS,
        depth: int = DEPTH,
    ) -> None:
        self.worth = worth
        self.sure = sure
        self.width = width
        self.near = near
        self.rows = rows
        self.expansions = expansions
        self.depth = depth

    def rank(
        self, belief: Belief, candidates: Sequence[Candidate], terrain: Terrain = FLAT
    ) -> list[Choice]:
        """See `Strategy.rank`; a test to be asked again is compared by its information alone."""
        choices = Greedy(self.worth).rank(belief, candidates)
        done = {test for test, _ in belief.seen}
        if len(choices) < 2 or choices[0].candidate.test in done:
            return choices
        fresh = [c for c in choices if c.candidate.test not in done][:TESTS]
        ahead = Ahead(belief, fresh, self.rows, self.sure, terrain)
        return self._exact(choices, ahead) or self._rollout(choices, fresh, ahead)

    def _exact(self, choices: list[Choice], ahead: Ahead) -> list[Choice]:
        """The test that the optimum starts with first; empty where it is not found."""
        if not self.expansions or len(ahead.weight) > EXACT_ROWS:
            return []
        plan = ahead.plan(self.expansions)
        if plan is None or plan.tree is None or not plan.finished:
            return []
        first = plan.tree.test
        best = next(c for c in choices if c.candidate.test == first)
        found = Outlook("exact", plan.minutes, plan.margin, plan.expansions)
        return [replace(best, ahead=found), *(c for c in choices if c is not best)]

    def _rollout(self, choices: list[Choice], fresh: list[Choice], ahead: Ahead) -> list[Choice]:
        least = self.near * choices[0].score
        leading = [c for c in choices[: self.width] if c in fresh and c.score >= least]
        if len(leading) < 2:
            return choices

        def ordered(some: list[Choice], depth: int) -> tuple[list[Choice], list[float]]:
            minutes = {c: round(ahead.minutes_with(fresh.index(c), depth), 9) for c in some}
            order = sorted(some, key=lambda c: (minutes[c], choices.index(c)))
            return order, [minutes[c] for c in order]

        order, _ = ordered(leading, 0)
        first, minutes = ordered(order[:DEEPER], self.depth)
        found = Outlook("rollout", minutes[0], minutes[1] - minutes[0], 0)
        rest = [c for c in choices if c not in leading]
        return [replace(first[0], ahead=found), *first[1:], *order[DEEPER:], *rest]


class Ahead:
    """The simplified problem behind one belief."""

    def __init__(
        self,
        belief: Belief,
        choices: Sequence[Choice],
        rows: int,
        sure: float,
        terrain: Terrain = FLAT,
    ) -> None:
        table = belief.table
        self.choices = choices
        index = np.array([c.candidate.index for c in choices])
        members = _likeliest(belief, 4 * rows)
        clean = table.clean[np.ix_(members, index)]
        outcome = clean.argmax(axis=2)
        units = table.unit_index[members]
        groups: dict[bytes, int] = {}
        first: list[int] = []
        place = np.empty(len(members), dtype=np.int_)
        for k, unit in enumerate(units):
            key = outcome[k].tobytes() + int(unit).to_bytes(4, "little")
            if key not in groups:
                groups[key] = len(first)
                first.append(k)
            place[k] = groups[key]
        weight = np.zeros(len(first))
        np.add.at(weight, place, belief.p[members])
        chosen = np.argsort(-weight, kind="stable")[:rows]
        kept = np.array(first)[chosen]
        self.sure = sure
        self.weight = weight[chosen] / weight[chosen].sum()
        self.clean = clean[kept]
        labels, self.label = np.unique(units[kept], return_inverse=True)
        self.of_label = np.eye(len(labels))[self.label]
        self.outcome = outcome[kept]
        self.minutes = np.array([c.candidate.minutes for c in choices])
        self.own = np.array([c.candidate.alone for c in choices])
        self.way = np.array([c.candidate.way for c in choices])
        self.terrain = terrain
        ways = [terrain.repair.get(table.unit_names[u], -1) for u in labels]
        self.ending = np.array([[0.0 if w < 0 else m[w] for w in ways] for m in terrain.minutes])
        self._narrow(np.array([c.gain for c in choices]))
        self.seen: dict[tuple[bytes, bytes, int, int], float] = {}

    def _narrow(self, gains: Floats) -> None:
        """Keep, of the tests that split alike, the cheapest; stretch the minutes by the spread."""
        hot = self.outcome[:, :, None] == np.arange(self.outcome.max() + 1)
        told = self._gains(np.arange(len(self.weight)), self.weight, hot.astype(np.float64))
        stretched = self.own * np.clip(told / np.maximum(gains, 1e-9), 1.0, STRETCH)
        alike = self.outcome[:, None] == self.outcome[None]
        pattern = np.ascontiguousarray(alike.argmax(axis=0).T.astype(np.uint8))
        cheapest: dict[tuple[bytes, int], int] = {}
        for k in np.lexsort((np.arange(len(told)), stretched)).tolist():
            if told[k] > 1e-12:
                cheapest.setdefault((pattern[k].tobytes(), int(self.way[k])), k)
        tests = sorted(cheapest.values())
        ways = self.way[tests]
        self.after = stretched[tests] + self.terrain.minutes[:, ways]
        self.then = self.terrain.after[:, ways]
        self.split = self.outcome[:, tests]
        self.tests = [
            replace(self.choices[k].candidate, index=n, own=float(stretched[k]))
            for n, k in enumerate(tests)
        ]
        self.hot = hot[:, tests].astype(np.float64)

    def _gains(self, members: Rows, weight: Floats, hot: Floats) -> Floats:
        """Weighted bits about the label from each test, (tests,)."""
        of_label = self.of_label[members]
        of_label = of_label[:, of_label.any(axis=0)] * weight[:, None]
        joint = of_label.T @ hot[members].reshape(len(members), -1)
        shape = hot.shape[1:]
        both = entropy(joint, axis=0).reshape(shape).sum(axis=1)
        total = of_label.sum()
        gains = entropy(of_label.sum(axis=0)) + entropy(joint.sum(axis=0).reshape(shape)) - both
        return np.asarray(gains + total * np.log2(total))

    def plan(self, expansions: int) -> Plan | None:
        """The optimum of the simplified problem; None where nothing is left to tell apart."""
        problem = Problem.of(
            [f"{k}" for k in range(len(self.weight))],
            [f"{k}" for k in self.label],
            self.weight.tolist(),
            self.tests,
            self.split,
            self.terrain,
        )
        if problem.solved(problem.everything) or not problem.parts:
            return None
        return optimal(problem, expansions)

    def minutes_with(self, choice: int, depth: int) -> float:
        """Expected minutes until the unit is known, one of the choices done first."""
        total = float(self.minutes[choice])
        standing = int(self.terrain.after[self.terrain.start, self.way[choice]])
        for o in range(self.clean.shape[2]):
            chance = self.clean[:, choice, o]
            members = np.flatnonzero((chance >= SUPPORTED) & (self.weight > 0))
            if len(members):
                weight = self.weight[members] * chance[members]
                total += self.minutes_left(members, weight, standing, depth)
        return total

    def minutes_left(self, members: Rows, weight: Floats, standing: int, depth: int) -> float:
        """(Weighted) minutes until one stands at the repair.

        Parameters
        ----------
        members, weight : (members,)
            The causes that fit, and their weights.
        depth
            Tests still to be chosen by trying several; after them information per minute chooses.
        """
        of_label = np.bincount(self.label[members], weight)
        best = int(of_label.argmax())
        mass = float(weight.sum())
        if of_label[best] >= self.sure * mass:
            return mass * float(self.ending[standing, best])
        key = (members.tobytes(), weight.tobytes(), standing, depth)
        if key not in self.seen:
            self.seen[key] = self._left(members, weight, mass, standing, depth)
        return self.seen[key]

    def _left(self, members: Rows, weight: Floats, mass: float, standing: int, depth: int) -> float:
        rows = self.split[members]
        splits = (rows != rows[0]).any(axis=0).nonzero()[0]
        if not len(splits):
            best = np.bincount(self.label[members], weight).argmax()
            return mass * float(self.ending[standing, best])
        cost = self.after[standing, splits]
        if len(members) == 2:
            leading = splits[[np.round(cost, 12).argmin()]]
        else:
            scores = np.round(self._gains(members, weight, self.hot[:, splits]) / cost / mass, 12)
            leading = splits[(-scores).argsort(kind="stable")[: BRANCH if depth else 1]]
        least = math.inf
        for test in leading.tolist():
            total = mass * float(self.after[standing, test])
            then = int(self.then[standing, test])
            column = rows[:, test]
            for o in sorted(set(column.tolist())):
                if total >= least:
                    break
                part = column == o
                total += self.minutes_left(members[part], weight[part], then, max(depth - 1, 0))
            least = min(least, total)
        return least


def _likeliest(belief: Belief, most: int) -> NDArray[np.int_]:
    """The likeliest known causes that together hold `COVERED` of the probability."""
    p = belief.p.copy()
    if UNKNOWN in belief.table.index:
        p[belief.table.index[UNKNOWN]] = 0.0
    order = np.argsort(-p, kind="stable")
    enough = int(np.searchsorted(np.cumsum(p[order]), COVERED * p.sum())) + 1
    count = min(enough, most, int(np.count_nonzero(p)))
    return np.asarray(order[: max(count, 1)])
