"""The exact search against plain dynamic programming, and the strategies against both."""

from __future__ import annotations

import functools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.reasoning.belief import Belief
from diagnose.reasoning.exact import Branch, huffman, optimal
from diagnose.reasoning.lookahead import NEAR, Lookahead
from diagnose.reasoning.noise_free import Problem, bits, expected_cost
from diagnose.reasoning.strategy import Candidate, Choice, Greedy
from tests.benchmarks.optimum import random_problem
from tests.made_tables import random_table


def plain_optimum(problem: Problem) -> float:
    """Dynamic programming over all reachable sets, no bound, no order: the definition."""

    @functools.cache
    def least(rows: frozenset[int]) -> float:
        if len({problem.labels[r] for r in rows}) == 1:
            return 0.0
        best = np.inf
        for k, test in enumerate(problem.tests):
            parts: dict[int, set[int]] = {}
            for r in rows:
                parts.setdefault(int(problem.outcome[r, k]), set()).add(r)
            if len(parts) > 1:
                mass = sum(problem.weight[r] for r in rows)
                cost = test.minutes * mass + sum(least(frozenset(x)) for x in parts.values())
                best = min(best, cost)
        return float(best)

    return least(frozenset(range(len(problem.rows))))


def cost_of(problem: Problem, branch: Branch | None, rows: frozenset[int]) -> float:
    """Expected minutes of a tree, following every row; each leaf must bear one label."""
    if branch is None:
        assert len({problem.labels[r] for r in rows}) == 1
        return 0.0
    k = [t.test for t in problem.tests].index(branch.test)
    total = problem.tests[k].minutes * sum(problem.weight[r] for r in rows)
    for outcome, after in branch.after.items():
        inside = frozenset(r for r in rows if problem.outcome[r, k] == outcome)
        assert inside
        total += cost_of(problem, after, inside)
    return total


@given(st.integers(0, 2**32 - 1), st.integers(2, 9), st.integers(4, 9))
@settings(max_examples=80, deadline=None)
def test_the_optimum_is_the_plain_one(seed: int, rows: int, tests: int) -> None:
    problem = random_problem(seed, rows, tests)
    plan = optimal(problem)
    assert plan.finished
    assert plan.minutes == pytest.approx(plain_optimum(problem), abs=1e-9)
    everything = frozenset(range(len(problem.rows)))
    assert cost_of(problem, plan.tree, everything) == pytest.approx(plan.minutes, abs=1e-9)


@pytest.mark.parametrize("seed", range(20))
def test_bounds_and_strategies_stand_on_their_sides(seed: int) -> None:
    problem = random_problem(seed)
    best = optimal(problem).minutes
    for strategy in (Greedy(worth=0.0), Lookahead(worth=0.0, sure=1.0)):
        assert expected_cost(problem, strategy) >= best - 1e-9


def test_looking_ahead_comes_nearer_to_the_optimum() -> None:
    problems = [random_problem(seed) for seed in range(40)]
    best = np.array([optimal(p).minutes for p in problems])
    greedy = np.array([expected_cost(p, Greedy(worth=0.0)) for p in problems])
    ahead = np.array([expected_cost(p, Lookahead(worth=0.0, sure=1.0)) for p in problems])
    assert (ahead / best).mean() < (greedy / best).mean()
    assert (ahead / best).mean() <= 1.03


def test_a_short_budget_gives_a_whole_plan_and_an_honest_bound() -> None:
    problem = random_problem(4)
    best = optimal(problem)
    short = optimal(problem, budget=2)
    assert best.finished
    assert not short.finished
    assert short.expansions == 2
    assert short.lower <= best.minutes <= short.minutes
    everything = frozenset(range(len(problem.rows)))
    assert cost_of(problem, short.tree, everything) == pytest.approx(short.minutes)


