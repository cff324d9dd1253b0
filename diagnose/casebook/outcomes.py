"""A closed case as something to learn from: no name, no address, no text but the cause's own."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from diagnose.casebook.store import CaseHeader
from diagnose.errors import DiagnoseError
from diagnose.interview.events import Event
from diagnose.interview.sites import site_key
from diagnose.interview.state import closing, replay, variants_of, withdrawn_ids

NOT_CONFIRMED = "not_confirmed"
FAILED = "failed"

Variants = tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Seen:
    """One test that was done: its outcome, and its minutes where they were really measured.

    Attributes
    ----------
    own, walk : float or None
        Minutes of the work itself and of the way there; None where nobody measured them.
    place : str
        Where the way led.
    after_repairs : int
        Repairs made before it.
    """

    test: str
    outcome: str
    sure: bool
    by_phone: bool
    own: float | None = None
    walk: float | None = None
    place: str = ""
    after_repairs: int = 0


@dataclass(frozen=True)
class Work:
    """An act or a repair with its minutes; None where nobody measured them."""

    name: str
    minutes: float | None = None


@dataclass(frozen=True)
class Outcome:
    """What one closed case teaches.

    Attributes
    ----------
    case, day, closed : str
        Id; day of the closing; time of the closing (ISO 8601), which gives the cases their order.
    site : str
        Key of the site (`site_key`), "" where none was named.
    variants : tuple of (variant, choice)
        Sorted by variant.
    complaints : tuple of str
        Sorted.
    answers : mapping of question to choice
    concluded : str
        ``unit.mode`` named at the end of the search, "" where none was.
    probability : float
        What the conclusion gave its unit; 0 where there is none.
    cause : str
        ``unit.mode`` that was really found, "" where it is not in the knowledge base.
    words : str
        The cause in the person's own words, where it is not in the knowledge base.
    confirmed : bool
        Whether it counts: confirmed in some way, no failed verification, no call-back since.
    """

    case: str
    day: str
    closed: str
    installation: str
    variants: Variants
    site: str
    complaints: tuple[str, ...]
    answers: Mapping[str, str]
    findings: tuple[Seen, ...]
    acts: tuple[Work, ...]
    repairs: tuple[Work, ...]
    concluded: str
    probability: float
    cause: str
    words: str
    confirmed: bool

    @property
    def one_fault(self) -> bool:
        """Whether every finding before the first repair shows the cause, alone and always.

        Not where something else was repaired too, nor where the fault came and went.
        """
        others = {repair.name for repair in self.repairs} - {self.cause}
        return bool(self.cause) and not others and self.answers.get("present", "now") == "now"


def written(outcome: Outcome | None) -> str:
    """An outcome as one line of JSON, for `read_outcome`: its values in the order of its fields."""
    return json.dumps(outcome, default=lambda record: [*vars(record).values()])


def read_outcome(text: str) -> Outcome | None:
    """The outcome behind a line of `written`.

    Raises
    ------
    TypeError, ValueError
        It is no such line.
    """
    values = json.loads(text)
    if values is None:
        return None
    case, day, closed, installation, variants, site, complaints, answers, *rest = values
    findings, acts, repairs, *end = rest
    return Outcome(
        *(case, day, closed, installation, tuple(map(tuple, variants)), site),
        *(tuple(complaints), answers, tuple(Seen(*f) for f in findings)),
        *(tuple(Work(*w) for w in acts), tuple(Work(*w) for w in repairs), *end),
    )


def outcome_of(header: CaseHeader, events: Sequence[Event]) -> Outcome | None:
    """What a case teaches; None where it is not closed, or was opened again since.

    Raises
    ------
    DiagnoseError
        An event is of an unknown kind or lacks its data.
    """
    end = closing(events)
    if end is None:
        return None
    told = end.data
    state = replay([e for e in events if e.kind not in ("closed", "called_back")], {})
    took = {str(k): float(v) for k, v in told.get("took", {}).items()}
    gone = withdrawn_ids(events)
    kept = [e for e in events if e.id not in gone]
    by_id = {e.id: e for e in kept}
    site = header.site
    for event in kept:
        if event.kind in ("opened", "described"):
            site = str(event.data.get("site", site))
    cause = f"{told['unit']}.{told['failure_mode']}" if told.get("unit") else ""
    concluded = state.concluded or next(
        (e.data for e in reversed(kept) if e.kind == "concluded"), {}
    )
    named = f"{concluded['unit']}.{concluded['failure_mode']}" if concluded.get("unit") else ""
    return Outcome(
        case=str(header.id),
        day=str(end.at)[:10],
        closed=str(end.at),
        installation=_word(header.installation),
        variants=tuple(
            sorted((_word(k), _word(v)) for k, v in variants_of(header.variants, events).items())
        ),
        site=site_key(site),
        complaints=tuple(sorted(_word(c) for c in state.complaints)),
        answers={_word(k): _word(v) for k, v in state.answers.items()},
        findings=tuple(
            Seen(
                _word(f.test),
                _word(f.outcome),
                f.sure,
                f.by_phone,
                *_split(by_id[f.event], took),
                f.after_repairs,
            )
            for f in state.findings
        ),
        acts=tuple(Work(_word(e.data["act"]), _split(e, took)[0]) for e in kept if e.kind == "act"),
        repairs=tuple(
            Work(f"{e.data['unit']}.{e.data['failure_mode']}", _split(e, took)[0])
            for e in kept
            if e.kind == "repaired"
        ),
        concluded=named,
        probability=float(concluded.get("probability", 0.0)),
        cause=cause,
        words="" if cause else str(told.get("found", "")).strip(),
        confirmed=counts_as_confirmed(told),
    )


def outcome_or_none(header: CaseHeader, events: Sequence[Event]) -> Outcome | None:
    """As `outcome_of`, and None where an event lacks its data: such a case teaches nothing."""
    try:
        return outcome_of(header, events) if events else None
    except (DiagnoseError, KeyError, TypeError, ValueError):
        return None


def _word(text: object) -> str:
    """A text that stands in many cases, held once."""
    return sys.intern(str(text))


def counts_as_confirmed(closed: Mapping[str, Any]) -> bool:
    """Whether the data of a ``closed`` event say what was really wrong."""
    how = str(closed.get("confirmed", NOT_CONFIRMED))
    return how != NOT_CONFIRMED and str(closed.get("verified", "not_made")) != FAILED


def _split(event: Event, took: Mapping[str, float]) -> tuple[float | None, float | None, str]:
    """Measured minutes of the work itself and of the way there, and where the way led.

    A person who corrected some estimate of the case went through them all: what was left is as
    estimated. Where nothing was corrected nothing was measured. A corrected whole is divided as
    its estimate was (`own` at the place, `walk` on the way, the rest waiting for the water).
    """
    if not took:
        return None, None, ""
    whole = float(event.data.get("minutes", 0.0))
    own = float(event.data.get("own", whole))
    walk = float(event.data.get("walk", 0.0))
    scale = took.get(event.id, whole) / whole if whole > 0 else 1.0
    place = str(event.data.get("place", "")) if walk > 0 else ""
    return own * scale, walk * scale if walk > 0 else None, place
