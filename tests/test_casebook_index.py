"""A folder's index and the quick reader: neither may ever say anything else than the files."""

import os
import pickle
import random
import sqlite3
import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.casebook import index
from diagnose.casebook.counting import count
from diagnose.casebook.files import FileStore
from diagnose.casebook.index import FolderIndex, read_any
from diagnose.casebook.outcomes import outcome_of, read_outcome, written
from diagnose.casebook.quick import quick_case
from diagnose.casebook.store import CaseHeader, summary_of
from diagnose.casebook.text import canonical, case_text, parse_case
from diagnose.errors import DiagnoseError
from diagnose.interview.events import Event, new_event
from tests.wild_cases import made_case

# ---------------------------------------------------------------------- the quick reader


def read_slowly(text: str, stem: str) -> tuple[CaseHeader, list[Event]] | None:
    try:
        header, events = parse_case(text, f"{stem}.yaml")
    except DiagnoseError:
        return None
    return header, [canonical(event) for event in events]


def test_what_the_program_writes_is_read_quickly() -> None:
    chance = random.Random(1)
    for number in range(1, 60):
        case, events = made_case(chance, number)
        text = case_text(case, events)
        quick = quick_case(text, case.id)
        assert quick is not None
        assert repr(quick) == repr(read_slowly(text, case.id))


@pytest.mark.parametrize("seed", range(5))
def test_a_text_that_was_changed_by_hand_is_read_alike_or_not_at_all(seed: int) -> None:
    """Thousands of small changes: where the quick reader answers, it is the reader's answer."""
    chance = random.Random(seed)
    case, events = made_case(chance, 1)
    text = case_text(case, events[:6])
    marks = (*" \n-:#'\"{}[],&*!|>%@`?~\t\r\u2028\x85aZ0.", "'", ": ", " #", "- ", "\n  ", "{}")
    answered = 0
    for _ in range(400):
        place, gone = chance.randrange(len(text)), chance.choice((0, 0, 1, 2, 5))
        changed = text[:place] + chance.choice(marks) + text[place + gone :]
        quick = quick_case(changed, case.id)
        if quick is not None:
            answered += 1
            assert repr(quick) == repr(read_slowly(changed, case.id)), changed
    assert answered > 20


@settings(deadline=None)
@given(
    st.dictionaries(st.text(max_size=8), st.text(max_size=20) | st.lists(st.text(max_size=5))),
    st.text(max_size=12),
)
def test_any_data_are_read_alike_or_not_at_all(data: dict[str, object], site: str) -> None:
    case = CaseHeader("2026-03-01-x", "", site, "k", {"a": site}, "2026-03-01", "d")
    text = case_text(case, [new_event("opened", **{"more": data, "minutes": 2})])
    try:
        text.encode()
    except UnicodeEncodeError:
        return
    quick = quick_case(text, case.id)
    assert quick is None or repr(quick) == repr(read_slowly(text, case.id))


WRONG = {
    "format: 1": "format: 2",
    "kind: opened": "kind: opend",
    "id: 2026": "id: 1999",
    "  data:\n": "  datum:\n",
    "knowledge: d1\n": "",
    "site: Mill": "site:\n  - Mill",
    "    minutes: 2.5": "    minutes: many",
    "    test: rail": "    test: rail\n    test: rail",
    "at: '2026": "at: 'x2026",
    "events:\n": "events: []\n#",
}


@pytest.mark.parametrize("old", WRONG)
def test_what_is_wrong_is_left_to_the_reader_proper(old: str, tmp_path: Path) -> None:
    case = CaseHeader("2026-03-01-x", "", "Mill", "k", {}, "2026-03-01T09:30:00+00:00", "d1")
    opened = Event("e1", "2026-03-01T09:30:00+00:00", "opened", {"title": "", "knowledge": "d0"})
    found = Event("e2", opened.at, "finding", {"test": "rail", "minutes": 2.5})
    text = case_text(case, [opened, found])
    assert quick_case(text, case.id) is not None
    assert old in text
    changed = text.replace(old, WRONG[old], 1)
    assert quick_case(changed, case.id) is None
    path = tmp_path / f"{case.id}.yaml"
    path.write_text(changed, encoding="utf-8")
    with pytest.raises(DiagnoseError) as caught:
        read_any(path)
    assert all(str(issue).startswith(f"{path}:") for issue in caught.value.issues)


