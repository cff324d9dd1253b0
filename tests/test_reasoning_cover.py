"""The survey's set cover: against brute force, a published example, and the shipped matrix."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pytest

from diagnose.plant.matrix import HEALTHY, DependencyMatrix
from diagnose.plant.procedures import InstalledTest
from diagnose.reasoning.cover import Cover, chances, cover, healthy_outcomes
from diagnose.reasoning.planner import Costs
from tests.bench import shipped
from tests.people import standard_session

WALK = {"roof": 4.0, "pump": 2.0, "sump": 2.0}
COSTS = Costs(2.0, 2.0, 2.0, WALK, {"empty": 20.0, "mid": 10.0, "full": 15.0})
FREE = Costs(0.0, 0.0, 0.0, {}, {})


def made_test(
    name: str, minutes: float, place: str = "panel", state: str = "energised", level: str = ""
) -> InstalledTest:
    spec = next(iter(shipped().tests.values()))
    spec = replace(spec, id=name, place_at=place, state=state, instrument="none", by="technician")
    outcomes = spec.outcomes[:2]
    made = InstalledTest(name, spec, "", name, "", (), None, minutes, 0.05, 0.0, outcomes)
    return replace(made, level=level)


def made_matrix(shows: Sequence[Sequence[float]]) -> DependencyMatrix:
    """A matrix of yes/no tests: P(not as healthy) under each mode, (modes, tests)."""
    chance = np.array([*shows, np.zeros(len(shows[0]))])
    p = np.stack([1 - chance, chance], axis=2)
    rows = (*(f"unit.m{k}" for k in range(len(shows))), HEALTHY)
    tests = tuple(f"t{k}" for k in range(len(shows[0])))
    return DependencyMatrix(rows, tests, p, np.full(len(tests), 2), {})


def cost_of(chosen: Sequence[InstalledTest], costs: Costs) -> float:
    """Minutes of a set of tests in a good order, counted in another way than the program does.

    Each test `any` is put into each of the two rounds in turn, and the least is taken.
    """
    loose = [t for t in chosen if t.spec.state == "any"]
    fixed = [t for t in chosen if t.spec.state != "any"]
    best = np.inf
    for rounds in itertools.product(("energised", "dead"), repeat=len(loose)):
        placed = [(t.spec.state, t) for t in fixed] + list(zip(rounds, loose, strict=True))
        # a test that asks for no level joins any visit of its round and place
        visits = {(r, t.spec.place_at, t.level) for r, t in placed if t.level}
        joined = {(r, place) for r, place, _ in visits}
        more = {(r, t.spec.place_at) for r, t in placed if not t.level} - joined
        minutes = sum(t.minutes for t in chosen)
        minutes += sum(2 * costs.walk.get(place, 0.0) for _, place, _ in visits)
        minutes += sum(2 * costs.walk.get(place, 0.0) for _, place in more)
        minutes += sum(costs.level[level] for level in {level for _, _, level in visits})
        made = {r for r, _ in placed}
        minutes += (costs.isolate + costs.prove_dead + costs.energise) * ("dead" in made)
        minutes += 2 * (costs.isolate + costs.prove_dead + costs.energise) * ("live" in made)
        best = min(best, minutes)
    return float(best)


def small(seed: int) -> tuple[DependencyMatrix, dict[str, InstalledTest]]:
    rng = np.random.default_rng(seed)
    shows = (rng.random((9, 10)) < 0.3).astype(float)
    shows[:, 0] = 1.0  # everything is detectable
    tests = {}
    for k in range(10):
        place = str(rng.choice(["panel", "roof", "pump", "sump"]))
        state = str(rng.choice(["energised", "dead", "any"]))
        level = str(rng.choice(["", "", "full", "mid"])) if state == "energised" else ""
        tests[f"t{k}"] = made_test(f"t{k}", float(rng.integers(1, 9)), place, state, level)
    tests["t0"] = replace(tests["t0"], minutes=60.0)
    return made_matrix(shows.tolist()), tests


@pytest.mark.parametrize("seed", range(25))
def test_no_set_of_tests_is_shorter(seed: int) -> None:
    matrix, tests = small(seed)
    shown = chances(matrix)[:-1] >= 0.8
    best = np.inf
    for size in range(1, 11):
        for some in itertools.combinations(range(10), size):
            if shown[:, list(some)].any(axis=1).all():
                best = min(best, cost_of([tests[f"t{k}"] for k in some], COSTS))
    found = cover(matrix, tests, COSTS, 0.8)
    assert found.minutes == pytest.approx(best)
    assert cost_of([tests[name] for name in found.tests], COSTS) == pytest.approx(best)
    assert found.gap == 0.0
    assert not found.missed


def test_a_published_set_cover_example() -> None:
    # T. H. Cormen et al., "Introduction to Algorithms", 3rd edition, figure 35.3 (from memory):
    # twelve elements, six sets; the minimum has three sets, the greedy choice four.
    sets: list[set[int]] = [
        {1, 2, 3, 4, 5, 6},
        {5, 6, 8, 9},
        {1, 4, 7, 10},
        {2, 5, 7, 8, 11},
        {3, 6, 9, 12},
        {10, 11},
    ]
    matrix = made_matrix([[float(element in s) for s in sets] for element in range(1, 13)])
    tests = {f"t{k}": made_test(f"t{k}", 1.0) for k in range(6)}
    found = cover(matrix, tests, FREE)
    assert found.tests == ("t2", "t3", "t4")
    assert found.minutes == 3.0


def test_a_live_test_only_where_nothing_else_reveals_it() -> None:
    matrix = made_matrix([[1, 1, 0], [1, 0, 0], [1, 0, 1]])
    tests = {
        "t0": made_test("t0", 1.0, state="live"),
        "t1": made_test("t1", 50.0, state="dead"),
        "t2": made_test("t2", 50.0, state="dead"),
    }
    found = cover(matrix, tests, COSTS)
    assert set(found.tests) == {"t0", "t1", "t2"}  # only the second mode may call for t0
    tests["t3"] = made_test("t3", 50.0, state="dead")
    wider = made_matrix([[1, 1, 0, 0], [1, 0, 0, 1], [1, 0, 1, 0]])
    assert set(cover(wider, tests, COSTS).tests) == {"t1", "t2", "t3"}
    without = cover(matrix, {"t0": tests["t0"]}, COSTS)
    assert without.tests == ("t0",)


def test_what_is_missed_is_named_with_what_comes_nearest() -> None:
    matrix = made_matrix([[1.0, 0.0], [0.0, 0.6], [0.0, 0.0]])
    tests = {"t0": made_test("t0", 1.0), "t1": made_test("t1", 1.0)}
    found = cover(matrix, tests, COSTS, 0.8)
    assert [(m.mode, m.nearest, m.chance) for m in found.missed] == [
        ("unit.m1", "t1", 0.6),
        ("unit.m2", "", 0.0),
    ]
    assert found.sole == {"t0": ("unit.m0",)}
    assert cover(matrix, tests, COSTS, 0.5).tests == ("t0", "t1")
    for threshold in (0.0, 1.5):
        with pytest.raises(ValueError, match="threshold"):
            cover(matrix, tests, COSTS, threshold)


def test_healthy_outcomes_are_the_fewest_that_are_usual() -> None:
    p = np.array([[[0.5, 0.45, 0.05]], [[0.02, 0.06, 0.92]]])
    rows = ("unit.m", HEALTHY)
    matrix = DependencyMatrix(rows, ("t",), p, np.array([3]), {})
    assert healthy_outcomes(matrix).tolist() == [[False, False, True]]
    assert chances(matrix)[0, 0] == pytest.approx(0.95)


def shipped_cover() -> tuple[Cover, Mapping[str, InstalledTest], DependencyMatrix]:
    session = standard_session()
    tests = {n: t for n, t in session.tests.items() if t.spec.place_at != "telephone"}
    return cover(session.matrix, tests, session.ground.costs), tests, session.matrix


def test_the_shipped_survey_reveals_all_that_any_test_reveals() -> None:
    found, tests, matrix = shipped_cover()
    columns = [matrix.tests.index(name) for name in tests]
    chosen = [matrix.tests.index(name) for name in found.tests]
    chance = chances(matrix)
    for r, row in enumerate(matrix.rows[:-1]):
        if chance[r, columns].max() >= 0.8:
            assert chance[r, chosen].max() >= 0.8, row
            assert row in found.revealed
    assert len(found.tests) == len(set(found.tests)) > 10
    assert found.gap <= 1e-9


def test_no_test_of_the_shipped_survey_can_be_spared_and_none_is_live_for_nothing() -> None:
    found, tests, matrix = shipped_cover()
    assert all(found.sole[name] for name in found.tests)
    chance = chances(matrix)
    for name in found.tests:
        if tests[name].spec.state != "live":
            continue
        others = [matrix.tests.index(n) for n, t in tests.items() if t.spec.state != "live"]
        assert any(
            chance[matrix.rows.index(mode), others].max() < 0.8 for mode in found.sole[name]
        ), name
