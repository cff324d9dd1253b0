"""Cases to report on: invented, made by driving the interview, some with hostile texts."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

from diagnose.casebook.answers import Scripted, read_answers
from diagnose.casebook.store import CaseHeader
from diagnose.cli.callout import header_of
from diagnose.cli.firm import Firm
from diagnose.cli.matter import Matter
from diagnose.cli.report import matter_of
from diagnose.interview.drive import Reply, drive
from diagnose.interview.events import Event, new_event
from diagnose.interview.session import Session, Turn
from diagnose.interview.steps import Step
from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.cache import matrix_for
from diagnose.plant.compose import compose
from tests.bench import shipped
from tests.people import SimulatedPerson

CASES = Path(__file__).resolve().parent.parent / "cases"
CLOSED = {
    "unit": "relay",
    "failure_mode": "contacts_welded",
    "confirmed": "replaced",
    "verified": "passed",
    "minutes": 57.0,
    "parts": ["relay module, 10 A", "contactor 9 A"],
    "call_back": "2027-01-15",
}

HOSTILE = {
    "typst": '#let x = 1; #panic("no") $a^2 / 0$ *b* _e_ `r` @ref <label> \\u{41} // c /* c',
    "html": "<script>alert(1)</script><img src=x onerror=alert(2)> &amp; </style> -->",
    "template": "{{ 7 * 7 }} {% raw %} {# c #} ${7*7} %(x)s {0} {count}",
    "rich": "[red]x[/red] [link=http://example.invalid]y[/link] [/] \\[z] :smile:",
    "svg": '<svg onload="alert(3)"><use href="http://example.invalid/a.svg#b"/></svg>',
    "right to left": "مرحبا بالعالم ١٢٣ שלום עולם",
    "override": "safe \u202e gnp.exe \u2066 \u200f end",
    "emoji": "😀🔧💧 ☠ 👨‍👩‍👧 🇮🇳",
    "control": "a\x00b\x07c\x1b[31md\x7fe\x85f\ud800g",
    "long word": "x" * 10_000,
    "long text": "word " * 2_000,
    "line feeds": "one\ntwo\r\nthree\n\n\n\nfour",
    "no font": "漢字 ሰላም",
    "blank": "   ",
}


class Stubborn(SimulatedPerson):
    """Repairs what is concluded; the first `failing` repairs do not help."""

    def __init__(self, session: Session, mode: str, failing: int) -> None:
        super().__init__(session, mode, repairs=True)
        self.failing = failing

    def reply(self, turn: Turn, step: Step) -> Reply:
        """See `diagnose.interview.drive.Person`."""
        made = len(turn.state.repairs)
        if step.kind == "verify":
            return Reply("answer", "fail" if made <= self.failing else "pass")
        conclusion = step.conclusion
        if conclusion is None or made > self.failing:
            return super().reply(turn, step)
        tried = {f"{unit}.{mode}" for unit, mode in turn.state.repairs}
        names = [n for n, _u, _p in conclusion.ranking if n in self.session.installation.modes]
        return Reply("repaired", next(n for n in names if n not in tried))


@lru_cache(maxsize=1)
def knowledge() -> KnowledgeBase:
    return shipped()


@lru_cache(maxsize=6)
def session_of(variants: tuple[tuple[str, str], ...] = ()) -> Session:
    """A session of the family with these variants."""
    base = knowledge()
    installation = compose(base, next(iter(base.installations)), dict(variants))
    return Session(base, installation, matrix_for(base, installation))


def at_times(events: Sequence[Event]) -> list[Event]:
    """The events a minute apart, from one morning on, so that a report is always the same."""
    start = datetime.datetime(2026, 3, 1, 9, 30, tzinfo=datetime.UTC)
    minute = datetime.timedelta(minutes=1)
    return [replace(e, at=(start + k * minute).isoformat()) for k, e in enumerate(events)]


def scripted(name: str) -> tuple[Session, list[Event]]:
    """A case of the repository, driven to its end."""
    session, events = _driven(name)
    return session, list(events)


@lru_cache(maxsize=8)
def _driven(name: str) -> tuple[Session, tuple[Event, ...]]:
    base = knowledge()
    answers = read_answers(CASES / f"{name}.yaml", base)
    session = session_of(tuple(answers.installation.choices.items()))
    events = [answers.opened(base)]
    drive(session, events, Scripted(answers, base))
    return session, tuple(at_times(events))


def repaired_in_vain(failing: int = 2) -> tuple[Session, list[Event]]:
    """A case with repairs that did not help before the one that did."""
    session = session_of()
    opened = new_event(
        "opened",
        title="Invented: two repairs in vain",
        site="Invented Farm, pump house",
        installation=session.installation.type.id,
        variants=dict(session.installation.choices),
        knowledge=session.knowledge.digest,
        qualification="licensed",
        meter_category="cat_iii",
    )
    events = [opened]
    drive(session, events, Stubborn(session, "roof_high_float.stuck_down", failing))
    return session, at_times(events)


def closed(events: Sequence[Event], **data: Any) -> list[Event]:
    """The events with the case closed."""
    return at_times([*events, new_event("closed", **{**CLOSED, **data})])


def with_text(events: Sequence[Event], text: str) -> list[Event]:
    """A closed case with one text in every free field of its events."""
    changed = []
    for event in events:
        data = dict(event.data)
        if event.kind == "opened":
            data |= {"site": text, "title": text}
        if event.kind == "finding":
            data["raw"] = text
        changed.append(replace(event, data=data))
    changed += [
        new_event("cannot", test="relay_coil", reason=text),
        new_event(
            "closed",
            found=text,
            confirmed="measured",
            verified="passed",
            minutes=57.0,
            parts=[text, text],
            took={changed[-1].id: 3.5},
            call_back=text,
        ),
        new_event("called_back", held="yes", text=text),
    ]
    return at_times(changed)


def hostile_firm(text: str) -> Firm:
    """A firm whose every text is `text`."""
    keys = ("title", "opening", "closing", "terms", "customer", "technician")
    return Firm(name=text, address=(text, text), wording=dict.fromkeys(keys, text))


def header(events: Sequence[Event], **changes: str) -> CaseHeader:
    """The header of a case with these events."""
    return replace(header_of(events[0]), id="2026-03-01-invented", **changes)  # type: ignore[arg-type]


def matter(
    session: Session, events: Sequence[Event], firm: Firm | None = None, **changes: str
) -> Matter:
    """What the report of these events is made from."""
    return matter_of(session, header(events, **changes), list(events), firm or Firm())


def everything_in(value: Any) -> list[str]:
    """All texts and numbers in nested data, as texts."""
    if isinstance(value, Mapping):
        return [t for k, v in value.items() for t in (str(k), *everything_in(v))]
    if isinstance(value, (list, tuple)):
        return [t for v in value for t in everything_in(v)]
    return [str(value)]
