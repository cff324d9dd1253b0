"""Cases as a folder of YAML files, one per case.

A case file is replaced whole, never written in place: the new text (the old bytes and the new
event behind them) goes to a temporary file, which is synchronised and renamed over the old one,
and the folder is synchronised. A kill at any moment leaves the old file or the new one.
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from fnmatch import translate
from pathlib import Path
from typing import TYPE_CHECKING
from weakref import WeakValueDictionary

from diagnose.casebook.store import (
    CaseHeader,
    Listing,
    Overview,
    first_free,
    missing,
    new_id,
    same_event,
)
from diagnose.casebook.text import (
    canonical,
    case_text,
    decoded,
    event_text,
    parse_case,
    read_case,
)
from diagnose.errors import DiagnoseError, Issue, fail
from diagnose.interview.events import Event
from diagnose.interview.state import is_closed
from diagnose.keeping import write_whole
from diagnose.knowledge.reading import LARGEST, MOST_NODES, read_bytes

if TYPE_CHECKING:
    from filelock import FileLock

    from diagnose.casebook.counting import Counts
    from diagnose.casebook.index import FolderIndex
    from diagnose.casebook.outcomes import Outcome

PATTERN = "[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]-*.yaml"
LOOKED_AT = 20
"""Cases that are read in search of an open one before the index is asked."""
MOST_LINES = MOST_NODES // 4
"""Lines of a case that takes answers: a line holds three values at most, and closing needs room."""
MOST_BYTES = LARGEST * 9 // 10
"""Bytes of a case that takes answers."""
ENDING = frozenset({"stopped", "closed", "called_back"})
"""Events that a full case still takes."""
PATIENCE = 20.0
"""Seconds to wait for another program that is writing."""


class FileStore:
    """A `CaseStore` in a folder, which is made when the first case is filed."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._locks: WeakValueDictionary[str, FileLock] = WeakValueDictionary()
        self._written: tuple[str, bytes] | None = None
        self._kept_index: FolderIndex | None = None

    @property
    def name(self) -> str:
        """See `CaseStore.name`."""
        return str(self.folder)

    def path(self, case_id: str) -> Path:
        """The file of a case.

        Raises
        ------
        DiagnoseError
            There is no such case.
        """
        path = self.folder / f"{case_id}.yaml"
        if path.parent != self.folder or not is_file(path):
            known = [p.stem for p in self._files()][-8:]
            raise fail("unknown-id", f"there is no case '{case_id}' in {self.folder}", None, known)
        return path

    def where(self, case_id: str) -> str:
        """See `CaseStore.where`."""
        return str(self.path(case_id))

    def _files(self) -> list[Path]:
        return sorted(self.folder.glob(PATTERN))

    def _lock(self, name: str) -> FileLock:
        lock = self._locks.get(name)
        if lock is None:
            from filelock import FileLock  # only here: reading needs none, and it imports much

            lock = FileLock(self.folder / f".{name}.lock", timeout=PATIENCE)
            self._locks[name] = lock
        return lock

    @contextmanager
    def _writing(self, name: str) -> Iterator[None]:
        try:
            with self._lock(name):
                yield
        except TimeoutError as error:
            raise fail("busy", f"another program is writing to '{name}'") from error
        except OSError as error:
            raise self._unwritable(error) from error

    @contextmanager
    def hold(self, case_id: str) -> Iterator[None]:
        """See `CaseStore.hold`."""
        self.path(case_id)
        lock = self._lock(case_id)
        try:
            lock.acquire(timeout=0)
        except TimeoutError as error:
            raise fail("busy", f"the case '{case_id}' is open in another program") from error
        except OSError as error:
            raise self._unwritable(error) from error
        try:
            yield
        finally:
            lock.release()

    def _unwritable(self, error: OSError) -> DiagnoseError:
        return fail("unwritable", f"cannot write in '{self.folder}': {error.strerror}")

    def create(self, case: CaseHeader, events: Sequence[Event]) -> CaseHeader:
        """See `CaseStore.create`."""
        if not events:
            raise ValueError("a case starts with at least one event")
        self._make_folder()
        with self._writing("new"):
            number = first_free(lambda n: (self.folder / f"{new_id(case, n)}.yaml").exists())
            case = replace(case, id=new_id(case, number))
            self._replace(self.folder / f"{case.id}.yaml", case_text(case, events).encode())
        return case

    def append(self, case_id: str, event: Event) -> None:
        """See `CaseStore.append`."""
        path = self.path(case_id)
        with self._writing(case_id):
            old = self._in_order(path)
            if f"- id: {event.id}\n".encode() in old:
                known = [
                    e for e in parse_case(decoded(old, path), str(path))[1] if e.id == event.id
                ]
                if known and same_event(known[0], canonical(event)):
                    return
                if known:
                    raise fail("conflict", f"{path} has another event with the id {event.id}")
            self._add(path, old, [event])

    def put(self, case: CaseHeader, events: Sequence[Event]) -> int:
        """See `CaseStore.put`."""
        path = self.folder / f"{case.id}.yaml"
        if path.parent != self.folder or not path.match(PATTERN):
            raise fail("structure", f"'{case.id}' is no id of a case: YYYY-MM-DD-name")
        self._make_folder()
        events = [canonical(event) for event in events]
        with self._writing("new"):
            if not path.exists():
                self._replace(path, case_text(case, events).encode())
                return len(events)
        with self._writing(case.id):
            old = self._in_order(path)
            new = missing(case, events, *parse_case(decoded(old, path), str(path)), self.name)
            if new:
                self._add(path, old, new)
        return len(new)

    def _in_order(self, path: Path) -> bytes:
        """The file's bytes, laid out so that an event can be added at the end."""
        data = read_bytes(path)
        return data if self._written == (path.stem, data) else _canonical(path, data)

    def _add(self, path: Path, old: bytes, events: Sequence[Event]) -> None:
        new = old + "".join(event_text(event) for event in events).encode()
        full = new.count(b"\n") > MOST_LINES or len(new) > MOST_BYTES
        if full and not ENDING.issuperset(event.kind for event in events):
            message = f"{path} is full: with more answers it could not be read any more"
            legal = ("close it and go on in a new case",)
            raise fail("size", message, None, legal)
        self._replace(path, new)
        self._written = path.stem, new

    def _make_folder(self) -> None:
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise fail("unwritable", f"cannot make '{self.folder}': {error.strerror}") from error

    def _replace(self, path: Path, data: bytes) -> None:
        write_whole(path, data)

    def header(self, case_id: str) -> CaseHeader:
        """See `CaseStore.header`."""
        return read_case(self.path(case_id))[0]

    def events(self, case_id: str) -> list[Event]:
        """See `CaseStore.events`."""
        return read_case(self.path(case_id))[1]

    @property
    def index(self) -> FolderIndex:
        """What is known of the files without reading them again."""
        if self._kept_index is None:
            from diagnose.casebook.index import FolderIndex  # only here: leading a case needs none

            self._kept_index = FolderIndex(self.folder, PATTERN)
        return self._kept_index

    def listing(self) -> Listing:
        """See `CaseStore.listing`."""
        return self.index.listing()

    def overview(self) -> Overview:
        """See `CaseStore.overview`."""
        return self.index.overview()

    def outcomes(self, latest: int | None = None) -> Iterator[Outcome]:
        """See `CaseStore.outcomes`; all of them, whatever is asked for."""
        return self.index.outcomes()

    def unreadable(self) -> tuple[Issue, ...]:
        """See `CaseStore.unreadable`."""
        return self.overview().issues

    def counts(self) -> Counts:
        """See `CaseStore.counts`."""
        from diagnose.casebook.counting import count

        return count(self.outcomes())

    def latest(self) -> str:
        """See `CaseStore.latest`."""
        closed: set[str] = set()
        written = ((_written(entry), entry.name) for entry in entries(self.folder, PATTERN))
        newest = sorted((-at, name) for at, name in written if at is not None)
        for number, (_, name) in enumerate(newest):
            path = self.folder / name
            if number == LOOKED_AT:
                closed = {c.id for c in self.overview().cases if c.status == "closed"}
            if path.stem not in closed and not is_closed(read_case(path)[1]):
                return path.stem
        raise fail("no-case", f"there is no open case in {self.folder}")


def entries(folder: Path, pattern: str) -> list[os.DirEntry[str]]:
    """The files of a folder whose names fit a pattern, listed once; none where there is no folder.

    Raises
    ------
    OSError
        The folder cannot be read.
    """
    fits = re.compile(translate(pattern)).match
    try:
        with os.scandir(folder) as found:
            return [entry for entry in found if fits(entry.name)]
    except FileNotFoundError:
        return []


def _written(entry: os.DirEntry[str]) -> int | None:
    """When a file was written to, in nanoseconds; None for a link to nothing, a pipe, a folder."""
    try:
        told = entry.stat()
    except OSError:
        return None
    return told.st_mtime_ns if stat.S_ISREG(told.st_mode) else None


def is_file(path: Path) -> bool:
    """Whether there is such a file; a name that no file can have names none."""
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def _canonical(path: Path, data: bytes) -> bytes:
    """The file's bytes, laid out so that an event can be added; unchanged where it already is.

    Somebody may have edited the file by hand, so that text added at its end would not be read
    as the next event.
    """
    header, events = parse_case(decoded(data, path), str(path))
    if data.endswith(event_text(events[-1]).encode()):
        return data
    return case_text(header, events).encode()
