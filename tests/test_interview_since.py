"""Cases made with other knowledge: they replay, and say what has changed since.

``tests/data/older`` holds a case as the program wrote it before cases kept the version of the
knowledge and the digests of what they use; its site and readings are invented.
"""

from __future__ import annotations

import io
import shutil
from collections.abc import Sequence
from pathlib import Path

import pytest

from diagnose.casebook.answers import Scripted, read_answers
from diagnose.casebook.files import FileStore
from diagnose.casebook.text import case_text, parse_case, read_case
from diagnose.cli import main
from diagnose.errors import DiagnoseError
from diagnose.interview.account import account
from diagnose.interview.drive import drive
from diagnose.interview.events import Event
from diagnose.interview.session import Session
from diagnose.interview.since import changed_since, record_digest
from diagnose.knowledge.load import load_knowledge
from diagnose.plant.cache import matrix_for
from diagnose.plant.compose import compose
from tests.tiny import TINY, copy_tiny, edit, tiny

(OLDER,) = (TINY.parent / "older").iterdir()
NOT_RECORDED = "What changed was not yet recorded"
ANSWERS = """\
format: 1
kind: script
title: A bench that stays cold
site: Mill Lane 3
installation: bench
variants: {}
complaint: [stays_cold]
instruments: [multimeter]
qualification: licensed
answers: {battery_volts: 12.1 V, coil_ohms: OL, feel: cold}
verification: {gone: pass}
"""


def session_on(folder: Path) -> Session:
    kb = load_knowledge(folder)
    bench = compose(kb, "bench")
    return Session(kb, bench, matrix_for(kb, bench))


def readings(session: Session, events: Sequence[Event]) -> list[tuple[str, str]]:
    return [(r.title, r.raw) for r in account(session, events).readings]


def without_coil_ohms(folder: Path) -> Path:
    """The test is gone: another one has taken its place."""
    edit(folder, "tests/bench.yaml", "id: coil_ohms", "id: coil_resistance")
    return folder


def test_an_older_case_replays_and_says_that_it_is_one() -> None:
    header, events = read_case(OLDER)
    session = session_on(TINY)
    said = changed_since(session, header.knowledge, events)
    assert said.startswith("The knowledge base has changed since")
    assert NOT_RECORDED in said
    assert "\n" not in said
    assert "No longer known" not in said
    state = session.turn(events).state
    assert [(f.test, f.raw) for f in state.findings] == [
        ("battery_volts", "12.1 V"),
        ("coil_ohms", "OL"),
    ]
    assert state.repairs == [("relay", "coil_open")]
    assert account(session, events).weighed == ""


def test_the_answer_to_a_test_that_is_gone_is_kept_and_counts_for_nothing(tmp_path: Path) -> None:
    header, events = read_case(OLDER)
    session = session_on(without_coil_ohms(copy_tiny(tmp_path)))
    said = changed_since(session, header.knowledge, events)
    assert "No longer known, kept as answered: coil_ohms." in said
    assert [f.test for f in session.turn(events).state.findings] == ["battery_volts"]
    assert ("coil_ohms (no longer known)", "OL") in readings(session, events)
    assert account(session, events).weighed == ""
    again = parse_case(case_text(header, events), f"{header.id}.yaml")[1]
    assert [e.data["raw"] for e in again if e.kind == "finding"] == ["12.1 V", "OL"]


def test_an_outcome_or_a_complaint_that_is_gone(tmp_path: Path) -> None:
    folder = copy_tiny(tmp_path)
    before = "title: 50 ohm to 1 kohm}\n      - {id: "
    edit(folder, "tests/bench.yaml", f"{before}open", f"{before}endless")
    edit(folder, "complaints.yaml", "id: stays_cold", "id: never_warms")
    header, events = read_case(OLDER)
    session = session_on(folder)
    said = changed_since(session, header.knowledge, events)
    assert "No longer known, kept as answered: stays_cold, coil_ohms." in said
    state = session.turn(events).state
    assert state.complaints == ()
    assert [f.test for f in state.findings] == ["battery_volts"]
    assert account(session, events).weighed == ""


