"""What a person at the panel meets: no dead ends, nothing asked or said twice, plain words."""

from __future__ import annotations

from dataclasses import replace
from itertools import takewhile
from pathlib import Path

import pytest

from diagnose.casebook.sitefiles import Site
from diagnose.cli.ask import Terminal
from diagnose.cli.ending import ask_repair
from diagnose.cli.lines import understand
from diagnose.cli.render import Screen, Titles
from diagnose.cli.site_new import Describing
from diagnose.errors import DiagnoseError
from diagnose.interview.account import account
from diagnose.interview.asking import typed_unit
from diagnose.interview.drive import Reply, drive, respond
from diagnose.interview.events import Event, new_event
from diagnose.interview.session import Session, Turn
from diagnose.interview.steps import Option, Step
from diagnose.interview.verifying import checks_for, measures
from tests.bench import shipped
from tests.people import SimulatedPerson, standard_session

WELDED = "relay.contacts_welded"


@pytest.fixture(scope="module")
def session() -> Session:
    return standard_session()


def opened(**more: object) -> list[Event]:
    return [new_event("opened", qualification="instructed", meter_category="cat_iii", **more)]


class CannotYet(SimulatedPerson):
    """Cannot isolate while it searches; before the repair it is found out how, or it is not."""

    def __init__(self, session: Session, mode: str, in_the_end: bool) -> None:
        super().__init__(session, mode, repairs=True)
        self.in_the_end = in_the_end
        self.ended = 0
        self.refusals: list[str] = []

    def complaint(self) -> str:
        return "overflows"

    def reply(self, turn: Turn, step: Step) -> Reply:
        self.ended += step.conclusion is not None
        if turn.state.repairs or self.ended > 4:
            return Reply("leave")
        able = self.ended and self.in_the_end
        return Reply("cannot") if step.id == "isolate" and not able else super().reply(turn, step)

    def refused(self, error: DiagnoseError) -> bool:
        self.refusals.append(str(error))
        return True


@pytest.mark.parametrize("in_the_end", [True, False])
def test_who_could_not_isolate_is_asked_again_before_the_repair(
    session: Session, in_the_end: bool
) -> None:
    events, person = opened(), CannotYet(session, WELDED, in_the_end)
    # an isolation that cannot be made now: the search goes on with the covers closed
    events.append(new_event("cannot", act="isolate", reason="no key"))
    outcome = drive(session, events, person, refused=person.refused)
    acts = [e.data["act"] for e in events if e.kind == "act" and "act" in e.data]
    if in_the_end:
        assert acts[-2:] == ["isolate", "prove_dead"]
        assert outcome.turn.state.repairs
        assert not outcome.turn.state.refused
    else:
        assert not outcome.turn.state.repairs
        assert len(person.refusals) > 1
        asked = [e for e in events if e.kind == "cannot" and e.data.get("act") == "isolate"]
        assert len(asked) == 2, "asked once more, then only told why not"


def test_the_pump_switch_off_is_tried_before_anybody_climbs(session: Session) -> None:
    """Common practice, no source: put it in manual, off; if it runs on, the contact is welded."""

    class Says(SimulatedPerson):
        def complaint(self) -> str:
            return "will_not_stop"

    events = opened()
    drive(session, events, Says(session, WELDED))
    done = [str(e.data["test"]) for e in events if e.kind == "finding"]
    before = list(takewhile(lambda test: test != "pump_heard_off", done))
    assert "pump_heard_off" in done
    assert {session.tests[t].spec.place_at for t in before} <= {"panel", "anywhere"}
    assert session.tests["pump_heard_off"].spec.customer


def test_who_says_that_nobody_changed_anything_is_not_asked_what_was_changed(
    session: Session,
) -> None:
    asked = {}
    for worked in ("years", "altered"):
        events = opened()
        while (step := session.turn(events).step).kind == "question":
            if step.id == "complaint":
                events.append(new_event("complaint", ids=["overflows"]))
                continue
            choice = worked if step.id == "worked" else session.questions[step.id].default
            events.append(new_event("answered", question=step.id, choice=choice))
        asked[worked] = {str(e.data["question"]) for e in events if e.kind == "answered"}
    assert asked["altered"] - asked["years"] == {"changed"}


def test_a_finding_made_twice_is_named_once_among_the_reasons(session: Session) -> None:
    twice = [new_event("finding", test="tap_relay", outcome="runs_on", minutes=1.0) for _ in "ab"]
    turn = session.turn([*opened(), new_event("complaint", ids=["overflows"]), *twice])
    supports = session.conclude(turn, "stopped", "").supports
    titles = [e.title for e in supports]
    assert session.tests["tap_relay"].title in titles
    assert len(set(titles)) == len(titles)


def test_a_stop_before_anything_was_found_names_no_repair(
    session: Session, capsys: pytest.CaptureFixture[str]
) -> None:
    turn = session.turn([*opened(), new_event("answered", question="danger", choice="yes")])
    conclusion = turn.step.conclusion
    assert conclusion is not None
    assert conclusion.status == "stopped"
    Screen(True).conclusion(conclusion, Titles(session))
    shown = capsys.readouterr().out
    assert "people first" in shown
    assert "Repair" not in shown
    assert "likeliest" not in shown