def test_rows_that_look_alike_are_one_row() -> None:
    tests = [Candidate("a", 0, 1.0), Candidate("b", 1, 2.0)]
    outcome = np.array([[0, 1], [0, 1], [1, 1], [1, 0]])
    problem = Problem.of(["p", "q", "r", "s"], ["u", "v", "u", "u"], [1, 1, 2, 0], tests, outcome)
    assert problem.rows == ("r", "p+q")
    assert problem.labels == ("u", "u+v")
    assert problem.weight == (0.5, 0.5)
    assert optimal(problem).minutes == pytest.approx(1.0)


def test_a_strategy_that_stops_too_early_is_no_answer() -> None:
    problem = random_problem(0)
    with pytest.raises(ValueError, match="stops before"):
        expected_cost(problem, Greedy(worth=2.0))


@pytest.mark.parametrize(
    ("masses", "symbols", "length"),
    [
        # Huffman 1952, by hand: 0.4 0.3 0.2 0.1 -> lengths 1 2 3 3
        ([0.4, 0.3, 0.2, 0.1], 2, 1.9),
        ([0.25] * 4, 2, 2.0),
        ([1 / 3] * 3, 3, 1.0),
        ([1.0], 2, 0.0),
        # three symbols, four masses: one dummy, the two smallest share a prefix
        ([0.4, 0.3, 0.2, 0.1], 3, 1.3),
    ],
)
def test_huffman(masses: list[float], symbols: int, length: float) -> None:
    assert huffman(masses, symbols) == pytest.approx(length)


def test_bits() -> None:
    assert list(bits(0b101001)) == [0, 3, 5]


class TestLookahead:
    """On beliefs with fallible answers."""

    def ranked(self, seed: int, live: bool = False) -> tuple[list[Choice], list[Choice]]:
        rng = np.random.default_rng(seed)
        table = random_table(rng, hypotheses=40, tests=20, units=9)
        belief = Belief(table, table.prior())
        offered = [
            Candidate(name, k, float(rng.integers(1, 12)), live and k % 2 == 0)
            for k, name in enumerate(table.tests)
        ]
        return Greedy().rank(belief, offered), Lookahead().rank(belief, offered)

    @pytest.mark.parametrize("live", [False, True])
    def test_it_reorders_the_leading_tests_only(self, live: bool) -> None:
        changed = 0
        for seed in range(12):
            by_score, ranked = self.ranked(seed, live)
            greedy, ahead = ([c.candidate.test for c in r] for r in (by_score, ranked))
            near = sum(c.score >= NEAR * by_score[0].score for c in by_score)
            assert near < len(greedy)
            assert sorted(greedy[:near]) == sorted(ahead[:near])
            assert greedy[near:] == ahead[near:]
            changed += greedy != ahead
        assert changed > 0

    def test_it_says_the_same_twice(self) -> None:
        assert self.ranked(3) == self.ranked(3)

    def test_a_dear_test_that_is_needed_anyway_comes_first(self) -> None:
        """Ten minutes tell everything; one minute tells a little and saves nothing.

        Four equal causes; the cheap test splits off one, the dear one splits all.
        """
        tests = [Candidate("cheap", 0, 4.9), Candidate("dear", 1, 13.0)]
        outcome = np.array([[1, 0], [0, 1], [0, 2], [0, 3]])
        names = ["a", "b", "c", "d"]
        problem = Problem.of(names, names, [1, 1, 1, 1], tests, outcome)
        belief = Belief(problem.table, np.log(np.array(problem.weight)))
        greedy = Greedy(worth=0.0).rank(belief, list(problem.tests))
        ahead = Lookahead(worth=0.0, sure=1.0).rank(belief, list(problem.tests))
        assert greedy[0].candidate.test == "cheap"
        assert ahead[0].candidate.test == "dear"

    def test_nothing_to_choose(self) -> None:
        table = random_table(np.random.default_rng(0), 5, 3, 2)
        assert Lookahead().rank(Belief(table, table.prior()), []) == []
