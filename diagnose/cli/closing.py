"""The questions at the end of a case; Enter takes what is proposed."""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable, Container, Mapping, Sequence
from dataclasses import dataclass

from diagnose.cli.lines import by_words, clean, match, number_from
from diagnose.cli.render import Screen, name_of, sentence
from diagnose.errors import DiagnoseError, fail
from diagnose.interview.asking import ACT_TEXTS
from diagnose.interview.events import CONFIRMED, VERIFIED, Event
from diagnose.interview.state import reopens, withdrawn_ids
from diagnose.interview.steps import Option
from diagnose.knowledge.names import unit_of
from diagnose.knowledge.records import KnowledgeBase
from diagnose.language import gettext as _
from diagnose.plant.compose import Installation, fill
from diagnose.quantities import QuantityError, parse_reading
from diagnose.units import whole_number

LISTED = 5
"""Causes proposed by number."""


@dataclass(frozen=True)
class StepDone:
    """A step with minutes: its event, the id of its test, act or failure mode, and its title."""

    event: str
    name: str
    title: str
    minutes: float


def leading(events: Sequence[Event]) -> list[str]:
    """Causes to propose: the one repaired last, the one concluded, those that led at the end."""
    gone = withdrawn_ids(events)
    names: list[str] = []
    for kind in ("repaired", "concluded"):
        for event in reversed(events):
            if event.kind == kind and event.id not in gone and event.data.get("unit"):
                names.append(f"{event.data['unit']}.{event.data['failure_mode']}")
    for event in reversed(events):
        if event.kind == "finding" and event.id not in gone:
            names += [str(name) for name in event.data.get("shown", {})]
            break
    return list(dict.fromkeys(names))[:LISTED]


def steps_of(
    events: Sequence[Event], knowledge: KnowledgeBase, fitted: Installation
) -> list[StepDone]:
    """All that took minutes, in order."""
    gone = withdrawn_ids(events)
    steps = []
    for event in events:
        data = event.data
        minutes = float(data.get("minutes", 0.0))
        if event.id in gone or minutes <= 0 or event.kind not in ("act", "finding", "repaired"):
            continue
        if event.kind == "finding":
            name = str(data["test"])
            base, _at, at = name.partition("@")
            test, known = knowledge.tests.get(base), not at or at in fitted.instances
            title = _(fill(test.title, fitted, at)) if test and known else name_of(name)
        elif event.kind == "act":
            name = str(data["act"])
            title = _(ACT_TEXTS[name][0]) if name in ACT_TEXTS else name_of(name)
        else:
            name = f"{data['unit']}.{data['failure_mode']}"
            mode = fitted.modes.get(name)
            about = f"{name_of(str(data['unit']))}, {name_of(str(data['failure_mode']))}"
            if mode is not None:
                about = f"{_(fitted.instances[mode.unit].title)}: {_(mode.title)}"
            title = _("Repair: {about}").format(about=about)
        steps.append(StepDone(event.id, name, sentence(title), minutes))
    return steps


def took_before(events: Sequence[Event]) -> dict[str, float]:
    """Minutes put right when the case was closed before."""
    took: dict[str, float] = {}
    for event in events:
        if event.kind == "closed":
            took |= {str(k): float(v) for k, v in event.data.get("took", {}).items()}
    return took


def verified_by_checks(events: Sequence[Event]) -> str | None:
    """What the checks since the last repair say; None where none was made."""
    gone = withdrawn_ids(events)
    checks: dict[str, str] = {}
    for event in events:
        if event.kind == "repaired" or reopens(event):
            checks = {}
        elif event.kind == "verified" and event.id not in gone:
            checks[str(event.data["check"])] = str(event.data["result"])
    if not checks:
        return None
    results = set(checks.values())
    return "failed" if "fail" in results else "passed" if "pass" in results else "not_made"


def called_for(events: Sequence[Event], found: str, fitted: Installation) -> list[str]:
    """Spares of what was repaired and of what was found: proposed, never taken for used."""
    gone = withdrawn_ids(events)
    names = [
        f"{e.data['unit']}.{e.data['failure_mode']}"
        for e in events
        if e.kind == "repaired" and e.id not in gone
    ]
    modes = [fitted.modes[name] for name in (*names, found) if name in fitted.modes]
    return list(dict.fromkeys(_(spare) for mode in modes for spare in mode.mode.spares))


def parse_day(text: str, today: datetime.date) -> str:
    """A day, ISO 8601, from a date or from a number of days; "" for none.

    Raises
    ------
    DiagnoseError
        It is neither.
    """
    text = text.strip().casefold()
    if text in ("", "no", "none"):
        return ""
    days = re.fullmatch(r"(\d{1,4})\s*(?:d|days?)?", text)
    try:
        if days:
            return (today + datetime.timedelta(days=int(days[1]))).isoformat()
        return datetime.date.fromisoformat(text).isoformat()
    except ValueError:
        example = f"30, or {today + datetime.timedelta(days=30)}"
        raise fail(
            "option", f"'{text}' is no day and no number of days", None, (example,)
        ) from None


def several(typed: str, titles: Container[str]) -> bool:
    """Whether more than one number or failure mode was typed, as in ``1, 2``."""
    parts = re.findall(r"[^\s,;+&]+", typed)
    return len(parts) > 1 and all(whole_number(part) or part in titles for part in parts)


