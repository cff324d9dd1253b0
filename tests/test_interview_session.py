"""The pure turn: driven by a simulated person, judged by what a safe callout must look like."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest

from diagnose.interview.drive import drive
from diagnose.interview.events import Event, new_event
from diagnose.interview.session import Session
from diagnose.interview.state import last_retractable, replay
from diagnose.knowledge.names import unit_of
from diagnose.reasoning.belief import information
from diagnose.reasoning.guard import Electrical
from diagnose.reasoning.strategy import DEAD_SHARE, SAME_CAUSES, SURE_SHARE, told_after
from tests.people import SimulatedPerson, clear_modes, standard_session


def opened(session: Session) -> list[Event]:
    return [
        new_event(
            "opened",
            installation=session.installation.type.id,
            variants={},
            qualification="licensed",
            meter_category="cat_iii",
        )
    ]


@lru_cache(maxsize=1)
def driven() -> dict[str, list[Event]]:
    """A few callouts, each driven to its conclusion and through the repair."""
    session = standard_session()
    found = {}
    for mode in clear_modes(session, 6):
        events = opened(session)
        drive(session, events, SimulatedPerson(session, mode, repairs=True))
        found[mode] = events
    return found


def test_callouts_end_at_the_right_unit_and_a_verified_repair() -> None:
    session = standard_session()
    for mode, events in driven().items():
        repaired = [e.data["unit"] for e in events if e.kind == "repaired"]
        assert repaired == [unit_of(mode)], mode
        turn = session.turn(events)
        assert (turn.step.kind, turn.step.id) == ("done", "verified")


def test_who_complains_of_a_pump_that_runs_on_finds_it_running() -> None:
    """The complaint's first words are what the test looks at; a part of the regimes shows it.

    A float contact of 3 to 30 kOhm, or a bridged pull-down, lets the pump run on or not.
    """

    class RunsOn(SimulatedPerson):
        def complaint(self) -> str:
            return "will_not_stop"

    session = standard_session()
    shown = session.table("now").complaint["will_not_stop"]
    places = {m: session.table("now").positions(m) for m in session.matrix.rows[:-1]}
    partly = [m for m, at in places.items() if shown[at].max() > 0.9 and shown[at].min() < 0.1]
    assert "roof_high_float.contact_dirty" in partly
    for mode in partly:
        assert RunsOn(session, mode).outcome("pump_as_found_full") == "runs", mode


def test_dead_tests_only_after_isolating_and_proving_dead() -> None:
    session = standard_session()
    dead = 0
    for events in driven().values():
        state = Electrical.ENERGISED
        for event in events:
            if event.kind == "act":
                act = event.data["act"]
                assert act != "prove_dead" or state is Electrical.ISOLATED
                state = {
                    "isolate": Electrical.ISOLATED,
                    "prove_dead": Electrical.PROVED_DEAD,
                    "energise": Electrical.ENERGISED,
                }.get(act, state)
            elif event.kind == "repaired":
                state = Electrical.UNKNOWN
            elif event.kind == "finding":
                exposure = session.tests[str(event.data["test"])].spec.state
                if exposure == "dead":
                    dead += 1
                    assert state is Electrical.PROVED_DEAD
                if exposure in ("live", "energised"):
                    assert state is Electrical.ENERGISED
    assert dead > 5


def test_no_live_test_where_another_tells_nearly_as_much() -> None:
    session = standard_session()
    for events in driven().values():
        for k, event in enumerate(events):
            if event.kind != "finding":
                continue
            turn = session.turn(events[:k])
            test = str(event.data["test"])
            if session.tests[test].spec.state != "live" or turn.step.id != test:
                continue
            equipment = session.equipment(turn.state, turn.inference)
            fresh = session.possible(turn.state, turn.inference, equipment)
            gains = information(turn.belief, np.array([c.index for c in fresh]))
            dead = np.array([not c.live for c in fresh])
            own = next(g for c, g in zip(fresh, gains, strict=True) if c.test == test)
            assert max(gains[dead]) < DEAD_SHARE * own
            others = np.array([c.index for c in fresh])[dead][gains[dead] >= SURE_SHARE * own]
            if len(others):
                position = turn.belief.table.test_index[test]
                alone, after = told_after(turn.belief, position, others)
                assert after.min() > (1 - SAME_CAUSES) * alone


def test_the_same_events_give_the_same_step_in_a_new_session() -> None:
    session = standard_session()
    again = Session(session.knowledge, session.installation, session.matrix)
    for events in driven().values():
        for k in range(1, len(events), 3):
            one, two = session.turn(events[:k]).step, again.turn(events[:k]).step
            assert (one.kind, one.id, one.text) == (two.kind, two.id, two.text)


def test_after_an_undo_or_a_resume_the_installation_counts_as_live() -> None:
    session = standard_session()
    events, cut = next(
        (e, k)
        for e in driven().values()
        for k, x in enumerate(e)
        if x.kind == "finding" and dead_at(e[:k])
    )
    until = events[: cut + 1]
    assert replay(until, session.places).electrical is Electrical.PROVED_DEAD
    taken = last_retractable(until)
    assert taken is not None
    assert taken.kind == "finding"
    undone = [*until, new_event("withdrawn", event=taken.id)]
    resumed = [*until, new_event("resumed")]
    for after in (undone, resumed):
        assert replay(after, session.places).electrical is Electrical.UNKNOWN
        step = session.turn(after).step
        assert step.kind == "act" or step.state == "any", step
    assert (
        len(replay(undone, session.places).findings)
        == len(replay(until, session.places).findings) - 1
    )


def dead_at(events: list[Event]) -> bool:
    acts = [e.data["act"] for e in events if e.kind == "act"]
    return bool(acts) and acts[-1] == "prove_dead"


def test_physical_acts_cannot_be_taken_back() -> None:
    event = new_event("act", act="isolate", minutes=2.0)
    assert last_retractable([*opened(standard_session()), event]) is None


def test_danger_ends_the_interview_at_once() -> None:
    session = standard_session()
    events = [*opened(session), new_event("answered", question="danger", choice="yes")]
    step = session.turn(events).step
    assert step.conclusion is not None
    assert step.conclusion.status == "stopped"
    assert any("people" in reason for reason in step.conclusion.reasons)


@pytest.mark.parametrize("category", ["cat_ii", "none"])
def test_no_live_test_with_a_meter_that_is_not_rated(category: str) -> None:
    session = standard_session()
    start = new_event(
        "opened",
        installation=session.installation.type.id,
        variants={},
        qualification="licensed",
        meter_category=category,
    )
    turn = session.turn([start])
    equipment = session.equipment(turn.state, turn.inference)
    fresh = session.possible(turn.state, turn.inference, equipment)
    assert fresh
    assert not any(c.live for c in fresh)


def test_instruments_that_are_not_there_are_not_asked_for() -> None:
    session = standard_session()
    start = new_event(
        "opened",
        installation=session.installation.type.id,
        variants={},
        qualification="unqualified",
        instruments=[],
    )
    turn = session.turn([start])
    equipment = session.equipment(turn.state, turn.inference)
    fresh = session.possible(turn.state, turn.inference, equipment)
    assert fresh
    for candidate in fresh:
        spec = session.tests[candidate.test].spec
        assert spec.instrument == "none"
        assert spec.state in ("any", "energised")


def test_a_dead_board_is_not_replaced_before_its_ground_terminal_was_looked_at() -> None:
    """Both leave it dark, and it is the board in any case: only how it failed tells the repair."""
    session = standard_session()
    opened = {"qualification": "instructed", "meter_category": "cat_iii"}
    events = [new_event("opened", installation="tank_and_sump", **opened)]
    outcome = drive(session, events, SimulatedPerson(session, "controller.ground_open"))
    asked = [str(e.data["test"]) for e in events if e.kind == "finding"]
    assert "board_ground" in asked
    assert outcome.conclusion is not None
    assert (outcome.conclusion.unit, outcome.conclusion.failure_mode) == (
        "controller",
        "ground_open",
    )
    before = next(k for k, e in enumerate(events) if e.data.get("test") == "board_ground")
    turn = session.turn(events[:before])
    assert turn.belief.leading_unit()[0] == "controller"
    assert turn.step.why is not None
    assert turn.step.why.saves > turn.step.why.minutes
