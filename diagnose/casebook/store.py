"""What a store of cases can do, whatever stands behind it."""

from __future__ import annotations

import dataclasses
import datetime
import json
import re
import unicodedata
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol

from diagnose.errors import Issue, fail
from diagnose.interview.describing import left_to_ask
from diagnose.interview.events import Event
from diagnose.interview.state import is_closed, reopens, withdrawn_ids

if TYPE_CHECKING:
    from diagnose.casebook.counting import Counts
    from diagnose.casebook.outcomes import Outcome

FORMAT = "1"
LONGEST_SLUG = 40


@dataclass(frozen=True)
class CaseHeader:
    """What stays the same during a case.

    Attributes
    ----------
    id : str
        ``date-site``, with a number where it is taken; given by the store.
    title, site : str
        As the person named them; may be empty.
    installation : str
        Id of the installation type.
    variants : mapping
        Every variant with its choice as the case was opened; what is described later takes its
        place (`diagnose.interview.state.variants_of`).
    opened : str
        UTC, ISO 8601.
    knowledge : str
        Digest of the knowledge base.
    """

    id: str
    title: str
    site: str
    installation: str
    variants: Mapping[str, str]
    opened: str
    knowledge: str


class Summary(NamedTuple):
    """One case as a list shows it.

    Attributes
    ----------
    id, title, site : str
        See `CaseHeader`.
    status : str
        See `status_of`.
    about : str
        The cause it was closed with, else the one last concluded; else its title.
    call_back : str
        ISO date on which the customer is to be asked whether the repair has held; "" for none.
    """

    id: str
    title: str
    site: str
    status: str
    about: str
    call_back: str


@dataclass(frozen=True)
class Listing:
    """All cases that can be read, in the order of their ids, and what is wrong with the others."""

    cases: tuple[CaseHeader, ...] = ()
    issues: tuple[Issue, ...] = field(default_factory=tuple)


@dataclass(frozen=True)
class Overview:
    """As `Listing`, with what a list shows of each case."""

    cases: tuple[Summary, ...] = ()
    issues: tuple[Issue, ...] = field(default_factory=tuple)


class CaseStore(Protocol):
    """Cases by id. An event that `append` has accepted is safe: it outlives the process.

    Every method raises `DiagnoseError` where there is no such case, where the case cannot be
    read, or where the store cannot be reached or written to.
    """

    @property
    def name(self) -> str:
        """Where the store is, for a person to read; no password."""
        ...

    def create(self, case: CaseHeader, events: Sequence[Event]) -> CaseHeader:
        """File a new case with its first events; the header returned has the id given to it."""
        ...

    def append(self, case_id: str, event: Event) -> None:
        """Add one event at the end of a case; one that is there already is not added again.

        Raises
        ------
        DiagnoseError
            Another event of the case has this id.
        """
        ...

    def put(self, case: CaseHeader, events: Sequence[Event]) -> int:
        """File a case under the id that it has, or add what is missing of it; how many events.

        Raises
        ------
        DiagnoseError
            The case is there with another header, or with another event under one of the ids.
        """
        ...

    def header(self, case_id: str) -> CaseHeader:
        """The header of a case."""
        ...

    def events(self, case_id: str) -> list[Event]:
        """All events of a case, in order."""
        ...

    def listing(self) -> Listing:
        """All cases."""
        ...

    def overview(self) -> Overview:
        """All cases, with where each stands."""
        ...

    def outcomes(self, latest: int | None = None) -> Iterator[Outcome]:
        """What each closed case teaches, in the order of the store; the unreadable are left out.

        With `latest`, those of so many cases that were written to last are enough; a store may
        give more.
        """
        ...

    def unreadable(self) -> tuple[Issue, ...]:
        """What is wrong with cases that cannot be read."""
        ...

    def counts(self) -> Counts:
        """All confirmed cases, counted."""
        ...

    def latest(self) -> str:
        """Id of the case last written to that is not closed."""
        ...

    def hold(self, case_id: str) -> AbstractContextManager[object]:
        """Keep a case to oneself while it is worked on.

        Raises
        ------
        DiagnoseError
            Another program holds it.
        """
        ...

    def where(self, case_id: str) -> str:
        """Where a case is kept, for a person to read."""
        ...


