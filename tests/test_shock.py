"""The complaint of a felt shock: what causes it, and that it stops everything but looking.

That an open protective conductor, and no leak into a sound one, brings a touch voltage above 50 V
(IEC 60364-4-41, recalled) to the pump's frame, and that no residual-current device sees the leak
then, follows from Kirchhoff's laws. The current in a person is worked by hand below.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from diagnose.errors import DiagnoseError
from diagnose.interview.advice import LEVELS
from diagnose.interview.chart import opening
from diagnose.interview.chart_tree import Given
from diagnose.interview.drive import drive
from diagnose.interview.events import Event, new_event
from diagnose.interview.session import Turn
from diagnose.interview.steps import Step
from diagnose.practice.exercises import draw_exercise
from diagnose.practice.expert import expert
from tests.bench import Bench, installed, situation
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
    open_earth = {"pump_cable.earth_open", MODE, "mains.earth_lost", "mains.pen_lost"}
    assert {name for name, p in shown.items() if p > 1 - 1e-9} == open_earth
    assert shown["pump_cable.earth_fault"] == shown["motor.earth_fault"] == 0


def test_no_residual_device_trips_on_a_leak_that_has_no_way_back() -> None:
    matrix = standard_session().matrix
    trips = dict(zip(matrix.rows, matrix.complaints["trips"], strict=True))
    assert trips[MODE] == trips["mains.earth_lost"] == trips["mains.pen_lost"] == 0
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


@pytest.mark.parametrize(
    ("region", "volts", "hertz"), [("v230", 230.0, 50.0), ("v120", 120.0, 60.0)]
)
def test_without_the_premises_earth_filters_and_winding_divide_the_mains(
    region: str, volts: float, hertz: float
) -> None:
    # by hand: equal filters F from each conductor to earth, the winding's W on the live side while
    # the pump runs and on the neutral side while it stands: (F + W) / (2 F + W), F / (2 F + W).
    # IEC 60479-1 (recalled): felt from 0.5 mA, nobody is held fast below 5 mA
    place = installed(region=region)
    farads = place.part_of("mains").parameters["filters"]
    winding = place.part_of("motor").parameters["winding_capacitance"].nominal
    filters = farads.nominal
    for name, above in (("manual_on", filters + winding), ("manual_off", filters)):
        lost = Bench(place, situation(place, name), "mains.earth_lost", volts, nominal=True)
        frame = lost.read("volts_ac", "mains.pe", "mains.star")[0]
        assert frame == pytest.approx(volts * above / (2 * filters + winding), rel=0.05)
    assert lost.is_on("controller.running").all(), "nothing but the frame shows it"
    assert 0.5e-3 < volts * 2 * math.pi * hertz * (farads.high + winding) < 5e-3


def test_a_leak_finds_no_way_back_without_the_premises_earth() -> None:
    """So no residual-current device sees it: IEC 60364-4-41, recalled."""
    place = installed()
    on = situation(place, "manual_on")
    leak = replace(place.part_of("motor").parameters["insulation"], low=2e3, high=2e3, nominal=2e3)
    motor = replace(place.instances["motor"], set={"insulation": leak})
    leaky = replace(place, instances={**place.instances, "motor": motor})
    assert Bench(leaky, on).is_on("rcd.residual_trip").all()
    lost = Bench(leaky, on, "mains.earth_lost")
    assert not lost.is_on("rcd.residual_trip").any()
    assert (lost.read("volts_ac", "mains.pe", "mains.star") > 150.0).all(), "the frame is live"


@pytest.mark.parametrize(
    "choices", [{}, {"region": "v120"}, {"start": "three_phase", "drive": "contactor"}]
)
def test_with_the_pen_open_neutral_and_earth_are_live_together(choices: dict[str, str]) -> None:
    """IEC 60364-4-44, 442.3, recalled: the load's current lifts both; between them is nothing."""
    place = installed(**choices)
    on = situation(place, "manual_on")
    lost = Bench(place, on, "mains.pen_lost")
    back = lost.read("amps_ac", "mains.earth")
    frame = lost.read("volts_ac", "mains.pe", "mains.star")
    assert (frame > 50.0).all()
    ohms = frame / back  # the load's current comes back through electrode and pipes alone
    assert ((ohms > 29.0) & (ohms < 201.0)).all()
    assert (lost.read("volts_ac", "panel_terminals.n_out", "earth") < 2.0).all()
    assert not lost.is_on("rcd.off").any()
    if not choices:
        loose = Bench(place, on, "mains.loose_neutral")
        assert (loose.read("volts_ac", "panel_terminals.n_out", "earth") > 12.0).all()


