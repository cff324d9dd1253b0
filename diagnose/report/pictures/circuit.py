"""The picture of the circuit: from the supply to the motor, from the floats to the inputs."""

from __future__ import annotations

from typing import Literal

from diagnose.plant.compose import Installation
from diagnose.plant.points import Points
from diagnose.report.pictures.canvas import FAINT, INK, RED, Canvas, Pen
from diagnose.report.pictures.inputs import PIN, Inputs, width_of
from diagnose.report.pictures.lettering import width, wrap
from diagnose.report.pictures.mains import draw_mains
from diagnose.report.pictures.notes import NOTE
from diagnose.report.pictures.outputs import Outputs, draw_controller, draw_supply
from diagnose.report.pictures.plan import sheet_of
from diagnose.report.pictures.sketch import RADIUS, TAG, Sketch
from diagnose.report.pictures.values import NOTHING, Marks
from diagnose.report.pictures.water import draw_loops, draw_rest, draw_water

WIDTH, MARGIN = 1100.0, 24.0
ROOM = WIDTH - 2 * MARGIN
BOARD = 116.0
"""Width of the controller."""
LINE = 16.0


Part = Literal["all", "mains", "control"]
PARTS: tuple[Part, ...] = ("all", "mains", "control")


def circuit_svg(
    installation: Installation,
    points: Points,
    marks: Marks = NOTHING,
    heading: str = "",
    caution: str = "",
    part: Part = "all",
) -> str:
    """Draw the circuit of an installation as an SVG document, 1100 units wide.

    The whole fills a page upright; `mains` and `control` (5 V side and water) a page across each,
    with larger letters.

    Parameters
    ----------
    points
        Its numbered test points, from `diagnose.plant.points.points_of`.
    marks
        What failed, what is good, what was read.
    heading, caution
        Texts over the drawing; without a heading, the installation's title.
    """
    title = heading or installation.type.title
    sheet = sheet_of(installation)
    side = "5 V" if sheet.controller else "control"
    title += {"all": "", "mains": ": mains side", "control": f": {side} side and water"}[part]
    canvas = Canvas(title, description(installation, marks), WIDTH)
    sketch = Sketch(canvas, installation, points, sheet, marks)
    y = _head(sketch, title, caution)
    for row in sheet.mains if part != "control" else ():
        y = draw_mains(sketch, row, MARGIN, y, ROOM) + 14
    if part != "control":
        y = draw_loops(sketch, MARGIN, y, ROOM)
    if part != "mains":
        y += 14 if part == "control" else 0
        y = _control(sketch, y) + 10 if sheet.controller else y
        y = draw_water(sketch, MARGIN, y, ROOM)
        y = draw_rest(sketch, MARGIN, y, ROOM)
    sketch.write_notes()
    y = _legend(sketch, y + 14)
    y = _list(sketch, y + 8)
    canvas.height = y + 8
    return canvas.svg()


def description(installation: Installation, marks: Marks) -> str:
    """What the picture shows, for who cannot see it."""
    units = installation.instances
    text = f"Circuit of: {installation.type.title}, with numbered test points."
    for what, names in (
        (marks.failed_word.capitalize(), marks.failed),
        (marks.good_means, marks.good),
    ):
        if names:
            titles = ", ".join(sorted(units[u].title for u in names if u in units))
            text += f" {what[:1].upper()}{what[1:]}: {titles}."
    return text


def _head(sketch: Sketch, title: str, caution: str) -> float:
    """The title, what is not as in the standard installation, and the caution."""
    canvas = sketch.canvas
    canvas.text(MARGIN, 30, title, 18, bold=True, room=ROOM)
    y = 30.0
    kind = sketch.it.type
    chosen = [
        f"{kind.variants[name].title}: {kind.variants[name].choices[choice].title}"
        for name, choice in sketch.it.choices.items()
        if choice != kind.variants[name].default
    ]
    for line in wrap("; ".join(chosen), ROOM, 3, NOTE):
        y += LINE
        canvas.text(MARGIN, y, line, NOTE)
    for line in wrap(caution, ROOM, 2, NOTE, bold=True):
        y += LINE
        canvas.text(MARGIN, y, line, NOTE, bold=True)
    return y + 14