# ---------------------------------------------------------------------- the index


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Thirty cases that were written an hour ago."""
    folder = tmp_path / "cases"
    folder.mkdir()
    chance = random.Random(2)
    for number in range(1, 31):
        case, events = made_case(chance, number)
        old(folder / f"{case.id}.yaml", case_text(case, events))
    return folder


def old(path: Path, text: str) -> None:
    """Write a file that looks as if it had been there for an hour."""
    path.write_text(text, encoding="utf-8")
    hour_ago = time.time_ns() - 3600 * 10**9
    os.utime(path, ns=(hour_ago, hour_ago))


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Names of the files that the index reads; time stands still for what was just written."""
    names: list[str] = []
    row = index._row

    def note(folder: Path, name: str) -> object:
        names.append(name)
        return row(folder, name)

    monkeypatch.setattr(index, "_row", note)
    monkeypatch.setattr(index, "RECENT", -(10**12))
    return names


def truth(folder: Path) -> tuple[object, ...]:
    """Headers, summaries and outcomes as read from the files, without the index."""
    told = [parse_case(p.read_text("utf-8"), str(p)) for p in folder.glob("2*.yaml")]
    told = [(h, [canonical(e) for e in events]) for h, events in told]
    told.sort(key=lambda one: one[0].id)
    outcomes = [outcome_of(*one) for one in told]
    return (
        tuple(header for header, _ in told),
        tuple(summary_of(*one) for one in told),
        [outcome for outcome in outcomes if outcome is not None],
    )


def shown(folder: Path, cache: Path) -> tuple[object, ...]:
    index = FolderIndex(folder, "20??-??-??-*.yaml", cache)
    return index.listing().cases, index.overview().cases, list(index.outcomes())


def test_only_what_changed_is_read_again(folder: Path, tmp_path: Path, counted: list[str]) -> None:
    cache = tmp_path / "cache"
    assert shown(folder, cache) == truth(folder)
    assert len(counted) == 30
    counted.clear()
    assert shown(folder, cache) == truth(folder)
    assert not counted
    names = sorted(p.name for p in folder.iterdir())
    FileStore(folder).append(names[3][:-5], new_event("stopped", reason="rain"))
    (folder / names[5]).unlink()
    text = (folder / names[7]).read_text("utf-8").replace("title: ''", "title: changed", 1)
    (folder / names[7]).write_text(text, encoding="utf-8")
    assert shown(folder, cache) == truth(folder)
    assert sorted(counted) == [names[3], names[7]]
    counted.clear()
    assert shown(folder, cache) == truth(folder)
    assert not counted


def test_a_change_that_keeps_size_and_time_is_seen(
    folder: Path, tmp_path: Path, counted: list[str]
) -> None:
    cache = tmp_path / "cache"
    shown(folder, cache)
    path = min(folder.glob("*.yaml"))
    stat = path.stat()
    path.write_text(path.read_text("utf-8").replace("knowledge: d1", "knowledge: d2"), "utf-8")
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    assert path.stat().st_size == stat.st_size
    assert path.stat().st_mtime_ns == stat.st_mtime_ns
    assert shown(folder, cache) == truth(folder)


def test_a_file_of_this_moment_is_not_kept(tmp_path: Path) -> None:
    store, cache = FileStore(tmp_path / "cases"), tmp_path / "cache"
    case = CaseHeader("", "", "A", "k", {"a": "b"}, "2026-03-01T09:30:00+00:00", "d")
    store.create(case, [new_event("opened", site="A")])
    assert shown(store.folder, cache) == truth(store.folder)
    (path,) = cache.glob("cases-*.sqlite")
    with sqlite3.connect(path) as base:
        assert base.execute("select count(*) from cases").fetchone() == (0,)


