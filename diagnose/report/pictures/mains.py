"""The mains row: live above, neutral below, earth under both; as many lines as it takes."""

from __future__ import annotations

from dataclasses import dataclass

from diagnose.report.pictures.canvas import THIN, Pen
from diagnose.report.pictures.notes import LEADING
from diagnose.report.pictures.sketch import TITLE, Sketch
from diagnose.report.pictures.symbols import TOP, TOPS
from diagnose.report.pictures.wiring import Branch, Column, Mains, Way

CELL, TWO, HEAD, LOAD = 98.0, 142.0, 96.0, 118.0
"""Widths: one symbol, two symbols, the head of a branch, a load."""
START, TURN = 66.0, 40.0
"""Widths: the origin, the beginning and the end of a line that goes on."""
MOTOR = 280.0
PARTS = {
    "contact": "contact",
    "contactor": "contact",
    "coil": "coil",
    "adapter": "input",
    "supply": "output",
}
"""What of a unit a symbol is, where the unit is drawn in several places."""
DROP = 24.0
"""From the left edge of a load's cell to its conductor."""
FLAT, TALL = 96.0, 178.0
"""From live to neutral on a line without and with branches."""


@dataclass
class Line:
    """One line of the row: what stands on it, and on which nets it begins."""

    items: list[Column | Branch]
    live: str
    neutral: str
    earth: str
    first: bool
    last: bool

    @property
    def width(self) -> float:
        ends = (START if self.first else TURN) + (MOTOR if self.last else TURN)
        return ends + sum(_width(item) for item in self.items)


def _width(item: Column | Branch) -> float:
    if isinstance(item, Branch):
        return (HEAD * max(1, len(item.head)) if item.head else 0.0) + LOAD * len(item.loads)
    longest = max(len(way) for way in (item.live, item.neutral, item.earth))
    return CELL if longest < 2 else TWO


def lines_of(mains: Mains, nets: tuple[str, str, str], room: float) -> list[Line]:
    """Break the row into as few lines as fit `room`, the widest of them as narrow as can be."""
    items = mains.items
    starts = list(range(len(items)))
    best: list[Line] | None = None
    for count in range(1, len(starts) + 1):
        for cuts in _cuts(starts[1:], count - 1):
            lines = _cut(mains, nets, (0, *cuts, len(items)))
            if best is None or max(x.width for x in lines) < max(x.width for x in best):
                best = lines
        if best is not None and max(x.width for x in best) <= room:
            return best
    return best or []


def _cuts(places: list[int], count: int) -> list[tuple[int, ...]]:
    from itertools import combinations

    return list(combinations(places, count))


def _cut(mains: Mains, nets: tuple[str, str, str], cuts: tuple[int, ...]) -> list[Line]:
    lines = []
    live, neutral, ground = nets
    for k in range(len(cuts) - 1):
        items = list(mains.items[cuts[k] : cuts[k + 1]])
        first, last = k == 0, k == len(cuts) - 2
        lines.append(Line(items, live, neutral, ground, first, last))
        for item in items:
            if isinstance(item, Column):
                live = item.live[-1].b if item.live else live
                neutral = item.neutral[-1].b if item.neutral else neutral
                ground = item.earth[-1].b if item.earth else ground
    return lines


def draw_mains(sketch: Sketch, mains: Mains, left: float, top: float, room: float) -> float:
    """Draw the whole row from `top` down; the y at which it ends comes back."""
    nets = sketch.it.nets
    part = sketch.it.part_of(mains.origin)
    roles = ("l", "n", "pe")
    begin = tuple(nets.get(f"{mains.origin}.{r}", "") for r in roles if r in part.terminals)
    lines = lines_of(mains, (*begin, "", "", "")[:3], room)  # type: ignore[arg-type]
    y = top
    for line in lines:
        y = _Drawn(sketch, mains, line, left, y, room).draw()
    return y


