"""How the suspicion moved: the leading causes' probabilities, answer by answer."""

from __future__ import annotations

from diagnose.report.pictures.canvas import FAINT, INK, PAPER, Canvas, Pen
from diagnose.report.pictures.lettering import wrap
from diagnose.report.pictures.values import Series, Suspicion, percent

WIDTH, MARGIN = 1000.0, 20.0
LEFT, LABELS, TOP, HIGH = 62.0, 250.0, 58.0, 300.0
SIZE, SMALL, LEADING = 12.0, 11.0, 14.0
MOST = 7
"""Lines that can still be told apart."""
DASHES = ("", "9 4", "2 4", "12 4 2 4", "5 3 1 3 1 3", "16 5", "1 3")
MARKS = ("circle", "square", "triangle", "diamond", "cross", "ring", "bar")
TONES = (INK, "#1f4e79", "#7a3b00", "#2e5d2e", "#5b2a6b", "#4a4a4a", "#6b6b6b")


def suspicion_svg(suspicion: Suspicion, heading: str = "How the suspicion moved") -> str:
    """Draw the probabilities as lines over the steps, each named at its end, 1000 units wide.

    At most `MOST` causes are drawn, the ones given first; the legend below lists the steps.
    """
    series = suspicion.series[:MOST]
    final = "; ".join(f"{s.title} {percent(s.values[-1])}" for s in series if s.values)
    canvas = Canvas(
        heading, f"Probability of each cause after each step. At the end: {final}.", WIDTH
    )
    canvas.text(MARGIN, 28, heading, 16, bold=True, room=WIDTH - 2 * MARGIN)
    right = WIDTH - LABELS
    _axes(canvas, right, len(suspicion.steps))
    for k, one in enumerate(series):
        _line(canvas, one, k, right, len(suspicion.steps))
    draw_names(canvas, series, right)
    canvas.height = draw_steps(canvas, suspicion.steps, TOP + HIGH + 52) + 12
    return canvas.svg()


def _x(step: int, steps: int, right: float) -> float:
    return LEFT + (right - LEFT - 10) * (step / max(1, steps - 1))


def at_height(value: float) -> float:
    """Where a probability stands."""
    return TOP + HIGH * (1.0 - min(1.0, max(0.0, value)))


def value_axis(canvas: Canvas, right: float, what: str = "probability of each cause") -> None:
    """The scale of probabilities from `LEFT` to `right`."""
    for share in (0.0, 0.25, 0.5, 0.75, 1.0):
        y = at_height(share)
        pen = Pen(INK, 1.2) if share == 0 else Pen("#bbbbbb", 0.8, "2 3")
        canvas.line([(LEFT, y), (right, y)], pen)
        canvas.text(LEFT - 8, y + 4, f"{share:.0%}", SMALL, "end")
    canvas.text(LEFT, TOP - 12, what, SMALL)


