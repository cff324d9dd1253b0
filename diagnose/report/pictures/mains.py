"""The mains row: live above, neutral below, earth under both; as many lines as it takes."""

from __future__ import annotations

from dataclasses import dataclass

from diagnose.report.pictures.canvas import THIN, Pen
from diagnose.report.pictures.motors import (
    PHASE,
    Place,
    draw_motor,
    height_of_titles,
    part_of,
    windings_of,
)
from diagnose.report.pictures.notes import LEADING
from diagnose.report.pictures.sketch import TITLE, Sketch
from diagnose.report.pictures.symbols import TOP, TOPS
from diagnose.report.pictures.wiring import Branch, Column, Mains, Way

CELL, TWO, HEAD, LOAD = 98.0, 142.0, 96.0, 118.0
"""Widths: one symbol, two symbols, the head of a branch, a load."""
START, TURN = 66.0, 40.0
"""Widths: the origin, the beginning and the end of a line that goes on."""
MOTOR = 280.0
DROP = 24.0
"""From the left edge of a load's cell to its conductor."""
STEP = 55.0
"""Each further symbol on the way to a second winding."""
FLAT, TALL = 96.0, 178.0
"""From live to neutral on a line without and with branches."""


@dataclass
class Line:
    """One line of the row: what stands on it, and on which nets it begins."""

    items: list[Column | Branch]
    nets: tuple[str, ...]
    """The nets on which it begins: live, L2, L3, neutral, earth; "" for a conductor not there."""
    first: bool
    last: bool
    more: float = 0.0
    """Width that a long way to the second winding takes beyond the usual."""

    @property
    def width(self) -> float:
        ends = (START if self.first else TURN) + (MOTOR + self.more if self.last else TURN)
        return ends + sum(_width(item) for item in self.items)


def _width(item: Column | Branch) -> float:
    if isinstance(item, Branch):
        return (HEAD * max(1, len(item.head)) if item.head else 0.0) + LOAD * len(item.loads)
    longest = max(len(way) for way in item.ways)
    return CELL if longest < 2 else TWO


def lines_of(mains: Mains, nets: tuple[str, ...], room: float) -> list[Line]:
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


def _cut(mains: Mains, nets: tuple[str, ...], cuts: tuple[int, ...]) -> list[Line]:
    lines = []
    for k in range(len(cuts) - 1):
        items = list(mains.items[cuts[k] : cuts[k + 1]])
        first, last = k == 0 and bool(mains.origin), k == len(cuts) - 2
        lines.append(Line(items, nets, first, last, _long(mains)))
        for item in items:
            if isinstance(item, Column):
                nets = _after(item, nets)
    return lines


def _long(mains: Mains) -> float:
    return max((STEP * max(0, len(way) - 2 + (len(way) > 2)) for way in mains.beside), default=0.0)


def _after(column: Column, nets: tuple[str, ...]) -> tuple[str, ...]:
    """The conductors' nets behind a column."""
    return tuple(way[-1].b if way else net for way, net in zip(column.ways, nets, strict=True))


