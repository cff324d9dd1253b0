"""``diagnose close``: what was really found, and later whether the repair has held."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from diagnose.casebook.store import CaseStore
from diagnose.cli.closing import (
    Questions,
    called_for,
    leading,
    parse_day,
    several,
    steps_of,
    took_before,
    verified_by_checks,
)
from diagnose.cli.common import INTERRUPTED, load, store_at
from diagnose.cli.lines import clean
from diagnose.cli.render import Screen
from diagnose.cli.saving import Recorder
from diagnose.errors import fail
from diagnose.interview.events import CONFIRMED, VERIFIED, new_event
from diagnose.interview.state import is_closed, variants_of
from diagnose.knowledge.names import unit_of
from diagnose.knowledge.records import KnowledgeBase
from diagnose.language import gettext as _
from diagnose.plant.compose import compose

HELD = {"held": "yes", "not-held": "no"}


@dataclass(frozen=True)
class Closing:
    """What the options say; None where the person is to be asked."""

    found: str | None = None
    minutes: float | None = None
    took: Sequence[str] | None = None
    parts: list[str] | None = None
    confirmed: str | None = None
    verified: str | None = None
    call_back: str | None = None

    @property
    def silent(self) -> bool:
        """Whether nothing needs asking: what was found and how it was confirmed is given."""
        return self.found is not None and self.confirmed is not None


def run_close(
    case_id: str, given: Closing, store_name: str | None, knowledge: str | None, no_color: bool
) -> int:
    """Close a case; the exit code.

    Raises
    ------
    DiagnoseError
        There is no such case, it is closed, or an option is not legal.
    """
    screen = Screen(no_color)
    store = store_at(store_name)
    try:
        with store.hold(case_id):
            close_case(store, case_id, given, screen, load(knowledge))
    except (KeyboardInterrupt, EOFError):
        screen.line()
        screen.para(_("The case is still open. To close it:") + f" diagnose close {case_id}")
        return INTERRUPTED
    return 0


def close_case(
    store: CaseStore, case_id: str, given: Closing, screen: Screen, knowledge: KnowledgeBase
) -> None:
    """Ask for what is not given, and file the ``closed`` event."""
    header, events = store.header(case_id), store.events(case_id)
    if is_closed(events):
        message = f"the case '{case_id}' is closed already"
        legal = ("later: --called-back held or not-held",)
        raise fail("closed", message, None, legal)
    fitted = compose(knowledge, header.installation, variants_of(header.variants, events))
    modes, parts_fitted = fitted.modes, fitted.instances
    titles = {
        name: f"{parts_fitted[m.unit].title}: {m.title[0].lower()}{m.title[1:]}"
        for name, m in modes.items()
    }
    steps = steps_of(events, knowledge, fitted)
    took = took_before(events)
    for text in given.took or ():
        step, real = _took(text, steps)
        took[step] = real
    _check(given, modes)
    ask = Questions(screen)
    found = given.found
    if found is None:
        found = ask.found([n for n in leading(events) if n in modes], titles)
    by_checks = verified_by_checks(events)
    passed = "verification" if by_checks == "passed" else ""
    confirmed = given.confirmed or ask.confirmed(passed)
    minutes = given.minutes
    if minutes is None:
        minutes = ask.total(steps, took, bool(given.took)) if not given.silent else None
    worked = sum(took.get(step.event, step.minutes) for step in steps)
    parts = given.parts
    if parts is None:
        parts = [] if given.silent else ask.parts(called_for(events, found, fitted))
    verified = given.verified or by_checks
    if verified is None:
        verified = "not_made" if given.silent else ask.verified()
    if given.call_back is not None:
        call_back = parse_day(given.call_back, datetime.date.today())
    else:
        call_back = "" if given.silent else ask.call_back(datetime.date.today())
    said: dict[str, Any] = {"found": found}
    if found in modes:
        unit, _dot, mode = found.partition(".")
        said = {"unit": unit, "failure_mode": mode}
    event = new_event(
        "closed",
        **said,
        confirmed=confirmed,
        minutes=float(round(worked, 1) if minutes is None else minutes),
        took=took,
        parts=parts,
        verified=verified,
        call_back=call_back,
    )
    Recorder(store, case_id, None if given.silent else input)(event)
    about = titles.get(found, found)
    screen.para(_("Case {case} is closed: {found}").format(case=case_id, found=about))
    if confirmed == "verification" and verified == "failed":
        screen.para(_("The verification failed, so the cause does not count as confirmed."), 2)
    if found not in modes:
        said_so = _("That is not in the knowledge base: the review of the rules will name it.")
        screen.para(said_so, 2)
    if call_back:
        due = _("Call back on {day} (diagnose cases --due), then:").format(day=call_back)
        screen.para(due, 2)
        screen.line(f"    diagnose close {case_id} --called-back held")


def run_called_back(
    case_id: str, held: str, text: str, minutes: float | None, store_name: str | None, plain: bool
) -> int:
    """Note what a call-back told; the exit code.

    Raises
    ------
    DiagnoseError
        There is no such case, it is not closed, or the option is not legal.
    """
    word = held.strip().casefold().replace("_", "-").replace(" ", "-")
    if word not in HELD:
        raise fail("option", f"'{held}' is not what a repair does", None, HELD)
    screen = Screen(plain)
    store = store_at(store_name)
    with store.hold(case_id):
        if not is_closed(store.events(case_id)):
            raise fail("closed", f"the case '{case_id}' is not closed")
        data: dict[str, Any] = {"held": HELD[word], "text": clean(text)}
        if minutes is not None:
            data["minutes"] = float(minutes)
        Recorder(store, case_id)(new_event("called_back", **data))
    if HELD[word] == "yes":
        screen.para(_("Noted: the repair of case {case} has held.").format(case=case_id))
    else:
        screen.para(
            _(
                "Case {case} is open again, and its cause does not count as confirmed any more. "
                "To go on:"
            ).format(case=case_id)
        )
        screen.line(f"  diagnose callout --resume {case_id}")
    return 0


def _check(given: Closing, modes: Any) -> None:
    """Refuse what is not legal among the options, before anything is asked."""
    if given.confirmed is not None and given.confirmed not in CONFIRMED:
        message = f"'{given.confirmed}' is not a way of confirming"
        raise fail("unknown-id", message, None, CONFIRMED)
    if given.verified is not None and given.verified not in VERIFIED:
        message = f"'{given.verified}' is not a result of a verification"
        raise fail("unknown-id", message, None, VERIFIED)
    if given.call_back is not None:
        parse_day(given.call_back, datetime.date.today())
    if given.found is None:
        return
    if not given.found.strip():
        raise fail("option", "what was found is empty: UNIT.MODE, or your own words")
    if several(given.found, modes):
        raise fail("option", f"'{given.found}' is more than one cause: each repair is on file")
    near = near_modes(given.found, modes)
    if near:
        raise fail("unknown-id", f"'{given.found}' is not a failure mode here", None, near)


def near_modes(found: str, modes: Any) -> list[str]:
    """Failure modes that may be meant by what looks like one and is none; else nothing."""
    if "." not in found or " " in found or found in modes:
        return []
    unit = unit_of(found)
    return [name for name in modes if name.startswith(f"{unit}.")] or list(modes)[:8]


def _took(text: str, steps: Sequence[Any]) -> tuple[str, float]:
    """Event and minutes of ``STEP=MIN``."""
    name, _dot, typed = text.partition("=")
    name = name.strip()
    try:
        minutes = float(typed.strip().replace(",", "."))
    except ValueError:
        minutes = -1.0
    if not 0 <= minutes < 1e6:
        raise fail("option", f"--took '{text}' is not STEP=MINUTES")
    for number, step in enumerate(steps, 1):
        if name in (str(number), step.event) or name == step.name:
            return step.event, minutes
    names = [step.name for step in steps]
    raise fail("unknown-id", f"--took: there is no step '{name}' in this case", None, names)