@pytest.mark.parametrize("choices", [{}, {"start": "three_phase", "drive": "contactor"}])
def test_an_earth_electrode_of_its_own_has_no_pen_to_lose(choices: dict[str, str]) -> None:
    """TT: a lost neutral moves the lights, not the earthed metal (IEC 60364-4-44, recalled)."""
    assert "mains.pen_lost" in installed(**choices).modes
    place = installed(earthing="tt", **choices)
    assert "mains.pen_lost" not in place.modes
    for name in ("manual_off", "manual_on"):
        lost = Bench(place, situation(place, name), "mains.neutral_lost")
        assert (lost.read("volts_ac", "mains.pe", "mains.star") < 1.0).all()
        assert not lost.is_on("mains.frame_live").any()
    # a fault to earth comes back by the electrode: no breaker, but the 30 mA device sees it
    fault = Bench(place, situation(place, "manual_on"), "pump_cable.earth_fault")
    assert fault.is_on("rcd.residual_trip").all()
    assert not fault.is_on("breaker.trips").any()


def test_a_neutral_lost_in_the_street_leaves_too_much_or_too_little() -> None:
    # by hand: where the neighbours' loads hold the neutral D volts off the earth, in step with the
    # line, 230 V - D are left; at rest the adapter (15 kohm over at most 10 ohm) hardly moves it
    place = installed(earthing="tt")
    lost = Bench(place, situation(place, "manual_off"), "mains.neutral_lost", 230.0)
    left = lost.read("volts_ac", "panel_terminals.l_out", "panel_terminals.n_out")
    drift = lost.circuit.parameters["mains.drift"]
    assert left == pytest.approx(230.0 - drift, rel=5e-3)
    assert (left < 150.0).any()
    assert (left > 275.0).any()
    neutral = lost.read("volts_ac", "panel_terminals.n_out", "earth")
    assert neutral == pytest.approx(abs(drift), abs=1.0)
    assert "mains.neutral_lost" not in installed().modes


@pytest.mark.parametrize("lights", ["flicker", "dim"])
@pytest.mark.parametrize("qualification", ["instructed", "licensed"])
def test_a_shock_and_unsteady_lights_are_the_suppliers_at_once(
    qualification: str, lights: str
) -> None:
    session = standard_session()
    events = [
        opened(qualification),
        new_event("complaint", ids=[SHOCK]),
        *(
            new_event("answered", question=q.id, choice=q.default)
            for q in session.questions.values()
            if q.kind == "safety" and q.id != "tingle"
        ),
        new_event("finding", test="premises_power", outcome=lights, raw=lights, sure="yes"),
    ]
    turn = session.turn(events)
    handed = {c.get("to") for c in turn.inference.concluded("hand_over")}
    assert "supplier" in handed
    assert turn.step.conclusion is not None
    assert turn.step.conclusion.status == "handed_over"


def test_nobody_is_asked_where_else_it_tingles_who_felt_nothing() -> None:
    session = standard_session()

    def forbidden(events: list[Event]) -> set[str]:
        told = session.turn(events).inference.concluded("forbid")
        return {c.get("test") for c in told}

    assert "tingle_elsewhere" in forbidden([opened("licensed")])
    shocked = [opened("licensed"), new_event("complaint", ids=[SHOCK])]
    assert "tingle_elsewhere" not in forbidden(shocked)


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
    asked = [step for step in person.steps if step.kind == "test"]
    assert {step.id for step in asked} == {"premises_power", "tingle_elsewhere"}
    assert {(step.state, step.place) for step in asked} == {("any", "anywhere")}
    plan = phone().plan(turn)
    assert LEVELS.index(plan.urgency) <= LEVELS.index("now")
    assert {"panel", "pump, pipes, taps and water"} <= {advice.what for advice in plan.keep_off}
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
    # asked from where he stands: with the supply's neutral and earth open the earth bar is live too
    assert after[:3] == ["premises_power", "tingle_elsewhere", "isolate"]
    assert not [q for q in questions if session.questions[q].kind == "history"]
