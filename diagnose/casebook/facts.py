"""The plain columns that stand beside each event in a database, so that SQL can count.

Every column is a pure function of the case's events up to and including the event, but for
`withdrawn_by`, which a later event sets. What learning counts from them is defined in
`diagnose.casebook.outcomes` and `diagnose.casebook.counting`; a test compares the two.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from diagnose.casebook.store import CaseHeader
from diagnose.interview.events import Event
from diagnose.interview.sites import site_key
from diagnose.interview.state import PHONE, variants_of, withdrawn_ids


@dataclass(frozen=True)
class Fact:
    """The columns of one event; None where the kind has no such thing.

    Attributes
    ----------
    minutes, own, walk : float or None
        Minutes: the whole, the work itself, the way there.
    phone : bool
        Whether the customer was on the telephone.
    repairs : int
        Repairs made before.
    nth : int
        Earlier answers to the same test by the same way, or to the same question; also those
        taken back.
    withdrawn_by : int or None
        Number of the event that takes this one back.
    variants, site : str or None
        As they are from this event on, where it says something of them: JSON; a site's key.
    """

    test: str | None = None
    outcome: str | None = None
    sure: bool | None = None
    minutes: float | None = None
    own: float | None = None
    walk: float | None = None
    place: str | None = None
    unit: str | None = None
    failure_mode: str | None = None
    question: str | None = None
    choice: str | None = None
    act: str | None = None
    confirmed: str | None = None
    verified: str | None = None
    held: str | None = None
    phone: bool = False
    repairs: int = 0
    nth: int = 0
    withdrawn_by: int | None = None
    variants: str | None = None
    site: str | None = None


COLUMNS = tuple(Fact.__dataclass_fields__)


def variants_text(variants: Mapping[str, Any]) -> str:
    """Variants as one text by which they can be grouped."""
    return json.dumps(sorted((str(k), str(v)) for k, v in variants.items()))


def complaints_text(complaints: Sequence[str]) -> str:
    """Complaints as one text by which they can be grouped."""
    return json.dumps(list(complaints))


def facts_of(case: CaseHeader, events: Sequence[Event]) -> list[Fact]:
    """The columns of each event of a case, numbered from 0; all events are canonical."""
    gone = withdrawn_ids(events)
    taken: dict[str, int] = {}
    for number, event in enumerate(events):
        if event.kind == "withdrawn":
            taken.setdefault(str(event.data.get("event")), number)
    phone, repairs, variants = False, 0, case.variants
    asked: Counter[tuple[str, ...]] = Counter()
    facts: list[Fact] = []
    for number, event in enumerate(events):
        data, kept = event.data, event.id not in gone
        told: dict[str, Any] = {}
        if number == 0:
            told = {"variants": variants_text(variants), "site": site_key(case.site)}
        if event.kind == "opened" and kept:
            phone = data.get("stage", PHONE if phone else "") == PHONE
        elif event.kind == "resumed":
            phone = phone and data.get("stage") == PHONE
        elif event.kind == "described":
            variants = variants_of(variants, [event])
            if "variants" in data:
                told["variants"] = variants_text(variants)
        if event.kind in ("opened", "described") and "site" in data:
            told["site"] = site_key(str(data["site"]))
        told |= _said(event.kind, data)
        about: tuple[str, ...] = (event.kind, str(phone), told.get("test", ""))
        if event.kind == "answered":
            about = (event.kind, told.get("question", ""))
        told = {key: sql_text(v) if isinstance(v, str) else v for key, v in told.items()}
        facts.append(
            Fact(
                **told,
                phone=phone,
                repairs=repairs,
                nth=asked[about],
                withdrawn_by=taken.get(event.id),
            )
        )
        asked[about] += 1
        repairs += event.kind == "repaired" and kept
    return facts


def _said(kind: str, data: Mapping[str, Any]) -> dict[str, Any]:
    """What an event says of itself."""
    told: dict[str, Any] = {
        key: str(data[key])
        for key in ("test", "outcome", "unit", "failure_mode", "question", "choice", "act", "held")
        if data.get(key)
    }
    for key in ("minutes", "own", "walk"):
        if key in data:
            told[key] = float(data[key])
    if kind == "finding":
        told["sure"] = data.get("sure", "yes") != "no"
        told["place"] = str(data.get("place", ""))
    elif kind == "closed":
        told["confirmed"] = str(data.get("confirmed", "not_confirmed"))
        told["verified"] = str(data.get("verified", "not_made"))
    return told


def sql_text(text: str) -> str:
    """A text without what a database cannot hold; the event's own data keep it."""
    return text.replace("\0", "").encode("utf-8", "replace").decode()