def _axes(canvas: Canvas, right: float, steps: int) -> None:
    value_axis(canvas, right)
    every = max(1, -(-steps // 24))
    for step in range(steps):
        x = _x(step, steps, right)
        canvas.line([(x, TOP + HIGH), (x, TOP + HIGH + 4)], Pen(INK, 1.0))
        if step % every == 0 or step == steps - 1:
            last = step == steps - 1 and step % every
            if not last:
                canvas.text(x, TOP + HIGH + 18, str(step), SMALL, "middle")
    canvas.text((LEFT + right) / 2, TOP + HIGH + 34, "step", SMALL, "middle")


def _line(canvas: Canvas, one: Series, k: int, right: float, steps: int) -> None:
    tone = TONES[k % len(TONES)]
    points = [(_x(i, steps, right), at_height(value)) for i, value in enumerate(one.values)]
    if len(points) > 1:
        canvas.line(points, Pen(tone, 2.4 if k == 0 else 1.7, DASHES[k % len(DASHES)]))
    for x, y in points:
        draw_mark(canvas, MARKS[k % len(MARKS)], x, y, tone)


def draw_mark(canvas: Canvas, kind: str, x: float, y: float, tone: str) -> None:
    """One of `MARKS` at a point."""
    full, empty = Pen(tone, 1.2, "", tone), Pen(tone, 1.2, "", PAPER)
    if kind == "circle":
        canvas.circle(x, y, 3.4, full)
    elif kind == "ring":
        canvas.circle(x, y, 3.4, empty)
    elif kind == "square":
        canvas.box(x - 3, y - 3, 6, 6, empty)
    elif kind == "triangle":
        canvas.line([(x - 4, y + 3), (x + 4, y + 3), (x, y - 4), (x - 4, y + 3)], full)
    elif kind == "diamond":
        canvas.line([(x - 4, y), (x, y - 4), (x + 4, y), (x, y + 4), (x - 4, y)], empty)
    elif kind == "cross":
        canvas.line([(x - 3, y - 3), (x + 3, y + 3)], Pen(tone, 1.4))
        canvas.line([(x - 3, y + 3), (x + 3, y - 3)], Pen(tone, 1.4))
    else:
        canvas.line([(x, y - 4), (x, y + 4)], Pen(tone, 1.6))


def draw_names(canvas: Canvas, series: tuple[Series, ...], right: float) -> None:
    """A name at each line's end; names that would touch are moved apart, with a thin lead."""
    room = LABELS - 44 - MARGIN
    named = []
    for k, one in enumerate(series):
        if one.values:
            text = wrap(f"{percent(one.values[-1])}  {one.title}", room, 2, SIZE, bold=k == 0)
            named.append((at_height(one.values[-1]), k, text))
    named.sort(key=lambda item: (item[0], item[1]))
    heights = [len(text) * LEADING + 4 for _, _, text in named]
    places = _apart([y for y, _, _ in named], heights, TOP - 8, TOP + HIGH + 40)
    for (y, k, text), place in zip(named, places, strict=True):
        tone = TONES[k % len(TONES)]
        middle = place + len(text) * LEADING / 2
        canvas.line([(right - 4, y), (right + 8, y), (right + 20, middle)], Pen(FAINT, 0.8))
        draw_mark(canvas, MARKS[k % len(MARKS)], right + 27, middle, tone)
        for row, line in enumerate(text):
            base = place + 11 + row * LEADING
            canvas.text(right + 38, base, line, SIZE, bold=k == 0, ink=tone)


def _apart(wanted: list[float], heights: list[float], top: float, bottom: float) -> list[float]:
    """Upper edges near the wanted middles, in order, none over the next, within the limits."""
    places = []
    at = top
    for y, high in zip(wanted, heights, strict=True):
        at = max(at, y - high / 2)
        places.append(at)
        at += high
    over = at - bottom
    for k in range(len(places) - 1, -1, -1):
        if over <= 0:
            break
        floor = top if k == 0 else places[k - 1] + heights[k - 1]
        move = over
        places[k] -= move
        over = max(0.0, floor - places[k])
    return places


def draw_steps(canvas: Canvas, steps: tuple[str, ...], y: float, names: str = "") -> float:
    """The steps by number, or by the letters of `names`, in two columns read downwards."""
    half = -(-len(steps) // 2) if len(steps) > 5 else len(steps)
    wide = (WIDTH - 2 * MARGIN) / (2 if len(steps) > 5 else 1)
    heights = [y, y]
    for k, step in enumerate(steps):
        column = 0 if k < half else 1
        x = MARGIN + column * wide
        lines = wrap(step, wide - 44, 2, SMALL)
        name = names[k] if names else str(k)
        canvas.text(x + 20, heights[column] + 12, name, SMALL, "end", bold=True)
        for row, line in enumerate(lines):
            canvas.text(x + 28, heights[column] + 12 + row * LEADING, line, SMALL)
        heights[column] += max(1, len(lines)) * LEADING + 2
    return max(heights)