def draw_mains(sketch: Sketch, mains: Mains, left: float, top: float, room: float) -> float:
    """Draw the whole row from `top` down; the y at which it ends comes back."""
    lines = lines_of(mains, mains.begin, room)
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
        self.nets = line.nets
        names = max(
            (self._title_height(x) for x in line.items if isinstance(x, Column)), default=0.0
        )
        if line.last:
            ends = height_of_titles(
                sketch, mains, MOTOR * self.stretch, self.row.more * self.stretch
            )
            names = max(names, ends)
        branched = any(isinstance(x, Branch) for x in line.items) or line.last
        columns = [item for item in line.items if isinstance(item, Column)]
        y, self.ys = top + names + TOP + 12, [0.0] * len(self.nets)
        three = line.last and mains.three_phase
        inner = windings_of(sketch, mains.motor) if three else []
        for k, net in enumerate(self.nets):
            links = [x for column in columns for x in column.ways[k]]
            links += inner[k : k + 1] if k < 3 else []
            below = sketch.depth({n for x in links for n in (x.a, x.b)} | {net}, links)
            self.ys[k] = y
            if k == 0 and mains.three_phase:
                y += PHASE + below
            elif k == 0:
                y += (TALL if branched else FLAT) + below
            elif k in (1, 2) and mains.three_phase:
                y += (PHASE if k == 1 else TALL) + below
            elif k == 3:
                y += 32 + below
            elif k == 4:
                self.bottom = y + 26 + sketch.depth({n for x in links for n in (x.a, x.b)}, links)
        self.l, self.n, self.e = self.ys[0], self.ys[3], self.ys[4]
        shown = (0, 1, 2, 3, 4) if mains.three_phase else (0, 3, 4)
        names_ = ("L1", "L2", "L3", "N", "PE") if mains.three_phase else ("L", "", "", "N", "PE")
        if mains.two_legs:
            names_ = ("L1", "", "", "L2", "PE")
        self.wires = [(k, self.ys[k], names_[k]) for k in shown]

    def _title_height(self, column: Column) -> float:
        room = _width(column) * self.stretch - 8
        lines = 0
        if column.unit != self.mains.origin:
            lines = self.s.title_lines(column.unit, room, part=part_of(self.s, column.live))
        return lines * LEADING + self._top(column.live) - TOP

    @staticmethod
    def _top(way: Way) -> float:
        return max((TOPS.get(link.symbol, TOP) for link in way), default=TOP)

    def draw(self) -> float:
        """Everything on the line; where it ends."""
        s, x = self.s, self._begin()
        for item in self.row.items:
            wide = _width(item) * self.stretch
            if isinstance(item, Branch):
                self._branch(item, x, wide)
            else:
                self._column(item, x, wide)
            x += wide
        if self.row.last:
            at = Place(x, MOTOR * self.stretch, self.row.more * self.stretch, tuple(self.ys))
            draw_motor(s, self.mains, at)
        else:
            self._go_on(x)
        return self.bottom

    # ------------------------------------------------------------------ ends

    def _begin(self) -> float:
        s, x = self.s, self.left
        if self.row.first:
            wide = START * self.stretch
            s.title(self.mains.origin, x, self.l - 16, wide + 30, 2, "start")
            pen = s.pen(self.mains.origin)
            if self.mains.origin in s.marks.failed:
                hatched = Pen(pen.ink, 1.0, "", "url(#hatch)")
                s.canvas.box(x + 14, self.l - 9, 15, self.e - self.l + 18, hatched, 3)
            for k, y, name in self.wires:
                s.canvas.text(x, y + 4, name, TITLE, bold=True, ink=pen.ink)
                s.canvas.circle(x + 24, y, 4, pen)
                s.wire((x + 28, y), (x + wide, y))
                s.point(self.nets[k], x + wide, y)
            s.outline(self.mains.origin, x - 6, self.l - 12, 38, self.e - self.l + 24)
        else:
            wide = TURN * self.stretch
            for k, y, name in self.wires:
                s.canvas.text(x, y + 4, name, TITLE, bold=True)
                s.canvas.line([(x + 19, y - 5), (x + 25, y), (x + 19, y + 5)], THIN)
                s.wire((x + 25, y), (x + wide, y))
                s.point(self.nets[k], x + wide, y, "")
        return x + wide

    def _go_on(self, x: float) -> None:
        for _, y, _ in self.wires:
            self.s.wire((x, y), (x + 26, y))
            self.s.canvas.line([(x + 22, y - 5), (x + 28, y), (x + 22, y + 5)], THIN)

    # ------------------------------------------------------------------ what stands between

    def _column(self, column: Column, x: float, wide: float) -> None:
        s = self.s
        middle = x + wide / 2
        ways = [(column.ways[k], y) for k, y, _ in self.wires]
        longest = max(len(way) for way, _ in ways)
        top = self.l - self._top(column.live) - 8
        if column.unit != self.mains.origin:  # its name stands at its own outline
            s.title(column.unit, middle, top, wide - 8, part=part_of(s, column.live))
        for way, y in ways:
            lead = wide * (longest - len(way)) / longest if way else 0.0
            s.wire((x, y), (x + lead, y))
            s.way(way, (x + lead, y), wide - lead)
        links = [link for way, _ in ways for link in way]
        several = sum(bool(way) for way, _ in ways) > 1
        if any(link.symbol == "core" for link in links) and several:
            lowest = self.e if column.earth else self.n
            s.outline(column.unit, x + 14, self.l - 20, wide - 28, lowest - self.l + 36)
        elif several and not any(x.symbol in ("terminal", "plug") for x in links):
            at, last = x + wide / 2 - 1, max(y for way, y in ways if way)
            s.canvas.line([(at, self.l - 8), (at, last - 8)], Pen(width=1.0, dash="4 3"))
        for way, y in ways:
            if way:
                s.point(way[-1].b, x + wide, y)
        self.nets = _after(column, self.nets)

    def _branch(self, branch: Branch, x: float, wide: float) -> None:
        s = self.s
        for _, y, _ in self.wires:
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
        part = part_of(self.s, tuple(link for link in load if link.unit == last.unit))
        for k, link in enumerate(load[:-1]):
            if link.unit != last.unit and link.unit not in {x.unit for x in load[:k]}:
                own = part_of(self.s, (link,))
                self.s.title(
                    link.unit, x + 26, y + step * (k + 0.5) - 4, room, 2, "start", True, own
                )
        lines = self.s.title_lines(last.unit, room, 4, part)
        notes = self.s.depth((), [last])
        base = middle - (lines - 1) * LEADING / 2 + 4 - (notes / 2 + 8 if notes else 0)
        if notes:
            self.s.title(last.unit, x + 26, middle - 8, room, 4, "start", part=part)
        else:
            self.s.title(last.unit, x + 26, base, room, 4, "start", True, part)
