"""The checklist of a survey on paper: plain text, Markdown, or a form to be read back."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from diagnose.cli.render import INSTRUMENTS, STATES, name_of
from diagnose.interview.explain import title_of
from diagnose.interview.session import Session
from diagnose.interview.survey import Leg, Line, Survey

FORMATS = (".md", ".txt", ".yaml")
SAFETY = (
    "Mains and water can kill. Local codes come first. Nobody works at an open panel that is not "
    "isolated, locked off and proved dead, unless the line says LIVE and a qualified person does "
    "it. Never climb or lean into the sump; no roof without safe access."
)
CLOSING = (
    "Function checks at the end of every survey, besides the list (their minutes are not "
    "counted above):"
)
BEFORE = {
    "energised": "Supply on, covers closed. Start here.",
    "dead": "Isolate every source, lock off, prove dead with a proved two-pole tester: every "
    "live conductor to every other, to neutral and to earth, and neutral to earth; discharge "
    "capacitors. Only then open and touch.",
    "live": "LIVE. Only a qualified person, a rated meter, nobody alone. No other test reveals "
    "what these reveal. Isolate to open the panel and again to close it.",
}
LEVELS = {"": "", "empty": "roof tank low", "mid": "roof tank half full", "full": "roof tank full"}
SHOWN_SOLE = 3
FAST = "\N{NO-BREAK SPACE}"
"""Holds a box and its text together where lines are broken."""


def heading(leg: Leg) -> str:
    """Where, in which state, at which level of the water."""
    said = (name_of(leg.place), STATES[leg.round], LEVELS[leg.level])
    return ", ".join(text for text in said if text)


def summary(survey: Survey) -> str:
    """What the list covers and how long it takes."""
    cover = survey.cover
    proof = "no shorter list does" if cover.gap <= 1e-9 else f"at most {cover.gap:.1%} too long"
    return (
        f"{len(cover.tests)} tests reveal {len(cover.revealed)} failure modes, each with a chance "
        f"of {survey.threshold:.0%} or more; about {cover.minutes:.0f} min with walks and changes "
        f"of state ({proof})."
    )


def _sole(session: Session, line: Line, most: int) -> str:
    titles = [title_of(session, name) for name in line.sole[:most]]
    more = len(line.sole) - len(titles)
    return "; ".join([*titles, *([f"and {more} more"] if more > 0 else [])])


def _wrapped(label: str, text: str, width: int, indent: int = 9) -> Iterator[str]:
    if text:
        first = " " * indent + f"{label:<10}"
        yield from textwrap.wrap(
            text,
            width,
            initial_indent=first,
            subsequent_indent=" " * len(first),
            break_on_hyphens=False,
        )


def plain(survey: Survey, session: Session, width: int = 80) -> list[str]:
    """The list as plain text."""
    lines = ["Survey: " + session.installation.type.title, "=" * width]
    for text in (SAFETY, summary(survey)):
        lines += [*textwrap.wrap(text, width, break_on_hyphens=False), ""]
    lines += ["Site ______________________  Date ____________  By ____________________", ""]
    number, before = 0, ""
    for leg in survey.legs:
        if leg.round != before:
            before = leg.round
            said = textwrap.wrap(BEFORE[leg.round], width - 4, break_on_hyphens=False)
            lines += [
                "",
                *(f">>> {text}" if k == 0 else f"    {text}" for k, text in enumerate(said)),
            ]
        lines += ["", heading(leg), "-" * width]
        for line in leg.lines:
            number += 1
            lines += _plain_line(session, line, number, width)
    lines += ["", *textwrap.wrap(CLOSING, width), ""]
    for check in survey.also:
        lines += textwrap.wrap(
            f"[ ] {check.title}: {check.how}", width, initial_indent="  ", subsequent_indent=" " * 6
        )
    lines += _plain_unseen(survey, width)
    return lines


def _plain_line(session: Session, line: Line, number: int, width: int) -> Iterator[str]:
    minutes = f"{line.minutes:g} min"
    room = width - 9 - len(minutes) - 1
    title, *rest = textwrap.wrap(line.title, room)
    yield f"{number:>3}  [ ] {title:<{room}} {minutes}"
    yield from (" " * 9 + text for text in rest)
    for caution in line.cautions:
        yield from _wrapped("CAUTION", caution, width)
    yield from _wrapped("Do", line.do, width)
    if line.instrument != "none":
        yield from _wrapped("With", name_of(line.instrument, INSTRUMENTS), width)
    yield from _wrapped("Healthy", line.healthy, width)
    yield from _wrapped("Alone for", _sole(session, line, SHOWN_SOLE), width)
    if line.unit:
        yield from _wrapped("Reading", f"____________________ {line.unit}", width)
    else:
        boxes = "   ".join(f"[ ] {title}".replace(" ", FAST) for _, title in line.outcomes)
        yield from (text.replace(FAST, " ") for text in _wrapped("Found", boxes, width))
    yield ""


def _plain_unseen(survey: Survey, width: int) -> Sequence[str]:
    if not survey.unseen:
        return ["", "Every failure mode of this installation is revealed by some test above."]
    lines = ["", "Not revealed:", ""]
    for unseen in survey.unseen:
        text = f"- {unseen.title}: {unseen.reason}"
        lines += textwrap.wrap(text, width, initial_indent="  ", subsequent_indent="    ")
    return lines


def markdown(survey: Survey, session: Session) -> list[str]:
    """The list as Markdown."""
    lines = [f"# Survey: {session.installation.type.title}", "", f"**{SAFETY}**", ""]
    lines += [summary(survey), "", "Site: ____ Date: ____ By: ____"]
    number, before = 0, ""
    for leg in survey.legs:
        if leg.round != before:
            before = leg.round
            lines += ["", f"> **{BEFORE[leg.round]}**"]
        lines += ["", f"## {heading(leg)}", ""]
        for line in leg.lines:
            number += 1
            lines += _markdown_line(session, line, number)
    lines += ["", "## Function checks", "", CLOSING, ""]
    lines += [f"- [ ] {check.title}: {check.how}" for check in survey.also]
    lines += ["", "## Not revealed", ""]
    lines += [f"- {u.title}: {u.reason}" for u in survey.unseen] or ["Nothing."]
    return lines


def _markdown_line(session: Session, line: Line, number: int) -> Iterator[str]:
    yield f"{number}. [ ] **{line.title}** ({line.minutes:g} min, `{line.test}`)"
    for caution in line.cautions:
        yield f"   - **CAUTION** {caution}"
    yield f"   - Do: {line.do}"
    if line.instrument != "none":
        yield f"   - With: {name_of(line.instrument, INSTRUMENTS)}"
    yield f"   - Healthy: {line.healthy}"
    if line.sole:
        yield f"   - Alone for: {_sole(session, line, len(line.sole))}"
    if line.unit:
        yield f"   - Reading: ________ {line.unit}"
    else:
        yield "   - Found: " + " ".join(f"[ ] {title}" for _, title in line.outcomes)


def form(survey: Survey, session: Session) -> list[str]:
    """The list as YAML, to be filled in and read back with --filled."""
    choices = " ".join(f"--set {k}={v}" for k, v in session.installation.choices.items())
    lines = [
        "# Fill in what was read or found after each colon; leave it empty where it was not done.",
        f"# Then: diagnose survey {choices} --filled THIS-FILE",
    ]
    for leg in survey.legs:
        lines += ["", f"# {heading(leg)}"]
        for line in leg.lines:
            legal = ", ".join(f"{outcome} = {title}" for outcome, title in line.outcomes)
            reading = f"a reading in {line.unit}, or " if line.unit else ""
            lines += [f"# {line.title}; healthy: {line.healthy}", f"#   {reading}{legal}"]
            lines += [f"{line.test}:"]
    return lines