class Questions:
    """Asks at the terminal."""

    def __init__(self, screen: Screen, read: Callable[[str], str] = input) -> None:
        self.screen = screen
        self.read = read

    def found(self, names: Sequence[str], titles: Mapping[str, str]) -> str:
        """What was really found: a failure mode, or own words."""
        self.screen.para(_("What was really found?"), style="bold")
        options = [Option(name, titles.get(name, name)) for name in names]
        self.screen.options(options)
        self.screen.para(
            _("A number, UNIT.MODE, or your own words where the knowledge base does not have it.")
            if names
            else _("UNIT.MODE, or your own words where the knowledge base does not have it."),
            2,
        )
        while True:
            hint = " (Enter: 1)" if names else ""
            typed = clean(self.read(_("found") + f"{hint} > "))
            if not typed and names:
                return names[0]
            if several(typed, titles):
                self.screen.para(_("One only: each repair is on file by itself."), 2, "red", 2)
                continue
            if whole_number(typed) is not None:
                chosen = match(typed, options)
                if chosen is not None:
                    return chosen
            elif typed in titles:
                return typed
            elif typed and ("." not in typed or " " in typed):
                return self._known(typed, titles) or typed
            unit = unit_of(typed)
            near = [n for n in titles if n.startswith(f"{unit}.")][:8]
            self.screen.para(_("'{typed}' is none of these.").format(typed=typed), 2, "red", 2)
            if near and "." in typed:
                listed = _("{unit} has: {modes}.").format(unit=unit, modes=", ".join(near))
                self.screen.para(listed, 2, "red", 2)

    def _known(self, typed: str, titles: Mapping[str, str]) -> str:
        """The failure mode that own words mean, where its title holds them all; else ""."""
        near = by_words(typed, [Option(name, title) for name, title in titles.items()])
        if not near:
            return ""
        self.screen.options(near)
        while True:
            line = self.read(_("One of these? number, Enter: none of them > "))
            chosen = match(line, near)
            if chosen is not None or not line.strip():
                return chosen or ""
            self.screen.para(number_from(len(near)), 2, "red")

    def confirmed(self, default: str = "") -> str:
        """How it was confirmed."""
        return self._one(_("How was it confirmed?"), CONFIRMED, default)

    def verified(self) -> str:
        """What came of the verification."""
        return self._one(_("Has everything been checked after the repair?"), VERIFIED)

    def _one(self, question: str, texts: Mapping[str, str], default: str = "") -> str:
        options = [Option(k, _(v)) for k, v in texts.items()]
        self.screen.para(question, style="bold")
        self.screen.options(options)
        hint = f" (Enter: {list(texts).index(default) + 1})" if default else ""
        while True:
            typed = self.read(_("number") + f"{hint} > ")
            if default and not typed.strip():
                return default
            chosen = match(typed, options)
            if chosen is not None:
                return chosen
            self.screen.para(number_from(len(options)), 2, "red")

    def total(self, steps: Sequence[StepDone], took: dict[str, float], given: bool) -> float:
        """Minutes in all; those of single steps go into `took` where they are put right."""
        if steps:
            mended = took or given
            self.screen.para(
                _("Minutes as estimated or put right") if mended else _("Minutes as estimated")
            )
        for number, step in enumerate(steps, 1):
            minutes = took.get(step.event, step.minutes)
            room = self.screen.width - 14
            title = step.title if len(step.title) <= room else step.title[: room - 2] + ".."
            shown = f"{minutes:.0f}" if minutes >= 1 else f"{minutes:.1f}"
            self.screen.line(f"  {number:>2}  {shown:>4}  {title}")
        how = _("minutes in all, or STEP = MINUTES") if steps else _("working minutes in all")
        while True:
            whole = sum(took.get(step.event, step.minutes) for step in steps)
            typed = self.read(f"{how} (Enter: {whole:.0f}) > ").strip()
            if not typed:
                return round(whole, 1)
            name, equals, text = typed.rpartition("=")
            said, which = _minutes(text), name.strip()
            if said is not None and not equals:
                return said
            chosen = whole_number(which)
            if said is not None and chosen is not None and 1 <= chosen <= len(steps):
                took[steps[chosen - 1].event] = said
                continue
            self.screen.para(
                _("Type a number of minutes, e.g. 45, or a step and its minutes, e.g. 1 = 20.")
                if steps
                else _("Type a number of minutes, e.g. 45."),
                2,
                "red",
            )

    def parts(self, called_for: Sequence[str] = ()) -> list[str]:
        """Parts that were used; of those that the repair calls for, the ones that are picked."""
        if not called_for:
            typed = self.read(_("parts used, with commas (Enter: none) > "))
            return [part for part in (clean(p) for p in typed.split(",")) if part]
        self.screen.para(_("Parts that this repair calls for"))
        options = [Option(part, part) for part in called_for]
        self.screen.options(options)
        while True:
            typed = self.read(_("parts used: numbers or words, with commas (Enter: none) > "))
            given = [part for part in (clean(p) for p in typed.split(",")) if part]
            used = [match(p, options) if whole_number(p) is not None else p for p in given]
            if None not in used:
                return [part for part in used if part]
            self.screen.para(number_from(len(options)), 2, "red")

    def call_back(self, today: datetime.date) -> str:
        """When the customer is to be asked whether the repair has held."""
        while True:
            typed = self.read(_("call back on a date, or in days, e.g. 30 (Enter: no) > "))
            try:
                return parse_day(typed, today)
            except DiagnoseError as error:
                self.screen.para(str(error), 2, "red")


def _minutes(text: str) -> float | None:
    """Minutes as typed, a bare number too, or hours as minutes; None where it is no such time."""
    try:
        minutes = parse_reading(text, "min")
    except QuantityError:
        return None
    return minutes if 0 <= minutes < 1e6 else None
