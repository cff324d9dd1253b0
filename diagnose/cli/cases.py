"""``diagnose cases``: the cases on file."""

from __future__ import annotations

import datetime
from typing import Any

from diagnose.casebook.store import Summary, cause_in_words, slug, status_of
from diagnose.cli.common import store_at
from diagnose.cli.render import Screen, name_of
from diagnose.cli.shown import print_lines
from diagnose.errors import DiagnoseError, fail
from diagnose.interview.events import CONFIRMED, Event
from diagnose.interview.state import variants_of, withdrawn_ids

SAYS = {
    "opened": "opened",
    "described": "described",
    "complaint": "complaint",
    "answered": "answered",
    "act": "done",
    "finding": "found",
    "cannot": "cannot",
    "concluded": "concluded",
    "repaired": "repaired",
    "verified": "checked",
    "withdrawn": "taken back",
    "stopped": "stopped",
    "resumed": "resumed",
    "phoned": "called",
    "closed": "closed",
    "called_back": "asked later",
}


def list_cases(store_name: str | None, no_color: bool) -> None:
    """One line for each case.

    Raises
    ------
    DiagnoseError
        Some cases cannot be read; the others are listed first.
    """
    store = store_at(store_name)
    found = store.overview()
    if not found.cases and not found.issues:
        Screen(no_color).line(f"No cases in {store.name}.")
    print_lines("  ".join(filter(None, _line(c))) for c in found.cases)
    if found.issues:
        raise DiagnoseError(found.issues)


def _line(case: Summary) -> tuple[str, ...]:
    """Id, status, cause or title, and the site where the id does not name it."""
    site = "" if slug(case.site) in case.id else case.site
    return case.id, case.status, case.about or case.title, site


def list_due(store_name: str | None, on: str | None, no_color: bool) -> None:
    """One line for each case whose customer is to be asked by a day whether the repair has held.

    Raises
    ------
    DiagnoseError
        The day is none, or some cases cannot be read.
    """
    try:
        day = datetime.date.fromisoformat(on) if on else datetime.date.today()
    except ValueError as error:
        raise fail("option", f"--on '{on}' is not a date", None, ("e.g. 2026-12-24",)) from error
    found = store_at(store_name).overview()
    due = [c for c in found.cases if c.call_back and c.call_back <= day.isoformat()]
    if not due:
        Screen(no_color).line(f"Nobody is to be called back by {day.isoformat()}.")
    due.sort(key=lambda c: (c.call_back, c.id))
    print_lines(f"{c.call_back}  {c.id}  {c.about}  {c.site}".rstrip() for c in due)
    if found.issues:
        raise DiagnoseError(found.issues)


def show_case(case_id: str, store_name: str | None, no_color: bool) -> None:
    """A case, one event after another, in the machine's time zone.

    Raises
    ------
    DiagnoseError
        There is no such case, or it cannot be read.
    """
    from diagnose.cli.formats import local, zone  # only here: it imports much

    screen = Screen(no_color)
    store = store_at(store_name)
    header, events = store.header(case_id), store.events(case_id)
    gone = withdrawn_ids(events)
    kinds = {event.id: event for event in events}
    screen.rule(header.id, status_of(events))
    screen.field("Title", header.title)
    screen.field("Site", header.site)
    screen.field("Wiring", header.installation)
    for name, choice in variants_of(header.variants, events).items():
        screen.field("", f"{name}: {choice}")
    screen.field("File", store.where(case_id))
    screen.field("Times", ", ".join(dict.fromkeys(zone(event.at) for event in events)))
    screen.line()
    for event in events:
        says = SAYS[event.kind] + (" (taken back)" if event.id in gone else "")
        text = described(event, kinds)
        when = local(event.at)
        at = event.at if when is None else f"{when:%Y-%m-%d %H:%M}"
        screen.para(f"{at}  {says}: {text}".rstrip(": "), hang=18)


def described(event: Event, events: dict[str, Event]) -> str:
    """An event's data in one line, also where a hand has left out some of them."""
    try:
        return _described(event, events)
    except KeyError as error:
        said = ", ".join(f"{key}: {value}" for key, value in event.data.items())
        return f"{said} (lacks {error})".strip()


def _described(event: Event, events: dict[str, Event]) -> str:
    data: dict[str, Any] = dict(event.data)
    if event.kind == "opened":
        return str(data.get("qualification", data.get("site", "")))
    if event.kind == "described":
        return ", ".join(_said(key, value) for key, value in data.items())
    if event.kind == "complaint":
        return ", ".join(data["ids"])
    if event.kind == "answered":
        return f"{data['question']}: {data['choice']}"
    if event.kind == "finding":
        unsure = "" if data.get("sure", "yes") == "yes" else " (not sure)"
        raw = f" as '{data['raw']}'" if data.get("raw", data["outcome"]) != data["outcome"] else ""
        return f"{data['test']}: {data['outcome']}{raw}{unsure}"
    if event.kind == "withdrawn":
        taken = events.get(str(data["event"]))
        return described(taken, {}) if taken is not None else ""
    if event.kind == "concluded":
        name = f"{data.get('unit')}.{data.get('failure_mode')}" if data.get("unit") else "unknown"
        return f"{data.get('status')}: {name}, {data.get('probability', 0.0):.0%} for the part"
    if event.kind == "repaired":
        return f"{data['unit']}.{data['failure_mode']}"
    if event.kind == "verified":
        return f"{data['check']}: {data['result']}"
    if event.kind == "called_back":
        held = "it has held" if data.get("held") == "yes" else "it has not held"
        return "; ".join(text for text in (held, str(data.get("text", ""))) if text)
    if event.kind == "closed":
        return _closed(data)
    parts = []
    for key, value in data.items():
        if key not in ("minutes", "own", "walk", "place", "shown"):
            parts.append(", ".join(map(str, value)) if isinstance(value, list) else str(value))
    return "; ".join(p for p in parts if p.strip())


def _closed(data: dict[str, Any]) -> str:
    """What a case was closed with."""
    said = [cause_in_words(data)]
    if data.get("confirmed"):
        said.append(CONFIRMED.get(str(data["confirmed"]), str(data["confirmed"])))
    if data.get("verified"):
        said.append(f"verification {name_of(str(data['verified']))}")
    said.append(f"{float(data.get('minutes', 0.0)):.0f} min")
    if data.get("parts"):
        said.append("parts: " + ", ".join(map(str, data["parts"])))
    if data.get("call_back"):
        said.append(f"call back on {data['call_back']}")
    return "; ".join(said)


def _said(key: str, value: Any) -> str:
    """One answer of the set-up in words."""
    if isinstance(value, dict):
        return ", ".join(f"{name}: {choice}" for name, choice in value.items())
    text = ", ".join(map(str, value)) if isinstance(value, list) else str(value)
    return f"{key.replace('_', ' ')}: {text or 'none'}"