def test_the_same_result_once_more_says_only_what_to_do(
    session: Session, capsys: pytest.CaptureFixture[str]
) -> None:
    found = [new_event("finding", test="tap_relay", outcome="runs_on", minutes=1.0)]
    turn = session.turn([*opened(), new_event("complaint", ids=["overflows"]), *found])
    conclusion = session.conclude(turn, "concluded", "")
    screen = Screen(True)
    lengths = []
    for one in (conclusion, conclusion, replace(conclusion, probability=0.5)):
        screen.conclusion(one, Titles(session))
        shown = capsys.readouterr().out
        assert "Repair" in shown
        lengths.append(len(shown.splitlines()))
    assert lengths[1] <= 8 < lengths[0] == lengths[2]


def test_what_a_change_of_state_is_for_and_what_a_complaint_means(
    session: Session, capsys: pytest.CaptureFixture[str]
) -> None:
    events = opened()
    for name, question in session.questions.items():
        if question.kind == "safety":
            events.append(new_event("answered", question=name, choice=question.default))
    lines = iter(["why", "6"])
    terminal = Terminal(session, Screen(True), events, lambda prompt: next(lines))
    turn = session.turn(events)
    assert terminal.reply(turn, turn.step).ids == ("overflows",)
    shown = " ".join(capsys.readouterr().out.split())
    assert session.knowledge.complaints["runs_dry"].says in shown

    step = Step("act", "isolate", "Isolate", "Off.", (Option("done", "done"),), towards="the fuse")
    lines = iter(["5 kohm", "done"])
    terminal = Terminal(session, Screen(True), events, lambda prompt: next(lines))
    assert terminal.reply(turn, step).text == "done"
    shown = capsys.readouterr().out
    assert "Next test The fuse" in " ".join(shown.split())
    assert "type 'done'" in " ".join(shown.split())
    assert "number from 1 to 1" not in shown


def test_an_answer_that_is_no_reading_is_refused_without_an_id(session: Session) -> None:
    with pytest.raises(DiagnoseError, match="'0,5 A' is in A, but ohm is expected") as error:
        session.read_answer("relay_contact_released", "0,5 A")
    assert "relay_contact_released" not in str(error.value)


def test_of_one_thing_the_only_answer_is_named() -> None:
    said = understand("20", (Option("done", "done"),))
    assert said.kind == "bad"
    assert "'done'" in said.text


def test_the_number_of_a_choice_is_no_reading(session: Session) -> None:
    found = [
        new_event("finding", test="tap_relay", raw=raw, outcome="runs_on", minutes=1.0)
        for raw in ("1", "not sure 1", "runs on")
    ]
    meter = new_event(
        "finding", test="relay_contact_released", raw="1", outcome="closed", minutes=1.0
    )
    events = [*opened(), new_event("complaint", ids=["overflows"]), *found, meter]
    readings = account(session, events).readings
    assert [r.raw for r in readings[:3]] == ["runs on"] * 3
    assert readings[3].raw.startswith("1")


def test_checks_at_the_roof_are_made_in_one_go(session: Session) -> None:
    checks = checks_for(session.installation)
    up = [k for k, check in enumerate(checks) if "work_at_height" in check.cautions]
    assert len(up) == 3
    assert up[-1] - up[0] == 2


def test_a_site_without_a_roof_tank_is_not_asked_for_the_way_to_it() -> None:
    knowledge = shipped()
    applies = {}
    for kind in ("tank_and_sump", "pressure_set"):
        site = Site("Ford (demo)", installation=kind)
        applies[kind] = Describing(knowledge, Screen(True), Path(), site)._applies("roof_way")
    assert applies == {"tank_and_sump": True, "pressure_set": False}


class Shown(Terminal):
    """A terminal at one step, whose lines are typed beforehand."""

    def __init__(self, session: Session, step: Step, *typed: str) -> None:
        self.events: list[Event] = [*opened(), new_event("complaint", ids=["overflows"])]
        lines = iter(typed)
        super().__init__(session, Screen(True), self.events, lambda prompt: next(lines))
        self.before = replace(session.turn(self.events), step=step)

    def say(self) -> Event:
        """The event of the answer, told as it would be."""
        turn = self.before
        event = respond(self.session, turn, turn.step, self.reply(turn, turn.step), self.events)
        assert event is not None
        self.after(turn, turn, event)
        return event


def contact(session: Session) -> Step:
    """A resistance that is measured: closed, leaks or open."""
    test = session.tests["relay_contact_released"]
    options = tuple(Option(o.id, o.title) for o in test.outcomes)
    assert [o.id for o in options] == ["closed", "leaky", "open"]
    return Step("test", test.id, test.title, "", options, unit=typed_unit(test))


