"""``diagnose day``: a day in the life of an installation, healthy and with a failure mode."""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.cli.common import load, settings
from diagnose.cli.render import Screen
from diagnose.cli.shown import put_file
from diagnose.errors import fail
from diagnose.plant.compose import Installation, compose
from diagnose.quantities import QuantityError, parse_quantity

if TYPE_CHECKING:
    from diagnose.knowledge.records import KnowledgeBase
    from diagnose.plant.day_values import Day

STDOUT = Path("-")
SLOWEST, FASTEST = 0.1, 1440.0


@dataclass(frozen=True)
class Wanted:
    """What the options ask for."""

    kind: str | None = None
    variants: Sequence[str] = ()
    modes: Sequence[str] = ()
    hours: float = 24.0
    seed: int = 0
    travel: Sequence[str] = ()
    main_off: str | None = None
    text: bool = False
    output: Path | None = None
    animated: bool = False
    speed: float = 60.0
    no_color: bool = False

    def checked(self) -> Wanted:
        """The same, refused where the options contradict one another.

        Raises
        ------
        DiagnoseError
            They do, or a number is out of its range.
        """
        if sum((self.text, self.output is not None, self.animated)) > 1:
            raise fail("option", "one of --text, --output and --animate at a time")
        if self.output not in (None, STDOUT) and self.output.suffix.lower() != ".svg":
            raise fail("option", f"--output '{self.output}' does not end in .svg")
        if not SLOWEST <= self.speed <= FASTEST:
            legal = f"{SLOWEST:g} to {FASTEST:g} simulated minutes a second are legal"
            raise fail("option", f"--speed {self.speed:g}: {legal}")
        if self.seed < 0:
            raise fail("option", f"--seed {self.seed}: 0 or more is legal")
        return self


def run_day(wanted: Wanted, folder: str | None) -> int:
    """Run the command; the exit code.

    Raises
    ------
    DiagnoseError
        Options that contradict one another, or input that cannot be used.
    """
    wanted = wanted.checked()
    knowledge = load(folder)
    kind = wanted.kind or next(iter(knowledge.days), next(iter(knowledge.installations)))
    installation = compose(knowledge, kind, settings(wanted.variants))
    days = _days(knowledge, installation, wanted)
    heading = f"{installation.type.title}: {_hours(wanted.hours)}, simulated"
    if wanted.output is not None:
        return _draw(days, heading, wanted)
    screen = Screen(wanted.no_color)
    ascii_only = screen.full != "█"
    if wanted.animated:
        from diagnose.cli.day_frames import animate

        animate(days[-1][1], wanted.speed, ascii_only)
        if not sys.stdout.isatty():
            return 0
    _write(screen, days, heading, ascii_only)
    return 0


def _write(screen: Screen, days: Sequence[tuple[str, Day]], heading: str, ascii_only: bool) -> None:
    from diagnose.cli.day_text import PLAIN, SYMBOLS, day_lines

    symbols = PLAIN if ascii_only else SYMBOLS
    screen.para(heading, style="bold")
    screen.para(f"{days[0][1].plan.title} (invented). Nothing on site is touched.")
    for title, day in days:
        screen.rule(title)
        for line in day_lines(day, screen.width, symbols):
            if line.startswith("! "):
                screen.para(line, style="bold", hang=2)
            else:
                screen.line(line)
    screen.line()
    signs = f"{symbols['on']} on   {symbols['part']} on for a part   "
    screen.line(f"{signs}{symbols['often']} on again and again   {symbols['off']} off")


def _hours(hours: float) -> str:
    return "24 hours from midnight" if hours == 24 else f"{hours:g} h from midnight"


def _days(
    knowledge: KnowledgeBase, installation: Installation, wanted: Wanted
) -> list[tuple[str, Day]]:
    from diagnose.plant.day import run

    travel, off = _travel(wanted.travel), _off(wanted.main_off)
    days = []
    for modes in ((), tuple(wanted.modes)) if wanted.modes else ((),):
        day = run(knowledge, installation, modes, wanted.hours, wanted.seed, travel, main_off=off)
        days.append((_title(installation, modes), day))
    return days


def _title(installation: Installation, modes: Sequence[str]) -> str:
    if not modes:
        return "Healthy"
    said = []
    for name in modes:
        mode = installation.modes[name]
        title = installation.instances[mode.unit].title
        said.append(f"{title[:1].upper()}{title[1:]}: {mode.title} ({name})")
    return "; ".join(said)


def _travel(pairs: Sequence[str]) -> dict[str, float]:
    found = {}
    for name, text in settings(pairs, "--travel", "FLOAT=LENGTH").items():
        try:
            quantity = parse_quantity(text, "m")
        except QuantityError as error:
            raise fail("option", f"--travel {name}: {error}") from error
        if not 0 <= quantity.value <= 1:
            raise fail("option", f"--travel {name}: {text} is not between nothing and 1 m")
        found[name] = quantity.value
    return found


def _off(text: str | None) -> tuple[tuple[float, float], ...]:
    if text is None:
        return ()
    start, dash, end = text.partition("-")
    try:
        hours = float(start), float(end)
    except ValueError:
        hours = 0.0, -1.0
    if not dash or not 0 <= hours[0] < hours[1] < math.inf:
        raise fail("option", f"--main-off '{text}' is not FROM-TO in hours, as in 5-20")
    return ((hours[0] * 60, hours[1] * 60),)


def _draw(days: Sequence[tuple[str, Day]], heading: str, wanted: Wanted) -> int:
    from diagnose.report.pictures.day import day_svg

    svg = day_svg(days, heading)
    path = None if wanted.output == STDOUT else wanted.output
    put_file(path, svg.encode())
    if path is not None:
        Screen(wanted.no_color).para(f"The day: {path}", hang=2)
    return 0
