"""Looking ahead: the leading tests compared by what would still be to do after each.

Information per minute looks one test ahead and is drawn to cheap tests that a dearer one,
needed anyway, would have made superfluous. So the few leading tests are compared by the expected
minutes until the unit is known, were one to go on by information per minute after each of them:
one step of policy improvement [1]_. What follows the first test is reckoned on a simplified
problem: the likeliest causes, each with its likeliest outcomes, minutes stretched by what a
test's spread costs in information. The work is bounded by counts: `WIDTH` tests, `ROWS` causes.

References
----------
.. [1] D. P. Bertsekas, J. N. Tsitsiklis, C. Wu, "Rollout algorithms for combinatorial
   optimization", Journal of Heuristics 3 (1997) 245-262 (from memory); for test sequencing:
   F. Tu, K. R. Pattipati, "Rollout strategies for sequential fault diagnosis", IEEE Transactions
   on Systems, Man, and Cybernetics A 33 (2003) 86-99 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from diagnose.reasoning.belief import UNKNOWN, Belief, entropy
from diagnose.reasoning.strategy import FLAT, WORTH_BITS, Candidate, Choice, Greedy, Terrain

WIDTH = 4
"""Tests compared."""
ROWS = 32
"""Causes looked at, those that look alike counted once."""
COVERED = 0.9999
"""Share of the probability (of known causes) that is looked at, if `ROWS` allows."""
SUPPORTED = 0.02
"""Chance of an outcome below which a cause is dropped where that outcome is supposed."""
STRETCH = 4.0
"""Most by which minutes are stretched."""

Floats = NDArray[np.float64]


class Rollout:
    """Information per minute, the leading few reordered by looking ahead.

    Parameters
    ----------
    worth
        A test that tells less than this, in bits, is not done.
    sure
        Share of one unit at which looking ahead counts the unit as known.
    """

    name = "rollout"

    def __init__(
        self, worth: float = WORTH_BITS, sure: float = 0.98, width: int = WIDTH, rows: int = ROWS
    ) -> None:
        self.worth = worth
        self.sure = sure
        self.width = width
        self.rows = rows

    def rank(
        self, belief: Belief, candidates: Sequence[Candidate], terrain: Terrain = FLAT
    ) -> list[Choice]:
        """See `Strategy.rank`."""
        choices = Greedy(self.worth).rank(belief, candidates)
        if len(choices) < 2:
            return choices
        ahead = Ahead(belief, choices, self.rows, self.sure)
        leading = range(min(self.width, len(choices)))
        minutes = [round(ahead.minutes_with(k), 9) for k in leading]
        order = sorted(leading, key=lambda k: (minutes[k], k))
        return [choices[k] for k in order] + choices[len(order) :]


class Ahead:
    """The simplified problem behind one belief."""

    def __init__(self, belief: Belief, choices: Sequence[Choice], rows: int, sure: float) -> None:
        table = belief.table
        index = np.array([c.candidate.index for c in choices])
        members = _likeliest(belief, 4 * rows)
        clean = table.clean[members][:, index]
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
        self._narrow(np.array([c.gain for c in choices]))
        self.seen: dict[bytes, float] = {}

    def _narrow(self, gains: Floats) -> None:
        """Keep, of the tests that split alike, the cheapest; stretch the minutes by the spread."""
        hot = self.outcome[:, :, None] == np.arange(self.outcome.max() + 1)
        told = self._gains(self.weight, np.arange(len(self.weight)), hot.astype(np.float64))
        stretched = self.minutes * np.clip(told / np.maximum(gains, 1e-9), 1.0, STRETCH)
        alike = self.outcome[:, None] == self.outcome[None]
        pattern = np.ascontiguousarray(alike.argmax(axis=0).T.astype(np.uint8))
        cheapest: dict[bytes, int] = {}
        for k in np.lexsort((np.arange(len(told)), stretched)).tolist():
            if told[k] > 1e-12:
                cheapest.setdefault(pattern[k].tobytes(), k)
        tests = sorted(cheapest.values())
        self.after = stretched[tests]
        self.split = self.outcome[:, tests]
        self.hot = hot[:, tests].astype(np.float64)

    def _gains(self, weight: Floats, members: NDArray[np.int_], hot: Floats) -> Floats:
        """Weighted bits about the label from each test, (tests,)."""
        of_label = self.of_label[members]
        of_label = of_label[:, of_label.any(axis=0)] * weight[members, None]
        joint = of_label.T @ hot[members].reshape(len(members), -1)
        shape = hot.shape[1:]
        both = entropy(joint, axis=0).reshape(shape).sum(axis=1)
        total = of_label.sum()
        gains = entropy(of_label.sum(axis=0)) + entropy(joint.sum(axis=0).reshape(shape)) - both
        return np.asarray(gains + total * np.log2(total))

    def minutes_with(self, choice: int) -> float:
        """Expected minutes until the unit is known, one of the choices done first."""
        total = float(self.minutes[choice])
        for o in range(self.clean.shape[2]):
            chance = self.clean[:, choice, o]
            weight = np.where(chance >= SUPPORTED, self.weight * chance, 0.0)
            if weight.any():
                total += self.minutes_left(weight)
        return total

    def minutes_left(self, weight: Floats) -> float:
        """(Weighted) minutes by information per minute from here."""
        members = np.flatnonzero(weight)
        of_label = np.bincount(self.label[members], weight[members])
        mass = float(of_label.sum())
        if of_label.max() >= self.sure * mass:
            return 0.0
        key = weight.tobytes()
        if key not in self.seen:
            self.seen[key] = self._left(weight, members, mass)
        return self.seen[key]

    def _left(self, weight: Floats, members: NDArray[np.int_], mass: float) -> float:
        rows = self.split[members]
        splits = np.flatnonzero((rows != rows[0]).any(axis=0))
        if not len(splits):
            return 0.0
        if len(members) == 2:
            return mass * float(self.after[splits].min())
        scores = self._gains(weight, members, self.hot[:, splits]) / self.after[splits]
        best = splits[int(np.argmax(np.round(scores / mass, 12)))]
        total = mass * float(self.after[best])
        for o in np.unique(rows[:, best]):
            total += self.minutes_left(np.where(self.split[:, best] == o, weight, 0.0))
        return total


def _likeliest(belief: Belief, most: int) -> NDArray[np.int_]:
    """The likeliest known causes that together hold `COVERED` of the probability."""
    p = belief.p.copy()
    if UNKNOWN in belief.table.index:
        p[belief.table.index[UNKNOWN]] = 0.0
    order = np.argsort(-p, kind="stable")
    enough = int(np.searchsorted(np.cumsum(p[order]), COVERED * p.sum())) + 1
    count = min(enough, most, int(np.count_nonzero(p)))
    return np.asarray(order[: max(count, 1)])
