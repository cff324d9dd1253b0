"""Walks, changes of state and levels in the choice of tests; and when a test no longer pays."""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest

from diagnose.interview.state import State
from diagnose.reasoning.belief import Belief
from diagnose.reasoning.decision import decide
from diagnose.reasoning.exact import optimal
from diagnose.reasoning.guard import Electrical, Exposure
from diagnose.reasoning.lookahead import Lookahead
from diagnose.reasoning.noise_free import Problem, expected_cost
from diagnose.reasoning.planner import Costs, Standing, Way
from diagnose.reasoning.stakes import Repair, Stakes
from diagnose.reasoning.strategy import Candidate, Greedy, Terrain
from tests.benchmarks.optimum import random_problem
from tests.made_tables import made_table
from tests.people import standard_session

COSTS = Costs(
    isolate=2.0,
    prove_dead=2.0,
    energise=3.0,
    walk={"roof": 4.0, "pump": 1.0},
    level={"empty": 15.0, "full": 20.0},
)


@pytest.mark.parametrize(
    ("standing", "way", "minutes", "then"),
    [
        (Standing(), Way("panel", Exposure.LOOK), 0.0, Standing()),
        (Standing(), Way("roof", Exposure.LOOK), 4.0, Standing("roof")),
        (Standing("roof"), Way("pump", Exposure.ENERGISED), 5.0, Standing("pump")),
        (Standing("roof"), Way("anywhere", Exposure.LOOK), 0.0, Standing("roof")),
        # down to the panel, off and proved dead, and up again
        (
            Standing("roof"),
            Way("roof", Exposure.DEAD),
            4.0 + 4.0 + 4.0,
            Standing("roof", Electrical.PROVED_DEAD),
        ),
        (
            Standing("panel", Electrical.PROVED_DEAD),
            Way("roof", Exposure.DEAD),
            4.0,
            Standing("roof", Electrical.PROVED_DEAD),
        ),
        (
            Standing("roof", Electrical.PROVED_DEAD, "full"),
            Way("roof", Exposure.ENERGISED, "empty"),
            15.0 + 4.0 + 3.0 + 4.0,
            Standing("roof", Electrical.ENERGISED, "empty"),
        ),
        (
            Standing(level="empty"),
            Way("panel", Exposure.LOOK, "empty"),
            0.0,
            Standing(level="empty"),
        ),
        (Standing(level="empty"), Way("panel", Exposure.LOOK), 0.0, Standing(level="empty")),
    ],
)
def test_what_it_takes_to_stand_ready(
    standing: Standing, way: Way, minutes: float, then: Standing
) -> None:
    assert COSTS.reach(standing, way) == (minutes, then)


def test_the_terrain_says_what_reaching_says_from_everywhere() -> None:
    ground = standard_session().ground
    start = Standing("roof", Electrical.UNKNOWN, "full")
    terrain = ground.terrain(start)
    assert terrain.start == 0
    standings = {0: start}
    todo = [0]
    while todo:
        row = todo.pop()
        for way, column in ground.column.items():
            minutes, then = ground.costs.reach(standings[row], way)
            after = int(terrain.after[row, column])
            assert terrain.minutes[row, column] == minutes
            if after not in standings:
                standings[after] = then
                todo.append(after)
            assert standings[after] == then
    assert len(standings) == len(terrain.minutes)


def test_the_way_to_the_roof_is_asked_and_counted() -> None:
    session = standard_session()
    near, far = (
        session.ground_at(State(answers={"roof_way": choice})).costs.walk["roof"]
        for choice in ("near", "storeys")
    )
    assert near < session.ground.costs.walk["roof"] < far


# ------------------------------------------------------------------ the exact search over standings


def random_terrain(seed: int, standings: int = 4, ways: int = 3) -> Terrain:
    """Any minutes, any standing after."""
    rng = np.random.default_rng([seed, 1])
    minutes = rng.integers(0, 8, (standings, ways)).astype(float)
    return Terrain(minutes, rng.integers(0, standings, (standings, ways)))


def on_terrain(seed: int, rows: int = 7, tests: int = 7) -> Problem:
    """A random problem on a random terrain."""
    problem = random_problem(seed, rows, tests)
    rng = np.random.default_rng([seed, 2])
    tests_there = tuple(replace(t, own=t.minutes, way=int(rng.integers(3))) for t in problem.tests)
    return replace(problem, tests=tests_there, terrain=random_terrain(seed))


