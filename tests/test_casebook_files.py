"""Case files: what is written is read, nothing is lost, and what cannot be read is placed."""

import multiprocessing
import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from diagnose.casebook.files import MOST_LINES, FileStore
from diagnose.casebook.store import CaseHeader, slug, status_of
from diagnose.casebook.stores import chosen_store
from diagnose.casebook.text import case_text, event_text
from diagnose.cli.cases import show_case
from diagnose.errors import DiagnoseError
from diagnose.interview.describing import next_ask
from diagnose.interview.events import Event, new_event
from diagnose.interview.state import replay, variants_of
from diagnose.knowledge.reading import MOST_NODES
from diagnose.plant.compose import compose
from tests.campaigns.kills import run_interview_kills, run_kills, run_set_up_kills
from tests.tiny import tiny

VARIANTS = {"module": "active_low", "drive": "contactor"}


def header(site: str = "Mill Lane 3") -> CaseHeader:
    return CaseHeader("", "", site, "tank_and_sump", VARIANTS, "2026-03-01T09:30:00+00:00", "d1")


def opened() -> Event:
    return new_event("opened", site="Mill Lane 3", installation="tank_and_sump")


def finding(raw: str = "0.2 V") -> Event:
    return new_event(
        "finding", test="rail", raw=raw, outcome="low", sure="no", minutes=2.5, shown={"a.b": 0.5}
    )


@given(raw=st.text(max_size=40))
def test_any_answer_survives_the_file(raw: str) -> None:
    text = raw.encode("utf-8", "replace").decode()
    loaded = yaml.safe_load(event_text(finding(text)))
    assert loaded[0]["data"]["raw"] == text


@pytest.mark.parametrize("raw", ["no", "on", "1.0e9", "1_000", "0x1f", "~", "# 4", "a: b", "µF\n"])
def test_yaml_does_not_turn_an_answer_into_something_else(tmp_path: Path, raw: str) -> None:
    store = FileStore(tmp_path)
    case = store.create(header(), [opened(), finding(raw)])
    assert store.events(case.id)[1].data["raw"] == raw


def test_appending_only_adds_lines_at_the_end(tmp_path: Path) -> None:
    store = FileStore(tmp_path)
    case = store.create(header(), [opened()])
    path = tmp_path / f"{case.id}.yaml"
    for _ in range(3):
        before = path.read_bytes()
        store.append(case.id, finding())
        after = path.read_bytes()
        assert after.startswith(before)
        assert after[len(before) :].startswith(b"- id: ")
    keys = re.findall(r"^(?:- |  )(\w+):", after[len(before) :].decode(), re.MULTILINE)
    assert keys == ["id", "at", "kind", "data"]


def test_a_name_as_part_of_an_id() -> None:
    assert slug("Zum Ölberg/§ 7 ") == "zum-olberg-7"
    assert slug("../../etc") == "etc"


def test_an_edited_file_is_put_in_order_before_it_is_added_to(tmp_path: Path) -> None:
    store = FileStore(tmp_path)
    case = store.create(header(), [opened(), finding("one")])
    path = tmp_path / f"{case.id}.yaml"
    data = yaml.safe_load(path.read_text())
    data["site"] = data.pop("site")  # now behind the events
    path.write_text(yaml.safe_dump(data, sort_keys=False))
    FileStore(tmp_path).append(case.id, finding("two"))
    assert [e.data.get("raw") for e in store.events(case.id)] == [None, "one", "two"]
    assert store.header(case.id).site == "Mill Lane 3"


OLD = """\
# A case of diagnose. Events are added at the end and never changed.
format: 1
id: 2026-03-01-mill-lane-3
title: ''
site: Mill Lane 3
installation: bench
variants:
  second: none
  cell: small
opened: '2026-03-01T09:30:00+00:00'
knowledge: d1
events:
- id: 95b86d0f-a1f0-4b8d-a7f7-fe4a1c7e4c73
  at: '2026-03-01T09:30:00+00:00'
  kind: opened
  data:
    title: ''
    site: Mill Lane 3
    installation: bench
    variants:
      second: none
      cell: small
    instruments:
    - multimeter
    meter_category: cat_iii
    qualification: licensed
    knowledge: d1
- id: 0f0d10ff-7d3c-4bde-8d1c-5b7b4d3bbd8e
  at: '2026-03-01T09:31:00+00:00'
  kind: complaint
  data:
    ids:
    - stays_hot
"""
"""A case as it was written when all of the set-up went into its first event."""


def test_a_case_described_in_one_piece_stays_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "2026-03-01-mill-lane-3.yaml"
    path.write_text(OLD)
    store = FileStore(tmp_path)
    (case,) = store.listing().cases
    events = store.events(case.id)
    assert status_of(events) == "open"
    state = replay(events, {})
    assert state.opened == {**events[0].data}
    assert state.complaints == ("stays_hot",)
    assert variants_of(case.variants, events) == {"second": "none", "cell": "small"}
    kb = tiny()
    assert next_ask(kb, compose(kb, case.installation, case.variants), events) is None
    store.append(case.id, new_event("resumed"))
    assert path.read_text().startswith(OLD)
    assert [e.kind for e in store.events(case.id)] == ["opened", "complaint", "resumed"]


