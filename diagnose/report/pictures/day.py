"""Days drawn above one another: levels, relay and pump over time, with what went wrong."""

from __future__ import annotations

from collections.abc import Sequence

from diagnose.plant.day_values import Day, warnings
from diagnose.plant.day_values import minutes as in_words
from diagnose.report.pictures.canvas import FAINT, INK, PAPER, RED, Canvas, Pen
from diagnose.report.pictures.lettering import wrap

WIDTH, MARGIN, LEFT, RIGHT = 1000.0, 20.0, 96.0, 830.0
HIGH, ROW, GAP = 170.0, 20.0, 22.0
SIZE, SMALL, LEADING = 12.0, 11.0, 15.0
COLUMN = 1.0
"""A state is drawn in columns this wide."""
GRID = Pen("#bbbbbb", 0.8, "2 3")
LINES = (Pen(INK, 2.4), Pen("#1f4e79", 1.8, "9 4"))
MARKS = ("circle", "square")
ALWAYS = {"relay": "relay", "pump": "pump"}
SOMETIMES = {"dry": "no water", "hums": "hums"}


def day_svg(days: Sequence[tuple[str, Day]], heading: str) -> str:
    """Draw days as SVG, 1000 units wide, one below the other over the same hours.

    Parameters
    ----------
    days
        (title, day) of each, from the top.
    """
    told = "; ".join(f"{title}: {_summary(day)}" for title, day in days)
    canvas = Canvas(heading, f"Levels, relay and pump over time. {told}", WIDTH)
    y = 28.0
    for line in wrap(heading, WIDTH - 2 * MARGIN, 2, 16, bold=True):
        canvas.text(MARGIN, y, line, 16, bold=True)
        y += 20
    for title, day in days:
        y = _one(canvas, title, day, y + 12) + GAP
    said = "Bars: black, on; hatched, on and off again and again, running over or empty."
    canvas.text(MARGIN, y, f"{said} {days[0][1].plan.title}: invented.", SMALL, ink=INK)
    canvas.height = y + 14
    return canvas.svg()


def _summary(day: Day) -> str:
    figures = day.figures
    starts = "1 start" if figures.starts == 1 else f"{figures.starts} starts"
    parts = [starts, f"pump runs {in_words(figures.run)}"]
    parts += [f"{figures.pumped:.0f} L pumped", f"{figures.drawn:.0f} L drawn"]
    parts += [f"{figures.energy:.2f} kWh"]
    return ", ".join(parts)


def _x(day: Day, time: float) -> float:
    return LEFT + (RIGHT - LEFT) * time / day.minutes


def _one(canvas: Canvas, title: str, day: Day, top: float) -> float:
    """One day; the y below it."""
    canvas.text(MARGIN, top + 12, title, 14, bold=True, room=WIDTH - 2 * MARGIN)
    canvas.text(MARGIN, top + 29, _summary(day), SIZE, room=WIDTH - 2 * MARGIN)
    y = top + 46
    rows = dict(ALWAYS)
    rows |= {n: t for n, t in SOMETIMES.items() if any(s.is_on(n) for s in day.stretches)}
    ends = [
        (f"{tank.id} {label}", spans)
        for tank in day.plan.tanks.values()
        for kind, label in (("full", "over"), ("empty", "empty"))
        if (spans := day.spans(f"{kind}:{tank.id}"))
    ]
    below = _hours(canvas, day, y, y + HIGH + 12 + (len(rows) + len(ends)) * ROW)
    _levels(canvas, day, y)
    y += HIGH + 12
    for name, label in rows.items():
        y = _states(canvas, day, name, label, y)
    for label, spans in ends:
        y = _spans(canvas, day, spans, label, y)
    y = below
    for text in warnings(day):
        for k, line in enumerate(wrap(text, WIDTH - LEFT - 60, 2, SIZE)):
            if k == 0:
                _warning(canvas, LEFT, y)
            canvas.text(LEFT + 18, y, line, SIZE)
            y += LEADING
    return y


def _warning(canvas: Canvas, x: float, y: float) -> None:
    """A triangle with a stroke: it warns in black and white too."""
    canvas.line([(x, y), (x + 11, y), (x + 5.5, y - 10), (x, y)], Pen(RED, 1.4))
    canvas.line([(x + 5.5, y - 7), (x + 5.5, y - 3)], Pen(RED, 1.4))


def _top_of(day: Day) -> float:
    return max(tank.overflow_at.nominal for tank in day.plan.tanks.values()) * 1.04