def plain_optimum(problem: Problem) -> float:
    """Dynamic programming over all sets and standings, no bound, no order: the definition."""

    @functools.cache
    def least(rows: frozenset[int], standing: int) -> float:
        if len({problem.labels[r] for r in rows}) == 1:
            return 0.0
        best = np.inf
        for k, test in enumerate(problem.tests):
            parts: dict[int, set[int]] = {}
            for r in rows:
                parts.setdefault(int(problem.outcome[r, k]), set()).add(r)
            if len(parts) > 1:
                ready = float(problem.terrain.minutes[standing, test.way])
                then = int(problem.terrain.after[standing, test.way])
                mass = sum(problem.weight[r] for r in rows)
                after = sum(least(frozenset(x), then) for x in parts.values())
                best = min(best, (ready + test.own) * mass + after)
        return float(best)

    return least(frozenset(range(len(problem.rows))), problem.terrain.start)


@pytest.mark.parametrize("seed", range(25))
def test_the_optimum_with_walks_is_the_plain_one(seed: int) -> None:
    problem = on_terrain(seed)
    plan = optimal(problem)
    assert plan.finished
    assert plan.minutes == pytest.approx(plain_optimum(problem), abs=1e-9)
    for strategy in (Greedy(worth=0.0), Lookahead(worth=0.0, sure=1.0)):
        assert expected_cost(problem, strategy) >= plan.minutes - 1e-9


@pytest.mark.parametrize("seed", range(15))
def test_the_margin_is_never_more_than_the_runner_up_really_costs(seed: int) -> None:
    problem = on_terrain(seed)
    plan = optimal(problem)
    assert plan.tree is not None
    others = [t for t in problem.tests if t.test != plan.tree.test]
    reordered = []
    for first in others:
        k = problem.tests.index(first)
        parts: dict[int, list[int]] = {}
        for r in range(len(problem.rows)):
            parts.setdefault(int(problem.outcome[r, k]), []).append(r)
        if len(parts) < 2:
            continue
        then = int(problem.terrain.after[0, first.way])
        total = float(problem.terrain.minutes[0, first.way]) + first.own
        for rows in parts.values():
            mass = sum(problem.weight[r] for r in rows)
            left = Problem(
                tuple(problem.rows[r] for r in rows),
                tuple(problem.labels[r] for r in rows),
                tuple(problem.weight[r] / mass for r in rows),
                problem.tests,
                problem.outcome[rows],
                replace(problem.terrain, start=then),
            )
            total += mass * plain_optimum(left)
        # a test that splits as the best does and leads to the same place is no alternative
        reordered.append(total)
    assert all(total >= plan.minutes - 1e-9 for total in reordered)
    if np.isfinite(plan.margin) and plan.margin > 1e-9:
        assert min(reordered) >= plan.minutes + plan.margin - 1e-9


# ------------------------------------------------------------------ looking ahead


def test_a_walk_that_several_tests_share_is_worth_it() -> None:
    """Two tests at the roof settle it; each tells less per minute than the ones at the panel.

    Four causes of equal weight. At the roof, past a walk of 4 min, two tests of half a minute
    halve them each: 5 min. At the panel each test (3 min) singles out one cause: 3, 6 and 9 min.
    """
    tests = [
        Candidate("one", 0, 3.0, own=3.0, way=0),
        Candidate("two", 1, 3.0, own=3.0, way=0),
        Candidate("three", 2, 3.0, own=3.0, way=0),
        Candidate("left", 3, 4.5, own=0.5, way=1),
        Candidate("upper", 4, 4.5, own=0.5, way=1),
    ]
    outcome = np.array([[1, 0, 0, 0, 0], [0, 1, 0, 0, 1], [0, 0, 1, 1, 0], [0, 0, 0, 1, 1]])
    terrain = Terrain(np.array([[0.0, 4.0], [4.0, 0.0]]), np.array([[0, 1], [0, 1]]))
    names = ["a", "b", "c", "d"]
    problem = Problem.of(names, names, [0.25] * 4, tests, outcome, terrain)
    belief = Belief(problem.table, np.log(np.array(problem.weight)))
    greedy = Greedy(worth=0.0).rank(belief, tests, terrain)[0]
    ahead = Lookahead(worth=0.0, sure=1.0).rank(belief, tests, terrain)[0]
    assert greedy.candidate.way == 0
    assert ahead.candidate.way == 1
    assert ahead.ahead is not None
    assert ahead.ahead.method == "exact"
    assert ahead.ahead.minutes == pytest.approx(5.0)
    assert expected_cost(problem, Lookahead(worth=0.0, sure=1.0)) == pytest.approx(5.0)


# ------------------------------------------------------------------ what pays


FIRST = np.array([0])


def two_units(p: float, error: float = 0.05) -> Belief:
    """Two units, one test that tells them apart but for its errors."""
    clean = np.array([[[1.0, 0.0]], [[0.0, 1.0]]])
    table = made_table(clean, [2], [error], ["a", "b"], [p, 1 - p])
    return Belief(table, table.prior())


