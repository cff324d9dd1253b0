"""``diagnose close``: what was really found, so that the case can be learned from."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from diagnose.casebook.store import CaseStore
from diagnose.cli.common import INTERRUPTED, load, store_at
from diagnose.cli.lines import clean, match, number_from
from diagnose.cli.render import Screen
from diagnose.errors import fail
from diagnose.interview.events import Event, new_event
from diagnose.interview.state import variants_of, withdrawn_ids
from diagnose.interview.steps import Option
from diagnose.knowledge.records import KnowledgeBase
from diagnose.language import gettext as _
from diagnose.language import marked
from diagnose.plant.compose import compose

CONFIRMED = {
    "verification": marked("all checks after the repair passed"),
    "measured": marked("measured on the part itself, on the bench or taken apart"),
    "replaced": marked("the fault went with the part that was replaced"),
    "not_confirmed": marked("not confirmed"),
}


@dataclass(frozen=True)
class Closing:
    """What the options say; None where the person is to be asked."""

    found: str | None = None
    minutes: float | None = None
    parts: list[str] | None = None
    confirmed: str | None = None

    @property
    def silent(self) -> bool:
        """Whether nothing needs asking: what was found and how it was confirmed is given."""
        return self.found is not None and self.confirmed is not None


def run_close(
    case_id: str, given: Closing, folder: Path | None, knowledge: str | None, no_color: bool
) -> int:
    """Close a case; the exit code.

    Raises
    ------
    DiagnoseError
        There is no such case, it is closed, or an option is not legal.
    """
    screen = Screen(no_color)
    store = store_at(folder)
    try:
        with store.hold(case_id):
            close_case(store, case_id, given, screen, load(knowledge))
    except (KeyboardInterrupt, EOFError):
        screen.line()
        message = _("The case is still open. To close it:")
        screen.para(f"{message} diagnose close {case_id}")
        return INTERRUPTED
    return 0


def close_case(
    store: CaseStore, case_id: str, given: Closing, screen: Screen, knowledge: KnowledgeBase
) -> None:
    """Ask for what is not given, and file the ``closed`` event."""
    header, events = store.header(case_id), store.events(case_id)
    if any(event.kind == "closed" for event in events):
        raise fail("closed", f"the case '{case_id}' is closed already")
    modes = compose(knowledge, header.installation, variants_of(header.variants, events)).modes
    if given.confirmed is not None and given.confirmed not in CONFIRMED:
        message = f"'{given.confirmed}' is not a way of confirming"
        raise fail("unknown-id", message, None, CONFIRMED)
    found = given.found if given.found is not None else _found(screen, leading(events))
    if not found.strip():
        raise fail("option", "what was found is empty: UNIT.MODE, or your own words")
    if "." in found and " " not in found and found not in modes:
        unit = found.partition(".")[0]
        near = [name for name in modes if name.startswith(f"{unit}.")] or list(modes)[:8]
        raise fail("unknown-id", f"'{found}' is not a failure mode here", None, near)
    worked = sum(float(e.data.get("minutes", 0.0)) for e in events)
    minutes = given.minutes
    if minutes is None:
        minutes = worked if given.silent else _minutes(screen, worked)
    parts = given.parts
    if parts is None:
        parts = [] if given.silent else _parts()
    confirmed = given.confirmed or _confirmed(screen)
    data: dict[str, Any] = {"minutes": float(minutes), "parts": parts, "confirmed": confirmed}
    if found in modes:
        unit, _dot, mode = found.partition(".")
        data = {"unit": unit, "failure_mode": mode, **data}
    else:
        data = {"found": found, **data}
    store.append(case_id, new_event("closed", **data))
    screen.para(_("Case {case} is closed: {found}").format(case=case_id, found=found))


def leading(events: list[Event]) -> str:
    """The cause that was repaired, else the one concluded; "" where there is neither."""
    gone = withdrawn_ids(events)
    for kind in ("repaired", "concluded"):
        for event in reversed(events):
            if event.kind == kind and event.id not in gone and event.data.get("unit"):
                return f"{event.data['unit']}.{event.data['failure_mode']}"
    return ""


def _found(screen: Screen, default: str) -> str:
    screen.para(_("What was really found? UNIT.MODE, or your own words."), style="bold")
    while True:
        hint = f" (Enter: {default})" if default else ""
        typed = clean(input(_("found") + f"{hint} > ")) or default
        if typed:
            return typed


def _minutes(screen: Screen, worked: float) -> float:
    while True:
        prompt = _("working minutes in all (Enter: {minutes}) > ")
        typed = input(prompt.format(minutes=f"{worked:.0f}")).strip()
        if not typed:
            return round(worked, 1)
        try:
            minutes = float(typed.replace(",", ".").removesuffix("min").strip())
        except ValueError:
            minutes = -1.0
        if 0 <= minutes < 1e6:
            return minutes
        screen.para(_("Type a number of minutes, e.g. 45."), 2, "red")


def _parts() -> list[str]:
    typed = input(_("parts used, with commas (Enter: none) > "))
    return [part for part in (clean(p) for p in typed.split(",")) if part]


def _confirmed(screen: Screen) -> str:
    options = [Option(k, _(v)) for k, v in CONFIRMED.items()]
    screen.para(_("How was it confirmed?"), style="bold")
    screen.options(options)
    while True:
        chosen = match(input(_("number > ")), options)
        if chosen is not None:
            return chosen
        screen.para(number_from(len(options)), 2, "red")