BAD = {
    "kind: opened": ("kind: opend", "'opend' is not a legal 'kind'"),
    "format: 1": ("format: 9", "'9' is not a legal 'format'"),
    "events:\n": ("events: [\n", "not valid YAML"),
    "  at: '20": ("  at: 'x20", "is not a time"),
    "id: 2026": ("id: 1999", "the id must be the file's name"),
    "  data:\n": ("  datum:\n", "unknown key 'datum'"),
}


@pytest.mark.parametrize("old", list(BAD))
def test_an_unreadable_case_is_placed(tmp_path: Path, old: str) -> None:
    new, message = BAD[old]
    store = FileStore(tmp_path)
    case = store.create(header(), [opened()])
    path = tmp_path / f"{case.id}.yaml"
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))
    with pytest.raises(DiagnoseError) as caught:
        store.events(case.id)
    lines = [str(issue) for issue in caught.value.issues]
    assert any(message in line for line in lines), lines
    assert all(re.match(rf"{re.escape(str(path))}:\d+:\d+: ", line) for line in lines), lines
    with pytest.raises(DiagnoseError):
        FileStore(tmp_path).append(case.id, finding())
    listing = store.listing()
    assert not listing.cases
    assert listing.issues


def test_one_unreadable_case_does_not_hide_the_others(tmp_path: Path) -> None:
    store = FileStore(tmp_path)
    good, bad = (store.create(header(), [opened()]).id for _ in range(2))
    (tmp_path / f"{bad}.yaml").write_bytes(b"\xff\xfe")
    (tmp_path / "answers.yaml").write_text("format: 1\n")
    listing = store.listing()
    assert [c.id for c in listing.cases] == [good]
    assert [i.code for i in listing.issues] == ["unreadable"]


def _append_many(folder: str, case: str, count: int) -> None:
    for k in range(count):
        FileStore(Path(folder)).append(case, finding(f"{os.getpid()}-{k}"))


def test_two_processes_lose_nothing(tmp_path: Path) -> None:
    store = FileStore(tmp_path)
    case = store.create(header(), [opened()]).id
    context = multiprocessing.get_context("spawn")
    writers = [
        context.Process(target=_append_many, args=(str(tmp_path), case, 15)) for _ in range(2)
    ]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert [w.exitcode for w in writers] == [0, 0]
    raws = [str(e.data["raw"]) for e in store.events(case)[1:]]
    assert len(raws) == len(set(raws)) == 30


def test_a_killed_writer_loses_no_answer(tmp_path: Path) -> None:
    report = run_kills(tmp_path, rounds=6, seed=1)
    assert (report.kills, report.lost, report.unreadable) == (6, 0, 0)
    assert report.acknowledged > 0


def test_a_kill_during_an_interview_loses_no_answer(tmp_path: Path) -> None:
    report = run_interview_kills(tmp_path, rounds=3, seed=1)
    assert (report.kills, report.lost, report.unreadable) == (3, 0, 0)
    assert report.acknowledged > 3


def test_a_kill_during_the_set_up_loses_no_answer(tmp_path: Path) -> None:
    report = run_set_up_kills(tmp_path, rounds=4, seed=1)
    assert (report.kills, report.lost, report.unreadable) == (4, 0, 0)
    assert report.acknowledged > 4


