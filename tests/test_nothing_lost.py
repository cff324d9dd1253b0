"""Whatever happens to the disk, the clock or the file, an acknowledged answer stays.

A full disk and a folder that cannot be written to are real ones where the tests run as root (a
small tmpfs); elsewhere the system's own error is raised in their place. `WAYS` says which ran.
"""

from __future__ import annotations

import datetime
import errno
import os
import stat
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from diagnose.casebook.files import FileStore
from diagnose.casebook.sitefiles import Site, read_site, save_site
from diagnose.casebook.store import CaseHeader
from diagnose.cli.saving import NOT_SAVED, Recorder
from diagnose.cli.shown import put_file
from diagnose.cli.transcripts import Transcript, read_transcript
from diagnose.errors import DiagnoseError
from diagnose.interview.events import Event, new_event
from diagnose.interview.state import replay
from diagnose.practice.exam_transcript import ExamTranscript, save_transcript
from diagnose.practice.exam_transcript import read_transcript as read_exam
from diagnose.practice.examiner import Plan
from diagnose.practice.progress import Done, append, read_progress
from diagnose.practice.records import Act, Exercise
from tests.tiny import tiny

HEAD = CaseHeader("", "", "Mill Lane 3", "bench", {}, "2026-03-01T09:30:00+00:00", "d1")
WAYS = ("a tmpfs of 64 kB", "the error raised by hand")


def opened() -> Event:
    return new_event("opened", site="Mill Lane 3", installation="bench")


def finding(raw: str) -> Event:
    return new_event("finding", test="feel", raw=raw, outcome="cold", minutes=1.0)


def raws(store: FileStore, case: str) -> list[str]:
    return [str(e.data["raw"]) for e in store.events(case) if e.kind == "finding"]


# ---------------------------------------------------------------------- full or read-only


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path | None]:
    """A disk of 64 kB; None where none can be mounted."""
    place = tmp_path / "disk"
    place.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(place)]
    try:
        mounted = subprocess.run(command, capture_output=True, check=False).returncode == 0
    except OSError:
        mounted = False
    yield place if mounted else None
    if mounted:
        subprocess.run(["umount", "-l", str(place)], check=True)


def refuse(monkeypatch: pytest.MonkeyPatch, number: int) -> None:
    """Let every file that is opened for writing fail with an error of the system."""
    whole = Path.open

    def open_(self: Path, mode: str = "r", *args: Any, **more: Any) -> Any:
        if "r" not in mode:
            raise OSError(number, os.strerror(number))
        return whole(self, mode, *args, **more)

    monkeypatch.setattr(Path, "open", open_)


def test_a_full_disk_loses_no_answer(
    tmp_path: Path,
    small_disk: Path | None,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    record_property: Callable[[str, object], None],
) -> None:
    record_property("way", WAYS[small_disk is None])
    folder = (small_disk or tmp_path) / "cases"
    store = FileStore(folder)
    case = store.create(HEAD, [opened()]).id
    store.append(case, finding("first"))
    ballast = folder.parent / "ballast"
    if small_disk is None:
        refuse(monkeypatch, errno.ENOSPC)
    else:
        with pytest.raises(OSError, match="No space"):
            ballast.write_bytes(bytes(100_000))
    asked: list[str] = []

    def read(prompt: str) -> str:
        assert raws(store, case) == ["first"]
        assert not list(folder.glob(".*.new")) or small_disk is None
        asked.append(prompt)
        if len(asked) == 2:
            monkeypatch.undo()
            ballast.unlink(missing_ok=True)
        return ""

    Recorder(store, case, read)(finding("second"))
    shown = capsys.readouterr().err
    assert shown.count(NOT_SAVED) == 2
    assert "raw: second" in shown
    assert "No space left on device" in shown
    assert "try again" in asked[0]
    assert raws(FileStore(folder), case) == ["first", "second"]


