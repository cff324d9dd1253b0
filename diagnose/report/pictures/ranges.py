"""Expected against measured: one row a reading, the outcomes' limits and where the reading lies."""

from __future__ import annotations

import math
from dataclasses import dataclass

from diagnose.quantities import format_quantity
from diagnose.report.pictures.canvas import INK, PAPER, RED, Canvas, Pen
from diagnose.report.pictures.lettering import width, wrap
from diagnose.report.pictures.values import Band, Reading

WIDTH, MARGIN = 1000.0, 20.0
LEFT, RIGHT = 330.0, 770.0
"""Where the scale begins and ends."""
SIZE, SMALL, LEADING = 12.0, 10.0, 14.0
ROW, TALL = 54.0, 16.0
LABEL = 11.5
"""From one line of limits to the next."""
DECADES = 30.0
"""Limits this many times apart ask for a scale over decades (judgement)."""
OVER = 26.0
"""Room beyond the scale for what lies off it."""


@dataclass(frozen=True)
class Scale:
    """From a value in base units to a place along the row."""

    low: float
    high: float
    log: bool

    def at(self, value: float) -> float:
        """The x of a value; off the scale, just beyond its end."""
        if self.log:
            value = math.log10(max(value, 1e-15)) if math.isfinite(value) else value
        low, high = self._ends()
        share = (value - low) / (high - low) if math.isfinite(value) else math.copysign(9, value)
        x = LEFT + share * (RIGHT - LEFT)
        return min(max(x, LEFT - OVER * 0.3), RIGHT + OVER * 0.4)

    def _ends(self) -> tuple[float, float]:
        return (math.log10(self.low), math.log10(self.high)) if self.log else (self.low, self.high)


def scale_of(reading: Reading) -> Scale | None:
    """A scale that holds all limits and the value; None for outcomes in words alone."""
    limits = [band.below for band in reading.bands if band.below is not None]
    if not limits or not reading.unit:
        return None
    values = list(limits)
    if reading.value is not None and math.isfinite(reading.value):
        values.append(reading.value)
    positive = [v for v in values if v > 0]
    log = (
        reading.unit in ("ohm", "F") and min(limits) > 0 and max(positive) / min(positive) > DECADES
    )
    if log:
        return Scale(min(positive) / 5, max(positive) * 5, True)
    low, high = min(0.0, *values), max(0.0, *values)
    if len(limits) == 1 and reading.unit in ("ohm", "F"):
        high = max(high, 2.5 * limits[0])
    pad = 0.15 * (high - low or 1.0)
    return Scale(low - pad if low < 0 else 0.0, high + pad, False)


def ranges_svg(readings: tuple[Reading, ...], heading: str = "Expected and measured") -> str:
    """Draw every reading against its healthy range, 1000 units wide."""
    canvas = Canvas(heading, "; ".join(f"{r.title}: {r.shown}" for r in readings), WIDTH)
    canvas.text(MARGIN, 28, heading, 16, bold=True, room=WIDTH - 2 * MARGIN)
    y = _legend(canvas, 46.0)
    for reading in readings:
        y = _row(canvas, reading, y)
    canvas.height = y + 10
    return canvas.svg()


def _legend(canvas: Canvas, y: float) -> float:
    x = MARGIN
    canvas.box(x, y - 6, 30, 12, Pen(INK, 1.0, "", "#c9c9c9"))
    canvas.text(x + 38, y + 4, "a healthy installation reads here", 11)
    x += 260
    _mark(canvas, x + 6, y, odd=False)
    canvas.text(x + 22, y + 4, "measured, as healthy", 11)
    x += 190
    _mark(canvas, x + 6, y, odd=True)
    canvas.text(x + 22, y + 4, "measured, not as healthy", 11)
    x += 210
    canvas.text(x, y + 4, "log: the scale runs over decades", 11)
    return y + 16


