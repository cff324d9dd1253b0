"""The checks after a repair: in a known state, by who may make them, and what stays open.

Dead before energised is the order of IEC 60364-6 (as given in the references: continuity and
insulation come before what is tried with the supply on); what an unqualified person may do is
common practice, no source.
"""

from __future__ import annotations

import pytest

from diagnose.interview.asking import ACT_TEXTS, STILL_OFF
from diagnose.interview.drive import Reply, drive, summary
from diagnose.interview.events import Event, new_event
from diagnose.interview.session import Session, Turn
from diagnose.interview.steps import Step
from diagnose.interview.verifying import checks_for
from diagnose.reasoning.guard import Electrical
from tests.people import SimulatedPerson, standard_session


class Passes(SimulatedPerson):
    """Repairs the cause that is there; every check passes, unless it `cannot`."""

    def __init__(self, session: Session, mode: str, cannot: tuple[str, ...] = ()) -> None:
        super().__init__(session, mode, repairs=True)
        self.cannot = cannot
        self.asked: list[tuple[str, Electrical]] = []

    def reply(self, turn: Turn, step: Step) -> Reply:
        if step.kind == "verify":
            self.asked.append((step.id, turn.state.electrical))
        if step.id in self.cannot:
            return Reply("cannot", "nobody here")
        return super().reply(turn, step)


def repaired(
    mode: str,
    qualification: str = "licensed",
    cannot: tuple[str, ...] = (),
    company: str = "together",
    **opened: object,
) -> tuple[Passes, list[Event], Step]:
    """A case that begins with the repair of `mode`, driven through the verification."""
    session = standard_session()
    unit, _, name = mode.partition(".")
    events = [
        new_event(
            "opened",
            installation=session.installation.type.id,
            variants={},
            qualification=qualification,
            meter_category="cat_iii",
            **opened,
        ),
        new_event("complaint", ids=["will_not_start_at_all"]),
        new_event("answered", question="company", choice=company),
        new_event("repaired", unit=unit, failure_mode=name, minutes=15.0),
    ]
    person = Passes(session, mode, cannot)
    outcome = drive(session, events, person)
    shown = summary(outcome, events)["open_checks"]
    assert [o["check"] for o in shown] == [o.check for o in outcome.turn.step.open_checks]
    return person, events, outcome.turn.step


def acts(events: list[Event]) -> list[str]:
    return [str(e.data["act"]) for e in events if e.kind == "act"]


@pytest.mark.parametrize(
    "mode", ["relay.coil_open", "pump_cable.earth_fault", "motor.earth_fault", "adapter.dead"]
)
def test_no_check_is_asked_for_in_an_unknown_state(mode: str) -> None:
    person, _, step = repaired(mode)
    assert (step.kind, step.id) == ("done", "verified")
    states = {c.id: c.state for c in checks_for(person.session.installation)}
    dead = [k for k, (_, state) in enumerate(person.asked) if state is Electrical.PROVED_DEAD]
    assert len(person.asked) >= 8
    for k, (check, state) in enumerate(person.asked):
        assert state is (Electrical.PROVED_DEAD if k in dead else Electrical.ENERGISED), check
        assert k not in dead or check.startswith("rule_")
        assert states.get(check) in (None, "energised", "live", "any")
    assert dead == list(range(len(dead))), "what is measured dead comes first"
    assert bool(dead) == (mode != "adapter.dead")


def test_a_repair_is_switched_on_before_it_is_checked() -> None:
    person, events, _ = repaired("adapter.dead", "instructed")
    assert acts(events) == ["energise"]
    kinds = [(e.kind, str(e.data.get("act", e.data.get("check", "")))) for e in events]
    assert kinds.index(("act", "energise")) < kinds.index(("verified", "gone"))
    assert person.asked[0][0] == "gone"
    assert [check for check, _ in person.asked][-2:] == ["current", "left_behind"]


def test_the_insulation_of_the_cable_is_measured_before_it_is_on_again() -> None:
    person, events, _ = repaired("pump_cable.earth_fault")
    around = ["part", "discharge", "rejoin"]
    assert acts(events) == ["isolate", "prove_dead", *around, "energise"]
    assert person.asked[0] == ("rule_insulation_of_the_circuit", Electrical.PROVED_DEAD)


