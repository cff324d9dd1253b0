"""The tolls against their definition and plain dynamic programming, on small random problems."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from numpy.typing import NDArray

from diagnose.reasoning.exact import OutOfBudget, optimal
from diagnose.reasoning.noise_free import Problem
from diagnose.reasoning.strategy import Candidate
from tests.benchmarks.optimum import SHARES, compare, random_problem
from tests.benchmarks.tolls import Sharpener, hardest, undominated
from tests.test_reasoning_exact import plain_optimum
from tests.test_reasoning_terrain import on_terrain
from tests.test_reasoning_terrain import plain_optimum as plain_optimum_with_walks


def all_rows(problem: Problem) -> NDArray[np.int_]:
    return np.arange(len(problem.rows))


@pytest.mark.parametrize("seed", range(12))
def test_whatever_rows_still_fit_what_a_test_costs_them_meets_the_tolls_it_collects(
    seed: int,
) -> None:
    problem = random_problem(seed, rows=7, tests=7)
    toll = Sharpener(problem).tolls(all_rows(problem)).toll
    weight = np.array(problem.weight)
    assert (toll >= 0).all()
    for k, test in enumerate(problem.tests):
        column = problem.outcome[:, k]
        parted = toll * (column[:, None] != column[None, :])
        for size in range(2, len(weight) + 1):
            for some in itertools.combinations(range(len(weight)), size):
                collected = parted[np.ix_(some, some)].sum() / 2
                assert collected <= test.minutes * weight[list(some)].sum() * (1 + 1e-9)


@pytest.mark.parametrize("seed", range(30))
def test_tolls_never_exceed_the_optimum_and_lead_to_it(seed: int) -> None:
    """With walks, every other time: the tolls take each test from wherever it is nearest."""
    if seed % 2:
        problem = on_terrain(seed, rows=8)
        best = plain_optimum_with_walks(problem)
    else:
        problem = random_problem(seed, rows=9, tests=8)
        best = plain_optimum(problem)
    sharpener = Sharpener(problem)
    assert sharpener.tolls(all_rows(problem))(problem.everything) <= best + 1e-9
    plan = optimal(problem, sharpen=sharpener, known=1.02 * best, shares=SHARES)
    assert plan.finished
    assert plan.minutes == pytest.approx(best, abs=1e-9)


def test_tolls_of_two_rows_are_the_cheapest_test_between_them() -> None:
    for seed in range(20):
        problem = random_problem(seed, rows=2, tests=6)
        if len(problem.label_sets) == 2:
            tolls = Sharpener(problem).tolls(all_rows(problem))
            assert tolls(problem.everything) == pytest.approx(plain_optimum(problem))


@pytest.mark.parametrize("seed", range(4))
def test_signs_of_one_cause_each_are_looked_for_by_probability_per_minute(seed: int) -> None:
    """Where every test singles out one row the optimum is known: W. E. Smith, "Various optimizers
    for single-stage production", Naval Research Logistics Quarterly 3 (1956) 59-66 (from memory);
    one test is never needed, and all are tried for it. The tolls nearly reach it, without a search.
    """
    rng = np.random.default_rng(seed)
    count = 14
    minutes = rng.integers(1, 10, count).astype(float)
    names = [f"r{k:02}" for k in range(count)]
    made = [Candidate(f"t{k}", k, m) for k, m in enumerate(minutes.tolist())]
    rates = (10 ** rng.uniform(-2, 0, count)).tolist()
    problem = Problem.of(names, names, rates, made, np.eye(count, dtype=np.int_))
    weight = np.array(problem.weight)
    order = np.argsort(-weight / minutes)

    def without(last: int) -> float:
        tried = order[order != last]
        waiting = np.cumsum(minutes[tried])
        return float(weight[tried] @ waiting + weight[last] * waiting[-1])

    best = min(map(without, range(count)))
    sharpener = Sharpener(problem)
    assert sharpener.tolls(all_rows(problem))(problem.everything) >= 0.999 * best
    plan = optimal(problem, 100, sharpener)
    assert plan.finished
    assert plan.minutes == pytest.approx(best)


def test_a_search_that_is_stopped_leaves_what_it_proved() -> None:
    problem = random_problem(7, rows=16, tests=16)
    best = optimal(problem).minutes
    short = optimal(problem, 4, Sharpener(problem), best, SHARES)
    assert not short.finished
    assert 0.8 * best <= short.lower <= best
    with pytest.raises(OutOfBudget):
        Sharpener(problem, until=0.0)(problem.everything, None)


def test_a_test_is_left_out_where_another_parts_as_much_for_no_more() -> None:
    parts = np.array([[1, 1, 0], [1, 0, 0], [0, 0, 1], [1, 1, 0], [0, 0, 0]], dtype=np.bool_)
    assert undominated(parts, np.array([2.0, 2.0, 5.0, 2.0, 1.0])).tolist() == [0, 2]
    assert undominated(parts, np.array([2.0, 1.0, 5.0, 2.0, 1.0])).tolist() == [0, 1, 2]


def test_the_hardest_pairs_of_either_row_are_kept() -> None:
    one, other = np.triu_indices(4, 1)
    ease = np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0])
    kept = hardest(one, other, ease, 1)
    assert list(zip(one[kept].tolist(), other[kept].tolist(), strict=True)) == [
        (0, 1),
        (0, 2),
        (0, 3),
    ]
    assert hardest(one, other, ease, 3).all()


def test_a_comparison_names_ratios_to_what_was_proved() -> None:
    found = compare(random_problem(3), budget=10_000, minutes=1.0)
    assert found["optimum"] == pytest.approx(optimal(random_problem(3)).minutes)
    assert found["lookahead_ratio"] == pytest.approx(found["lookahead"] / found["lower"])
    unfinished = compare(random_problem(3), budget=1, minutes=1.0)
    assert unfinished["optimum"] is None
    assert unfinished["lower"] <= found["optimum"]
