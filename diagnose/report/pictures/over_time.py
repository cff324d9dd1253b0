"""Suspicion over time: probabilities of several paths through one search against minutes."""

from __future__ import annotations

import math
import textwrap

from diagnose.report.pictures.canvas import FAINT, INK, Canvas, Pen
from diagnose.report.pictures.suspicion import (
    DASHES,
    HIGH,
    LABELS,
    LEFT,
    MARGIN,
    MARKS,
    MOST,
    SMALL,
    TONES,
    TOP,
    WIDTH,
    at_height,
    draw_mark,
    draw_names,
    draw_steps,
    value_axis,
)
from diagnose.report.pictures.values import OverTime, Series, Timed, percent

TICKS = 10
"""About so many minutes are named along the axis."""
ROOM = 16.0
"""What a letter of a note needs along the axis."""
LANES = 3
"""Lines of letters below the axis."""
LETTERS = "abcdefghijklmnopqrstuvwxyz"
ROWS = 11
"""Lines of the picture as text: 0 % to 100 % by tens."""


def over_time_svg(picture: OverTime, heading: str = "Suspicion over time") -> str:
    """Draw the lines as stairs, each named at its end, 1000 units wide; notes are listed below."""
    lines = picture.lines[:MOST]
    final = "; ".join(f"{t.title} {percent(t.values[-1])} at {t.end:.0f} min" for t in lines)
    canvas = Canvas(heading, f"Probabilities against minutes. At the end: {final}.", WIDTH)
    canvas.text(MARGIN, 28, heading, 16, bold=True, room=WIDTH - 2 * MARGIN)
    right = WIDTH - LABELS
    last = max([line.end for line in lines] + [1.0])
    value_axis(canvas, right, "probability")
    _time_axis(canvas, right, last)
    lanes = _letters(canvas, picture, right, last)
    for k, line in enumerate(lines):
        _stairs(canvas, line, k, right, last)
    draw_names(canvas, tuple(Series(t.title, t.values) for t in lines), right)
    below = TOP + HIGH + 44 + 14 * lanes
    noted = tuple(f"{minutes:.0f} min: {text}" for minutes, text in _shown(picture))
    canvas.height = draw_steps(canvas, noted, below, LETTERS) + 12
    return canvas.svg()


def _shown(picture: OverTime) -> tuple[tuple[float, str], ...]:
    return tuple(sorted(picture.notes)[: len(LETTERS)])


def _x(minutes: float, last: float, right: float) -> float:
    return LEFT + (right - LEFT - 10) * min(1.0, minutes / last)


def tick_of(last: float) -> float:
    """A round number of minutes between the names along an axis that ends at `last`."""
    rough = max(last, 1e-9) / TICKS
    base = 10.0 ** math.floor(math.log10(rough))
    return next(base * m for m in (1, 2, 5, 10) if base * m >= rough)


def _time_axis(canvas: Canvas, right: float, last: float) -> None:
    step = tick_of(last)
    for k in range(math.floor(last / step + 1e-9) + 1):
        x = _x(k * step, last, right)
        canvas.line([(x, TOP + HIGH), (x, TOP + HIGH + 4)], Pen(INK, 1.0))
        canvas.text(x, TOP + HIGH + 18, f"{k * step:g}", SMALL, "middle")
    canvas.text(right + 8, TOP + HIGH + 18, "min", SMALL)


def _letters(canvas: Canvas, picture: OverTime, right: float, last: float) -> int:
    """The notes' letters below the axis, close ones below one another; how many lines."""
    free = [-math.inf] * LANES
    used = 0
    for letter, (minutes, _) in zip(LETTERS, _shown(picture), strict=False):
        x = _x(minutes, last, right)
        lane = next((k for k in range(LANES) if x >= free[k]), LANES - 1)
        x = max(x, free[lane])
        free[lane] = x + ROOM
        used = max(used, lane + 1)
        base = TOP + HIGH + 34 + 14 * lane
        canvas.line([(x, TOP + HIGH), (x, TOP + HIGH + 4)], Pen(INK, 2.0))
        canvas.text(x, base, letter, SMALL, "middle", bold=True)
    return used


def _stairs(canvas: Canvas, line: Timed, k: int, right: float, last: float) -> None:
    tone = TONES[k % len(TONES)]
    points: list[tuple[float, float]] = []
    for minutes, value in zip(line.minutes, line.values, strict=True):
        x, y = _x(minutes, last, right), at_height(value)
        if points:
            points.append((x, points[-1][1]))
        points.append((x, y))
    end = _x(line.end, last, right)
    points.append((end, points[-1][1]))
    canvas.line(points, Pen(tone, 2.4 if k == 0 else 1.7, DASHES[k % len(DASHES)]))
    for minutes, value in zip(line.minutes, line.values, strict=True):
        draw_mark(canvas, MARKS[k % len(MARKS)], _x(minutes, last, right), at_height(value), tone)
    if end < right - 5:
        canvas.line([(end, points[-1][1]), (right - 4, points[-1][1])], Pen(FAINT, 0.8, "1 4"))


def over_time_text(picture: OverTime, width: int = 76) -> list[str]:
    """The first two lines of the picture as text, at most `width` columns.

    ``o`` is the first, ``x`` the second, ``*`` both; each ends where its path was over.
    """
    two = picture.lines[:2]
    last = max([line.end for line in two] + [1.0])
    room = width - 7
    grid = [[" "] * room for _ in range(ROWS)]
    for mark, line in zip("ox", two, strict=False):
        for column in range(room):
            minutes = last * column / max(1, room - 1)
            if minutes > line.end + 1e-9:
                break
            value = _at(line, minutes)
            row = ROWS - 1 - round((ROWS - 1) * value)
            grid[row][column] = "*" if grid[row][column] not in (" ", mark) else mark
    shown = [f"{100 - 10 * k:>4}% |{''.join(row)}".rstrip() for k, row in enumerate(grid)]
    step = tick_of(last)
    names = [" "] * room
    ruler = ["-"] * room
    for k in range(math.floor(last / step + 1e-9) + 1):
        column = round((room - 1) * k * step / last)
        ruler[column] = "+"
        text = f"{k * step:g}"
        first = min(column, room - len(text))
        names[first : first + len(text)] = text
    titles = [
        part
        for mark, line in zip("ox", two, strict=False)
        for part in textwrap.wrap(f"  {mark} {line.title}", width, subsequent_indent="    ")
    ]
    both = ["  * both"] if any("*" in row for row in grid) else []
    return [
        *shown,
        f"      -{''.join(ruler)}",
        f"       {''.join(names)}".rstrip(),
        "       minutes",
        *titles,
        *both,
    ]


def _at(line: Timed, minutes: float) -> float:
    """The value that holds at a minute."""
    known = [v for m, v in zip(line.minutes, line.values, strict=True) if m <= minutes + 1e-9]
    return known[-1] if known else line.values[0]
