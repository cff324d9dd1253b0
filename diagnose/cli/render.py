"""Text on the screen: at most 80 columns, readable without colour, no cursor tricks."""

from __future__ import annotations

import math
import os
import shutil
import sys
import textwrap
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

if TYPE_CHECKING:
    from diagnose.interview.session import Session, Turn
    from diagnose.interview.steps import Conclusion, Evidence, Option, Step, Why

WIDEST = 80
NARROWEST = 40
BAR = 20
LEADING = 3
VIEWED = 12
LABEL = 10
STATES = {
    "dead": "isolated and proved dead",
    "live": "LIVE: supply on, live parts within reach",
    "energised": "supply on, covers closed",
    "any": "as it is",
}
INSTRUMENTS = {
    "none": "nothing but eyes, ears and hands",
    "multimeter": "multimeter",
    "loz": "multimeter, low-impedance range",
    "clamp": "clamp meter",
    "capacitance": "capacitance meter",
    "insulation_tester": "insulation tester",
    "bucket": "container of known volume and a watch",
    "gauge": "pressure gauge",
}
STATUS_TEXTS = {
    "concluded": "Likely cause",
    "ambiguous": "Several causes are left; the likeliest",
    "stopped": "Stopped; the likeliest so far",
    "handed_over": "To be handed over; the likeliest so far",
}


def name_of(word: str, names: dict[str, str] | None = None) -> str:
    """An id in words."""
    return (names or {}).get(word, word.replace("_", " "))


def percent(probability: float) -> str:
    """A probability as shown; certainty is never claimed."""
    return ">99%" if probability > 0.994 else f"{probability:.0%}"


def looked_ahead(method: str, margin: float) -> str:
    """How a test was chosen by looking ahead, in a sentence."""
    if method == "rollout":
        less = "about as good" if margin < 0.05 else f"about {margin:.1f} min dearer"
        return f"Looking ahead along the leading tests: starting with the next best is {less}."
    best = "Looking ahead to the end: no order of tests is quicker if all answers are right"
    if math.isinf(margin):
        return f"{best}."
    return f"{best}; to start with any other costs at least {margin:.1f} min more."


