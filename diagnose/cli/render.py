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

from diagnose.cli.columns import columns, fitting, padded, wrapped
from diagnose.cli.shown import visible
from diagnose.language import gettext as _
from diagnose.language import marked
from diagnose.reasoning.suspects import Suspect, by_unit
from diagnose.report.pictures.values import percent

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
    "dead": marked("isolated and proved dead"),
    "live": marked("LIVE: supply on, live parts within reach"),
    "energised": marked("supply on, covers closed"),
    "any": marked("as it is"),
}
INSTRUMENTS = {
    "none": marked("nothing but eyes, ears and hands"),
    "multimeter": marked("multimeter"),
    "loz": marked("multimeter, low-impedance range"),
    "clamp": marked("clamp meter"),
    "capacitance": marked("capacitance meter"),
    "insulation_tester": marked("insulation tester"),
    "bucket": marked("container of known volume and a watch"),
    "gauge": marked("pressure gauge"),
}
STATUS_TEXTS = {
    "concluded": marked("Likely cause"),
    "ambiguous": marked("Several causes are left; the likeliest"),
    "stopped": marked("Stopped; the likeliest so far"),
    "handed_over": marked("To be handed over; the likeliest so far"),
}


STATUS_WORDS = {
    "concluded": marked("concluded"),
    "ambiguous": marked("ambiguous"),
    "stopped": marked("stopped"),
    "handed_over": marked("handed over"),
}
PLACES = (marked("panel"), marked("roof"), marked("sump"), marked("pump"), marked("telephone"))


def name_of(word: str, names: dict[str, str] | None = None) -> str:
    """An id in words, in the language in use."""
    return _((names or {}).get(word, word.replace("_", " ")))


