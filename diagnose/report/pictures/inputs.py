"""What leads to the controller's inputs: floats, cables, joints, pull resistors, switches."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby

from diagnose.report.pictures.notes import BELOW, LEADING
from diagnose.report.pictures.sketch import Sketch
from diagnose.report.pictures.symbols import TOP, TOPS
from diagnose.report.pictures.wiring import Link, Row, Way

PIN = 142.0
"""Width of what stands next to the controller: test point and pull resistor."""
WIDTHS = {
    "terminal": 80.0,
    "core": 92.0,
    "float": 110.0,
    "rod": 66.0,
    "common": 46.0,
    "loop": 110.0,
    "echo": 110.0,
    "turned": 126.0,
}
CELL = 96.0
PULL = 58.0
"""Height of a pull resistor with its rail."""
NAMES = 3
Room = tuple[float, float]


@dataclass(frozen=True)
class Group:
    """Inputs whose switches share the way back to a rail, or one input by itself."""

    rows: tuple[Row, ...]

    @property
    def back(self) -> Way:
        return self.rows[0].back


def groups_of(rows: tuple[Row, ...]) -> list[Group]:
    """Inputs in their order, those that share a way back together."""

    def key(row: Row) -> tuple[object, ...]:
        return row.back or (row.net,)

    return [Group(tuple(found)) for _, found in groupby(rows, key)]


def width_of(rows: tuple[Row, ...]) -> float:
    """Width of the widest input, without the pin."""
    return max((sum(map(_width, row.way)) for row in rows), default=0.0)


def _width(link: Link) -> float:
    return WIDTHS.get(link.symbol, CELL)


class Inputs:
    """The inputs, drawn leftwards from the controller's edge at x; `y` is how far down it goes."""

    def __init__(self, sketch: Sketch, x: float, y: float) -> None:
        self.s = sketch
        self.x = x
        self.y = y

    def draw(self) -> float:
        """All of them; the y at which they end."""
        for group in groups_of(self.s.sheet.inputs):
            self._group(group)
        return self.y

    # ------------------------------------------------------------------ heights

    def _room(self, row: Row, own: set[str]) -> tuple[Room, Room]:
        """Room above and below a row's conductor, on its way and beside the controller."""
        s = self.s
        above, below = 26.0, 20.0
        for link in row.way:
            top = TOPS.get(link.symbol, TOP)
            lines = s.title_lines(link.unit, _width(link) - 8, NAMES)
            above = max(above, top + 8 + lines * LEADING if link.unit in own else top + 6)
        nets = {net for link in row.way for net in (link.a, link.b)} - {row.net}
        below = max(below, BELOW + s.depth(nets, row.way) + 6, 0.0 if row.back else 32.0)
        noted = s.depth([row.net], ())
        if self._down(row):
            return (above, below), (noted + 18, self._pull_room(row))
        return (above, below), (self._pull_room(row), BELOW + noted + 4)

    def _pull_room(self, row: Row) -> float:
        """Room for what pulls a row: its rail, or its name and its readings."""
        if not row.pulls:
            return 20.0
        lines = self.s.title_lines(row.pulls[0].unit, PIN - 56, NAMES)
        texts = 18 + lines * LEADING + self.s.depth((), row.pulls)
        return max(PULL + 16, texts)

    def _down(self, row: Row) -> bool:
        """Whether what pulls a row hangs under it."""
        return not row.pulls or row.pulls[0].b == self.s.sheet.ground

    # ------------------------------------------------------------------ one group

    def _group(self, group: Group) -> None:
        s = self.s
        back_units = {link.unit for link in group.back}
        counts = [link.unit for row in group.rows for link in row.way]
        shared = [u for u in dict.fromkeys(counts) if counts.count(u) > 1 or u in back_units]
        own = set(counts) - set(shared)
        columns = self._columns(group)
        top = self.y
        if group.back:
            heads = max(
                s.title_lines(u, columns[u][1] - columns[u][0] - 6, NAMES)
                for u in shared
                if u in columns
            )
            top += heads * LEADING + 26
        y_back = top
        depth = s.depth([x.a for x in group.back], group.back)
        left, right = (top + BELOW + depth, top + 14) if group.back else (top, top)
        lines = []
        for k, row in enumerate(group.rows):
            along, beside = self._room(row, own)
            under = (
                self._title_room(row, set(shared) - back_units) if k == 0 and group.back else 0.0
            )
            y = max(left + max(along[0], under), right + beside[0])
            lines.append(y)
            left, right = y + along[1], y + beside[1]
        y = max(left, right)
        for row, at in zip(group.rows, lines, strict=True):
            self._row(row, at, own, bool(group.back))
        if group.back:
            self._back(group, columns, y_back, lines)
        for unit in shared:
            self._outline(group, unit, columns[unit], y_back, lines, unit in back_units)
        self.y = y + 8

    def _title_room(self, row: Row, units: set[str]) -> float:
        """Room that names need which stand over an outline without a way back in it."""
        need = 0.0
        for link in row.way:
            if link.unit in units:
                lines = self.s.title_lines(link.unit, _width(link) - 6, NAMES)
                need = max(need, lines * LEADING + 36)
        return need

    def _columns(self, group: Group) -> dict[str, tuple[float, float]]:
        """Left and right edge of each unit's column."""
        found: dict[str, tuple[float, float]] = {}
        for row in group.rows:
            right = self.x - PIN
            for link in row.way:
                left = right - _width(link)
                old = found.get(link.unit, (left, right))
                found[link.unit] = (min(old[0], left), max(old[1], right))
                right = left
        return found

    def _row(self, row: Row, y: float, own: set[str], grouped: bool) -> None:
        s = self.s
        down = self._down(row)
        right = self.x - PIN
        s.wire((self.x, y), (right, y))
        s.canvas.circle(self.x, y, 2.6)
        s.point(row.net, self.x - 22, y, "above" if down else "below", 98.0)
        for k, pull in enumerate(row.pulls):
            self._pull(pull, right + 26 + 30 * k, y, down)
        for link in row.way:
            wide = _width(link)
            left = right - wide
            middle = (left + right) / 2
            s.symbol(link, middle, y, wide / 2)
            key = frozenset((link.a, link.b))
            s.put(key, middle, y + s.lower(key), "middle", wide - 6)
            if link.a != row.net:
                s.point(link.a, right, y, "below", wide - 4)
            if link.unit in own:
                top = y - TOPS.get(link.symbol, TOP) - 6
                s.title(link.unit, middle, top, wide - 8, NAMES)
            right = left
        last = row.way[-1].b
        if grouped:
            s.wire((right, y), (right - 4, y))
            return
        s.wire((right, y), (right, y + 14))
        s.rail(last, right, y + 14)

    def _pull(self, pull: Link, x: float, y: float, down: bool) -> None:
        s = self.s
        k = 1 if down else -1
        s.dot(x, y)
        s.wire((x, y), (x, y + k * PULL * 0.15))
        centre = y + k * PULL * 0.45
        s.symbol(pull, x, centre, PULL * 0.3, "down")
        s.wire((x, centre + k * PULL * 0.3), (x, y + k * PULL * 0.97))
        s.rail(pull.b, x, y + k * PULL * 0.97, up=not down)
        room = self.x - x - 30
        notes = s.depth((), (pull,))
        lines = s.title_lines(pull.unit, room, NAMES)
        first = y + 21 if down else y - 12 - (lines - 1) * LEADING - notes
        end = s.title(pull.unit, x + 24, first, room, NAMES, "start", down=True)
        s.put(frozenset((pull.a, pull.b)), x + 28, end + 3, "start", room - 4)

    def _back(
        self,
        group: Group,
        columns: dict[str, tuple[float, float]],
        y: float,
        lines: list[float],
    ) -> None:
        """The conductor that the switches share, from them back to the rail."""
        s = self.s
        left = min(x for x, _ in columns.values()) - 4
        s.wire((left, y), (left, lines[-1]))
        for at in lines[:-1]:
            s.dot(left, at)
        at = left
        s.point(group.back[0].a, left, y, "right")
        for link in group.back:
            start, end = columns[link.unit]
            s.wire((at, y), (start, y))
            middle = (start + end) / 2
            s.symbol(link, middle, y, (end - start) / 2)
            key = frozenset((link.a, link.b))
            s.put(key, middle, y + s.lower(key), "middle", end - start - 6)
            at = end
            if link is not group.back[-1]:
                s.point(link.b, end, y, "below", end - start - 4)
        s.wire((at, y), (at + 12, y))
        s.rail_aside(group.back[-1].b, at + 12, y)

    def _outline(
        self,
        group: Group,
        unit: str,
        column: tuple[float, float],
        y_back: float,
        lines: list[float],
        has_back: bool,
    ) -> None:
        used = [
            y
            for y, row in zip(lines, group.rows, strict=True)
            if any(link.unit == unit for link in row.way)
        ]
        top = y_back if has_back else used[0]
        left, right = column
        self.s.outline(unit, left + 14, top - 17, right - left - 28, used[-1] - top + 34)
        self.s.title(unit, (left + right) / 2, top - 23, right - left - 6, NAMES)
