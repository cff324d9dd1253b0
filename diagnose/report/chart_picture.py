"""A fault-finding chart drawn as a tree, on as many sheets as it takes (SVG)."""

from __future__ import annotations

from collections.abc import Mapping

from diagnose.report.chart import NAMED, Answer, ChartEnd, FaultChart
from diagnose.report.chart_layout import (
    BADGE,
    COLUMNS,
    GUTTER,
    PAD,
    SHEET,
    SMALL,
    TEXT,
    TITLE,
    Line,
    Link,
    Placed,
    Sheet,
    arrange,
    box_width,
)
from diagnose.report.document import Paper
from diagnose.report.pictures.canvas import INK, PAPER, Canvas, Pen

LANE = 6.0
FOOT = 24.0
ARROW = 7.0
ASCENT = 0.8
"""Share of a line's height that stands above the base line."""
FRAME = Pen(width=1.4)
HAIR = Pen(width=0.7, ink="#777777")
FILLED = Pen(width=1.4, fill=INK)
BAND = Pen(width=0.0, ink="none", fill="#dddddd")
TRACK = Pen(width=1.6)


def draw_tree(chart: FaultChart, paper: Paper = "a4") -> tuple[str, ...]:
    """The sheets of a chart, each as wide as the page's text and at most as high, as SVG."""
    sheets = arrange(chart, paper)
    where = {n: number for number, sheet in enumerate(sheets, 1) for n in sheet.placed}
    return tuple(
        _Drawing(chart, sheet, number, where, paper).svg() for number, sheet in enumerate(sheets, 1)
    )


class _Drawing:
    """One sheet."""

    def __init__(
        self, chart: FaultChart, sheet: Sheet, number: int, where: Mapping[int, int], paper: Paper
    ) -> None:
        self.sheet = sheet
        self.number = number
        self.where = where
        self.room = box_width(paper)
        self.ends: dict[str, ChartEnd] = {end.letter: end for end in chart.ends}
        self.apart = [self._spacing(column) for column in range(COLUMNS)]
        title = f"{chart.title}, sheet {number}"
        said = "A tree of numbered steps; each answer leads on to a step or to an end."
        self.canvas = Canvas(title, said, SHEET[paper][0], sheet.bottom + FOOT)

    def _spacing(self, column: int) -> float:
        """How far apart the lanes beside a column are."""
        links = [li for li in self.sheet.links if self.sheet.placed[li.source].column == column]
        most = max((link.lane for link in links), default=0)
        return min(LANE, (GUTTER - ARROW - 7) / max(1, most))

    def svg(self) -> str:
        foot = "Anything else, at any step: N. T: the chart ends; the table says what is suspected."
        self.canvas.text(1.0, self.sheet.bottom + FOOT - 6, foot, SMALL, room=self.canvas.width - 2)
        for link in self.sheet.links:
            self._link(link)
        for placed in self.sheet.placed.values():
            self._box(placed)
        return self.canvas.svg()

    def left(self, column: int) -> float:
        """Left edge of a column."""
        return 1.0 + column * (self.room + GUTTER)

    def _link(self, link: Link) -> None:
        source, target = self.sheet.placed[link.source], self.sheet.placed[link.target]
        start, stop = source.row_at(link.row), target.entry
        right = self.left(target.column)
        turn = right - ARROW - 3 - self.apart[source.column] * link.lane
        points = [(right - GUTTER, start), (turn, start), (turn, stop), (right - ARROW, stop)]
        self.canvas.line(points, TRACK)
        head = [(right, stop), (right - ARROW, stop - 3.5), (right - ARROW, stop + 3.5)]
        self.canvas.line([*head, head[0]], FILLED)

    def _box(self, placed: Placed) -> None:
        box, x, y = placed.box, self.left(placed.column), placed.top + 1.0
        self.canvas.box(x, y, self.room, box.height, Pen(width=1.4, fill=PAPER))
        self.canvas.box(x, y, BADGE, TITLE * 1.22 + 2 * PAD, FILLED)
        middle = x + BADGE / 2
        base = y + PAD + TITLE * ASCENT * 1.22
        self.canvas.text(middle, base, str(box.step.number), 15.0, "middle", True, PAPER)
        self._lines(box.title, x + BADGE + PAD, y + PAD)
        if box.band:
            height = sum(line.height for line in box.band) + PAD
            top = y + box.head - height
            self.canvas.box(x + 0.7, top, self.room - 1.4, height, BAND)
            self._lines(box.band, x + PAD, top + PAD / 2)
        top = y + box.head
        for row in box.rows:
            self.canvas.line([(x, top), (x + self.room, top)], HAIR)
            self._lines(row.lines, x + PAD, top + (row.height - row.text) / 2)
            self._target(row.answer, placed, x + self.room, top + row.height / 2)
            top += row.height

    def _lines(self, lines: tuple[Line, ...], x: float, top: float) -> None:
        for line in lines:
            self.canvas.text(x, top + line.height * ASCENT, line.text, line.size, bold=line.bold)
            top += line.height

    def _target(self, answer: Answer, placed: Placed, right: float, middle: float) -> None:
        """Where a row leads: a step's number, with its sheet where no line leads on; an end."""
        base = middle + TEXT * 0.36
        if not answer.step:
            self._end(answer.to, right, middle)
            return
        number = placed.box.step.number
        drawn = any(
            link.source == number and link.target == answer.step for link in self.sheet.links
        )
        if not drawn:
            sheet = self.where[answer.step]
            said = "this sheet" if sheet == self.number else f"sheet {sheet}"
            base -= SMALL * 0.55
            self.canvas.text(right - PAD, base + SMALL * 1.15, said, SMALL, "end")
        self.canvas.text(right - PAD, base, str(answer.step), 14.0, "end", True)

    def _end(self, letter: str, right: float, middle: float) -> None:
        """An end's letter: white on black where it names a cause, framed where it does not."""
        named = self.ends[letter].kind == NAMED
        side = 17.0
        wide = side if len(letter) == 1 else 26.0
        pen = FILLED if named else FRAME
        self.canvas.box(right - PAD - wide, middle - side / 2, wide, side, pen, 4.0)
        centre = right - PAD - wide / 2
        ink = PAPER if named else INK
        self.canvas.text(centre, middle + 13 * 0.36, letter, 13.0, "middle", True, ink)
