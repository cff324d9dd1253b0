"""A circuit while it is drawn: symbols in the tone of what is known, test points, readings."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from diagnose.plant.compose import Installation
from diagnose.plant.points import Points
from diagnose.report.pictures.canvas import (
    FAINT,
    INK,
    LINK,
    PAPER,
    PLAIN,
    RED,
    THIN,
    Anchor,
    Canvas,
    Pen,
)
from diagnose.report.pictures.lettering import trim, width, wrap
from diagnose.report.pictures.symbols import DRAW, TOP, TOPS, Heading, Spot, arrow, ground
from diagnose.report.pictures.values import Marks, Measured
from diagnose.report.pictures.wiring import Link, Sheet, Way

TITLE, NOTE, TAG = 12.0, 11.0, 9.5
"""Font sizes: names of units, readings, numbers of test points."""
LEADING = 13.5
RADIUS = 9.0
SHOWN = 2
"""Readings shown at one place; the list below the drawing has all."""
NOTE_ROOM = 90.0
BELOW = 13.0
Notes = Literal["below", "above", "right", ""]
"""From a conductor down to where readings begin."""


def letter(position: int) -> str:
    """The letter of a reading: a, b, ..., z, aa, ab, ..."""
    text = ""
    position += 1
    while position:
        position, rest = divmod(position - 1, 26)
        text = chr(ord("a") + rest) + text
    return text


@dataclass(frozen=True)
class Note:
    """A reading as it stands beside its test point."""

    text: str
    healthy: bool | None


class Sketch:
    """Canvas, installation, numbers and marks together; every part of the drawing writes here."""

    def __init__(
        self, canvas: Canvas, installation: Installation, points: Points, sheet: Sheet, marks: Marks
    ) -> None:
        self.canvas = canvas
        self.it = installation
        self.points = points
        self.sheet = sheet
        self.marks = marks
        self.notes: dict[frozenset[str], list[Note]] = {}
        self._put: set[frozenset[str]] = set()
        self._place_notes()

    def _place_notes(self) -> None:
        """Each reading goes to the symbol between its two test points, else to the first one."""
        pairs = {frozenset((x.a, x.b)) for x in self.sheet.links}
        for k, reading in enumerate(self.marks.readings):
            places = [self.points.where(n) for n in reading.points if self._known(n)]
            if not places:
                continue
            pair = frozenset(places)
            key = pair if len(pair) == 2 and pair in pairs else frozenset(places[:1])
            note = Note(f"{letter(k)}  {reading.shown}", reading.healthy)
            self.notes.setdefault(key, []).append(note)

    def _known(self, number: int) -> bool:
        return number in self.points.numbers.values()

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
            return "FAILED"
        if unit in self.marks.suspected:
            return f"? {self.marks.suspected[unit]:.0%}"
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
        if link.unit in self.marks.failed or link.unit in self.marks.suspected:
            self._backdrop(link, x, y, top, down)
        body = DRAW[link.symbol](Spot(self.canvas, x, y, heading, pen))
        for drawn, (a, b) in zip(ends, ((-half, -body), (body, half)), strict=True):
            if not drawn:
                continue
            start, end = ((x, y + a), (x, y + b)) if down else ((x + a, y), (x + b, y))
            self.wire(start, end)
        clamp = self._clamped(link)
        if clamp:
            self.clamp(clamp, x, y)

    def _backdrop(self, link: Link, x: float, y: float, top: float, down: bool) -> None:
        failed = link.unit in self.marks.failed
        pen = Pen(RED, 2.0, "", "url(#hatch)") if failed else Pen(INK, 1.2, LINK.dash, PAPER)
        wide = 44.0 if link.symbol in ("lamp", "residual") else 28.0
        if link.symbol == "core" or link.symbol == "terminal":
            wide, top = 16.0, 10.0
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

    def lower(self, key: frozenset[str]) -> float:
        """How far below its conductor a symbol's reading begins: past those of its ends."""
        beside = any(frozenset((net,)) in self.notes for net in key)
        return BELOW + (SHOWN * LEADING if beside else 0.0)

    def depth(self, nets: Iterable[str], links: Iterable[Link]) -> float:
        """Room below a conductor for the readings at these nets and symbols."""
        need = [self._tall(frozenset((net,))) for net in nets]
        for link in links:
            key = frozenset((link.a, link.b))
            tall = self._tall(key)
            need.append(tall + self.lower(key) - BELOW if tall else 0.0)
        return max(need, default=0.0)

    def _tall(self, key: frozenset[str]) -> float:
        return min(len(self.notes.get(key, ())), SHOWN) * LEADING

    # ------------------------------------------------------------------ test points, readings

    def point(
        self,
        net: str,
        x: float,
        y: float,
        notes: Notes = "below",
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
        key = frozenset((net,))
        if notes == "right":
            self.put(key, x + 14, y - 7, "start", room)
        elif notes == "above":
            self.put(key, x - 7, y - RADIUS - 5 - self._tall(key), "start", room)
        elif notes == "below":
            self.put(key, x + 7, y + BELOW, "end", room)

    def _number(self, place: str, x: float, y: float) -> None:
        text = str(self.points.numbers[place])
        self.canvas.text(x, y + 3.4, text, TAG, "middle", bold=True)

    def clamp(self, place: str, x: float, y: float) -> None:
        """A test point around a conductor: a double ring."""
        with self.canvas.above():
            self.canvas.circle(x, y, RADIUS + 3, Pen(INK, 1.2, "", PAPER))
            self.canvas.circle(x, y, RADIUS, THIN)
            self._number(place, x, y)
        self.put(frozenset((place,)), x, y + BELOW + 3, "middle")

    def put(
        self, key: frozenset[str], x: float, y: float, anchor: Anchor, room: float = NOTE_ROOM
    ) -> None:
        """The readings of a place, once: lines from y down."""
        notes = self.notes.get(key)
        if not notes or key in self._put:
            return
        self._put.add(key)
        shown: Sequence[Note] = notes
        if len(notes) > SHOWN:
            more = Note(f"+ {len(notes) - SHOWN + 1} more below", None)
            shown = [*notes[: SHOWN - 1], more]
        with self.canvas.above():
            for k, note in enumerate(shown):
                text = trim(note.text, room, NOTE, bold=True)
                base = y + 10 + k * LEADING
                wide = width(text, NOTE, bold=True)
                left = {"start": x, "middle": x - wide / 2, "end": x - wide}[anchor]
                self.canvas.box(
                    left - 1, base - 10, wide + 2, LEADING - 0.5, Pen(PAPER, 0, "", PAPER)
                )
                ink = RED if note.healthy is False else INK
                self.canvas.text(x, base, text, NOTE, anchor, bold=True, ink=ink)
                if note.healthy is False:
                    self.canvas.line([(left, base + 2), (left + wide, base + 2)], Pen(RED, 1.0))

    def rail(self, net: str, x: float, y: float, up: bool = False) -> None:
        """The end of a conductor on a rail, hanging from (x, y) or standing on it where `up`."""
        if net == self.sheet.ground:
            ground(self.canvas, x, y, PLAIN)
        else:
            arrow(self.canvas, x, y, PLAIN, up)
        self.canvas.text(x, y - 6 if up else y + 14, self.rail_text(net), TAG, "middle")

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
        """What a rail is called: 0 V, or + and the volts of the source that feeds it."""
        if net == self.sheet.ground:
            return "0 V"
        unit = self.sheet.supply[0].unit if self.sheet.supply else ""
        if unit and any(net in (x.a, x.b) for x in self.sheet.supply):
            volts = self.it.part_of(unit).parameters.get("voltage")
            if volts is not None:
                return f"+{volts.nominal:.2g} V"
        return net

    def outline(self, unit: str, x: float, y: float, w: float, h: float) -> None:
        """The dashed outline of a unit whose parts stand apart."""
        failed = unit in self.marks.failed
        ink = RED if failed else "#777777"
        self.canvas.box(x, y, w, h, Pen(ink, 1.8 if failed else 0.9, "6 4"), 5)

    def readings(self) -> list[tuple[str, Measured]]:
        """All readings with their letters."""
        return [(letter(k), reading) for k, reading in enumerate(self.marks.readings)]
