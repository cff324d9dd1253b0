"""A circuit while it is drawn: symbols in the tone of what is known, test points, readings."""

from __future__ import annotations

from itertools import pairwise

from diagnose.plant.compose import Installation
from diagnose.report.pictures.canvas import (
    FAINT,
    INK,
    LINK,
    PAPER,
    PLAIN,
    RED,
    THIN,
    Anchor,
    Pen,
)
from diagnose.report.pictures.lettering import width, wrap
from diagnose.report.pictures.notes import BELOW, LEADING, NOTE_ROOM, Notes, Side
from diagnose.report.pictures.shapes import shape_of
from diagnose.report.pictures.spot import Heading, Spot, arrow, ground
from diagnose.report.pictures.symbols import DRAW, TOP, TOPS
from diagnose.report.pictures.values import percent
from diagnose.report.pictures.wiring import Link, Sheet, Way

TITLE, TAG = 12.0, 10.0
"""Font sizes: names of units, numbers of test points."""
RADIUS = 9.5


BESIDE = 22.0
"""Room for a rail's name to the right of its conductor: a unit's title stands beside it."""


def rail_name(installation: Installation, sheet: Sheet, net: str) -> str:
    """What a rail is called: 0 V, or + and the volts of what feeds it (+3V3); else the net."""
    if net == sheet.ground:
        return "0 V"
    feeds = [x for x in sheet.links if x.symbol == "supply" and net in (x.a, x.b)]
    if sheet.supply and any(net in (x.a, x.b) for x in sheet.supply):
        feeds = list(sheet.supply)
    if feeds:
        unit = feeds[0].unit
        number = installation.instances[unit].set.get("voltage")
        number = number or installation.part_of(unit).parameters.get("voltage")
        if number is not None:
            volts = f"{number.nominal:.2g}"
            return f"+{volts.replace('.', 'V')}" if "." in volts else f"+{volts} V"
    return net