def missing(
    case: CaseHeader,
    events: Sequence[Event],
    kept: CaseHeader,
    there: Sequence[Event],
    name: str,
) -> list[Event]:
    """The events that a case in a store (`kept`, `there`) lacks; all events are canonical.

    Raises
    ------
    DiagnoseError
        The headers differ, or two events under one id do.
    """
    if case != kept:
        fields = (f.name for f in dataclasses.fields(case))
        differing = [f for f in fields if getattr(case, f) != getattr(kept, f)]
        raise fail(
            "conflict", f"the case '{case.id}' is in {name} with another {', '.join(differing)}"
        )
    known = {event.id: event for event in there}
    new: list[Event] = []
    for event in events:
        if event.id not in known:
            known[event.id] = event
            new.append(event)
        elif not same_event(event, known[event.id]):
            message = f"the case '{case.id}' in {name} has another event with the id {event.id}"
            raise fail("conflict", message)
    return new


def same_event(one: Event, other: Event) -> bool:
    """Whether two canonical events are equal, down to the order of their data."""
    return one == other and json.dumps(one.data) == json.dumps(other.data)


def first_free(taken: Callable[[int], bool]) -> int:
    """A number from 1 on that is free and whose predecessor is taken, in a few looks."""
    if not taken(1):
        return 1
    low, high = 1, 2
    while taken(high):
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if taken(middle) else (low, middle)
    return high


def slug(text: str) -> str:
    """A text as part of an id: lower-case ASCII letters and digits, joined by hyphens."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    return re.sub(r"[^a-z0-9]+", "-", plain.lower()).strip("-")[:LONGEST_SLUG].strip("-")


def new_id(case: CaseHeader, number: int) -> str:
    """The id of a case: its day, its site or title, and a number from the second on."""
    day = case.opened[:10]
    name = slug(case.site) or slug(case.title) or "callout"
    return f"{day}-{name}" if number == 1 else f"{day}-{name}-{number}"


def status_of(events: Sequence[Event]) -> str:
    """Where a case stands, in a word or two."""
    gone = withdrawn_ids(events)
    status = "being set up" if left_to_ask(events) else "open"
    for event in events:
        if event.id in gone:
            continue
        if event.kind == "closed":
            status = "closed"
        elif reopens(event):
            status = "reopened"
        elif event.kind == "concluded":
            status = str(event.data.get("status", "concluded")).replace("_", " ")
        elif event.kind == "repaired":
            status = "repaired"
        elif event.kind == "verified" and status in ("repaired", "verification failed"):
            status = "verification failed" if event.data.get("result") == "fail" else status
        elif event.kind == "stopped":
            status = "stopped"
        elif event.kind == "phoned":
            status = "called"
        elif event.kind in ("resumed", "withdrawn", "finding"):
            status = status if status in ("repaired", "being set up") else "open"
    return status


def summary_of(case: CaseHeader, events: Sequence[Event]) -> Summary:
    """What a list shows of a case."""
    closed = is_closed(events)
    last = [e for e in events if e.kind == ("closed" if closed else "concluded")]
    about = cause_in_words(last[-1].data) if last else ""
    call_back = ""
    for event in events:
        if event.kind == "closed":
            call_back = str(event.data.get("call_back", ""))
        elif event.kind == "called_back":
            call_back = ""
    return Summary(
        str(case.id), str(case.title), str(case.site), status_of(events), about, call_back
    )


def cause_in_words(data: Mapping[str, Any]) -> str:
    """The cause that a ``concluded`` or ``closed`` event names."""
    if data.get("unit"):
        return f"{data['unit']}.{data.get('failure_mode', '')}"
    return str(data.get("found") or "cause not known")


def check_time(text: str) -> str:
    """The text, where it is an ISO 8601 time.

    Raises
    ------
    DiagnoseError
        It is not.
    """
    try:
        datetime.datetime.fromisoformat(text)
    except ValueError as error:
        raise fail(
            "structure",
            f"'{text}' is not a time",
            getattr(text, "place", None),
            ("e.g. 2026-03-01T09:30:00+00:00",),
        ) from error
    return text