def test_cases_are_kept_here_or_with_the_user(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    elsewhere = Path(chosen_store())
    assert elsewhere.is_absolute()
    assert elsewhere.name == "cases"
    (tmp_path / "cases").mkdir()
    assert chosen_store() == "cases"


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the zone is the system's")
def test_a_case_is_shown_in_the_time_of_the_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    late = Event("e-1", "2026-03-01T22:30:00+00:00", "opened", {"site": "Mill Lane 3"})
    case = FileStore(tmp_path).create(header(), [late]).id
    monkeypatch.setenv("TZ", "IST-5:30")  # POSIX: half past five hours east of Greenwich
    time.tzset()
    try:
        show_case(case, str(tmp_path), True)
    finally:
        monkeypatch.undo()
        time.tzset()
    shown = capsys.readouterr().out
    assert "2026-03-02 04:00  opened" in shown
    assert "UTC+05:30" in shown


def test_a_store_may_be_configured(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "cases").mkdir()
    file = tmp_path / "conf" / "config.toml"
    file.parent.mkdir()
    monkeypatch.setenv("DIAGNOSE_CONFIG", str(file))
    assert chosen_store() == "cases"
    file.write_text('store = "firm"\n')
    assert chosen_store() == str(file.parent / "firm")
    file.write_text('store = "postgresql+psycopg://me@host/cases"\n')
    assert chosen_store() == "postgresql+psycopg://me@host/cases"
    monkeypatch.setenv("DIAGNOSE_STORE", "elsewhere")
    assert chosen_store() == "elsewhere"
    monkeypatch.delenv("DIAGNOSE_STORE")
    wrong = {
        "stor = 'x'": "unknown key 'stor'",
        "store = '~nobody-here/cases'": "'~nobody-here/cases' is nobody's home",
        "store = 3": "must be text",
        "store": "not TOML",
    }
    for text, said in wrong.items():
        file.write_text(text)
        with pytest.raises(DiagnoseError) as caught:
            chosen_store()
        (issue,) = caught.value.issues
        assert str(issue).startswith(f"{file}:1:1: ")
        assert said in str(issue)


def test_where_a_case_stands() -> None:
    events = [opened()]
    assert status_of(events) == "open"
    events.append(new_event("concluded", status="handed_over"))
    assert status_of(events) == "handed over"
    events.append(new_event("repaired", unit="a", failure_mode="b"))
    assert status_of(events) == "repaired"
    failed = new_event("verified", check="gone", result="fail")
    events.append(failed)
    assert status_of(events) == "verification failed"
    assert status_of([*events, new_event("withdrawn", event=failed.id)]) == "repaired"
    events.append(new_event("closed", found="dirt"))
    assert status_of(events) == "closed"
    assert status_of([*events, new_event("called_back", held="yes")]) == "closed"
    events.append(new_event("called_back", held="no"))
    assert status_of(events) == "reopened"
    events.append(new_event("resumed"))
    assert status_of(events) == "open"


def test_an_event_stands_in_a_file_once(tmp_path: Path) -> None:
    store = FileStore(tmp_path)
    case = store.create(header(), [opened(), finding()])
    path = tmp_path / f"{case.id}.yaml"
    event = finding()
    path.write_text(path.read_text() + 2 * event_text(event))
    with pytest.raises(DiagnoseError) as caught:
        store.events(case.id)
    (issue,) = caught.value.issues
    assert f"the id '{event.id}' stands twice" in str(issue)
    line = 1 + path.read_text().splitlines().index(f"- id: {event.id}", 40)
    assert str(issue).startswith(f"{path}:")
    assert issue.place is not None
    assert issue.place.line >= line


def add(store: FileStore, case: str, times: int) -> None:
    for number in range(times):
        store.append(case, finding(f"{number} V"))


def test_a_full_case_takes_no_answer_that_would_make_it_unreadable(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("diagnose.casebook.files.MOST_LINES", 60)
    store = FileStore(tmp_path)
    case = store.create(header(), [opened()]).id
    with pytest.raises(DiagnoseError, match=r"is full.*close it and go on in a new case"):
        add(store, case, 10)
    kept = [str(e.data["raw"]) for e in store.events(case) if e.kind == "finding"]
    assert kept == [f"{number} V" for number in range(len(kept))]
    assert 2 <= len(kept) < 10
    store.append(case, new_event("closed", found="unknown", confirmed="not_confirmed"))
    assert store.events(case)[-1].kind == "closed"


def test_a_full_case_leaves_room_for_closing_it() -> None:
    answers = [opened(), *(finding(f"{number} V") for number in range(300))]
    took = {event.id: 1.0 for event in answers}
    closed = new_event("closed", found="unknown", confirmed="not_confirmed", took=took)
    for events in (answers, [closed]):
        text = case_text(header(), events)
        root = yaml.compose(text, yaml.CSafeLoader)
        assert root is not None
        assert len(list(walked(root))) <= 3 * text.count("\n")
    assert 3 * MOST_LINES + 3 * MOST_LINES // 4 < MOST_NODES  # a fourth of the lines: all in `took`


def walked(node: yaml.Node) -> Iterator[yaml.Node]:
    yield node
    for child in node.value if isinstance(node, yaml.CollectionNode) else ():
        for one in child if isinstance(child, tuple) else (child,):
            yield from walked(one)


def test_minutes_put_right_are_numbers(tmp_path: Path) -> None:
    store = FileStore(tmp_path)
    found = finding()
    closed = new_event("closed", found="dirt", took={found.id: 12.5}, minutes=3.0)
    case = store.create(header(), [opened(), found, closed])
    read = store.events(case.id)[-1].data
    assert read["took"] == {found.id: 12.5}
    assert isinstance(read["took"][found.id], float)
    path = tmp_path / f"{case.id}.yaml"
    path.write_text(path.read_text().replace(f"{found.id}: 12.5", f"{found.id}: long"))
    with pytest.raises(DiagnoseError, match=r":\d+:\d+: event: '.*' must be a number"):
        store.events(case.id)


def test_starting_up_imports_nothing_heavy() -> None:
    heavy = ("numpy", "scipy", "experta", "rich", "yaml", "sqlalchemy", "psycopg", "alembic")
    code = f"import sys, diagnose.cli; print([m for m in {heavy} if m in sys.modules])"
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert shown.stdout.strip() == "[]"