def test_a_full_disk_leaves_the_report_that_was_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What cannot be written whole takes no earlier file's place; a device is written as it is."""
    report, pipe = tmp_path / "report.pdf", tmp_path / "pipe"
    put_file(report, b"the earlier one")

    def full(handle: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(DiagnoseError, match=r"report\.pdf': No space left on device"):
        put_file(report, b"half of the next")
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == {
        "report.pdf": b"the earlier one"
    }
    os.mkfifo(pipe)
    reading = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    put_file(pipe, b"through")
    assert os.read(reading, 20) == b"through"
    os.close(reading)


def test_a_folder_that_cannot_be_written_to_loses_no_answer(
    tmp_path: Path,
    small_disk: Path | None,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    record_property: Callable[[str, object], None],
) -> None:
    record_property("way", WAYS[small_disk is None])
    folder = (small_disk or tmp_path) / "cases"
    case = FileStore(folder).create(HEAD, [opened(), finding("first")]).id
    if small_disk is None:
        refuse(monkeypatch, errno.EROFS)
    else:
        subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    store = FileStore(folder)
    with pytest.raises(DiagnoseError, match="Read-only file system"):
        Recorder(store, case)(finding("second"))
    shown = capsys.readouterr().err
    assert NOT_SAVED in shown
    assert "raw: second" in shown
    assert raws(store, case) == ["first"]
    if small_disk is not None:
        with pytest.raises(DiagnoseError, match="cannot write in"), store.hold(case):
            pass
        with pytest.raises(DiagnoseError, match="Read-only file system"):
            store.create(HEAD, [opened()])
        with pytest.raises(DiagnoseError, match="Read-only file system"):
            save_site(folder / "sites", Site("Mill"))


# ---------------------------------------------------------------------- power cuts


class PowerCut(BaseException):
    """The machine stops here."""


class Disk:
    """Counts the steps that change the disk and stops before one of them.

    What was written and not synchronised is half lost; a rename whose folder was not synchronised
    is remembered.
    """

    def __init__(self, monkeypatch: pytest.MonkeyPatch, stop: int) -> None:
        self.stop = stop
        self.steps = 0
        self.loose: dict[int, Path] = {}
        self.renamed: set[Path] = set()
        opening, replacing, unlinking = Path.open, Path.replace, Path.unlink
        syncing = os.fsync

        def open_(path: Path, mode: str = "r", *args: Any, **more: Any) -> Any:
            if mode[0] == "r":
                return opening(path, mode, *args, **more)
            self.step()
            file = opening(path, mode, *args, **more)
            self.loose[os.fstat(file.fileno()).st_ino] = path
            return file

        def replace_(path: Path, target: Path) -> Path:
            self.step()
            self.renamed.add(target.parent.resolve())
            return replacing(path, target)

        def unlink_(path: Path, missing_ok: bool = False) -> None:
            self.step()
            unlinking(path, missing_ok)

        def sync(handle: int) -> None:
            self.step()
            syncing(handle)
            self.loose.pop(os.fstat(handle).st_ino, None)
            self.renamed.discard(Path(f"/proc/self/fd/{handle}").readlink())

        for owner, name, new in (
            (Path, "open", open_),
            (Path, "replace", replace_),
            (Path, "unlink", unlink_),
            (os, "fsync", sync),
        ):
            monkeypatch.setattr(owner, name, new)

    def step(self) -> None:
        self.steps += 1
        if self.steps == self.stop:
            for path in self.loose.values():
                if path.exists():
                    os.truncate(path, path.stat().st_size // 2)
            raise PowerCut


DONE = Done(
    "2026-03-01", "x", "bench", {}, ("relay.open",), "c", 1, 0, 1.0, 2.0, "solved", 50.0, {}
)  # fmt: skip


def _case(folder: Path) -> tuple[Callable[[str], object], Callable[[], list[str]]]:
    store = FileStore(folder)
    case = store.create(HEAD, [opened()]).id
    return (
        lambda text: FileStore(folder).append(case, finding(text)),
        lambda: raws(FileStore(folder), case),
    )


def _site(folder: Path) -> tuple[Callable[[str], object], Callable[[], list[str]]]:
    said: list[str] = []

    def write(text: str) -> None:
        save_site(folder, Site("Mill", asked=(*said, text)))
        said.append(text)

    return write, lambda: list(read_site(folder / "mill.yaml").asked)


def _progress(folder: Path) -> tuple[Callable[[str], object], Callable[[], list[str]]]:
    from dataclasses import replace

    path = folder / "p.yaml"
    return (
        lambda text: append(path, replace(DONE, exercise=text)),
        lambda: [done.exercise for done in read_progress(path).done],
    )


def _attempt(folder: Path) -> tuple[Callable[[str], object], Callable[[], list[str]]]:
    path = folder / "a.yaml"
    Transcript(path, Exercise("x", "bench", {}, ("a.b",), "c", 1)).begin()
    return (
        lambda text: read_transcript(path).add(Act("look", {"text": text})),
        lambda: [act.data["text"] for act in read_transcript(path).acts],
    )


def _exam(folder: Path) -> tuple[Callable[[str], object], Callable[[], list[str]]]:
    path = folder / "e.yaml"
    said: list[str] = []

    def write(text: str) -> None:
        results = tuple({"text": t} for t in (*said, text))
        plan = Plan("bench", {}, 1, 3, True, 1, "hard", 2.0)
        save_transcript(path, ExamTranscript("A", plan, results=results))
        said.append(text)

    return write, lambda: [result["text"] for result in read_exam(path).results]


WRITERS = {
    "case": _case,
    "site": _site,
    "progress": _progress,
    "attempt": _attempt,
    "exam": _exam,
}


@pytest.mark.skipif(not Path("/proc/self/fd").is_dir(), reason="handles have no names here")
@pytest.mark.parametrize("name", WRITERS)
def test_a_power_cut_at_any_step_leaves_the_old_or_the_new(name: str, tmp_path: Path) -> None:
    stop, whole = 1, False
    while not whole:
        folder = tmp_path / str(stop)
        folder.mkdir()
        write, read = WRITERS[name](folder)
        write("one")
        assert read() == ["one"]
        with pytest.MonkeyPatch.context() as patch:
            disk = Disk(patch, stop)
            try:
                write("two")
                whole = True
            except PowerCut:
                pass
        if whole:  # said to be on file: neither the text nor its name may be in memory only
            assert not disk.loose
            assert not disk.renamed
            assert read() == ["one", "two"]
        assert read() in (["one"], ["one", "two"])
        write("three")
        assert read() in (["one", "three"], ["one", "two", "three"])
        stop += 1
    assert stop > 5


# ---------------------------------------------------------------------- the clock, and hands


def test_a_clock_that_jumps_back_loses_nothing(tmp_path: Path) -> None:
    store = FileStore(tmp_path)
    case = store.create(HEAD, [opened()]).id
    at = datetime.datetime(2026, 3, 1, 9, 30, tzinfo=datetime.UTC)
    for number, days in enumerate((0, 400, -4000, 1, -1)):
        event = finding(str(number))
        moved = (at + datetime.timedelta(days=days)).isoformat()
        store.append(case, Event(event.id, moved, event.kind, event.data))
        stamp = (at + datetime.timedelta(days=days)).timestamp()
        os.utime(tmp_path / f"{case}.yaml", (stamp, stamp))
        assert [c.id for c in store.overview().cases] == [case]
    assert raws(store, case) == list("01234")
    assert [f.raw for f in replay(store.events(case), {}).findings] == list("01234")
    assert FileStore(tmp_path).latest() == case
    again = store.create(HEAD, [opened()]).id  # on the same day once more: no id is taken twice
    assert again != case


def test_a_file_spoilt_by_hand_between_two_answers_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = FileStore(tmp_path)
    case = store.create(HEAD, [opened(), finding("first")]).id
    path = tmp_path / f"{case}.yaml"
    store.append(case, finding("second"))
    right = path.read_text()
    path.write_text(right.replace("raw: first", "raw: first put right"))
    store.append(case, finding("third"))
    assert raws(store, case) == ["first put right", "second", "third"]
    right = path.read_text()
    spoilt = {
        "broken": right.replace("events:", "events: ["),
        "emptied": "",
        "a key twice": right + "id: x\n",
    }
    for number, text in enumerate(spoilt.values(), 4):
        path.write_text(text)

        def read(prompt: str, right: str = right) -> str:
            assert path.read_text() != right  # untouched while nobody has put it right
            path.write_text(right)
            return ""

        Recorder(store, case, read)(finding(str(number)))
        shown = capsys.readouterr().err
        assert NOT_SAVED in shown
        assert f"raw: '{number}'" in shown
        assert f"{path}:" in shown
        right = path.read_text()
    path.unlink()
    with pytest.raises(DiagnoseError, match="there is no case"):
        Recorder(store, case)(finding("last"))
    assert "raw: last" in capsys.readouterr().err
    path.write_text(right)
    assert raws(store, case) == ["first put right", "second", "third", "4", "5", "6"]


# ---------------------------------------------------------------------- links and odd files


def test_links_and_pipes_in_the_folder(tmp_path: Path) -> None:
    share, folder = tmp_path / "share", tmp_path / "cases"
    shared = FileStore(share)
    case = shared.create(HEAD, [opened()]).id
    folder.mkdir()
    (folder / f"{case}.yaml").symlink_to(share / f"{case}.yaml")
    store = FileStore(folder)
    store.append(case, finding("through the link"))
    assert (folder / f"{case}.yaml").is_symlink()
    assert raws(shared, case) == raws(store, case) == ["through the link"]
    victim = tmp_path / "victim"
    victim.write_text("mine")
    (folder / f".{case}.yaml.new").symlink_to(victim)
    (share / f".{case}.yaml.new").symlink_to(victim)
    store.append(case, finding("past a trap"))
    assert victim.read_text() == "mine"
    assert raws(shared, case) == ["through the link", "past a trap"]
    os.mkfifo(folder / "2026-01-01-pipe.yaml")
    (folder / "2026-01-02-nowhere.yaml").symlink_to(folder / "none")
    (folder / "2026-01-03-ring.yaml").symlink_to(folder / "2026-01-03-ring.yaml")
    (folder / "2026-01-04-folder.yaml").mkdir()
    found = store.overview()
    assert [c.id for c in found.cases] == [case]
    assert len(found.issues) == 4
    assert store.latest() == case
    for name in ("../share/" + case, "/etc/passwd", "a" * 5000, "a\0b", "..", ""):
        with pytest.raises(DiagnoseError, match="there is no case"):
            store.events(name)


def test_a_file_keeps_its_link_and_who_may_read_it(tmp_path: Path) -> None:
    own, link = tmp_path / "share" / "mine.yaml", tmp_path / "progress.yaml"
    append(own, DONE)
    own.chmod(0o600)
    link.symlink_to(own)
    append(link, replace(DONE, seed=2))
    assert link.is_symlink()
    assert len(read_progress(own).done) == 2
    assert own.stat().st_mode & 0o777 == 0o600
    case = FileStore(tmp_path).create(HEAD, [opened()]).id
    (tmp_path / f"{case}.yaml").chmod(0o640)
    FileStore(tmp_path).append(case, finding("kept apart"))
    assert (tmp_path / f"{case}.yaml").stat().st_mode & 0o777 == 0o640


@pytest.mark.parametrize(
    ("number", "safe"), [(errno.EINVAL, True), (errno.ENOTSUP, True), (errno.EIO, False)]
)
def test_folders_that_cannot_be_synchronised(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, safe: bool
) -> None:
    """POSIX: fsync fails with EINVAL where it does not support this kind of file (recalled)."""
    syncing = os.fsync

    def sync(handle: int) -> None:
        if stat.S_ISDIR(os.fstat(handle).st_mode):
            raise OSError(number, os.strerror(number))
        syncing(handle)

    monkeypatch.setattr(os, "fsync", sync)
    if not safe:
        with pytest.raises(DiagnoseError, match="cannot write"):
            FileStore(tmp_path).create(HEAD, [opened()])
        return
    case = FileStore(tmp_path).create(HEAD, [opened()]).id
    FileStore(tmp_path).append(case, finding("on a share"))
    assert raws(FileStore(tmp_path), case) == ["on a share"]


def test_no_name_of_a_site_leads_out_of_the_folder(tmp_path: Path) -> None:
    folder = tmp_path / "cases"
    for site in (
        "../../etc/cron",
        "/etc/passwd",
        "..",
        "a\0b",
        "'; drop table cases; --",
        "x" * 999,
    ):
        from dataclasses import replace

        case = FileStore(folder).create(replace(HEAD, site=site), [opened()])
        assert (folder / f"{case.id}.yaml").parent.resolve() == folder.resolve()
        assert FileStore(folder).header(case.id).site == site
        if not Site(site).key:
            with pytest.raises(DiagnoseError, match="no letter or digit"):
                save_site(folder / "sites", Site(site))
            continue
        path = save_site(folder / "sites", Site(site))
        assert path.resolve().parent == (folder / "sites").resolve()
        assert read_site(path, tiny()).name == site
