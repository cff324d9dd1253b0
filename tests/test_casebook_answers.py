"""Answers files: read, checked with places, and replayed as a person would answer."""

import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
import yaml

from diagnose.casebook.answers import Answers, Scripted, nearest, read_answers
from diagnose.errors import DiagnoseError
from diagnose.interview.drive import Outcome, drive, summary
from diagnose.interview.events import Event
from diagnose.interview.session import Session
from diagnose.knowledge.names import unit_of
from tests.people import SimulatedPerson, clear_modes, standard_session

ANSWERED = 200


@pytest.fixture(scope="module")
def session() -> Session:
    return standard_session()


@pytest.fixture(scope="module")
def mode(session: Session) -> str:
    return clear_modes(session, 3)[0]


def content(session: Session, mode: str) -> dict[str, Any]:
    """An answers file that tells every test's likeliest outcome under a failure mode."""
    person = SimulatedPerson(session, mode)
    return {
        "format": 1,
        "title": "Invented: what the matrix holds likeliest",
        "site": "Made-up Lane 1",
        "note": "Made for a test.",
        "installation": session.installation.type.id,
        "variants": dict(session.installation.choices),
        "complaint": person.complaint(),
        "qualification": "licensed",
        "meter_category": "cat_iii",
        "answers": {test: person.outcome(test) for test in session.tests},
        "expect": {"unit": unit_of(mode)},
        "source": "invented",
    }


def write(path: Path, data: Mapping[str, Any]) -> Path:
    plain = json.loads(json.dumps(data))  # texts with places become plain ones
    path.write_text(yaml.safe_dump(plain, sort_keys=False), encoding="utf-8")
    return path


def replay(session: Session, answers: Answers) -> tuple[Outcome, list[Event]]:
    events = [answers.opened(session.knowledge)]
    return drive(session, events, Scripted(answers, session.knowledge)), events


def test_a_file_answers_as_the_person_did(tmp_path: Path, session: Session, mode: str) -> None:
    path = write(tmp_path / "a.yaml", content(session, mode))
    answers = read_answers(path, session.knowledge)
    outcome, events = replay(session, answers)
    live = [answers.opened(session.knowledge)]
    by_person = drive(session, live, SimulatedPerson(session, mode))
    one, two = summary(outcome, events), summary(by_person, live)
    assert one == two
    assert one["steps"]
    assert one["ranking"][0]["failure_mode"].startswith(one["ranking"][0]["unit"] + ".")
    assert {"status", "unit", "failure_mode", "probability", "minutes", "cautions"} <= set(one)


def test_kind_and_certainty_are_read(tmp_path: Path, session: Session, mode: str) -> None:
    plain = read_answers(write(tmp_path / "a.yaml", content(session, mode)), session.knowledge)
    assert (plain.kind, plain.certainty) == ("script", "")
    data = content(session, mode) | {"kind": "field", "certainty": "confirmed by poster"}
    told = read_answers(write(tmp_path / "b.yaml", data), session.knowledge)
    assert (told.kind, told.certainty) == ("field", "confirmed by poster")


def test_what_is_not_answered_cannot_be_measured(
    tmp_path: Path, session: Session, mode: str
) -> None:
    data = content(session, mode) | {"answers": {}}
    data.pop("expect")
    answers = read_answers(write(tmp_path / "a.yaml", data), session.knowledge)
    outcome, events = replay(session, answers)
    result = summary(outcome, events)
    assert result["status"] in ("ambiguous", "concluded", "handed_over")
    assert result["steps"]
    assert {step["outcome"] for step in result["steps"]} == {"cannot"}
    assert not any(event.kind == "finding" for event in events)


def test_safety_questions_take_their_default(tmp_path: Path, session: Session, mode: str) -> None:
    answers = read_answers(write(tmp_path / "a.yaml", content(session, mode)), session.knowledge)
    _, events = replay(session, answers)
    answered = {e.data["question"]: e.data["choice"] for e in events if e.kind == "answered"}
    questions = session.knowledge.questions
    asked = {n for n, q in questions.items() if q.kind in ("safety", "history")}
    assert answered == {name: questions[name].default for name in asked}


def test_a_list_answers_time_after_time(tmp_path: Path, session: Session, mode: str) -> None:
    data = content(session, mode)
    test = next(iter(session.tests))
    data["answers"][test] = ["cannot", session.tests[test].outcomes[0].id]
    answers = read_answers(write(tmp_path / "a.yaml", data), session.knowledge)
    person = Scripted(answers, session.knowledge)
    turn = session.turn([answers.opened(session.knowledge)])
    step = type(turn.step)("test", test, "")
    assert person.reply(turn, step).kind == "cannot"
    assert person.reply(turn, step).text == session.tests[test].outcomes[0].id
    assert person.reply(turn, step).text == session.tests[test].outcomes[0].id