@pytest.mark.parametrize(
    ("typed", "taken"),
    [
        *[("0.4", "0.4 Ω (closed)"), ("1", "1 Ω (closed)"), ("4k7", "4.7 kΩ (leaks)")],
        *[("OL", "OL (open)"), ("not sure 4k7 ohm", "4.7 kΩ (leaks)"), ("closed", "closed")],
        ("open", "open"),
    ],
)
def test_a_reading_is_said_back_as_it_was_understood(
    session: Session, typed: str, taken: str, capsys: pytest.CaptureFixture[str]
) -> None:
    Shown(session, contact(session), typed).say()
    assert f"Taken as  {taken}\n" in capsys.readouterr().out


def test_so_is_one_that_was_typed_to_another_test_than_was_proposed(
    session: Session, capsys: pytest.CaptureFixture[str]
) -> None:
    shown = Shown(session, contact(session))
    event = new_event("finding", test="relay_contact_released", raw="1", outcome="closed")
    plain = replace(shown.before, step=Step("test", "tap_relay", "", "", ()))
    shown.after(plain, plain, event)
    assert "Taken as  1 Ω (closed)" in capsys.readouterr().out


def test_a_number_that_may_be_that_of_an_answer_is_asked_for_more_clearly(
    session: Session, capsys: pytest.CaptureFixture[str]
) -> None:
    """2 is a closed contact as a reading, a leaking one as the second answer; 1 is closed both."""
    for typed, outcome in (("2 ohm", "closed"), ("2.0", "closed"), ("leaky", "leaky")):
        event = Shown(session, contact(session), "2", typed).say()
        said = " ".join(capsys.readouterr().out.split())
        assert "type 2 ohm for the reading, leaky for 'leaks'" in said
        assert event.data["outcome"] == outcome
    event = Shown(session, contact(session), "not sure", "3", "not sure 3", "4").say()
    assert capsys.readouterr().out.count("type 3 ohm for the reading") == 2
    assert event.data["raw"] == "4"


def test_the_number_of_a_check_is_no_insulation(
    session: Session, capsys: pytest.CaptureFixture[str]
) -> None:
    """It once passed: the answers were numbered, and 2 (too little) was read as 2 megohm."""
    options = measures("1 Mohm")
    check = Step("verify", "insulation", "Insulation", "", options, unit="Mohm", healthy="1 Mohm")
    event = Shown(session, check, "2", "3", "0.4").say()
    out = capsys.readouterr().out
    assert "Answer    the reading (a bare number is in Mohm)" in out
    assert " 2  less than" not in out
    assert "type 2 Mohm for the reading, fail for 'less than 1 Mohm'" in " ".join(out.split())
    assert "type 3 Mohm for the reading, cannot for" in " ".join(out.split())
    assert "Taken as  400 kΩ (less than 1 Mohm)" in out
    assert event.data == {"check": "insulation", "result": "fail", "raw": "0.4"}
    assert Shown(session, check, "2 Mohm").say().data["result"] == "pass"
    assert "Taken as  2 MΩ (1 Mohm or more)" in capsys.readouterr().out


def test_where_no_cause_was_named_none_is_proposed_and_any_can_be_said(
    session: Session, capsys: pytest.CaptureFixture[str]
) -> None:
    """After a felt shock, before any test; the licensed electrician has repaired something."""
    turn = session.turn([*opened(), new_event("complaint", ids=["hums"])])
    reasons = replace(session.conclude(turn, "handed_over", ""), supports=(), against=())
    early = replace(reasons, probability=0.2)
    lines = iter(["1", "earth fault", "pump cable earth", "3"])
    terminal = Terminal(session, Screen(True), [], lambda prompt: next(lines))
    reply = ask_repair(terminal, turn, early)
    shown = capsys.readouterr().out
    assert f"yes: {early.title}" not in shown
    assert "run capacitor" not in shown.partition("Has the repair been made?")[0]
    assert (reply.kind, reply.text) == ("repaired", "pump_cable.earth_fault")
    lines = iter(["1"])
    named = replace(early, probability=0.9)
    assert ask_repair(terminal, turn, named).text == f"{early.unit}.{early.failure_mode}"
    assert f"yes: {early.title}" in capsys.readouterr().out


def test_on_a_narrow_screen_the_bars_leave_room_for_the_words(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    for width, bar in (("40", 10), ("80", 20), ("200", 20)):
        monkeypatch.setenv("COLUMNS", width)
        assert len(Screen(True).bar(0.5)) == bar


@pytest.mark.parametrize("mode", ["pump.seized", "capacitor.open", "capacitor.low"])
def test_a_breaker_found_on_does_not_clear_a_stalled_motor(session: Session, mode: str) -> None:
    """Who hears it switches it off before the breaker is warm (common practice, no source)."""
    outcomes = [o.id for o in session.tests["breaker_position"].outcomes]
    found_on = session.matrix.of(mode, "breaker_position")[outcomes.index("on")]
    assert 0.2 <= found_on <= 0.8
    tripped = session.matrix.of("breaker.tripped", "breaker_position")
    assert tripped[outcomes.index("off")] > 0.9
