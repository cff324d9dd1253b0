"""Cases as a folder of YAML files, one per case.

A case file is replaced whole, never written in place: the new text (the old bytes and the new
event behind them) goes to a temporary file, which is synchronised and renamed over the old one,
and the folder is synchronised. A kill at any moment leaves the old file or the new one.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import yaml

from diagnose.casebook.store import FORMAT, CaseHeader, Listing, check_time, new_id
from diagnose.errors import DiagnoseError, Issue, Place, fail
from diagnose.interview.events import KINDS, Event
from diagnose.knowledge.reading import Mapping as Node
from diagnose.knowledge.reading import Reader, Text, read_yaml
from diagnose.knowledge.reading import Sequence as ListNode

if TYPE_CHECKING:
    from filelock import FileLock

PATTERN = "[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]-*.yaml"
NUMBERS = ("minutes", "probability", "own", "walk")
"""Keys of an event's data that hold a number; everything else is text."""
PATIENCE = 20.0
"""Seconds to wait for another program that is writing."""
HEAD = "# A case of diagnose. Events are added at the end and never changed.\n"


def default_store() -> Path:
    """``./cases`` where it exists, else the user's data folder."""
    here = Path("cases")
    if here.is_dir():
        return here
    import platformdirs

    return Path(platformdirs.user_data_dir("diagnose", appauthor=False)) / "cases"


class _Dumper(yaml.SafeDumper):
    """Writes every text that is not plainly printable in double quotes, with escapes."""


def _text(dumper: yaml.SafeDumper, value: str) -> yaml.ScalarNode:
    style = None if value.isprintable() else '"'
    return dumper.represent_scalar("tag:yaml.org,2002:str", value, style)


_Dumper.add_representer(str, _text)


def _dump(data: Any) -> str:
    return str(
        yaml.dump(
            _plain(data),
            Dumper=_Dumper,
            sort_keys=False,
            allow_unicode=True,
            default_flow_style=False,
            width=96,
        )
    )


def _plain(value: Any) -> Any:
    """The value in types that YAML knows; texts lose their places."""
    if isinstance(value, str):
        return str(value)
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, Sequence):
        return [_plain(v) for v in value]
    return value


def event_text(event: Event) -> str:
    """One event as it stands in the file."""
    return _dump([{"id": event.id, "at": event.at, "kind": event.kind, "data": event.data}])


def header_text(case: CaseHeader) -> str:
    """The part of the file above the events."""
    head = {
        "format": int(FORMAT),
        "id": case.id,
        "title": case.title,
        "site": case.site,
        "installation": case.installation,
        "variants": case.variants,
        "opened": case.opened,
        "knowledge": case.knowledge,
    }
    return HEAD + _dump(head) + "events:\n"


