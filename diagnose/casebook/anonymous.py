"""Cases for others to learn from, without what says whose they are.

Only what is listed here goes out; what is not is left behind, also what later programs may add.
A text goes out only where it can be nothing but an id of the knowledge, a word with a fixed
meaning or a reading. Times are reduced to the month in which the case was opened and the days
since; case and event ids are drawn anew, in an order drawn anew; a site is a number that means
nothing outside one export. What learning counts stays as it was.
"""

from __future__ import annotations

import datetime
import random
import re
import uuid
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from diagnose.casebook.copying import Copied
from diagnose.casebook.store import CaseHeader, CaseStore
from diagnose.casebook.text import canonical
from diagnose.errors import DiagnoseError, fail
from diagnose.interview.events import CONFIRMED, VERIFIED, Event
from diagnose.interview.sites import site_key
from diagnose.quantities import QuantityError, parse_reading
from diagnose.units import UNITS

ID = re.compile(r"[A-Za-z0-9_]+(?:[.@:+][A-Za-z0-9_]+)*")
"""An id of the knowledge, or two of them joined."""
LONGEST_READING = 12
MOST_DIGITS = 5
"""Digits after the leading zeros: hand-held meters count to 60,000 at most (common practice)."""
SAID = "not in the knowledge base"
"""Stands for a cause in the person's own words."""

IDS = {
    "opened": ("installation", "qualification", "meter_category", "knowledge"),
    "described": ("meter_category", "qualification"),
    "complaint": (),
    "answered": ("question", "choice"),
    "act": ("act", "place"),
    "finding": ("test", "outcome", "place"),
    "cannot": ("test", "act"),
    "concluded": ("status", "unit", "failure_mode"),
    "repaired": ("unit", "failure_mode"),
    "verified": ("check",),
    "withdrawn": (),
    "stopped": (),
    "resumed": (),
    "phoned": ("urgency", "status"),
    "closed": ("unit", "failure_mode"),
    "called_back": (),
}
"""Kind of event → keys that hold an id of the knowledge."""
WORDS = {
    "stage": ("phone",),
    "wiring": ("standard", "differs"),
    "sure": ("yes", "no"),
    "result": ("pass", "fail", "cannot"),
    "held": ("yes", "no"),
    "confirmed": tuple(CONFIRMED),
}
"""Keys that hold one of a few words; `verified` does so in ``closed`` alone."""
LISTS = ("ids", "instruments", "asks")
"""Keys that hold a list of such ids."""
NUMBERS = ("minutes", "own", "walk", "probability")


class Exporter:
    """Makes cases anonymous; sites are numbered alike within one export."""

    def __init__(self, chance: random.Random | None = None) -> None:
        self.chance = chance or random.SystemRandom()
        self._sites: dict[str, str] = {}
        self._count = 0

    def case(self, header: CaseHeader, events: Sequence[Event]) -> tuple[CaseHeader, list[Event]]:
        """One case without what says whose it is; `events` are canonical."""
        self._count += 1
        start = _day(header.opened)
        month = start.replace(day=1)
        ids = {event.id: self._new_id() for event in events}

        def when(at: str) -> str:
            days = max((_day(at) - start).days, 0)
            return f"{month + datetime.timedelta(days=days)}T00:00:00+00:00"

        told = [
            Event(ids[event.id], when(event.at), event.kind, self._data(event, ids))
            for event in events
        ]
        head = CaseHeader(
            id=f"{month}-case-{self._count}",
            title="",
            site=self._site(header.site),
            installation=_id(header.installation),
            variants=_variants(header.variants),
            opened=f"{month}T00:00:00+00:00",
            knowledge=_id(header.knowledge),
        )
        return head, told

    def _new_id(self) -> str:
        return str(uuid.UUID(int=self.chance.getrandbits(128), version=4))

    def _site(self, site: str) -> str:
        key = site_key(site)
        if not key:
            return ""
        return self._sites.setdefault(key, f"site {len(self._sites) + 1}")

    def _data(self, event: Event, ids: Mapping[str, str]) -> dict[str, Any]:
        data: dict[str, Any] = {}
        for key, value in event.data.items():
            kept = self._value(event, key, value, ids)
            if kept is not None:
                data[key] = kept
        return data

    def _value(self, event: Event, key: str, value: Any, ids: Mapping[str, str]) -> Any:
        """What goes out of one value; None where nothing does."""
        kind = event.kind
        if key in IDS[kind]:
            return _id(value)
        if key in WORDS:
            return value if value in WORDS[key] else None
        if key in NUMBERS:
            return value if isinstance(value, float) else None
        if key in LISTS and isinstance(value, list):
            return [_id(one) for one in value]
        if key == "variants" and isinstance(value, Mapping):
            return _variants(value)
        if key == "site" and kind in ("opened", "described"):
            return self._site(str(value))
        if key == "event" and kind == "withdrawn":
            return ids.get(str(value), self._new_id())
        if key == "shown" and isinstance(value, Mapping):
            return {_id(name): p for name, p in value.items() if isinstance(p, float)}
        if key == "raw" and kind == "finding":
            return value if is_reading(str(value)) else _id(event.data.get("outcome", ""))
        return self._closing(key, value, ids) if kind == "closed" else None

    def _closing(self, key: str, value: Any, ids: Mapping[str, str]) -> Any:
        if key == "found":
            return SAID if str(value).strip() else ""
        if key == "took" and isinstance(value, Mapping):
            return {ids[name]: float(m) for name, m in value.items() if name in ids}
        return value if key == "verified" and value in VERIFIED else None


def is_reading(text: str) -> bool:
    """Whether a text can be nothing but what a meter shows."""
    digits = re.sub(r"\D", "", text).lstrip("0")
    if len(text) > LONGEST_READING or len(digits) > MOST_DIGITS:
        return False
    for unit in UNITS:
        try:
            parse_reading(text, unit)
        except QuantityError:
            continue
        return True
    return False


def export(
    source: CaseStore,
    to: CaseStore,
    report: Callable[[int, int], None] = lambda done, total: None,
    chance: random.Random | None = None,
) -> Copied:
    """File all cases of a store, made anonymous, in an empty one.

    Raises
    ------
    DiagnoseError
        The other store is not empty, or one of them cannot be reached or written to.
    """
    there = to.listing()
    if there.cases or there.issues:
        raise fail("not-empty", f"{to.name} holds cases already: an export goes to an empty store")
    listing = source.listing()
    exported = Copied(issues=list(listing.issues))
    exporter = Exporter(chance)
    names = [case.id for case in listing.cases]
    exporter.chance.shuffle(names)
    for number, name in enumerate(names):
        report(number, len(names))
        try:
            events = [canonical(event) for event in source.events(name)]
            header = source.header(name)
        except DiagnoseError as error:
            exported.issues += error.issues
            continue
        exported.events += to.put(*exporter.case(header, events))
        exported.cases += 1
    return exported


def _day(at: str) -> datetime.date:
    return datetime.datetime.fromisoformat(at).date()


def _id(value: Any) -> str:
    """An id as it is; what is none is not let out."""
    text = str(value)
    return text if not text or ID.fullmatch(text) else "left_out"


def _variants(variants: Mapping[str, Any]) -> dict[str, str]:
    return {_id(name): _id(choice) for name, choice in variants.items()}