class Sketch(Notes):
    """Canvas, installation, numbers and marks together; every part of the drawing writes here."""

    # ------------------------------------------------------------------ tones

    def pen(self, unit: str) -> Pen:
        """The pen for a unit's symbols: what failed is heavy, what is good is faint."""
        if unit in self.marks.failed:
            return Pen(RED, 2.4)
        if unit in self.marks.good:
            return Pen(FAINT, 1.3)
        return PLAIN

    def flag(self, unit: str) -> str:
        """What stands over the name of a marked unit."""
        if unit in self.marks.failed:
            return self.marks.failed_word
        if unit in self.marks.suspected:
            return f"? {percent(self.marks.suspected[unit])}"
        return ""

    def title(
        self,
        unit: str,
        x: float,
        y: float,
        room: float,
        lines: int = 3,
        anchor: Anchor = "middle",
        down: bool = False,
        part: str = "",
    ) -> float:
        """A unit's name on lines that end at the base line y, or begin there where `down`.

        `part` names what of it stands here, where it is drawn in several places. The base line
        of the last line written comes back.
        """
        flag = self.flag(unit)
        good = unit in self.marks.good
        room_left = room - 14 if good else room
        text = wrap(self.name(unit, part), room_left, lines, TITLE)
        rows = [(line, False) for line in text]
        if flag:
            rows.insert(0, (flag, True))
        first = y if down else y - (len(rows) - 1) * LEADING
        ink = RED if unit in self.marks.failed else "#666666" if good else INK
        for k, (line, bold) in enumerate(rows):
            base = first + k * LEADING
            self.canvas.text(x, base, line, TITLE, anchor, bold or ink == RED, ink, room_left * 1.2)
        if good:
            longest = max(width(line, TITLE) for line, _ in rows)
            left = {"start": x + longest, "middle": x + longest / 2, "end": x}[anchor]
            self.tick(left + 4, first - 4)
        return first + (len(rows) - 1) * LEADING

    def tick(self, x: float, y: float) -> None:
        """The mark of what is good."""
        self.canvas.line([(x, y), (x + 3, y + 4), (x + 9, y - 5)], Pen("#666666", 1.8))

    def name(self, unit: str, part: str = "") -> str:
        """A unit's name and what of it is meant."""
        title = self.it.instances[unit].title
        return f"{title}: {part}" if part else title

    def title_lines(self, unit: str, room: float, lines: int = 3, part: str = "") -> int:
        """How many lines a name takes, its flag included."""
        room -= 14 if unit in self.marks.good else 0
        flag = 1 if self.flag(unit) else 0
        return flag + len(wrap(self.name(unit, part), room, lines, TITLE))

    # ------------------------------------------------------------------ conductors

    def wire(self, *points: tuple[float, float], pen: Pen = PLAIN) -> None:
        """A conductor."""
        self.canvas.line(points, pen)
        for (a, b), (c, d) in pairwise(points):
            self.wires.append((min(a, c) - 1, min(b, d) - 1, max(a, c) + 1, max(b, d) + 1))

    def dot(self, x: float, y: float) -> None:
        """Where conductors join."""
        self.canvas.circle(x, y, 2.6, Pen(INK, 1.0, "", INK))

    def symbol(
        self,
        link: Link,
        x: float,
        y: float,
        half: float,
        heading: Heading = "along",
        ends: tuple[bool, bool] = (True, True),
    ) -> None:
        """A symbol about (x, y) with its leads, `half` long to either side, where it has `ends`."""
        pen = self.pen(link.unit)
        top = TOPS.get(link.symbol, TOP)
        down = heading != "along"
        block = shape_of(self.it.part_of(link.unit)).block
        boxed = down and block in ("module", "controller")
        marked = link.unit in self.marks.failed or link.unit in self.marks.suspected
        cable = link.symbol == "core" and link.unit not in self.marks.failed
        if marked and not boxed and not cable:
            self._backdrop(link, x, y, top, down, half)
        body = DRAW[link.symbol](Spot(self.canvas, x, y, heading, pen))
        if link.symbol != "core":
            across = 11.0 if link.symbol != "coil" else 19.0
            wide, tall = (across, body) if down else (body, 11.0)
            self.canvas.texts.append((x - wide, y - tall, x + wide, y + tall))
        for drawn, (a, b) in zip(ends, ((-half, -body), (body, half)), strict=True):
            if not drawn:
                continue
            start, end = ((x, y + a), (x, y + b)) if down else ((x + a, y), (x + b, y))
            self.wire(start, end, pen=pen if link.symbol == "core" else PLAIN)
        clamp = self._clamped(link)
        if clamp:
            self.clamp(clamp, x, y)

    def _backdrop(
        self, link: Link, x: float, y: float, top: float, down: bool, half: float
    ) -> None:
        failed = link.unit in self.marks.failed
        pen = Pen(RED, 2.0, "", "url(#hatch)") if failed else Pen(INK, 1.2, LINK.dash, PAPER)
        wide = 44.0 if link.symbol in ("lamp", "residual") else 28.0
        if link.symbol == "core" or link.symbol == "terminal":
            wide, top = 16.0, 10.0
        wide = min(wide, max(10.0, half - RADIUS - 2))
        if down:
            self.canvas.box(x - 22, y - wide, 44, 2 * wide, pen, 4)
        else:
            self.canvas.box(x - wide, y - top - 3, 2 * wide, top + 15, pen, 4)

    def _clamped(self, link: Link) -> str:
        """The clamp's place on a core that is drawn here; "" where none is."""
        for place in self.points.numbers:
            unit, _, element = place.partition(".")
            if unit == link.unit and place not in self.it.domain:
                between = self.it.part_of(unit).elements[element].between
                nets = {self.it.nets[f"{unit}.{t}"] for t in between}
                exact = any({x.a, x.b} == nets for x in self.sheet.links if x.unit == unit)
                if nets == {link.a, link.b} or (not exact and nets & {link.a, link.b}):
                    return place
        return ""

    def way(
        self,
        links: Way,
        start: tuple[float, float],
        length: float,
        down: bool = False,
    ) -> None:
        """Symbols end to end from a point on, with the test points between them."""
        if not links:
            end = (start[0], start[1] + length) if down else (start[0] + length, start[1])
            self.wire(start, end)
            return
        step = length / len(links)
        for k, link in enumerate(links):
            offset = step * (k + 0.5)
            x, y = (start[0], start[1] + offset) if down else (start[0] + offset, start[1])
            self.symbol(link, x, y, step / 2, "down" if down else "along")
            key = frozenset((link.a, link.b))
            if down:
                self.put(key, x + 26, y + 5, "start")
            else:
                self.put(key, x, y + self.lower(key), "middle", step - 6)
            if k:
                at = self._before(start, step * k, down)
                self.point(link.a, *at, "right" if down else "below", NOTE_ROOM if down else step)

    @staticmethod
    def _before(start: tuple[float, float], by: float, down: bool) -> tuple[float, float]:
        return (start[0], start[1] + by) if down else (start[0] + by, start[1])

    # ------------------------------------------------------------------ test points, readings

    def point(
        self,
        net: str,
        x: float,
        y: float,
        notes: Side = "below",
        room: float = NOTE_ROOM,
    ) -> None:
        """A numbered test point on a net; one that has no number is a plain conductor.

        `notes`: where its readings go, to its lower left, upper right, right, or nowhere here.
        """
        if net not in self.points.numbers:
            return
        with self.canvas.above():
            self.canvas.circle(x, y, RADIUS, Pen(INK, 1.2, "", PAPER))
            self._number(net, x, y)
        self.keep(x, y, RADIUS + 1)
        key = frozenset((net,))
        if notes == "right":
            self.put(key, x + 14, y - 7, "start", room)
        elif notes == "above":
            self.put(key, x - 7, y - RADIUS - 5 - self._tall(key), "start", room)
        elif notes == "below":
            self.put(key, x + 7, y + BELOW, "end", room)

    def keep(self, x: float, y: float, r: float) -> None:
        """Let no reading cover what is drawn about (x, y)."""
        self.canvas.texts.append((x - r, y - r, x + r, y + r))

    def _number(self, place: str, x: float, y: float) -> None:
        self.drawn.add(self.points.numbers[place])
        text = str(self.points.numbers[place])
        self.canvas.text(x, y + 3.6, text, TAG, "middle", bold=True)

    def clamp(self, place: str, x: float, y: float) -> None:
        """A test point around a conductor: a double ring."""
        with self.canvas.above():
            self.canvas.circle(x, y, RADIUS + 3, Pen(INK, 1.2, "", PAPER))
            self.canvas.circle(x, y, RADIUS, THIN)
            self._number(place, x, y)
        self.keep(x, y, RADIUS + 4)
        self.put(frozenset((place,)), x, y + BELOW + 3, "middle")

    def rail(self, net: str, x: float, y: float, up: bool = False) -> None:
        """The end of a conductor on a rail, hanging from (x, y) or standing on it where `up`."""
        if net == self.sheet.ground:
            ground(self.canvas, x, y, PLAIN)
        else:
            arrow(self.canvas, x, y, PLAIN, up)
        text = self.rail_text(net)
        low = y - 6 if up else y + 14
        if width(text, TAG) / 2 > BESIDE:
            self.canvas.text(x + BESIDE, low, text, TAG, "end")
        else:
            self.canvas.text(x, low, text, TAG, "middle")

    def rail_aside(self, net: str, x: float, y: float, left: bool = False) -> None:
        """The end of a conductor on a rail, pointing along the page."""
        k = -1 if left else 1
        if net == self.sheet.ground:
            self.canvas.line([(x, y - 9), (x, y + 9)], Pen(INK, 3.0))
        else:
            self.canvas.line([(x - 7 * k, y - 5), (x, y), (x - 7 * k, y + 5)], PLAIN)
        text = self.rail_text(net)
        self.canvas.text(x + 6 * k, y + 4, text, TAG, "end" if left else "start")

    def rail_text(self, net: str) -> str:
        """What a rail is called, with its test point's number."""
        number = self.points.numbers.get(net)
        return self.rail_name(net) + (f" ({number})" if number else "")

    def rail_name(self, net: str) -> str:
        """What a rail is called."""
        return rail_name(self.it, self.sheet, net)

    def outline(self, unit: str, x: float, y: float, w: float, h: float) -> None:
        """The dashed outline of a unit whose parts stand apart."""
        pen = Pen("#777777", 0.9, "6 4")
        if unit in self.marks.failed:
            pen = Pen(RED, 1.8, "6 4")
        elif unit in self.marks.suspected:
            pen = Pen(INK, 1.4, LINK.dash)
        self.canvas.box(x, y, w, h, pen, 5)