class FileStore:
    """A `CaseStore` in a folder, which is made when the first case is filed."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._locks: dict[str, FileLock] = {}
        self._written: dict[str, bytes] = {}

    def path(self, case_id: str) -> Path:
        """The file of a case.

        Raises
        ------
        DiagnoseError
            There is no such case.
        """
        path = self.folder / f"{case_id}.yaml"
        if path.parent != self.folder or not path.is_file():
            known = [p.stem for p in self._files()][-8:]
            raise fail("unknown-id", f"there is no case '{case_id}' in {self.folder}", None, known)
        return path

    def where(self, case_id: str) -> str:
        """See `CaseStore.where`."""
        return str(self.path(case_id))

    def _files(self) -> list[Path]:
        return sorted(self.folder.glob(PATTERN))

    def _lock(self, name: str) -> FileLock:
        if name not in self._locks:
            from filelock import FileLock  # only here: reading needs none, and it imports much

            self._locks[name] = FileLock(self.folder / f".{name}.lock", timeout=PATIENCE)
        return self._locks[name]

    @contextmanager
    def _writing(self, name: str) -> Iterator[None]:
        try:
            with self._lock(name):
                yield
        except TimeoutError as error:
            raise fail("busy", f"another program is writing to '{name}'") from error

    @contextmanager
    def hold(self, case_id: str) -> Iterator[None]:
        """See `CaseStore.hold`."""
        self.path(case_id)
        lock = self._lock(case_id)
        try:
            lock.acquire(timeout=0)
        except TimeoutError as error:
            raise fail("busy", f"the case '{case_id}' is open in another program") from error
        try:
            yield
        finally:
            lock.release()

    def create(self, case: CaseHeader, events: Sequence[Event]) -> CaseHeader:
        """See `CaseStore.create`."""
        if not events:
            raise ValueError("a case starts with at least one event")
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise fail("unwritable", f"cannot make '{self.folder}': {error.strerror}") from error
        with self._writing("new"):
            number = 1
            while (self.folder / f"{new_id(case, number)}.yaml").exists():
                number += 1
            case = replace(case, id=new_id(case, number))
            text = header_text(case) + "".join(event_text(e) for e in events)
            self._replace(self.folder / f"{case.id}.yaml", text.encode())
        return case

    def append(self, case_id: str, event: Event) -> None:
        """See `CaseStore.append`."""
        path = self.path(case_id)
        with self._writing(case_id):
            old = path.read_bytes()
            if self._written.get(case_id) != old:
                old = _canonical(path, old)
            new = old + event_text(event).encode()
            self._replace(path, new)
            self._written[case_id] = new

    def _replace(self, path: Path, data: bytes) -> None:
        temporary = path.with_name(f".{path.name}.new")
        try:
            with temporary.open("wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            temporary.replace(path)
            _sync_folder(path.parent)
        except OSError as error:
            raise fail("unwritable", f"cannot write '{path}': {error.strerror}") from error

    def header(self, case_id: str) -> CaseHeader:
        """See `CaseStore.header`."""
        return _read(self.path(case_id))[0]

    def events(self, case_id: str) -> list[Event]:
        """See `CaseStore.events`."""
        return _read(self.path(case_id))[1]

    def listing(self) -> Listing:
        """See `CaseStore.listing`."""
        cases: list[CaseHeader] = []
        issues: list[Issue] = []
        for path in self._files():
            try:
                cases.append(_read(path)[0])
            except DiagnoseError as error:
                issues += error.issues
        return Listing(tuple(cases), tuple(issues))

    def latest(self) -> str:
        """See `CaseStore.latest`."""
        for path in sorted(self._files(), key=lambda p: (-p.stat().st_mtime_ns, p.name)):
            if all(event.kind != "closed" for event in _read(path)[1]):
                return path.stem
        raise fail("no-case", f"there is no open case in {self.folder}")


def _canonical(path: Path, data: bytes) -> bytes:
    """The file's bytes, laid out so that an event can be added; unchanged where it already is.

    Somebody may have edited the file by hand, so that text added at its end would not be read
    as the next event.
    """
    header, events = _read(path)
    if data.endswith(event_text(events[-1]).encode()):
        return data
    return (header_text(header) + "".join(event_text(e) for e in events)).encode()


def _sync_folder(folder: Path) -> None:
    """Put a rename on disk, where the system can synchronise a folder."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:  # not possible on some systems
        return
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _read(path: Path) -> tuple[CaseHeader, list[Event]]:
    tree = read_yaml(path)
    issues: list[Issue] = []
    reader = Reader(tree, issues, "case")
    reader.choice("format", (FORMAT,))
    variants = reader.text_map("variants")
    header = CaseHeader(
        id=reader.text("id"),
        title=reader.text("title", ""),
        site=reader.text("site", ""),
        installation=reader.text("installation"),
        variants=variants,
        opened=reader.text("opened"),
        knowledge=reader.text("knowledge"),
    )
    if header.id != path.stem:
        reader.problem(f"the id must be the file's name, '{path.stem}'", "id")
    events = [_event(node, issues) for node in reader.children("events")]
    if not events:
        reader.problem("'events' is missing or empty", "events")
    reader.done()
    if issues:
        raise DiagnoseError(issues)
    return header, events


def _event(node: Any, issues: list[Issue]) -> Event:
    reader = Reader(node, issues, "event")
    event = Event(
        id=reader.text("id"),
        at=reader.text("at"),
        kind=reader.choice("kind", KINDS),
        data={k: _value(k, v, issues) for k, v in reader.mapping("data").items()},
    )
    try:
        check_time(event.at)
    except DiagnoseError as error:
        issues.extend(error.issues)
    reader.done()
    return event


def _value(key: str, value: Any, issues: list[Issue]) -> Any:
    """An event's value: numbers where the key says so, else text, lists and mappings."""
    if isinstance(value, Text):
        if key not in NUMBERS:
            return value
        try:
            return float(value)
        except ValueError:
            place: Place | None = value.place
            issues.append(Issue("error", "structure", f"event: '{key}' must be a number", place))
            return 0.0
    if isinstance(value, Node):
        return {str(k): _value(k, v, issues) for k, v in value.items()}
    if isinstance(value, ListNode):
        return [_value("", v, issues) for v in value]
    return value
