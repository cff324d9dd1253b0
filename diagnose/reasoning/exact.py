"""The cheapest sequence of tests where answers are certain: exact dynamic programming.

Search is depth-first over sets of rows with memory, cut by lower bounds that never exceed the
true cost, and bounded by the number of sets opened, never by the clock.

References
----------
.. [1] K. R. Pattipati, M. G. Alexandridis, "Application of heuristic search and information
   theory to sequential fault diagnosis", IEEE Transactions on Systems, Man, and Cybernetics 20
   (1990) 872-887: the problem, and bounds from Huffman codes and entropy (from memory).
.. [2] D. A. Huffman, "A method for the construction of minimum-redundancy codes", Proceedings of
   the IRE 40 (1952) 1098-1101.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from diagnose.reasoning.noise_free import Problem, bits

BUDGET = 300_000
"""Sets opened before the search gives up."""
TINY = 1e-12
"""Weighted minutes below which two costs count as equal."""


@dataclass(frozen=True)
class Branch:
    """A tree of tests: the test, and per outcome the branch that follows; None where solved."""

    test: str
    after: Mapping[int, Branch | None]


@dataclass(frozen=True)
class Plan:
    """What the search found.

    Attributes
    ----------
    minutes
        Expected minutes of `tree`: the optimum where `finished`.
    lower
        No sequence is cheaper than this.
    expansions
        Sets of rows opened.
    """

    minutes: float
    lower: float
    tree: Branch | None
    expansions: int
    finished: bool


class _OutOfBudget(Exception):
    """The search has opened as many sets as it may."""


def optimal(problem: Problem, budget: int = BUDGET) -> Plan:
    """Find the sequence of tests with the least expected minutes.

    Parameters
    ----------
    budget
        Sets of rows to open at most. Where it runs out, the plan is the one that information
        per minute gives, with the lower bound proved so far.

    Raises
    ------
    ValueError
        The tests cannot tell the rows apart.
    """
    search = _Search(problem, budget)
    start = problem.everything
    rough = search.greedy(start)
    try:
        minutes = search.solve(start, rough * (1 + 1e-9) + 1e-12)
    except _OutOfBudget:
        lower = max(search.lower.get(start, 0.0), search.bound(start))
        tree = search.tree(start, search.greedy_choice)
        return Plan(rough, lower, tree, search.opened, False)
    return Plan(minutes, minutes, search.tree(start, search.choice), search.opened, True)


class _Search:
    """Depth-first branch and bound; costs are weighted by the probability of their set."""

    def __init__(self, problem: Problem, budget: int) -> None:
        self.problem = problem
        self.budget = budget
        self.opened = 0
        self.exact: dict[int, float] = {}
        self.lower: dict[int, float] = {}
        self.choice: dict[int, int] = {}
        self.greedy_choice: dict[int, int] = {}
        self.greedy_cost: dict[int, float] = {}
        self.masses: dict[int, float] = {}
        self.dearest = self._separating()
        self.most = max(
            (math.log2(len(s)) / self.minutes(k) for k, s in problem.parts), default=1.0
        )

    def minutes(self, test: int) -> float:
        return self.problem.tests[test].minutes

    def mass(self, rows: int) -> float:
        if rows not in self.masses:
            self.masses[rows] = self.problem.mass(rows)
        return self.masses[rows]

    def _separating(self) -> list[list[tuple[float, int]]]:
        """Per row, falling minutes and the rows that only tests of such minutes split off."""
        problem = self.problem
        found = []
        for r in range(len(problem.rows)):
            left = problem.everything & ~problem.label_sets_of[r]
            levels: dict[float, int] = {}
            for k, sets in sorted(problem.parts, key=lambda part: self.minutes(part[0])):
                own = next(s for s in sets if s >> r & 1)
                split = left & ~own
                if split:
                    levels[self.minutes(k)] = levels.get(self.minutes(k), 0) | split
                    left &= own
            if left:
                raise ValueError(f"no test tells '{problem.rows[r]}' from the others")
            found.append(sorted(levels.items(), reverse=True))
        return found

    def bound(self, rows: int) -> float:
        """A cost that no sequence can undercut, (weighted) minutes.

        The largest of: each row must be split from its dearest rival; entropy of the labels at
        the highest rate that any test offers; and, in tests, the length of a Huffman code of
        the labels with as many symbols as a test has outcomes, at the cheapest minutes.
        """
        problem = self.problem
        pairs = 0.0
        for r in bits(rows):
            for minutes, split in self.dearest[r]:
                if rows & split:
                    pairs += problem.weight[r] * minutes
                    break
        masses = [self.mass(rows & s) for s in problem.label_sets if rows & s]
        total = sum(masses)
        entropy = -sum(m * math.log2(m / total) for m in masses)
        cheapest, widest = math.inf, 2
        for k, sets in problem.parts:
            inside = sum(1 for s in sets if rows & s)
            if inside > 1:
                cheapest = min(cheapest, self.minutes(k))
                widest = max(widest, inside)
        return max(pairs, entropy / self.most, cheapest * huffman(masses, widest))

    def options(self, rows: int) -> Iterator[tuple[int, list[int]]]:
        """Tests that split a set, with the subsets; the cheapest of those that split alike."""
        seen: dict[tuple[int, ...], int] = {}
        for k, sets in self.problem.parts:
            subsets = tuple(sorted(x for s in sets if (x := rows & s)))
            if len(subsets) > 1 and (
                subsets not in seen or self.minutes(k) < self.minutes(seen[subsets])
            ):
                seen[subsets] = k
        for subsets, k in seen.items():
            yield k, list(subsets)

    def at_least(self, rows: int) -> float:
        if self.problem.solved(rows):
            return 0.0
        if rows in self.exact:
            return self.exact[rows]
        if rows not in self.lower:
            self.lower[rows] = self.bound(rows)
        return self.lower[rows]

    def solve(self, rows: int, limit: float) -> float:
        """The least cost of a set where it is below `limit`; else some bound of at least that."""
        known = self.at_least(rows)
        if known >= limit or rows in self.exact or self.problem.solved(rows):
            return known
        if self.opened >= self.budget:
            raise _OutOfBudget
        self.opened += 1
        ranked = []
        for k, subsets in self.options(rows):
            floor = self.minutes(k) * self.mass(rows) + sum(map(self.at_least, subsets))
            ranked.append((floor, k, subsets))
        ranked.sort(key=lambda option: option[:2])
        best, failed = limit, math.inf
        for floor, k, subsets in ranked:
            if floor >= best:
                failed = min(failed, floor)
                break
            least = [self.at_least(subset) for subset in subsets]  # may have risen since
            cost = self.minutes(k) * self.mass(rows) + sum(least)
            for hoped, subset in sorted(zip(least, subsets, strict=True), reverse=True):
                if cost >= best - TINY:
                    break
                cost += self.solve(subset, best - cost + hoped) - hoped
            if cost < best - TINY:
                best = cost
                self.choice[rows] = k
            else:
                failed = min(failed, cost)
        if best < limit:
            self.exact[rows] = best
            return best
        self.lower[rows] = max(known, failed)
        return self.lower[rows]

    def greedy(self, rows: int) -> float:
        """The cost of information about the label per minute, a first upper limit."""
        if self.problem.solved(rows):
            return 0.0
        if rows not in self.greedy_cost:
            best = max(
                self.options(rows), key=lambda o: self._gain(rows, o[1]) / self.minutes(o[0])
            )
            self.greedy_choice[rows] = best[0]
            self.greedy_cost[rows] = self.minutes(best[0]) * self.mass(rows) + sum(
                map(self.greedy, best[1])
            )
        return self.greedy_cost[rows]

    def _gain(self, rows: int, subsets: Sequence[int]) -> float:
        def spread(part: int) -> float:
            masses = [self.mass(part & s) for s in self.problem.label_sets if part & s]
            total = sum(masses)
            return -sum(m * math.log2(m / total) for m in masses)

        return spread(rows) - sum(map(spread, subsets))

    def tree(self, rows: int, choice: Mapping[int, int]) -> Branch | None:
        """The chosen tests as a tree."""
        if self.problem.solved(rows):
            return None
        k = choice[rows]
        after = {}
        for r in bits(rows):
            outcome = int(self.problem.outcome[r, k])
            if outcome not in after:
                column = self.problem.outcome[:, k]
                inside = sum(1 << x for x in bits(rows) if column[x] == outcome)
                after[outcome] = self.tree(inside, choice)
        return Branch(self.problem.tests[k].test, after)


def huffman(masses: Sequence[float], symbols: int) -> float:
    """Sum of mass times length of the best code with so many symbols [2]_."""
    heap = list(masses)
    while symbols > 2 and (len(heap) - 1) % (symbols - 1):
        heap.append(0.0)
    heapq.heapify(heap)
    total = 0.0
    while len(heap) > 1:
        merged = sum(heapq.heappop(heap) for _ in range(min(symbols, len(heap))))
        total += merged
        heapq.heappush(heap, merged)
    return total
