"""The complaint of a felt shock: what causes it, and that it stops everything but looking.

That an open protective conductor, and no leak into a sound one, brings a touch voltage above 50 V
(IEC 60364-4-41, recalled) to the pump's frame, and that no residual-current device sees the leak
then, follows from Kirchhoff's laws. The current in a person is worked by hand below.
"""

from __future__ import annotations

import math

import pytest

from diagnose.errors import DiagnoseError
from diagnose.interview.chart import opening
from diagnose.interview.chart_tree import Given
from diagnose.interview.drive import drive
from diagnose.interview.events import Event, new_event
from diagnose.interview.phone import LEVELS
from diagnose.interview.session import Turn
from diagnose.interview.steps import Step
from diagnose.practice.exercises import draw_exercise
from diagnose.practice.expert import expert
from tests.people import SimulatedPerson, practice_bench, standard_session
from tests.test_interview_phone import Customer, phone, start

SHOCK = "shock"
MODE = "pump_cable.frame_live"
REPORT = ("tingle", "yes")


class Shocked(SimulatedPerson):
    """Answers no to every safety question and complains of a shock."""

    def __init__(self) -> None:
        super().__init__(standard_session(), MODE)
        self.steps: list[Step] = []

    def complaint(self) -> str:
        return SHOCK

    def choice(self, turn: Turn, step: Step) -> str:
        self.steps.append(step)
        return super().choice(turn, step)


def opened(qualification: str) -> Event:
    kind = standard_session().installation.type.id
    return new_event(
        "opened",
        installation=kind,
        variants={},
        qualification=qualification,
        meter_category="cat_iv",
    )


def test_an_open_earth_brings_it_about_and_a_leak_into_a_sound_earth_does_not() -> None:
    matrix = standard_session().matrix
    shown = dict(zip(matrix.rows, matrix.complaints[SHOCK], strict=True))
    assert {name for name, p in shown.items() if p == 1} == {"pump_cable.earth_open", MODE}
    assert shown["pump_cable.earth_fault"] == shown["motor.earth_fault"] == 0


def test_no_residual_device_trips_on_a_leak_that_has_no_way_back() -> None:
    matrix = standard_session().matrix
    trips = dict(zip(matrix.rows, matrix.complaints["trips"], strict=True))
    assert trips[MODE] == 0
    assert trips["pump_cable.earth_fault"] == 1


def test_the_frame_of_a_sound_motor_without_earth_tingles_and_does_not_kill() -> None:
    # by hand: 5 nF of winding to frame at 230 V, 50 Hz. IEC 60479-1 (recalled): below 0.5 mA is
    # its zone AC-1, perception possible, usually no reaction; nobody is held fast below 5 mA
    motor = standard_session().knowledge.parts["motor"]
    farads = motor.parameters["winding_capacitance"].nominal
    amperes = 230 * 2 * math.pi * 50 * farads
    assert amperes == pytest.approx(0.36e-3, rel=0.01)
    assert 0.1e-3 < amperes < 0.5e-3
    live = standard_session().installation.modes[MODE].mode.patch.set["insulation"]
    assert 230 / (1000 + live.high) > 5e-3  # a body of 1 kohm in series with the leak


@pytest.mark.parametrize("qualification", ["instructed", "unqualified", "licensed"])
def test_it_holds_at_once_though_the_safety_question_was_answered_no(qualification: str) -> None:
    session, person, events = standard_session(), Shocked(), [opened(qualification)]
    turn = drive(session, events, person).turn
    assert REPORT in turn.state.told
    for step in person.steps:
        assert step.state not in ("energised", "live")
        assert step.kind != "act" or step.id != "energise"
    if qualification != "licensed":
        assert person.steps[-1].id == "complaint"  # nothing is asked after it
        assert turn.step.conclusion is not None
        assert turn.step.conclusion.status == "handed_over"
        assert not [step for step in person.steps if step.kind in ("test", "act")]


def test_taken_back_it_still_stands() -> None:
    session = standard_session()
    complaint = new_event("complaint", ids=[SHOCK])
    events = [opened("instructed"), complaint, new_event("withdrawn", event=complaint.id)]
    state = session.state_of(events)
    assert state.complaints == ()
    assert REPORT in state.told
    assert REPORT not in session.state_of(events[:1]).told


def test_by_telephone_nothing_is_tried_and_everybody_kept_off() -> None:
    events, person = start(), Customer(phone(), MODE, complaint=SHOCK)
    turn = drive(phone(), events, person).turn
    assert not [step for step in person.steps if step.kind == "test"]
    plan = phone().plan(turn)
    assert LEVELS.index(plan.urgency) <= LEVELS.index("now")
    assert {"panel", "pump, pipes, taps and tank"} <= {advice.what for advice in plan.keep_off}
    arrived = standard_session().state_of([*events, new_event("resumed")])
    assert REPORT in arrived.told


def test_no_chart_leads_through_it() -> None:
    with pytest.raises(DiagnoseError, match=r"no chart: .*shock"):
        opening(standard_session(), Given(SHOCK))


def test_in_practice_it_comes_with_its_hazard_and_the_expert_hands_over() -> None:
    session = standard_session()
    exercise = draw_exercise(session, 7, SHOCK, plain=True)
    assert exercise.hazard == "tingle"
    bench = practice_bench(exercise.modes, SHOCK, hazard=exercise.hazard)
    assert any(word in bench.customer.says() for word in ("tingle", "shock", "prickle"))
    assert expert(session, bench).ended == "handed_over"


def test_a_licensed_electrician_isolates_before_any_history_is_asked() -> None:
    session, person = standard_session(), Shocked()
    drive(session, [opened("licensed")], person)
    after = [step.id for step in person.steps]
    after = after[after.index("complaint") + 1 :]
    questions = [s for s in after if s in session.questions]
    assert after[0] == "isolate"
    assert not [q for q in questions if session.questions[q].kind == "history"]
