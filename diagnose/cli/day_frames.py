"""A simulated day as moving pictures of letters: tanks, pump, relay, lamps, clock, in 80 x 24."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Callable, Iterator

from diagnose.cli.shown import visible
from diagnose.plant.day_values import Day, Stretch, clock
from diagnose.plant.day_values import minutes as in_words

Put = Callable[[int, int, str], None]
"""Writes a text at a row and a column."""
WIDTH, HEIGHT = 80, 23
FRAMES = 10
"""Pictures a second."""
WIDE, HIGH = 24, 7
"""The inside of a tank."""
LAMPS = (
    ("full_lamp", "tank full"),
    ("low_lamp", "tank low"),
    ("dry_lamp", "sump dry"),
    ("pump_lamp", "pump"),
    ("buzzer", "buzzer"),
)
WATER, EDGE, FULL, PART, NONE = "▒", "▁", "█", "▌", "·"
PLAIN = {"▒": "#", "▁": "_", "█": "#", "▌": "+", "·": ".", "≈": "~", "─": "-", "│": "|"}


def frames(day: Day, step: float) -> Iterator[tuple[float, list[str]]]:
    """(time, picture) every `step` minutes, the end included; a picture is `HEIGHT` lines."""
    count = max(1, round(day.minutes / step))
    for k in range(count + 1):
        now = min(k * step, day.minutes)
        yield now, frame(day, now, step)


def frame(day: Day, now: float, step: float) -> list[str]:
    """The picture of one moment; what went on and off again within the last step is told too."""
    sheet = [[" "] * WIDTH for _ in range(HEIGHT)]

    def put(row: int, column: int, text: str) -> None:
        for k, char in enumerate(text):
            if 0 <= row < HEIGHT and 0 <= column + k < WIDTH:
                sheet[row][column + k] = char

    state, levels = day.at(now), day.level_at(now)
    arrives, drawn = day.flows_at(now)
    tanks = list(day.plan.tanks.values())
    put(0, 0, f"{clock(now)}  {_what(day)}")
    put(1, 0, "─" * WIDTH)
    put(2, 2, f"{tanks[0].title} {abs(levels[0]):.2f} m")
    _tank(put, day, 0, levels[0], 3, 2)
    tap = f"taps {drawn:.0f} L/min" if drawn > 0 else "taps shut"
    put(9, 2 + WIDE + 2, f"══> {tap}")
    pipe = 12
    moves = "^" if arrives > 0.05 else "v" if arrives < -0.05 else "│"
    put(11, pipe, moves)
    word = _pump(state)
    put(12, pipe - 4, f"( {word} )")
    put(13, pipe, moves)
    flow = f"{arrives:.1f} L/min up" if arrives > 0.05 else ""
    flow = f"{-arrives:.1f} L/min run back" if arrives < -0.05 else flow
    put(11, pipe + 3, flow)
    if len(tanks) > 1:
        put(14, 2, f"{tanks[1].title} {abs(levels[1]):.2f} m")
        _tank(put, day, 1, levels[1], 15, 2)
    for k, (name, text) in enumerate(LAMPS):
        sides = state.shows.get(name)
        if sides is not None:
            on = "~" if sides[0] != sides[1] else "*" if sides[0] else " "
            put(3 + k, 58, f"[{on}] {text}")
    relay = "rattles" if _busy(day, "relay", now, step) else "in" if state.is_on("relay") else "out"
    put(9, 58, f"relay {relay:8s}")
    put(10, 58, "─o──o─" if relay == "in" else "─o~~o─" if relay == "rattles" else "─o  o─")
    starts = [e.time for e in day.events if e.kind == "pump" and "starts" in e.text]
    put(12, 58, f"starts so far {sum(t <= now for t in starts)}")
    put(13, 58, f"last hour     {sum(now - 60 < t <= now for t in starts)}")
    told = [e for e in day.events if e.time <= now][-4:]
    for k, event in enumerate(told):
        put(15 + k, 42, f"{clock(event.time)} {event.text}"[: WIDTH - 42])
    _strip(put, day, now, 21)
    return [visible("".join(line).rstrip()) for line in sheet]


def _what(day: Day) -> str:
    return f"{day.plan.title}: {' and '.join(day.modes) or 'healthy'}"[: WIDTH - 16]


def _busy(day: Day, name: str, now: float, step: float) -> bool:
    return day.column(name, max(0.0, now - step), now or 1e-9) == "often" or day.at(now).rattles(
        name
    )


def _pump(state: Stretch) -> str:
    if state.rattles("pump"):
        return "stutters"
    if state.is_on("dry"):
        return "RUNS DRY"
    if state.is_on("pump"):
        return " PUMPS  "
    return " HUMS   " if state.is_on("hums") else " stands "


def _tank(put: Put, day: Day, k: int, level: float, row: int, column: int) -> None:
    """A tank seen from the side, its floats beside the wall."""
    tank = list(day.plan.tanks.values())[k]
    high = HIGH if k == 0 else 5
    top = tank.overflow_at.nominal
    over = bool(day.spans(f"full:{tank.id}")) and level >= top - 1e-6
    filled = level / top * high
    for j in range(high):
        share = filled - (high - 1 - j)
        inside = WATER * WIDE if share >= 0.75 else EDGE * WIDE if share >= 0.25 else " " * WIDE
        put(row + j, column - 1, "│" + inside + "│")
    put(row + high, column - 1, "└" + "─" * WIDE + "┘")
    if over:
        put(row, column + WIDE + 1, "~~> RUNS OVER")
    for plan in day.plan.floats:
        if plan.tank == tank.id and plan.unit in day.floats:
            at = day.floats[plan.unit][1]
            j = high - 1 - min(high - 1, int(at / top * high))
            if not (over and j == 0):
                put(row + j, column + WIDE + 1, f"-o {plan.unit.replace('_', ' ')}")


def _strip(put: Put, day: Day, now: float, row: int) -> None:
    """Relay and pump from midnight to now."""
    columns = WIDTH - 8
    width = day.minutes / columns
    signs = {"on": FULL, "part": PART, "often": "≈", "off": NONE}
    for k, name in enumerate(("relay", "pump")):
        cells = ""
        for j in range(columns):
            if (j + 0.5) * width > now:
                break
            cells += signs[day.column(name, j * width, (j + 1) * width)]
        put(row + k, 0, f"{name:6s}")
        put(row + k, 7, cells)


def plain(lines: list[str]) -> list[str]:
    """The same in ASCII."""
    table = str.maketrans({**PLAIN, "└": "+", "┘": "+", "═": "="})
    return [line.translate(table) for line in lines]


def animate(day: Day, speed: float, ascii_only: bool) -> None:
    """Show the day, `speed` simulated minutes a second; frames by the hour where no terminal is."""
    if not sys.stdout.isatty():
        for now, picture in frames(day, max(60.0, day.minutes / 48)):
            print("\n".join(plain(picture) if ascii_only else picture))
            print(f"-- {in_words(now)} --")
        return
    from rich.console import Console
    from rich.live import Live
    from rich.text import Text

    console = Console(file=sys.stdout, markup=False, highlight=False, emoji=False)
    with (
        contextlib.suppress(KeyboardInterrupt),
        Live(console=console, screen=True, auto_refresh=False) as live,
    ):
        for _, picture in frames(day, speed / FRAMES):
            shown = plain(picture) if ascii_only else picture
            live.update(Text("\n".join(shown), no_wrap=True), refresh=True)
            time.sleep(1 / FRAMES)
        time.sleep(1.0)
