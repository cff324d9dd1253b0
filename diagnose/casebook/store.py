"""What a store of cases can do, whatever stands behind it."""

from __future__ import annotations

import datetime
import re
import unicodedata
from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from typing import Protocol

from diagnose.errors import Issue, fail
from diagnose.interview.describing import left_to_ask
from diagnose.interview.events import Event
from diagnose.interview.state import withdrawn_ids

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


@dataclass(frozen=True)
class Listing:
    """All cases that can be read, in the order of their ids, and what is wrong with the others."""

    cases: tuple[CaseHeader, ...] = ()
    issues: tuple[Issue, ...] = field(default_factory=tuple)


class CaseStore(Protocol):
    """Cases by id. An event that `append` has accepted is safe: it outlives the process."""

    def create(self, case: CaseHeader, events: Sequence[Event]) -> CaseHeader:
        """File a new case with its first events; the header returned has the id given to it."""
        ...

    def append(self, case_id: str, event: Event) -> None:
        """Add one event at the end of a case."""
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
