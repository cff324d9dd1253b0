"""A case as YAML text: how it is written, and how it is read with every mistake placed."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from diagnose.casebook.store import FORMAT, CaseHeader, check_time
from diagnose.errors import DiagnoseError, Issue, Place
from diagnose.interview.events import KINDS, Event
from diagnose.keeping import dump
from diagnose.knowledge.reading import Mapping as Node
from diagnose.knowledge.reading import Reader, Text, decode, parse_yaml, read_yaml
from diagnose.knowledge.reading import Sequence as ListNode

NUMBERS = ("minutes", "own", "walk", "probability")
"""Keys of an event's data that hold a number."""
OF_NUMBERS = ("shown", "took")
"""Keys of an event's data that hold a mapping of numbers."""
WHOLE = (("chosen", "expansions"),)
"""Keys within keys that hold a whole number; everything else is text."""
MAPPINGS = ("variants", "shown", "took", "of", "files")
"""Keys of an event's data that hold a mapping."""
LISTS = ("ids", "instruments", "asks", "parts", "van", "switch_off", "keep_off")
"""Keys of an event's data that hold a list of texts."""
TEXTS = {
    *("installation", "qualification", "meter_category", "title", "site", "wiring", "stage"),
    *("question", "choice", "act", "found_on", "test", "raw", "outcome", "sure", "reason"),
    *("status", "unit", "failure_mode", "check", "result", "event", "urgency"),
    *("found", "confirmed", "verified", "call_back", "held", "text"),
}
"""Keys of an event's data that hold a text."""
HEAD = "# A case of diagnose. Events are added at the end and never changed.\n"


def canonical(event: Event) -> Event:
    """The event as any store gives it back: numbers where the key says so, all else text."""
    data = {str(k): _typed((str(k),), v) for k, v in event.data.items()}
    return Event(str(event.id), str(event.at), str(event.kind), data)


def _typed(path: tuple[str, ...], value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(k): _typed((*path, str(k)), v) for k, v in value.items()}
    if not isinstance(value, str) and isinstance(value, Sequence):
        return [_typed((*path, ""), v) for v in value]
    read = _number_at(path)
    if read is not None:
        return read(value)
    if isinstance(value, bool) or value is None:
        return {True: "true", False: "false", None: "null"}[value]
    return str(value)


def _number_at(path: tuple[str, ...]) -> Callable[[Any], float] | None:
    """What reads the number at a place in an event's data; None where text stands there."""
    if path in WHOLE:
        return int
    if (len(path) == 1 and path[0] in NUMBERS) or (len(path) == 2 and path[0] in OF_NUMBERS):
        return _finite
    return None


def _finite(value: Any) -> float:
    number = float(value)
    if not math.isfinite(number):
        raise ValueError(f"'{value}' is not a number")
    return number + 0.0  # no negative zero: not every store keeps its sign


def event_text(event: Event) -> str:
    """One event as it stands in the file."""
    event = canonical(event)
    return dump([{"id": event.id, "at": event.at, "kind": event.kind, "data": event.data}])


def case_text(case: CaseHeader, events: Iterable[Event]) -> str:
    """A whole case as it stands in its file."""
    return header_text(case) + "".join(event_text(e) for e in events)


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
    return HEAD + dump(head) + "events:\n"


def read_case(path: Path) -> tuple[CaseHeader, list[Event]]:
    """Header and events of a case file.

    Raises
    ------
    DiagnoseError
        With every issue found, each with its place.
    """
    return _case(read_yaml(path), path.stem)


def decoded(data: bytes, path: Path) -> str:
    """The text of a file.

    Raises
    ------
    DiagnoseError
        It is not UTF-8.
    """
    return decode(data, str(path))


def parse_case(text: str, name: str) -> tuple[CaseHeader, list[Event]]:
    """Header and events of a case's text; `name` is the path of its file, shown in places.

    Raises
    ------
    DiagnoseError
        With every issue found, each with its place.
    """
    return _case(parse_yaml(text, name), Path(name).stem)


def _case(tree: Any, stem: str) -> tuple[CaseHeader, list[Event]]:
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
    if reader.has("opened"):
        issues.extend(_time_issues(header.opened))
    if header.id != stem:
        reader.problem(f"the id must be the file's name, '{stem}'", "id")
    events = [_event(node, issues) for node in reader.children("events")]
    if not events:
        reader.problem("'events' is missing or empty", "events")
    seen: set[str] = set()
    for event in events:
        if event.id in seen and isinstance(event.id, Text):
            message = f"event: the id '{event.id}' stands twice"
            issues.append(Issue("error", "repeated-key", message, event.id.place))
        seen.add(event.id)
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
        data={str(k): _value((str(k),), v, issues) for k, v in reader.mapping("data").items()},
    )
    issues.extend(_time_issues(event.at))
    data = reader.mapping("data")
    for key, shape in misshapen(event.data):
        place = getattr(data.get(key), "place", None) or reader.place
        issues.append(Issue("error", "structure", f"event: '{key}' must be {shape}", place))
    reader.done()
    return event


def _time_issues(text: str) -> tuple[Issue, ...]:
    try:
        check_time(text)
    except DiagnoseError as error:
        return tuple(error.issues)
    return ()


def misshapen(data: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Each key of an event's data whose value is of another shape than the programs rely on."""
    for key in MAPPINGS:
        value = data.get(key, {})
        if not isinstance(value, Mapping) or any(_nested(v) for v in value.values()):
            yield key, "a mapping of texts or numbers"
    for key in LISTS:
        value = data.get(key, [])
        if not isinstance(value, list) or any(_nested(v) for v in value):
            yield key, "a list of texts"
    chosen = data.get("chosen", {})
    expansions = chosen.get("expansions") if isinstance(chosen, Mapping) else None
    numbers = {**{key: data.get(key) for key in NUMBERS}, "expansions": expansions}
    yield from ((key, "a number") for key, value in numbers.items() if _nested(value))
    yield from ((key, "a text") for key, value in data.items() if key in TEXTS and _nested(value))


def _nested(value: Any) -> bool:
    return isinstance(value, Mapping | list)


def _value(path: tuple[str, ...], value: Any, issues: list[Issue]) -> Any:
    """An event's value: numbers where the key says so, else text, lists and mappings."""
    if isinstance(value, Text):
        read = _number_at(path)
        if read is None:
            return value
        try:
            return read(value)
        except (ValueError, OverflowError):
            place: Place | None = value.place
            message = f"event: '{path[-1]}' must be a number"
            issues.append(Issue("error", "structure", message, place))
            return 0.0
    if _number_at(path) is not None:
        message = f"event: '{path[-1]}' must be a number"
        issues.append(Issue("error", "structure", message, getattr(value, "place", None)))
        return 0.0
    if isinstance(value, Node):
        return {str(k): _value((*path, str(k)), v, issues) for k, v in value.items()}
    if isinstance(value, ListNode):
        return [_value((*path, ""), v, issues) for v in value]
    return value