def test_verification_goes_on_behind_the_conclusion(
    tmp_path: Path, session: Session, mode: str
) -> None:
    data = content(session, mode) | {"verification": {"gone": "pass", "left_behind": "pass"}}
    answers = read_answers(write(tmp_path / "a.yaml", data), session.knowledge)
    outcome, events = replay(session, answers)
    assert outcome.turn.step.id == "checks_open"
    assert outcome.turn.state.checks["gone"] == "pass"
    assert {o.check for o in outcome.turn.step.open_checks} >= {"current", "stops_auto"}
    assert "cannot" in outcome.turn.state.checks.values()
    kinds = [e.kind for e in events]
    assert kinds.index("concluded") < kinds.index("repaired") < kinds.index("verified")


def test_a_failed_check_takes_the_search_up_again(
    tmp_path: Path, session: Session, mode: str
) -> None:
    data = content(session, mode) | {"verification": {"gone": "fail"}}
    answers = read_answers(write(tmp_path / "a.yaml", data), session.knowledge)
    outcome, events = replay(session, answers)
    assert outcome.turn.step.kind == "conclusion"
    assert [e.kind for e in events].count("concluded") >= 2
    assert outcome.turn.state.repairs


WRONG: dict[str, tuple[dict[str, Any], str]] = {
    "test": ({"answers": {"no_such_test": "1 V"}}, "there is no test 'no_such_test'"),
    "complaint": ({"complaint": "sings"}, "there is no complaint 'sings'"),
    "variant": ({"variants": {"colour": "red"}}, "'colour' is not a variant"),
    "choice": ({"variants": {"module": "purple"}}, "'purple' is not a choice"),
    "installation": ({"installation": "castle"}, "there is no installation 'castle'"),
    "question": ({"history": {"moon": "full"}}, "there is no question 'moon'"),
    "instrument": ({"instruments": ["spoon"]}, "there is no instrument 'spoon'"),
    "qualification": ({"qualification": "brave"}, "'brave' is not a legal"),
    "meter": ({"meter_category": "cat_v"}, "'cat_v' is not a legal"),
    "check": ({"verification": {"prayer": "pass"}}, "there is no check 'prayer'"),
    "result": ({"verification": {"gone": "maybe"}}, "there is no result 'maybe'"),
    "unit": ({"expect": {"unit": "flux_gate"}}, "there is no unit 'flux_gate'"),
    "expectation": ({"expect": {"colour": "red"}}, "there is no expectation 'colour'"),
    "kind": ({"kind": "legend"}, "'legend' is not a legal 'kind'"),
    "format": ({"format": 2}, "'2' is not a legal 'format'"),
    "key": ({"anwsers": {}}, "unknown key 'anwsers'"),
}


@pytest.mark.parametrize("name", list(WRONG))
def test_what_is_wrong_is_placed(tmp_path: Path, session: Session, mode: str, name: str) -> None:
    change, message = WRONG[name]
    path = write(tmp_path / "a.yaml", content(session, mode) | change)
    with pytest.raises(DiagnoseError) as caught:
        read_answers(path, session.knowledge)
    (line,) = [str(issue) for issue in caught.value.issues]
    place = re.match(rf"{re.escape(str(path))}:(\d+):(\d+): ", line)
    assert place, line
    assert message in line
    assert "(legal: " in line
    (key,) = change
    lines = path.read_text().splitlines()
    start = next(k for k, text in enumerate(lines, 1) if text.startswith(f"{key}:"))
    assert start <= int(place[1]) <= start + 1


def test_a_reading_in_the_wrong_unit_is_placed(tmp_path: Path, session: Session, mode: str) -> None:
    measured = [n for n, t in session.tests.items() if t.spec.unit == "V"]
    assert measured
    data = content(session, mode) | {"answers": {measured[0]: "3 A"}}
    path = write(tmp_path / "a.yaml", data)
    with pytest.raises(DiagnoseError, match=r"a\.yaml:\d+:\d+: .*V is expected"):
        read_answers(path, session.knowledge)


def test_all_that_is_wrong_comes_at_once(tmp_path: Path, session: Session, mode: str) -> None:
    change = {"complaint": "sings", "answers": {"x": "1", "y": "2"}, "qualification": "brave"}
    path = write(tmp_path / "a.yaml", content(session, mode) | change)
    with pytest.raises(DiagnoseError) as caught:
        read_answers(path, session.knowledge)
    assert len(caught.value.issues) == 4


def test_an_impossible_installation_says_why(tmp_path: Path, session: Session, mode: str) -> None:
    conflict = session.installation.type.conflicts[0]
    data = content(session, mode) | {"variants": dict(conflict.when)}
    path = write(tmp_path / "a.yaml", data)
    with pytest.raises(DiagnoseError, match="cannot be built") as caught:
        read_answers(path, session.knowledge)
    assert conflict.reason in str(caught.value)


def test_of_many_legal_ids_the_nearest_are_named() -> None:
    many = [f"rail_{k}" for k in range(ANSWERED)] + ["motor_current"]
    shown = nearest("motor_curent", many)
    assert shown[0] == "motor_current"
    assert shown[-1] == f"… {ANSWERED + 1} in all"
    assert nearest("b", ["a", "c"]) == ("a", "c")