def test_after_a_repair_made_dead_it_is_said_why_it_is_proved_dead_anew() -> None:
    """Isolating as if it were on was asked twice in a row, round the repair."""
    session = standard_session()
    _, made, _ = repaired("pump_cable.earth_fault")
    before = [e for e in made if e.kind in ("opened", "complaint", "answered")]
    repair = next(e for e in made if e.kind == "repaired")
    off = [new_event("act", act=act) for act in ("isolate", "prove_dead")]
    events = [*before, *off, repair]
    turn = session.turn(events)
    assert turn.state.electrical is Electrical.UNKNOWN, "it may have been switched on to try it"
    assert (turn.step.id, turn.step.title) == ("isolate", STILL_OFF)
    assert "After the repair" in turn.step.text
    assert "locked off" in turn.step.text
    proved = session.turn([*events, off[0]])
    assert (proved.step.id, proved.state.electrical) == ("prove_dead", Electrical.ISOLATED)
    resumed = session.turn([*events, *off, new_event("resumed")])
    assert "interrupted" in resumed.step.text
    on = session.turn([*before, repair])
    assert on.step.title == ACT_TEXTS["isolate"][0], "it had been on"


def test_an_unqualified_person_is_not_asked_for_the_running_current() -> None:
    """Nor to switch on: it is seen, from outside, that the supply is on."""
    person, events, step = repaired("delivery.gate_closed", "unqualified")
    asked = [check for check, _ in person.asked]
    assert "current" not in asked
    assert asked[0] == "gone"
    assert {"manual", "water", "rcd_button", "left_behind"} <= set(asked)
    assert acts(events) == ["found_on"]
    assert (step.kind, step.id) == ("done", "checks_open")
    by = {o.check: o.by for o in step.open_checks}
    assert set(by) == {"current"}
    assert "licensed electrician" in by["current"]
    assert "Running current" in step.text


def test_where_nobody_can_switch_on_all_that_needs_it_stays_open() -> None:
    person, _, step = repaired("delivery.gate_closed", "unqualified", cannot=("found_on",))
    needs_no_supply = {"rule_level_holds", "left_behind"}
    assert {check for check, _ in person.asked} == needs_no_supply
    by = {o.check: o.by for o in step.open_checks}
    assert by["gone"] == "once the supply is on"
    assert "licensed electrician" in by["current"]


def test_what_needs_a_licence_or_an_instrument_stays_open_for_who_has_it() -> None:
    person, _, step = repaired("pump_cable.earth_fault", "instructed", instruments=["multimeter"])
    by = {o.check: o.by for o in step.open_checks}
    assert set(by) == {"current", "rule_insulation_of_the_circuit"}
    assert by["rule_insulation_of_the_circuit"] == "by a licensed electrician"
    assert by["current"] == "with a clamp meter"
    assert not {check for check, _ in person.asked} & set(by)


def test_no_running_current_where_the_rules_forbid_live_work() -> None:
    _, _, step = repaired("adapter.dead", company="alone")
    assert {o.check: o.by for o in step.open_checks} == {
        "current": "not made: nobody is within call"
    }


def test_a_check_that_could_not_be_made_is_named_at_the_end() -> None:
    person, _, step = repaired("adapter.dead", cannot=("water",))
    assert "water" in [check for check, _ in person.asked]
    assert [(o.check, o.by) for o in step.open_checks] == [("water", "when it can be checked")]
    assert step.title.startswith("What could be checked")


def test_an_unqualified_person_may_go_on_after_taking_an_answer_back() -> None:
    """The state is unknown then: what needs the supply is asked once it is seen to be on."""
    session = standard_session()
    events = [
        new_event("opened", installation="", variants={}, qualification="unqualified"),
        new_event("complaint", ids=["will_not_start_auto"]),
        *(
            new_event("answered", question=name, choice=q.default)
            for name, q in session.questions.items()
        ),
        new_event("resumed"),
    ]
    step = session.turn(events).step
    assert step.kind != "conclusion"
    seen = session.turn([*events, new_event("act", act="found_on", minutes=0.0)])
    assert seen.step.kind == "test"
    assert seen.state.electrical is Electrical.ENERGISED
