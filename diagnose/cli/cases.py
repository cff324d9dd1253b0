"""``diagnose cases``: the cases on file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from diagnose.casebook.store import status_of
from diagnose.cli.common import store_at
from diagnose.cli.render import Screen
from diagnose.errors import DiagnoseError
from diagnose.interview.events import Event
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
}


def list_cases(folder: Path | None, no_color: bool) -> None:
    """One line for each case.

    Raises
    ------
    DiagnoseError
        Some cases cannot be read; the others are listed first.
    """
    screen = Screen(no_color)
    store = store_at(folder)
    listing = store.listing()
    if not listing.cases and not listing.issues:
        screen.line(f"No cases in {store.folder}.")
    for case in listing.cases:
        events = store.events(case.id)
        status = status_of(events)
        last = [e for e in events if e.kind == "concluded"]
        about = ""
        if last:
            unit, mode = (str(last[-1].data.get(k, "")) for k in ("unit", "failure_mode"))
            about = f"{unit}.{mode}" if unit else "cause not known"
        screen.line(f"{case.id}  {status}  {about or case.title}".rstrip())
    if listing.issues:
        raise DiagnoseError(listing.issues)


def show_case(case_id: str, folder: Path | None, no_color: bool) -> None:
    """A case, one event after another.

    Raises
    ------
    DiagnoseError
        There is no such case, or it cannot be read.
    """
    screen = Screen(no_color)
    store = store_at(folder)
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
    screen.line()
    for event in events:
        says = SAYS[event.kind] + (" (taken back)" if event.id in gone else "")
        text = described(event, kinds)
        screen.para(f"{event.at[:16].replace('T', ' ')}  {says}: {text}".rstrip(": "), hang=18)


def described(event: Event, events: dict[str, Event]) -> str:
    """An event's data in one line."""
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
    parts = []
    for key, value in data.items():
        if key not in ("minutes", "shown") or event.kind == "closed":
            text = ", ".join(map(str, value)) if isinstance(value, list) else str(value)
            parts.append(f"{key} {text}" if event.kind == "closed" else text)
    return "; ".join(p for p in parts if p.strip())


def _said(key: str, value: Any) -> str:
    """One answer of the set-up in words."""
    if isinstance(value, dict):
        return ", ".join(f"{name}: {choice}" for name, choice in value.items())
    text = ", ".join(map(str, value)) if isinstance(value, list) else str(value)
    return f"{key.replace('_', ' ')}: {text or 'none'}"