def _control(sketch: Sketch, top: float) -> float:
    """The 5 V side: inputs to the left of the controller, outputs to its right."""
    x = MARGIN + 24 + PIN + max(width_of(sketch.sheet.inputs), 260.0)
    y = top + 8
    board = y
    if sketch.sheet.supply:
        draw_supply(sketch, MARGIN + 36, y, x, BOARD)
        board = y + 92
    left = Inputs(sketch, x, board + 8).draw()
    right = Outputs(sketch, x + BOARD, board + 12, WIDTH - MARGIN).draw()
    bottom = max(left, right, board + 260)
    draw_controller(sketch, x, board, BOARD, bottom, board)
    return bottom


def _legend(sketch: Sketch, y: float) -> float:
    """What the signs mean, side by side, on as many lines as it takes."""
    canvas, marks = sketch.canvas, sketch.marks
    entries = [("point", "test point"), ("clamp", "clamp, or where flow is caught")]
    if marks.failed:
        entries.append(("failed", marks.failed_word.lower()))
    if marks.suspected:
        entries.append(("suspected", "still suspected, with its probability"))
    if marks.good:
        entries.append(("good", marks.good_means))
    if marks.readings:
        entries.append(("reading", "a reading, listed below"))
    if any(reading.healthy is False for reading in marks.readings):
        entries.append(("odd", "a reading unlike a healthy installation's"))
    entries.append(("", "contacts are drawn without power, tank empty"))
    x = MARGIN
    for kind, text in entries:
        wide = 34 + width(text, NOTE) if kind else width(text, NOTE)
        if x > MARGIN and x + wide > WIDTH - MARGIN:
            x, y = MARGIN, y + 22
        _sample(canvas, kind, x, y)
        canvas.text(x + (34 if kind else 0), y + 4, text, NOTE, room=ROOM - 34)
        x += wide + 24
    return y + 18


def _sample(canvas: Canvas, kind: str, x: float, y: float) -> None:
    if kind in ("point", "clamp"):
        canvas.circle(x + 14, y, RADIUS, Pen(INK, 1.2))
        canvas.text(x + 14, y + 3.4, "n", TAG, "middle", bold=True)
        if kind == "clamp":
            canvas.circle(x + 14, y, RADIUS + 3, Pen(INK, 1.2))
    elif kind == "failed":
        canvas.box(x, y - 8, 28, 16, Pen(RED, 2.0, "", "url(#hatch)"), 4)
    elif kind == "suspected":
        canvas.box(x, y - 8, 28, 16, Pen(INK, 1.2, "4 3"), 4)
    elif kind == "good":
        canvas.line([(x, y), (x + 14, y)], Pen(FAINT, 1.3))
        canvas.line([(x + 17, y), (x + 20, y + 4), (x + 26, y - 5)], Pen("#666666", 1.8))
    elif kind == "reading":
        canvas.text(x + 2, y + 4, "a", NOTE, bold=True)
    elif kind == "odd":
        canvas.text(x + 2, y + 4, "a", NOTE, bold=True, ink=RED, underlined=True)


def _list(sketch: Sketch, y: float) -> float:
    """Every reading: letter, test points, value, what was measured; in two columns."""
    canvas = sketch.canvas
    found = [(k, r) for k, r in sketch.readings() if sketch.drawn & set(r.points)]
    if not found:
        return y
    half = -(-len(found) // 2) if len(found) > 4 else len(found)
    room = ROOM / 2 - 12 if len(found) > 4 else ROOM
    for k, (letter, reading) in enumerate(found):
        x = MARGIN + (0 if k < half else ROOM / 2 + 6)
        base = y + 14 + LINE * (k % half)
        ink = RED if reading.healthy is False else INK
        canvas.text(x, base, letter, NOTE, bold=True)
        canvas.text(x + 26, base, "–".join(map(str, reading.points)), NOTE, room=62)
        odd = reading.healthy is False
        canvas.text(x + 92, base, reading.shown, NOTE, "start", True, ink, 160, underlined=odd)
        canvas.text(x + 256, base, reading.title, NOTE, room=room - 258)
    return y + 14 + LINE * half