def looked_ahead(method: str, margin: float) -> str:
    """How a test was chosen by looking ahead, in a sentence."""
    if method == "rollout":
        less = _("about as good")
        if margin >= 0.05:
            less = _("about {minutes} min dearer").format(minutes=f"{margin:.1f}")
        text = _("Looking ahead along the leading tests: starting with the next best is {less}.")
        return text.format(less=less)
    best = _("Looking ahead to the end: no order of tests is quicker if all answers are right")
    if math.isinf(margin):
        return f"{best}."
    more = _("to start with any other costs at least {minutes} min more")
    return f"{best}; {more.format(minutes=f'{margin:.1f}')}."


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
        self._concluded: Conclusion | None = None
        self.full, self.empty = ("█", "·") if _can_write("█·") else ("#", ".")

    def line(self, text: str = "", style: str = "") -> None:
        """One line as it is."""
        self.console.print(Text(visible(text), style=style), soft_wrap=True)

    def para(self, text: str, indent: int = 0, style: str = "", hang: int = 0) -> None:
        """A paragraph, wrapped; further lines stand `hang` columns deeper."""
        first, further = " " * indent, " " * (indent + hang)
        text = visible(text)
        if text.isascii():
            lines = textwrap.wrap(
                text,
                self.width,
                initial_indent=first,
                subsequent_indent=further,
                break_on_hyphens=False,
            )
        else:
            lines = wrapped(text, self.width, first, further)
        for line in lines or [""]:
            self.line(line, style)

    def rule(self, left: str = "", right: str = "") -> None:
        """A heading across the screen, underlined."""
        left, right = (" ".join(visible(text).split("\n")) for text in (left, right))
        room = self.width - columns(right) - 1
        if right and columns(left) >= room:
            left = fitting(left, room - 1)
        self.line()
        self.line(f"{padded(left, room)} {right}".rstrip() if right else left, "bold")
        self.line("-" * self.width)

    def field(self, label: str, text: str, style: str = "") -> None:
        """A labelled text."""
        if text:
            self.para(f"{padded(label, LABEL)}{text}", 2, style, LABEL)

    def options(self, options: Sequence[Option]) -> None:
        """Numbered answers."""
        for number, option in enumerate(options, 1):
            self.para(f"{number:>2}  {option.title}", 2, hang=4)

    def bar(self, share: float) -> str:
        """A share of 1 as a bar."""
        room = self.bar_room
        filled = round(share * room)
        return self.full * filled + self.empty * (room - filled)

    @property
    def bar_room(self) -> int:
        """Columns of a bar: a quarter of the screen, so that the words beside it have room."""
        return min(BAR, self.width // 4)

    # ------------------------------------------------------------------ the interview

    def step(self, step: Step, number: int) -> None:
        """A question, a change of state, a test or a check."""
        if step.kind == "question":
            self.line()
            self.para(step.title, style="bold")
            self.options(step.options)
            return
        left = {
            "act": _("Before the next step"),
            "verify": _("Check after the repair"),
        }.get(step.kind, _("Test {number}").format(number=number))
        if step.again and step.kind == "test":
            left += _(" (asked again)")
        minutes = _("about {minutes} min").format(minutes=f"{step.minutes:.0f}")
        right = minutes if step.minutes >= 1 else ""
        self.rule(left, right)
        self.para(sentence(step.title), style="bold")
        for caution in step.cautions:
            self.field(_("CAUTION"), caution, "bold yellow")
        self.field(_("Do"), step.text)
        self.field(_("Next test"), sentence(step.towards))
        self.field(_("Where"), "" if step.place == "anywhere" else name_of(step.place))
        if step.kind == "test":
            self.field(_("With"), name_of(step.instrument, INSTRUMENTS))
            if step.points:
                numbers = _(" and ").join(map(str, step.points))
                self.field(_("Points"), _("{numbers} on the circuit").format(numbers=numbers))
            live = "bold red" if step.state == "live" else ""
            self.field(_("State"), name_of(step.state, STATES), live)
            self.field(_("Healthy"), step.healthy)
        if step.unit:
            named = "; ".join(f"{o.id} = {o.title}" for o in step.options)
            text = _("the reading (a bare number is in {unit}), or {named}")
            self.field(_("Answer"), text.format(unit=step.unit, named=named))
        elif step.kind != "act":
            self.options(step.options)

    def open_checks(self, step: Step) -> None:
        """The checks after a repair that are left, and for whom."""
        open_still = _("still open")
        for one in step.open_checks:
            self.para(f"- {open_still}: {_(one.title)} ({_(one.by)})", 2, hang=2)

    def causes(self, turn: Turn, titles: Titles) -> None:
        """The units in front after an answer."""
        label = _("Now likeliest: ")
        for suspect in by_unit(turn.belief.ranking())[:LEADING]:
            if suspect.probability >= 0.01:
                text = f"{label}{titles.suspected(suspect)}"
                self.para(text, 2, "cyan", columns(label) + 6)
                label = " " * columns(label)

    def view(self, turn: Turn, titles: Titles) -> None:
        """What is still suspected, with bars."""
        self.rule(_("Still suspected"))
        rest = 1.0
        for suspect in by_unit(turn.belief.ranking())[:VIEWED]:
            if (p := suspect.probability) < 0.005:
                break
            rest -= p
            self.para(f"{self.bar(p)} {titles.suspected(suspect)}", 2, hang=self.bar_room + 7)
        if rest >= 0.005:
            others = _("all others together")
            self.para(f"{self.bar(rest)} {percent(rest):>4}  {others}", 2)

    def why(self, why: Why) -> None:
        """Why a test was chosen."""
        self.rule(_("Why this test"))
        expected = _(
            "It is expected to tell {gain} bit about which part has failed, for about {minutes} "
            "min with the way and the preparation."
        )
        if why.saves:
            expected = _(
                "Which part has failed is known; this tells how, and so which repair it needs. "
                "It is expected to save {saves} min of repair in vain, for about {minutes} min "
                "with the way and the preparation."
            )
        minutes = f"{why.minutes:.{0 if why.minutes >= 1 else 1}f}"
        said = {"gain": f"{why.gain:.2f}", "saves": f"{why.saves:.0f}", "minutes": minutes}
        self.para(expected.format(**said), 2)
        if why.method:
            self.para(looked_ahead(why.method, why.margin), 2)
        for split in why.splits:
            leave = _("{outcome} ({share}) would leave in front:")
            self.para(leave.format(outcome=split.title, share=percent(split.probability)), 2)
            for title, p, of_mode in split.leaves:
                if p >= 0.01:
                    self.para(likely(title, p, of_mode), 6, hang=6)
        if why.instead:
            self.para(_("Next best (type 'other' to do one of them instead):"), 2)
            for title, _score in why.instead:
                self.para(f"- {title}", 6, hang=2)

    def conclusion(self, conclusion: Conclusion, titles: Titles) -> None:
        """What the interview ends with; once more, unchanged, only what to do.

        Where it ended before anything was found, only why: nothing is suspected for a reason yet.
        """
        c = conclusion
        again, self._concluded = c == self._concluded, c
        self.rule(_("Result"), _(STATUS_WORDS[c.status]))
        for reason in c.reasons:
            self.field(_("Because"), reason)
        if c.early or not c.ranking:
            self._advice(c)
            return
        if again and c.unit:
            self.para(f"{_(STATUS_TEXTS[c.status])}: {c.title}", 2, "bold", 2)
            self.field(_("Repair"), c.remedy)
            return
        if not c.unit:
            self.para(_("The findings do not fit any cause in the knowledge base."), 2, "bold")
        else:
            self.para(f"{_(STATUS_TEXTS[c.status])}: {c.title}", 2, "bold", 2)
            sure = _("{part} that it is this part ({unit}), {way} that it fails in this way")
            part, way = percent(c.probability), percent(c.mode_probability)
            self.field(_("How sure"), sure.format(part=part, unit=c.unit_title, way=way))
        self.evidence(_("For"), c.supports)
        self.evidence(_("Against"), c.against)
        others = [(n, p) for n, _unit, p in c.ranking[1:4] if p >= 0.01]
        for position, (name, p) in enumerate(others):
            self.field(_("Or else") if not position else "", f"{percent(p)}  {titles(name)}")
        if not c.unit:
            return
        for caution in c.cautions:
            self.field(_("CAUTION"), caution, "bold yellow")
        self.field(_("Repair"), c.remedy)
        if c.licensed:
            self.field(_("By"), _("a licensed electrician only"))
        self.field(_("Spares"), ", ".join(c.spares))
        self.field(_("Look for"), "; ".join(c.root_causes))
        self.field(_("Prevent"), c.prevention)
        self._advice(c)

    def _advice(self, conclusion: Conclusion) -> None:
        for text in conclusion.recommendations:
            self.field(_("Advice"), text)

    def evidence(self, label: str, found: Iterable[Evidence]) -> None:
        """Findings for or against, the strongest five."""
        for position, item in enumerate(list(found)[:5]):
            strength = _("strongly") if abs(item.bits) >= 2 else _("somewhat")
            text = f"{sentence(item.title)}: {item.outcome} ({strength})"
            self.field(label if not position else "", text)


def likely(title: str, p: float, of_mode: float) -> str:
    """A unit's probability, its likeliest failure mode in words, and that one's own share."""
    share = percent(of_mode)
    return f"{percent(p):>4}  {title}" + (f" ({share})" if share != percent(p) else "")


class Titles:
    """Names of failure modes in words."""

    def __init__(self, session: Session) -> None:
        self.session = session

    def __call__(self, name: str) -> str:
        """The failure mode ``unit.mode`` in words."""
        from diagnose.interview.explain import title_of

        return title_of(self.session, name)

    def suspected(self, suspect: Suspect) -> str:
        """A unit with its probability, and how it has most likely failed."""
        return likely(self(suspect.mode), suspect.probability, suspect.of_mode)


def sentence(text: str) -> str:
    """The text with a capital letter in front."""
    return text[:1].upper() + text[1:]


def _can_write(text: str) -> bool:
    try:
        text.encode(sys.stdout.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True
