"""Exercises drawn by seed, and live tests judged needless by what is known."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from diagnose.practice.customer import BAD
from diagnose.practice.events import state_after
from diagnose.practice.exercises import HAZARDS, SHOWN, SMALL_METERS, draw_exercise
from diagnose.practice.judging import needless_for
from diagnose.practice.play import start, step
from diagnose.practice.records import Act, Exercise
from diagnose.reasoning.belief import information
from diagnose.reasoning.strategy import DEAD_SHARE
from tests.people import practice_bench, standard_session


def test_a_seed_draws_one_exercise_that_can_be_and_all_seeds_the_whole_range() -> None:
    session = standard_session()
    drawn = [draw_exercise(session, seed) for seed in range(400)]
    assert drawn[:50] == [draw_exercise(session, seed) for seed in range(50)]
    rows = {name: k for k, name in enumerate(session.matrix.rows)}
    for exercise in drawn:
        (mode,) = exercise.modes
        assert session.matrix.complaints[exercise.complaint][rows[mode]] >= SHOWN
    assert len({e.modes for e in drawn}) > 60
    assert {e.complaint for e in drawn} == set(session.matrix.complaints) - {"shock"}
    hazards = Counter(e.hazard for e in drawn)
    assert set(hazards) - {""} <= set(BAD)
    # binomial: three standard deviations
    for count, share in ((400 - hazards[""], HAZARDS), (small(drawn), SMALL_METERS)):
        assert abs(count - 400 * share) < 3 * np.sqrt(400 * share * (1 - share))
    plain = [draw_exercise(session, seed, plain=True) for seed in range(50)]
    assert {(e.hazard, e.meter) for e in plain} == {("", "cat_iii")}
    assert [e.modes for e in plain] == [e.modes for e in drawn[:50]]


def small(drawn: list[Exercise]) -> int:
    return sum(e.meter == "cat_ii" for e in drawn)


def test_common_failures_are_drawn_more_often() -> None:
    session = standard_session()
    drawn = Counter(draw_exercise(session, s, "will_not_start_at_all").modes[0] for s in range(300))
    rates = {name: session.rates[name] for name in drawn}
    often = sorted(rates, key=lambda name: -rates[name])
    half = len(often) // 2
    assert sum(drawn[n] for n in often[:half]) > 1.5 * sum(drawn[n] for n in often[half:])


def test_a_live_test_is_needless_exactly_where_the_strategy_would_drop_it_for_a_dead_one() -> None:
    session = standard_session()
    bench = practice_bench(("relay.contacts_welded",), "will_not_stop")
    needless = needless_for(session)
    begun = step(bench, start(bench), Act("ask", {"question": "safety"}))

    belief = session.belief(state_after(begun, session))
    gains = dict(zip(belief.table.tests, information(belief), strict=True))
    dead = max(gains[n] for n, t in session.tests.items() if t.spec.state == "dead")
    judged = {}
    for name, test in session.tests.items():
        judged[name] = needless(begun, Act("test", {"test": name}))
        if test.spec.state != "live":
            assert not judged[name]
        else:
            assert judged[name] == (dead >= DEAD_SHARE * gains[name])
    assert any(judged.values())
    assert not needless(begun, Act("swap", {"unit": "relay"}))


@pytest.mark.parametrize("complaint", ["will_not_start_at_all", "controller_resets"])
def test_some_live_tests_tell_what_no_dead_test_does(complaint: str) -> None:
    """No rule that forbids them all: what only shows under power has to be measured so."""
    session = standard_session()
    case = {
        "will_not_start_at_all": ("program.relay_inverted",),
        "controller_resets": ("adapter.under_rated",),
    }[complaint]
    bench = practice_bench(case, complaint)
    begun = step(bench, start(bench), Act("ask", {"question": "safety"}))
    needless = needless_for(session)
    live = [n for n, t in session.tests.items() if t.spec.state == "live"]
    judged = [needless(begun, Act("test", {"test": n})) for n in live]
    assert not all(judged)