def _levels(canvas: Canvas, day: Day, top: float) -> None:
    highest = _top_of(day)

    def at(level: float) -> float:
        return top + HIGH * (1 - max(0.0, level) / highest)

    step = 0.5 if highest > 0.9 else 0.2
    k = 0
    while k * step <= highest:
        y = at(k * step)
        canvas.line([(LEFT, y), (RIGHT, y)], Pen(INK, 1.2) if k == 0 else GRID)
        canvas.text(LEFT - 8, y + 4, f"{k * step:.1f} m", SMALL, "end")
        k += 1
    named: list[tuple[float, str, bool]] = []
    for unit, (low, high) in day.floats.items():
        title = unit.replace("_", " ")
        text = f"{title} {high:.2f}" if high - low < 0.05 else f"{title} {low:.2f}-{high:.2f}"
        for level in {low, high} if high - low >= 0.05 else {high}:
            canvas.line([(LEFT, at(level)), (RIGHT, at(level))], Pen(FAINT, 1.0, "1 4"))
        named.append((at(high), text, False))
    count = max(2, min(1440, round(day.minutes)))
    for k, tank in enumerate(day.plan.tanks.values()):
        times = [day.minutes * j / count for j in range(count + 1)]
        values = [day.level_at(time)[k] for time in times]
        points = [(_x(day, t), at(v)) for t, v in zip(times, values, strict=True)]
        canvas.line(points, LINES[k % len(LINES)])
        for j in range(count // 16, count, count // 8 or 1):
            _mark(canvas, MARKS[k % len(MARKS)], *points[j])
        named.append((points[-1][1], f"{tank.title} {values[-1]:.2f} m", True))
    _names(canvas, named, top)


def _mark(canvas: Canvas, kind: str, x: float, y: float) -> None:
    if kind == "circle":
        canvas.circle(x, y, 3.4, Pen(INK, 1.2, "", INK))
    else:
        canvas.box(x - 3, y - 3, 6, 6, Pen("#1f4e79", 1.4, "", PAPER))


def _names(canvas: Canvas, named: Sequence[tuple[float, str, bool]], top: float) -> None:
    """Names at the right, moved apart where they would touch, each with a thin lead."""
    last = top - LEADING
    placed = []
    for y, text, bold in sorted(named):
        last = max(y, last + LEADING)
        placed.append((y, last, text, bold))
    over = max(0.0, last - (top + HIGH + 6))
    for k, (y, place, text, bold) in enumerate(placed):
        place = max(place - over, top + k * LEADING)
        canvas.line([(RIGHT + 2, y), (RIGHT + 8, y), (RIGHT + 16, place)], Pen(FAINT, 0.8))
        room = WIDTH - RIGHT - 20 - 6
        canvas.text(RIGHT + 20, place + 4, text, SMALL, bold=bold, room=room)


def _states(canvas: Canvas, day: Day, name: str, label: str, y: float) -> float:
    """A row of bars: black where on, hatched where on and off again and again."""
    canvas.text(LEFT - 8, y + 11, label, SMALL, "end")
    canvas.line([(LEFT, y + 14), (RIGHT, y + 14)], Pen(INK, 0.8))
    columns = int((RIGHT - LEFT) / COLUMN)
    width = day.minutes / columns
    states = [day.column(name, k * width, (k + 1) * width) for k in range(columns)]
    start = 0
    for k in range(1, columns + 1):
        if k < columns and _drawn(states[k]) == _drawn(states[start]):
            continue
        kind = _drawn(states[start])
        if kind:
            fill = INK if kind == "on" else "url(#hatch)"
            x, wide = LEFT + start * COLUMN, (k - start) * COLUMN
            canvas.box(x, y + 2, max(wide, 1.0), 12, Pen(INK, 0.6, "", fill))
        start = k
    return y + ROW


def _drawn(state: str) -> str:
    return {"on": "on", "part": "on", "often": "often"}.get(state, "")


def _spans(
    canvas: Canvas, day: Day, spans: Sequence[tuple[float, float]], label: str, y: float
) -> float:
    canvas.text(LEFT - 8, y + 11, label, SMALL, "end")
    canvas.line([(LEFT, y + 14), (RIGHT, y + 14)], Pen(INK, 0.8))
    for start, end in spans:
        x = _x(day, start)
        canvas.box(x, y + 2, max(_x(day, end) - x, 1.0), 12, Pen(RED, 0.8, "", "url(#hatch)"))
    return y + ROW


def _hours(canvas: Canvas, day: Day, top: float, y: float) -> float:
    """The hours below y, every so many a line from the top on; the y below them."""
    hours = day.minutes / 60
    every = next((e for e in (0.25, 0.5, 1, 3, 6, 12, 24) if hours / e <= 12), 48)
    k = 0
    while k * every <= hours + 1e-9:
        x = _x(day, k * every * 60)
        canvas.line([(x, top), (x, y)], GRID)
        text = f"{k * every:g}" + (" h" if k == 0 else "")
        canvas.text(x, y + 13, text, SMALL, "middle")
        k += 1
    return y + 34