class Screen:
    """Writes to stdout; `plain` leaves out all colour."""

    def __init__(self, plain: bool = False) -> None:
        plain = plain or bool(os.environ.get("NO_COLOR")) or os.environ.get("TERM") == "dumb"
        self.plain = plain
        coloured = not plain and sys.stdout.isatty()
        self.width = max(NARROWEST, min(WIDEST, shutil.get_terminal_size((80, 24)).columns))
        self.console = Console(
            file=sys.stdout,
            width=self.width,
            color_system="standard" if coloured else None,
            force_terminal=coloured,
            markup=False,
            highlight=False,
            emoji=False,
        )
        self.full, self.empty = ("█", "·") if _can_write("█·") else ("#", ".")

    def line(self, text: str = "", style: str = "") -> None:
        """One line as it is."""
        self.console.print(Text(text, style=style), soft_wrap=True)

    def para(self, text: str, indent: int = 0, style: str = "", hang: int = 0) -> None:
        """A paragraph, wrapped; further lines stand `hang` columns deeper."""
        wrapped = textwrap.wrap(
            text,
            self.width,
            initial_indent=" " * indent,
            subsequent_indent=" " * (indent + hang),
            break_on_hyphens=False,
        )
        for line in wrapped or [""]:
            self.line(line, style)

    def rule(self, left: str = "", right: str = "") -> None:
        """A heading across the screen, underlined."""
        room = self.width - len(right) - 1
        if right and len(left) >= room:
            left = left[: room - 1]
        self.line()
        self.line(f"{left:<{room}} {right}".rstrip() if right else left, "bold")
        self.line("-" * self.width)

    def field(self, label: str, text: str, style: str = "") -> None:
        """A labelled text."""
        if text:
            self.para(f"{label:<{LABEL}}{text}", 2, style, LABEL)

    def options(self, options: Sequence[Option]) -> None:
        """Numbered answers."""
        for number, option in enumerate(options, 1):
            self.para(f"{number:>2}  {option.title}", 2, hang=4)

    def bar(self, share: float) -> str:
        """A share of 1 as a bar."""
        filled = round(share * BAR)
        return self.full * filled + self.empty * (BAR - filled)

    # ------------------------------------------------------------------ the interview

    def step(self, step: Step, number: int) -> None:
        """A question, a change of state, a test or a check."""
        if step.kind == "question":
            self.line()
            self.para(step.title, style="bold")
            self.options(step.options)
            return
        heading = {"act": "Before the next step", "verify": "Check after the repair"}
        left = heading.get(step.kind, f"Test {number}" + (" (asked again)" if step.again else ""))
        right = f"about {step.minutes:.0f} min" if step.minutes >= 1 else ""
        self.rule(left, right)
        self.para(_sentence(step.title), style="bold")
        for caution in step.cautions:
            self.field("CAUTION", caution, "bold yellow")
        self.field("Do", step.text)
        self.field("Where", "" if step.place == "anywhere" else name_of(step.place))
        if step.kind == "test":
            self.field("With", name_of(step.instrument, INSTRUMENTS))
            if step.points:
                self.field("Points", " and ".join(map(str, step.points)) + " on the circuit")
            live = "bold red" if step.state == "live" else ""
            self.field("State", name_of(step.state, STATES), live)
            self.field("Healthy", step.healthy)
        if step.kind == "test" and step.unit:
            named = "; ".join(f"{o.id} = {o.title}" for o in step.options)
            self.field("Answer", f"the reading (a bare number is in {step.unit}), or {named}")
        elif step.kind != "act":
            self.options(step.options)

    def open_checks(self, step: Step) -> None:
        """The checks after a repair that are left, and for whom."""
        for one in step.open_checks:
            self.para(f"- still open: {one.title} ({one.by})", 2, hang=2)

    def causes(self, turn: Turn, titles: Titles) -> None:
        """The causes in front after an answer."""
        label = "Now likeliest: "
        for name, p in turn.belief.ranking()[:LEADING]:
            if p >= 0.01:
                self.para(f"{label}{percent(p):>4}  {titles(name)}", 2, "cyan", len(label) + 6)
                label = " " * len(label)

    def view(self, turn: Turn, titles: Titles) -> None:
        """What is still suspected, with bars."""
        self.rule("Still suspected")
        rest = 1.0
        for name, p in turn.belief.ranking()[:VIEWED]:
            if p < 0.005:
                break
            rest -= p
            self.para(f"{self.bar(p)} {percent(p):>4}  {titles(name)}", 2, hang=BAR + 7)
        if rest >= 0.005:
            self.para(f"{self.bar(rest)} {percent(rest):>4}  all others together", 2)

    def why(self, why: Why) -> None:
        """Why a test was chosen."""
        self.rule("Why this test")
        self.para(
            f"It is expected to tell {why.gain:.2f} bit about which part has failed, for about "
            f"{why.minutes:.0f} min with the way and the preparation.",
            2,
        )
        if why.method:
            self.para(looked_ahead(why.method, why.margin), 2)
        for split in why.splits:
            self.para(f"{split.title} ({percent(split.probability)}) would leave in front:", 2)
            for title, p in split.leaves:
                if p >= 0.01:
                    self.para(f"{percent(p):>4}  {title}", 6, hang=6)
        if why.instead:
            self.para("Next best (type 'other' to do one of them instead):", 2)
            for title, _ in why.instead:
                self.para(f"- {title}", 6, hang=2)

    def conclusion(self, conclusion: Conclusion, titles: Titles) -> None:
        """What the interview ends with."""
        c = conclusion
        self.rule("Result", c.status.replace("_", " "))
        for reason in c.reasons:
            self.field("Because", reason)
        if not c.unit:
            self.para("The findings do not fit any cause in the knowledge base.", 2, "bold")
        else:
            self.para(f"{STATUS_TEXTS[c.status]}: {c.title}", 2, "bold", 2)
            self.field(
                "How sure",
                f"{percent(c.probability)} that it is this part ({c.unit_title}), "
                f"{percent(c.mode_probability)} that it fails in this way",
            )
        self.evidence("For", c.supports)
        self.evidence("Against", c.against)
        others = [(n, p) for n, _, p in c.ranking[1:4] if p >= 0.01]
        for position, (name, p) in enumerate(others):
            self.field("Or else" if not position else "", f"{percent(p)}  {titles(name)}")
        if not c.unit:
            return
        for caution in c.cautions:
            self.field("CAUTION", caution, "bold yellow")
        self.field("Repair", c.remedy)
        if c.licensed:
            self.field("By", "a licensed electrician only")
        self.field("Spares", ", ".join(c.spares))
        self.field("Look for", "; ".join(c.root_causes))
        self.field("Prevent", c.prevention)
        for text in c.recommendations:
            self.field("Advice", text)

    def evidence(self, label: str, found: Iterable[Evidence]) -> None:
        """Findings for or against, the strongest five."""
        for position, item in enumerate(list(found)[:5]):
            strength = "strongly" if abs(item.bits) >= 2 else "somewhat"
            text = f"{item.title}: {item.outcome} ({strength})"
            self.field(label if not position else "", text)


class Titles:
    """Names of failure modes in words."""

    def __init__(self, session: Session) -> None:
        self.session = session

    def __call__(self, name: str) -> str:
        """The failure mode ``unit.mode`` in words."""
        from diagnose.interview.explain import title_of

        return title_of(self.session, name)


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def _can_write(text: str) -> bool:
    try:
        text.encode(sys.stdout.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True