def test_the_loss_is_the_chance_to_be_wrong_times_what_it_costs() -> None:
    stakes = Stakes(np.array([30.0, 100.0]))
    # repairing a in vain: 0.2 x 30; repairing b in vain: 0.8 x 100
    assert stakes.loss(two_units(0.8)) == pytest.approx(6.0)
    # where a is dear and b cheap, the less likely unit is tried first
    assert Stakes(np.array([100.0, 10.0])).loss(two_units(0.8)) == pytest.approx(8.0)


def test_what_a_test_saves_by_hand() -> None:
    """0.8 against 0.2, 5 % wrong, 30 min either way.

    Now 0.2 x 30 = 6 min are lost. Outcome one: 0.77 chance, of it 0.01 are b. Outcome two: 0.23,
    of it 0.04 are a. Left: (0.01 + 0.04) x 30 = 1.5 min. Saved: 4.5 min.
    """
    belief = two_units(0.8)
    stakes = Stakes(np.array([30.0, 30.0]))
    assert stakes.saved(belief, FIRST)[0] == pytest.approx(4.5)


@pytest.mark.parametrize(("minutes", "kind"), [(4.0, "test"), (40.0, "concluded")])
def test_a_test_is_done_only_while_it_pays(minutes: float, kind: str) -> None:
    belief = two_units(0.8)
    candidates = [Candidate("t0", 0, minutes)]
    stakes = Stakes(np.array([30.0, 30.0]))
    assert decide(belief, candidates, Greedy(), stakes=stakes).kind == kind
    assert decide(belief, candidates, Greedy()).kind == "test"


def test_more_is_asked_before_a_repair_that_costs_more() -> None:
    belief = two_units(0.9)
    candidates = [Candidate("t0", 0, 8.0)]
    cheap, dear = Stakes(np.array([20.0, 20.0])), Stakes(np.array([200.0, 200.0]))
    assert decide(belief, candidates, Greedy(), stakes=cheap).kind == "concluded"
    assert decide(belief, candidates, Greedy(), stakes=dear).kind == "test"


def test_an_answer_already_given_tells_less_when_asked_again() -> None:
    belief = two_units(0.5)
    first = Stakes(np.array([30.0, 30.0])).saved(belief, FIRST)[0]
    after = belief.update("t0", 0)
    again = after.joint(FIRST)[:, 0]
    assert again.sum() == pytest.approx(1.0)
    np.testing.assert_allclose(again.sum(axis=1), after.unit_p)
    # half of the wrong answers come out the same again
    assert after.factor("t0", 0)[1] == pytest.approx(0.5 + 0.5 * 0.05)
    assert Stakes(np.array([30.0, 30.0])).saved(after, FIRST)[0] < first


def test_how_a_unit_failed_is_asked_where_that_saves_repairs_in_vain_by_hand() -> None:
    """One unit: adjusted (5 min) at 0.6, replaced (45 min) at 0.4; a test parts them, 5 % wrong.

    In vain another 208 min are lost. Adjusting loses 0.4 x (5 + 208) = 85.2, replacing
    0.6 x (45 - 5) = 24: now 24. Outcome one is 0.57 right, 0.02 wrong: adjusting then loses
    0.02 x 213 = 4.26 (replacing 0.57 x 40 = 22.8). Outcome two is 0.38 right, 0.03 wrong:
    replacing loses 0.03 x 40 = 1.2. Saved: 24 - 4.26 - 1.2 = 18.54.
    """
    clean = np.array([[[1.0, 0.0]], [[0.0, 1.0]]])
    table = made_table(clean, [2], [0.05], ["a", "a"], [0.6, 0.4])
    belief = Belief(table, table.prior())
    kinds = {"adjust": Repair(0, 5.0), "replace": Repair(2, 45.0)}
    stakes = Stakes(np.array([250.0]), dict(zip(table.names, kinds.values(), strict=True)), 208.0)
    assert stakes.told_apart(belief, FIRST)[0] == pytest.approx(18.54)
    for minutes, live, kind in ((1, False, "test"), (18, False, "test"), (19, False, "concluded")):
        candidates = [Candidate("t0", 0, minutes, live=live)]
        assert decide(belief, candidates, Greedy(), stakes=stakes).kind == kind, minutes
    live_one = [Candidate("t0", 0, 1.0, live=True)]
    assert decide(belief, live_one, Greedy(), stakes=stakes).kind == "concluded"
    asked = decide(belief.update("t0", 0), [Candidate("t0", 0, 0.1)], Greedy(), stakes=stakes)
    assert asked.kind == "concluded", "once is enough"
    alike = dict.fromkeys(table.names, Repair(2, 45.0))
    same = Stakes(np.array([250.0]), alike, 208.0)
    assert decide(belief, [Candidate("t0", 0, 1.0)], Greedy(), stakes=same).kind == "concluded"
