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
from collections.abc import Callable, Mapping, Sequence
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
    margin
        Any other first test costs at least so many minutes more; infinite where there is none.
    """

    minutes: float
    lower: float
    tree: Branch | None
    expansions: int
    finished: bool
    margin: float = 0.0


class OutOfBudget(Exception):
    """The search has opened as many sets as it may."""


Floor = Callable[[int], float]
"""(Weighted) minutes that no sequence undercuts on a set of rows, from wherever one stands."""
Sharpen = Callable[[int, Floor | None], Floor]
"""A floor for a set about to be opened and for its subsets, from the one of the set before."""


def optimal(
    problem: Problem,
    budget: int = BUDGET,
    sharpen: Sharpen | None = None,
    known: float = math.inf,
    shares: Sequence[float] = (1.0,),
) -> Plan:
    """Find the sequence of tests with the least expected minutes.

    Parameters
    ----------
    budget
        Sets of rows to open at most. Where it runs out, the plan is the one that information
        per minute gives, with the lower bound proved so far.
    sharpen
        A dearer bound, asked for once for each set opened; it may end the search (`OutOfBudget`).
    known
        Expected minutes of some sequence, if one is known that is better than that plan.
    shares
        Rising shares of the least minutes known, up to 1: that nothing is cheaper than each is
        proved one after another, so that a search without end still leaves a bound.

    Raises
    ------
    ValueError
        The tests cannot tell the rows apart.
    """
    search = _Search(problem, budget, sharpen)
    start = (problem.everything, problem.terrain.start)
    rough = search.greedy(start)
    try:
        for share in shares:
            minutes = search.solve(start, share * min(rough, known) * (1 + 1e-9) + 1e-12)
    except OutOfBudget:
        lower = max(search.lower.get(start, 0.0), search.bound(start[0]))
        tree = search.tree(start, search.greedy_choice)
        return Plan(rough, lower, tree, search.opened, False)
    tree = search.tree(start, search.choice)
    return Plan(minutes, minutes, tree, search.opened, True, search.margin(start))


def lower_bound(problem: Problem) -> float:
    """Minutes that no sequence of tests can undercut, without any search."""
    return (
        0.0 if problem.solved(problem.everything) else _Search(problem, 0).bound(problem.everything)
    )


Node = tuple[int, int]
"""A set of rows and where one stands."""


class _Search:
    """Depth-first branch and bound; costs are weighted by the probability of their set."""

    def __init__(self, problem: Problem, budget: int, sharpen: Sharpen | None = None) -> None:
        self.problem = problem
        self.budget = budget
        self.sharpen = sharpen
        self.opened = 0
        self.exact: dict[Node, float] = {}
        self.lower: dict[Node, float] = {}
        self.choice: dict[Node, int] = {}
        self.greedy_choice: dict[Node, int] = {}
        self.greedy_cost: dict[Node, float] = {}
        self.masses: dict[int, float] = {}
        self.bounds: dict[int, float] = {}
        standings = range(len(problem.terrain.minutes))
        self.cost = [[problem.cost(k, s) for s in standings] for k in range(len(problem.tests))]
        self.then = [[problem.after(k, s) for s in standings] for k in range(len(problem.tests))]
        self.least = [problem.least(k) for k in range(len(problem.tests))]
        self.dearest = self._separating()
        self.most = max((math.log2(len(s)) / self.least[k] for k, s in problem.parts), default=1.0)

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
            for k, sets in sorted(problem.parts, key=lambda part: self.least[part[0]]):
                own = next(s for s in sets if s >> r & 1)
                split = left & ~own
                if split:
                    levels[self.least[k]] = levels.get(self.least[k], 0) | split
                    left &= own
            if left:
                raise ValueError(f"no test tells '{problem.rows[r]}' from the others")
            found.append(sorted(levels.items(), reverse=True))
        return found

    def bound(self, rows: int) -> float:
        """A cost that no sequence can undercut from wherever one stands, (weighted) minutes.

        The largest of: each row must be split from its dearest rival; entropy of the labels at
        the highest rate that any test offers; and, in tests, the length of a Huffman code of
        the labels with as many symbols as a test has outcomes, at the cheapest minutes.
        """
        if rows in self.bounds:
            return self.bounds[rows]
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
                cheapest = min(cheapest, self.least[k])
                widest = max(widest, inside)
        self.bounds[rows] = max(pairs, entropy / self.most, cheapest * huffman(masses, widest))
        return self.bounds[rows]

    def options(self, node: Node) -> list[tuple[int, list[Node]]]:
        """Tests that split a set, with what is left of it, and where one then stands.

        Of those that split alike and lead to the same standing, the cheapest.
        """
        rows, standing = node
        seen: dict[tuple[int, ...], int] = {}
        for k, sets in self.problem.parts:
            subsets = sorted(x for s in sets if (x := rows & s))
            if len(subsets) > 1:
                key = (self.then[k][standing], *subsets)
                if key not in seen or self.cost[k][standing] < self.cost[seen[key]][standing]:
                    seen[key] = k
        return [(k, [(s, then) for s in subsets]) for (then, *subsets), k in seen.items()]

    def at_least(self, node: Node, floor: Floor | None = None) -> float:
        if self.problem.solved(node[0]):
            return 0.0
        if node in self.exact:
            return self.exact[node]
        if node not in self.lower:
            self.lower[node] = self.bound(node[0])
        if floor is not None:
            self.lower[node] = max(self.lower[node], floor(node[0]))
        return self.lower[node]

    def floors(self, node: Node, floor: Floor | None = None) -> list[tuple[float, int, list[Node]]]:
        """Each option with a cost that it cannot undercut, the lowest first."""
        rows, standing = node
        ranked = []
        for k, subsets in self.options(node):
            left = sum(self.at_least(subset, floor) for subset in subsets)
            ranked.append((self.cost[k][standing] * self.mass(rows) + left, k, subsets))
        return sorted(ranked, key=lambda option: option[:2])

    def margin(self, node: Node) -> float:
        """What any other first test costs more than the best, at least; infinite without one."""
        best = self.choice.get(node)
        floors = [floor for floor, k, _ in self.floors(node) if k != best]
        return max(min(floors, default=math.inf) - self.at_least(node), 0.0)

    def solve(self, node: Node, limit: float, floor: Floor | None = None) -> float:
        """The least cost of a set where it is below `limit`; else some bound of at least that."""
        known = self.at_least(node)
        if known >= limit or node in self.exact or self.problem.solved(node[0]):
            return known
        if self.opened >= self.budget:
            raise OutOfBudget
        self.opened += 1
        if self.sharpen is not None:
            floor = self.sharpen(node[0], floor)
            known = self.at_least(node, floor)
            if known >= limit:
                return known
        best, failed = limit, math.inf
        for minutes, k, subsets in self.floors(node, floor):
            if minutes >= best:
                failed = min(failed, minutes)
                break
            least = [self.at_least(subset) for subset in subsets]  # may have risen since
            cost = self.cost[k][node[1]] * self.mass(node[0]) + sum(least)
            for hoped, subset in sorted(zip(least, subsets, strict=True), reverse=True):
                if cost >= best - TINY:
                    break
                cost += self.solve(subset, best - cost + hoped, floor) - hoped
            if cost < best - TINY:
                best = cost
                self.choice[node] = k
            else:
                failed = min(failed, cost)
        if best < limit:
            self.exact[node] = best
            return best
        self.lower[node] = max(known, failed)
        return self.lower[node]

    def greedy(self, node: Node) -> float:
        """The cost of information about the label per minute, a first upper limit."""
        rows, standing = node
        if self.problem.solved(rows):
            return 0.0
        if node not in self.greedy_cost:
            k, subsets = max(
                self.options(node), key=lambda o: self._gain(rows, o[1]) / self.cost[o[0]][standing]
            )
            self.greedy_choice[node] = k
            self.greedy_cost[node] = self.cost[k][standing] * self.mass(rows) + sum(
                map(self.greedy, subsets)
            )
        return self.greedy_cost[node]

    def _gain(self, rows: int, subsets: Sequence[Node]) -> float:
        def spread(part: int) -> float:
            masses = [self.mass(part & s) for s in self.problem.label_sets if part & s]
            total = sum(masses)
            return -sum(m * math.log2(m / total) for m in masses)

        return spread(rows) - sum(spread(part) for part, _ in subsets)

    def tree(self, node: Node, choice: Mapping[Node, int]) -> Branch | None:
        """The chosen tests as a tree."""
        rows, standing = node
        if self.problem.solved(rows):
            return None
        k = choice[node]
        after = {}
        for r in bits(rows):
            outcome = int(self.problem.outcome[r, k])
            if outcome not in after:
                column = self.problem.outcome[:, k]
                inside = sum(1 << x for x in bits(rows) if column[x] == outcome)
                after[outcome] = self.tree((inside, self.then[k][standing]), choice)
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