@pytest.mark.parametrize("harm", ["garbage", "empty", "other_tables", "gone", "no_folder"])
def test_a_spoilt_index_costs_only_time(folder: Path, tmp_path: Path, harm: str) -> None:
    cache = tmp_path / "cache"
    wanted = truth(folder)
    assert shown(folder, cache) == wanted
    (path,) = cache.glob("cases-*.sqlite")
    if harm == "garbage":
        path.write_bytes(b"SQLite format 3\0" + os.urandom(5000))
    elif harm == "empty":
        path.write_bytes(b"")
    elif harm == "other_tables":
        with sqlite3.connect(path) as base:
            base.execute("drop table cases")
            base.execute("create table cases (a, b)")
            base.execute("insert into cases values ('x', 'y')")
    elif harm == "gone":
        path.unlink()
    else:
        path.unlink()
        cache.rmdir()
        cache.write_text("a file where the folder should be")
    assert shown(folder, cache) == wanted
    assert shown(folder, cache) == wanted


class Touching:
    """What a plain unpickler would call: it leaves a file behind."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __reduce__(self) -> tuple[object, tuple[Path]]:
        return Path.touch, (self.path,)


@pytest.mark.parametrize("harm", ["a call", "other", "short", "deep", "nothing"])
def test_a_changed_outcome_is_read_afresh_and_never_run(
    folder: Path, tmp_path: Path, harm: str
) -> None:
    cache, called = tmp_path / "cache", tmp_path / "called"
    wanted = truth(folder)
    assert shown(folder, cache) == wanted
    (path,) = cache.glob("cases-*.sqlite")
    content = {
        "a call": pickle.dumps(Touching(called)),
        "other": '{"case": 1}',
        "short": '["2026"]',
        "deep": "[" * 100_000,
        "nothing": "",
    }[harm]
    with sqlite3.connect(path) as base:
        base.execute("update outcomes set outcome = ?", (content,))
    assert shown(folder, cache) == wanted
    assert not called.exists()


def test_what_cannot_be_read_is_said_each_time(folder: Path, tmp_path: Path) -> None:
    cache = tmp_path / "cache"
    old(folder / "2026-01-01-torn.yaml", "format: 1\nevents: [")
    for _ in range(2):
        found = FolderIndex(folder, "20*.yaml", cache).overview()
        assert len(found.cases) == 30
        assert [issue.code for issue in found.issues] == ["yaml"]


def test_many_files_are_read_by_several_processes(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(index, "MANY", 5)
    monkeypatch.setattr(index, "AT_ONCE", 4)
    assert shown(folder, tmp_path / "cache") == truth(folder)


def test_the_folder_counts_from_its_index(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("DIAGNOSE_CACHE", str(tmp_path / "cache"))
    outcomes = truth(folder)[2]
    assert isinstance(outcomes, list)
    for _ in range(2):
        assert FileStore(folder).counts() == count(outcomes)
    assert [read_outcome(written(outcome)) for outcome in outcomes] == outcomes
    assert read_outcome(written(None)) is None


def test_one_open_case_among_many_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DIAGNOSE_CACHE", str(tmp_path / "cache"))
    store = FileStore(tmp_path / "cases")
    case = CaseHeader("", "", "A", "k", {}, "2026-03-01T09:30:00+00:00", "d")
    names = [store.create(case, [new_event("opened", site="A")]).id for _ in range(30)]
    for k, name in enumerate(names):
        if k != 3:
            store.append(name, new_event("closed", found="ants"))
        os.utime(store.path(name), (k + 1, k + 1))
    assert store.latest() == names[3]


def test_an_index_made_by_other_code_goes(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    cache = tmp_path / "cache"
    shown(folder, cache)
    (before,) = cache.glob("cases-*.sqlite")
    other = tmp_path / "other"
    other.mkdir()
    shown(other, cache)
    monkeypatch.setattr(index, "MADE_BY", index.MADE_BY[1:])
    assert shown(folder, cache) == truth(folder)
    assert not before.exists()
    assert len(list(cache.glob("cases-*.sqlite"))) == 2