def test_what_a_hand_wrote_and_nobody_knows_is_said_with_the_same_knowledge() -> None:
    header, events = read_case(OLDER)
    session = session_on(TINY)
    digest = session.knowledge.digest
    assert changed_since(session, digest, events) == ""
    text = case_text(header, events).replace("outcome: open", "outcome: opne")
    events = parse_case(text, f"{header.id}.yaml")[1]
    said = "No longer known, kept as answered: coil_ohms."
    assert changed_since(session, digest, events) == said


def test_what_a_case_used_is_named_when_it_changes(tmp_path: Path) -> None:
    script = tmp_path / "a.yaml"
    script.write_text(ANSWERS)
    kb = tiny()
    answers = read_answers(script, kb)
    session = session_on(TINY)
    events = [answers.opened(kb)]
    drive(session, events, Scripted(answers, kb))
    assert changed_since(session, kb.digest, events) == ""
    kept = {name for e in events for name in e.data.get("of", {})}
    assert {"stays_cold", "worked_before", "battery_volts", "coil_ohms"} <= kept
    assert "relay.coil_open" in kept

    folder = copy_tiny(tmp_path)
    edit(folder, "knowledge.yaml", "version: 1.0.0", "version: 1.1.0")
    edit(folder, "tests/bench.yaml", "below: 6 V, title: below 6 V", "below: 7 V, title: below 7 V")
    edit(folder, "tests/bench.yaml", "title: Does it stay warm", "title: Is it still warm")
    edit(folder, "rules/order.yaml", "title: Smoke stops the work", "title: Smoke ends the work")
    said = changed_since(session_on(folder), kb.digest, events)
    assert "Version 1.0.0 then, 1.1.0 now." in said
    assert "Changed of what this case used: battery_volts." in said  # feel_released was not used
    assert "Files changed: knowledge, rules, tests." in said
    assert NOT_RECORDED not in said
    assert "No longer known" not in said
    edit(folder, "knowledge.yaml", "version: 1.1.0", "version: 1.0.0")
    said = changed_since(session_on(folder), kb.digest, events)
    assert "Version" not in said  # the same on both sides tells nothing
    assert "Changed of what this case used: battery_volts." in said


def test_a_digest_is_of_what_a_record_says_and_not_of_where_it_stands(tmp_path: Path) -> None:
    folder = copy_tiny(tmp_path)
    path = folder / "tests" / "bench.yaml"
    path.write_text("# one line more\n" + path.read_text())
    before, after = (kb.tests["battery_volts"] for kb in (tiny(), load_knowledge(folder)))
    assert before.place != after.place
    assert record_digest(before) == record_digest(after)
    edit(folder, "tests/bench.yaml", "Measure across {here.cell}.", "Measure it.")
    assert record_digest(load_knowledge(folder).tests["battery_volts"]) != record_digest(before)


@pytest.mark.parametrize("verb", ["callout", "report"])
def test_the_commands_say_it(
    verb: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    store = tmp_path / "cases"
    store.mkdir()
    shutil.copy(OLDER, store)
    folder = without_coil_ohms(copy_tiny(tmp_path))
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    words = ["callout", "--resume", OLDER.stem] if verb == "callout" else ["report", OLDER.stem]
    words += ["--store", str(store), "--knowledge", str(folder)]
    words += ["--format", "text"] if verb == "report" else []
    with pytest.raises(SystemExit) as stop:
        main(words)
    assert stop.value.code in (None, 0, 130)
    said = " ".join(capsys.readouterr().out.split())
    assert "No longer known, kept as answered: coil_ohms." in said
    assert NOT_RECORDED in said
    raws = [e.data["raw"] for e in FileStore(store).events(OLDER.stem) if e.kind == "finding"]
    assert raws == ["12.1 V", "OL"]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("format: 1", "format: 2", "knowledge.yaml:2:9: knowledge: '2' is not a legal 'format'"),
        ("1.0.0", "one", "knowledge.yaml:3:10: knowledge: 'one' is no version"),
        ("1.0.0", "1.0", "knowledge.yaml:3:10: knowledge: '1.0' is no version"),
    ],
)
def test_a_format_that_is_not_read_and_a_version_that_is_none(
    old: str, new: str, said: str, tmp_path: Path
) -> None:
    folder = copy_tiny(tmp_path)
    edit(folder, "knowledge.yaml", old, new)
    with pytest.raises(DiagnoseError) as caught:
        load_knowledge(folder)
    assert said in str(caught.value)