def _row(canvas: Canvas, reading: Reading, top: float) -> float:
    middle = top + 24
    lines = wrap(reading.title, LEFT - MARGIN - OVER - 30, 2, SIZE)
    for k, line in enumerate(lines):
        canvas.text(MARGIN, middle - 2 + (k - (len(lines) - 1) / 2) * LEADING, line, SIZE)
    if reading.points:
        text = "test points " if len(reading.points) > 1 else "test point "
        text += " and ".join(map(str, reading.points))
        base = middle - 2 + (len(lines) + 1) / 2 * LEADING - 2
        canvas.text(MARGIN, base, text, SMALL, ink="#555555", room=LEFT - MARGIN - OVER - 30)
    healthy = reading.bands[reading.outcome].healthy if reading.bands else False
    scale = scale_of(reading)
    x: float | None
    if scale is None:
        x, below = _words(canvas, reading, middle)
    else:
        x, below = _numbers(canvas, reading, scale, middle)
    if x is not None:
        _mark(canvas, x, middle - TALL / 2 - 3, odd=not healthy)
    ink = INK if healthy else RED
    at = RIGHT + OVER + 10
    room = WIDTH - MARGIN - at
    shown = wrap(reading.shown, room, 2, SIZE, bold=True)
    for k, line in enumerate(shown):
        canvas.text(at, middle - 3 + k * LEADING, line, SIZE, "start", True, ink, 0, not healthy)
    says = reading.bands[reading.outcome].title if reading.bands else ""
    if says != reading.shown:
        for k, line in enumerate(wrap(says, room, 2, SMALL)):
            canvas.text(at, middle + 10 + (k + len(shown) - 1) * LABEL, line, SMALL)
    bottom = top + ROW + LABEL * (below - 1)
    canvas.line([(MARGIN, bottom), (WIDTH - MARGIN, bottom)], Pen("#dddddd", 0.7))
    return bottom


def _mark(canvas: Canvas, x: float, y: float, odd: bool) -> None:
    """An arrow head pointing down at (x, y): hollow where the reading is as healthy."""
    with canvas.above():
        pen = Pen(RED, 1.4, "", RED) if odd else Pen(INK, 1.4, "", PAPER)
        canvas.line([(x, y + 4), (x - 6, y - 7), (x + 6, y - 7), (x, y + 4)], pen)
        if odd:
            canvas.line([(x, y + 4), (x, y + 1 + TALL)], Pen(RED, 2.2))


def _numbers(canvas: Canvas, reading: Reading, scale: Scale, y: float) -> tuple[float | None, int]:
    """The bar with its limits; the x of the reading, and how many lines of limits there are.

    What is said in words (it comes and goes) has no place on a scale.
    """
    below = LEFT if scale.low == 0 else LEFT - OVER * 0.5
    edges: list[tuple[Band, float, float]] = []
    for band in reading.bands:
        if band.worded:
            continue
        end = RIGHT + OVER * 0.7 if band.below is None else scale.at(band.below)
        edges.append((band, below, max(below, end)))
        below = max(below, end)
    for band, start, end in edges:
        fill = "#c9c9c9" if band.healthy else PAPER
        canvas.box(start, y - TALL / 2, end - start, TALL, Pen(INK, 1.0, "", fill))
    limits = [
        (end, format_quantity(b.below, reading.unit)) for b, _, end in edges if b.below is not None
    ]
    ends: list[float] = []
    for x, text in limits:
        half = width(text, SMALL) / 2
        line = next((k for k, last in enumerate(ends) if x - half > last + 4), len(ends))
        if line == len(ends):
            ends.append(0.0)
        ends[line] = x + half
        base = y + TALL / 2 + 12 + line * LABEL
        if line:
            canvas.line([(x, y + TALL / 2), (x, base - 8)], Pen("#777777", 0.6))
        canvas.text(x, base, text, SMALL, "middle")
    if scale.log:
        canvas.text(LEFT - OVER * 0.5 - 4, y + 4, "log", SMALL, "end", ink="#555555")
    if reading.value is not None:
        return scale.at(reading.value), len(ends)
    found = reading.bands[reading.outcome]
    place = next(((start + end) / 2 for band, start, end in edges if band is found), None)
    return place, len(ends)


def _words(canvas: Canvas, reading: Reading, y: float) -> tuple[float, int]:
    """One box for each outcome in words; the x of the one found, and how many lines they take."""
    count = max(1, len(reading.bands))
    wide = (RIGHT + OVER * 0.7 - LEFT) / count
    most = 1
    for k, band in enumerate(reading.bands):
        x = LEFT + k * wide
        fill = "#c9c9c9" if band.healthy else PAPER
        canvas.box(x, y - TALL / 2, wide, TALL, Pen(INK, 1.0, "", fill))
        lines = wrap(band.title, wide - 6, 3, SMALL)
        most = max(most, len(lines))
        for row, line in enumerate(lines):
            canvas.text(x + wide / 2, y + TALL / 2 + 12 + row * LABEL, line, SMALL, "middle")
    return LEFT + (reading.outcome + 0.5) * wide, most