class _Drawn:
    """One line while it is drawn."""

    def __init__(
        self, sketch: Sketch, mains: Mains, line: Line, left: float, top: float, room: float
    ) -> None:
        self.s, self.mains, self.row = sketch, mains, line
        self.left = left
        self.stretch = min(1.3, room / line.width)
        self.live, self.neutral, self.ground = line.live, line.neutral, line.earth
        names = max(
            (self._title_height(x) for x in line.items if isinstance(x, Column)), default=0.0
        )
        branched = any(isinstance(x, Branch) for x in line.items) or line.last
        lives = [x for i in line.items if isinstance(i, Column) for x in i.live]
        neutrals = [x for i in line.items if isinstance(i, Column) for x in i.neutral]
        earths = [x for i in line.items if isinstance(i, Column) for x in i.earth]
        self.l = top + names + TOP + 12
        below = sketch.depth({n for x in lives for n in (x.a, x.b)} | {self.live}, lives)
        self.n = self.l + (TALL if branched else FLAT) + below
        below = sketch.depth({n for x in neutrals for n in (x.a, x.b)} | {self.neutral}, neutrals)
        self.e = self.n + 32 + below
        self.bottom = self.e + 26 + sketch.depth({n for x in earths for n in (x.a, x.b)}, earths)

    def _title_height(self, column: Column) -> float:
        room = _width(column) * self.stretch - 8
        lines = self.s.title_lines(column.unit, room, part=part_of(self.s, column.live))
        return lines * LEADING + self._top(column.live) - TOP

    @staticmethod
    def _top(way: Way) -> float:
        return max((TOPS.get(link.symbol, TOP) for link in way), default=TOP)

    def draw(self) -> float:
        """Everything on the line; where it ends."""
        x = self._begin()
        for item in self.row.items:
            wide = _width(item) * self.stretch
            if isinstance(item, Branch):
                self._branch(item, x, wide)
            else:
                self._column(item, x, wide)
            x += wide
        if self.row.last:
            self._motor(x)
        else:
            self._go_on(x)
        return self.bottom

    # ------------------------------------------------------------------ ends

    def _begin(self) -> float:
        s, x = self.s, self.left
        wires = ((self.l, self.live, "L"), (self.n, self.neutral, "N"), (self.e, self.ground, "PE"))
        if self.row.first:
            wide = START * self.stretch
            s.title(self.mains.origin, x, self.l - 16, wide + 30, 2, "start")
            pen = s.pen(self.mains.origin)
            for y, net, name in wires:
                s.canvas.text(x, y + 4, name, TITLE, bold=True, ink=pen.ink)
                s.canvas.circle(x + 24, y, 4, pen)
                s.wire((x + 28, y), (x + wide, y))
                s.point(net, x + wide, y)
            s.outline(self.mains.origin, x - 6, self.l - 12, 38, self.e - self.l + 24)
        else:
            wide = TURN * self.stretch
            for y, net, name in wires:
                s.canvas.text(x, y + 4, name, TITLE, bold=True)
                s.canvas.line([(x + 19, y - 5), (x + 25, y), (x + 19, y + 5)], THIN)
                s.wire((x + 25, y), (x + wide, y))
                s.point(net, x + wide, y, "")
        return x + wide

    def _go_on(self, x: float) -> None:
        for y in (self.l, self.n, self.e):
            self.s.wire((x, y), (x + 26, y))
            self.s.canvas.line([(x + 22, y - 5), (x + 28, y), (x + 22, y + 5)], THIN)

    # ------------------------------------------------------------------ what stands between

    def _column(self, column: Column, x: float, wide: float) -> None:
        s = self.s
        middle = x + wide / 2
        top = self.l - self._top(column.live) - 8
        s.title(column.unit, middle, top, wide - 8, part=part_of(s, column.live))
        for way, y in ((column.live, self.l), (column.neutral, self.n), (column.earth, self.e)):
            s.way(way, (x, y), wide)
        links = (*column.live, *column.neutral, *column.earth)
        several = sum(bool(w) for w in (column.live, column.neutral, column.earth)) > 1
        if any(link.symbol == "core" for link in links) and several:
            lowest = self.e if column.earth else self.n
            s.outline(column.unit, x + 14, self.l - 20, wide - 28, lowest - self.l + 36)
        elif several and not any(x.symbol in ("terminal", "plug") for x in links):
            at = x + wide / 2 - 1
            s.canvas.line([(at, self.l - 8), (at, self.n - 8)], Pen(width=1.0, dash="4 3"))
        for way, y in ((column.live, self.l), (column.neutral, self.n), (column.earth, self.e)):
            if way:
                s.point(way[-1].b, x + wide, y)
        self.live = column.live[-1].b if column.live else self.live
        self.neutral = column.neutral[-1].b if column.neutral else self.neutral
        self.ground = column.earth[-1].b if column.earth else self.ground

    def _branch(self, branch: Branch, x: float, wide: float) -> None:
        s = self.s
        for y in (self.l, self.n, self.e):
            s.wire((x, y), (x + wide, y))
        y = self.l
        at = x
        if branch.head:
            unit = branch.head[0].unit
            y = self.l + 26 + s.title_lines(unit, HEAD, 2) * LEADING + self._top(branch.head)
            long = HEAD * len(branch.head) * self.stretch
            s.dot(x + DROP, self.l)
            s.wire((x + DROP, self.l), (x + DROP, y))
            s.way(branch.head, (x + DROP, y), long)
            where = x + DROP + long / 2 + 4
            top = y - self._top(branch.head) - 5
            s.title(unit, where, top, long + 12, 2, part=part_of(s, branch.head))
            at = x + long
            last = at + LOAD * self.stretch * (len(branch.loads) - 1) + DROP
            s.wire((x + DROP + long, y), (last, y))
        for k, load in enumerate(branch.loads):
            here = at + LOAD * self.stretch * k + DROP
            s.way(load, (here, y), self.n - y, down=True)
            s.dot(here, self.n)
            if branch.head and k == 0:
                s.point(branch.head[-1].b, here, y)
            else:
                s.dot(here, y)
            self._load_title(load, here, y)

    def _load_title(self, load: Way, x: float, y: float) -> None:
        step = (self.n - y) / len(load)
        last = load[-1]
        middle = y + step * (len(load) - 0.5)
        room = (LOAD - DROP - 34) * self.stretch + DROP * 0.5
        part = part_of(self.s, load)
        lines = self.s.title_lines(last.unit, room, 4, part)
        notes = self.s.depth((), [last])
        base = middle - (lines - 1) * LEADING / 2 + 4 - (notes / 2 + 8 if notes else 0)
        if notes:
            self.s.title(last.unit, x + 26, middle - 8, room, 4, "start", part=part)
        else:
            self.s.title(last.unit, x + 26, base, room, 4, "start", True, part)

    # ------------------------------------------------------------------ the motor

    def _motor(self, x: float) -> None:
        s = self.s
        motor = self.mains.motor
        links = [link for link in s.sheet.links if link.unit == motor]
        protector, rest = links[0], links[1:]
        wide = MOTOR * self.stretch
        first, second = x + wide * 0.31, x + wide * 0.74
        s.way((protector,), (x, self.l), first - x)
        windings = [link for link in rest if link.symbol == "winding"]
        tail = tuple(link.turned() for link in rest if link.symbol == "terminal")
        s.way(tail, (x, self.n), first - x)
        for at, winding in zip((first, second), windings, strict=False):
            s.way((winding,), (at, self.l), self.n - self.l, down=True)
        s.wire((first, self.n), (second, self.n))
        for way in self.mains.beside:
            s.way(way, (first, self.l), second - first)
            s.title(way[0].unit, (first + second) / 2, self.l - self._top(way) - 8, second - first)
        s.point(protector.b, first, self.l)
        if windings:
            s.point(windings[0].b, first, self.n)
        if len(windings) > 1:
            s.point(windings[1].a, second, self.l)
        middle, centre = (first + second) / 2, self.l + (self.n - self.l) * 0.62
        pen = s.pen(motor)
        s.wire((middle, centre + 24), (middle, self.e), (x, self.e))
        fill = "url(#hatch)" if motor in s.marks.failed else "#ffffff"
        s.canvas.circle(middle, centre, 24, Pen(pen.ink, pen.width, "", fill))
        s.keep(middle, centre, 25)
        s.canvas.text(middle, centre + 1, "M", 17, "middle", bold=True, ink=pen.ink)
        s.canvas.text(middle, centre + 15, "1 ~", 10, "middle", ink=pen.ink)
        s.title(motor, middle, centre - 32, second - first - 50, 2)


def part_of(sketch: Sketch, way: Way) -> str:
    """What of a unit stands here, where its other parts are drawn elsewhere."""
    for link in way:
        word = PARTS.get(link.symbol, "")
        if word and any(
            x.unit == link.unit and x.symbol in PARTS and x not in way for x in sketch.sheet.links
        ):
            return word
    return ""
