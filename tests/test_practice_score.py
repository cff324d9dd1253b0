"""The score of a practice attempt: its range, its order, and a case worked out by hand."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.practice.score import HINTS, SAFETY, points

PERFECT: dict[str, Any] = {
    "offences": 0,
    "solved": True,
    "checked": 1.0,
    "minutes": 40.0,
    "expert": 80.0,
    "wrong_parts": 0,
    "stated": 1.0,
    "hints": (),
}
ANY = st.fixed_dictionaries(
    {
        "offences": st.integers(0, 6),
        "solved": st.booleans(),
        "checked": st.floats(0, 1),
        "minutes": st.floats(0, 2000),
        "expert": st.floats(1, 500),
        "wrong_parts": st.integers(0, 6),
        "stated": st.floats(0, 1),
        "hints": st.lists(st.sampled_from(list(HINTS)), max_size=12).map(tuple),
    }
)


def total(**attempt: Any) -> float:
    return points(**attempt).total


def test_the_most_is_a_hundred_and_the_least_nothing() -> None:
    assert total(**PERFECT) == pytest.approx(100)
    nothing = dict(PERFECT, offences=1, solved=False, checked=0.0, stated=0.0, wrong_parts=3)
    assert total(**nothing) == pytest.approx(0)


def test_an_attempt_worked_out_by_hand() -> None:
    # repair 20, 6 of 9 checks 6.67, minutes 25 * 1.5 * 80 / 200 = 15, one wrong part 4, method 3.5,
    # two hints -3: 46.17 of 70, of which one offence leaves 0.4; no points for safety
    attempt = dict(
        PERFECT,
        offences=1,
        checked=6 / 9,
        minutes=120.0,
        expert=80.0,
        wrong_parts=1,
        stated=0.5,
        hints=(1, 2),
    )
    assert total(**attempt) == pytest.approx(0.4 * (20 + 20 / 3 + 15 + 4 + 3.5 - 3))
    assert total(**dict(attempt, offences=0)) == pytest.approx(30 + 20 + 20 / 3 + 15 + 4 + 3.5 - 3)


@given(ANY)
def test_it_stays_from_0_to_100(attempt: dict[str, Any]) -> None:
    assert -1e-9 <= total(**attempt) <= 100 + 1e-9


@given(ANY, st.data())
def test_a_better_attempt_never_scores_less(attempt: dict[str, Any], data: Any) -> None:
    before = total(**attempt)
    better = {
        "offences": st.integers(0, attempt["offences"]),
        "solved": st.just(True),
        "checked": st.floats(attempt["checked"], 1),
        "minutes": st.floats(0, attempt["minutes"]),
        "wrong_parts": st.integers(0, attempt["wrong_parts"]),
        "stated": st.floats(attempt["stated"], 1),
        "hints": st.integers(0, len(attempt["hints"])).map(lambda k: attempt["hints"][:k]),
    }
    name = data.draw(st.sampled_from(list(better)))
    assert total(**dict(attempt, **{name: data.draw(better[name])})) >= before - 1e-9


@given(ANY, st.integers(1, 6), ANY)
def test_safety_comes_before_all_else(
    safe: dict[str, Any], offences: int, unsafe: dict[str, Any]
) -> None:
    worst = total(**dict(safe, offences=0))
    assert worst >= SAFETY > total(**dict(unsafe, offences=offences))


@given(ANY)
def test_each_unsafe_act_and_each_wrong_part_costs(attempt: dict[str, Any]) -> None:
    solved = dict(attempt, solved=True, hints=())
    more = dict(solved, offences=solved["offences"] + 1)
    assert total(**more) < total(**solved)
    more = dict(solved, wrong_parts=solved["wrong_parts"] + 1)
    assert total(**more) < total(**solved)


@given(ANY, st.lists(st.sampled_from(list(HINTS)), min_size=1, max_size=30))
def test_hints_never_turn_a_repair_into_less_than_none(
    attempt: dict[str, Any], hints: list[int]
) -> None:
    solved = dict(attempt, offences=0, solved=True)
    assert total(**dict(solved, hints=tuple(hints))) >= SAFETY + 20 - 1e-9
    assert total(**dict(solved, hints=tuple(hints))) <= total(**dict(solved, hints=()))
    dearer = [min(level + 1, max(HINTS)) for level in hints]
    assert total(**dict(solved, hints=tuple(dearer))) <= total(**dict(solved, hints=tuple(hints)))
