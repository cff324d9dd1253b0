"""The circuit as text, for a terminal without colour: each conductor a line of boxes.

``(12)`` is a test point, ``[breaker]`` a unit, ``{a 230 V}`` a reading, at its test point or on
the unit that it was taken across. What failed is in capitals between exclamation marks, what is
proved good has ``ok`` behind it.
"""

from __future__ import annotations

import textwrap
from collections.abc import Collection, Iterable, Iterator
from itertools import groupby

from diagnose.plant.compose import Installation
from diagnose.plant.points import Points
from diagnose.report.pictures.lettering import clean
from diagnose.report.pictures.notes import letter
from diagnose.report.pictures.plan import holding, sheet_of
from diagnose.report.pictures.sketch import rail_name
from diagnose.report.pictures.values import NOTHING, Marks, percent
from diagnose.report.pictures.water import joined, outer_terminals
from diagnose.report.pictures.wiring import Branch, Column, Link, Mains, Sheet, Way

SAYS = {
    "opto": "optocoupler",
    "jumper": "jumper",
    "jumper_open": "no jumper",
    "coil": "coil",
    "driver": "driver",
    "protector": "thermal protector",
    "winding": "winding",
}
SHOWN = 2
JOIN = "--"
CONTINUED = "   "
"""How a line begins that goes on with the one before."""


def circuit_text(
    installation: Installation,
    points: Points,
    marks: Marks = NOTHING,
    width: int = 80,
    near: Collection[int] = (),
) -> list[str]:
    """The circuit of an installation as lines of at most `width` characters, all ASCII or as typed.

    Parameters
    ----------
    points
        Its numbered test points, from `diagnose.plant.points.points_of`.
    marks
        What failed, what is good, what was read.
    width
        Columns, 40 at least.
    near
        Test points: only the conductors that one of them is on; all where none is named. A rail
        counts only where no other point is named.
    """
    writer = _Writer(installation, points, marks, width)
    lines = list(writer.lines())
    if not near:
        return lines
    apart = [number for number in near if number not in writer.common]
    return _only(lines, apart or near) or lines


def _only(lines: list[str], near: Collection[int]) -> list[str]:
    """The conductors with these points on them."""
    rows: list[tuple[str, list[str]]] = []
    heading = ""
    for line in lines[1:]:
        if not line.startswith(" "):
            heading = line
        elif line.startswith(CONTINUED) and rows:
            rows[-1][1].append(line)
        else:
            rows.append((heading, [line]))
    kept: list[str] = []
    shown = ""
    for heading, found in rows:
        if any(f"({number})" in "".join(found) for number in near):
            kept += ([heading] if heading != shown else []) + found
            shown = heading
    return kept


class _Writer:
    def __init__(self, it: Installation, points: Points, marks: Marks, width: int) -> None:
        self.it, self.points, self.marks, self.width = it, points, marks, width
        self.sheet: Sheet = sheet_of(it)
        self.notes: dict[frozenset[int], list[str]] = {}
        self.told: set[int] = set()
        for k, reading in enumerate(marks.readings):
            key = frozenset(reading.points)
            odd = "!" if reading.healthy is False else ""
            text = clean(reading.shown, 24)
            self.notes.setdefault(key, []).append(f"{letter(k)} {text}{odd}")
        self.beside: dict[int, list[str]] = {}
        self.common = {self._at(n) for n in (*self.sheet.rails, *it.type.references.values())}
        across = {frozenset((self._at(x.a), self._at(x.b))) for x in self.sheet.links}
        for k, reading in enumerate(marks.readings):
            key = frozenset(reading.points)
            if reading.points and (len(key) == 1 or key not in across):
                odd = "!" if reading.healthy is False else ""
                text = f"{letter(k)} {clean(reading.shown, 24)}{odd}"
                apart = [n for n in reading.points if n not in self.common] or reading.points
                self.beside.setdefault(apart[0], []).append(text)

    def _at(self, net: str) -> int:
        return self.points.numbers.get(net, 0)

    # ------------------------------------------------------------------ pieces

    def point(self, net: str) -> str:
        """A test point, with what was read there; "" for a net without one."""
        number = self._at(net)
        if not number:
            return ""
        self.told.add(number)
        return f"({number})" + self._braced(self.beside.get(number, []))

    @staticmethod
    def _braced(notes: list[str]) -> str:
        if not notes:
            return ""
        shown = notes[:SHOWN] + ([f"+{len(notes) - SHOWN}"] if len(notes) > SHOWN else [])
        return "{" + ", ".join(shown) + "}"

    def end(self, net: str) -> str:
        """A rail or ground by name, with its number."""
        name = rail_name(self.it, self.sheet, net)
        number = self._at(net)
        return f"{name} ({number})" if number else name

    def unit(self, name: str, inner: Iterable[str] = (), notes: list[str] | None = None) -> str:
        """A unit with its marks, the test points inside it and what was read across it."""
        title = clean(self.it.instances[name].title, self.width - 24)
        if name in self.marks.failed:
            title = f"!! {title.upper()}: {self.marks.failed_word} !!"
        elif name in self.marks.good:
            title = f"{title} ok"
        elif name in self.marks.suspected:
            title = f"{title} ?{percent(self.marks.suspected[name])}"
        inside = "".join(f" {point}" for point in inner if point)
        return f"[{title}{inside}]" + self._braced(notes or [])

    def pieces(self, way: Way) -> list[str]:
        """Boxes and test points along a way, its first net not counted."""
        found = []
        for name, group in groupby(way, key=lambda link: link.unit):
            links = list(group)
            notes = [n for x in links for n in self._across(x)]
            inner = [self.point(x.b) for x in links[:-1]]
            clamps = [self._clamp(x) for x in links]
            found.append(self.unit(name, [*inner, *clamps], notes))
            found.append(self.point(links[-1].b))
        return [piece for piece in found if piece]

    def _across(self, link: Link) -> list[str]:
        a, b = self._at(link.a), self._at(link.b)
        return self.notes.get(frozenset((a, b)), []) if a and b else []

    def _clamp(self, link: Link) -> str:
        for place in self.points.numbers:
            unit, _, element = place.partition(".")
            if unit == link.unit and place not in self.it.domain:
                between = self.it.part_of(unit).elements[element].between
                if self.it.nets[f"{unit}.{between[0]}"] in (link.a, link.b):
                    return self.point(place)
        return ""

    def row(self, label: str, pieces: list[str]) -> Iterator[str]:
        """One conductor: as many lines as it takes."""
        line = f"  {label:<8} " if label else "  "
        indent = " " * len(line)
        room = self.width - len(indent) - 2 * len(JOIN)
        for number, piece in enumerate(pieces):
            for k, part in enumerate(textwrap.wrap(piece, room)):
                glue = " " if k else JOIN if number else ""
                if len(line) + len(glue) + len(part) <= self.width - len(JOIN):
                    line += glue + part
                else:
                    yield line if k else line + JOIN
                    line = indent + ("  " if k else JOIN) + part
        yield line

    # ------------------------------------------------------------------ the whole

    def lines(self) -> Iterator[str]:
        """Every line."""
        sheet = self.sheet
        yield from textwrap.wrap(clean(self.it.type.title, 400), self.width)
        yield from self._mains()
        yield from self._control()
        if sheet.water:
            yield "Water"
            main, *further = sheet.water
            first, *rest = main
            pieces = [self.unit(first.unit), self.point(first.b), *self.pieces(tuple(rest))]
            yield from self.row("", [piece for piece in pieces if piece])
            for way in further:
                begin = next(x.unit for x in main if x.b == way[0].a)
                end = next(x.unit for x in main if x.a == way[-1].b)
                yield from self.row("", [self.unit(begin), *self.pieces(way), self.unit(end)])
        for loop in sheet.loops:
            start = self.point(loop[0].a) or self.end(loop[0].a)
            rod = any(link.symbol == "rod" for link in loop)
            yield from self.row("rod" if rod else "neutral", [start, *self.pieces(loop)])
        missing = [net for net, number in self.points.numbers.items() if number not in self.told]
        units = [*sheet.rest, *holding(self.it, sheet, missing)]
        if units:
            yield "Not drawn as a path"
            for name in units:
                pieces = [self.unit(name)]
                for terminal in outer_terminals(self.it, self.points, name):
                    net = self.it.nets[f"{name}.{terminal}"]
                    on = clean(joined(self.it, name, net), self.width - 24)
                    pieces.append(f"{self.point(net)} {on}".strip())
                nets = [self.point(f"{name}.{e}") for e in self.it.part_of(name).elements]
                yield from self.row("", [*pieces, *(n for n in nets if n)])
        yield from self._readings()

    def _mains(self) -> Iterator[str]:
        for mains in self.sheet.mains:
            yield from self._mains_row(mains)

    def _mains_row(self, mains: Mains) -> Iterator[str]:
        yield (
            "Mains"
            if mains.origin
            else f"Mains, {clean(self.it.instances[mains.motor].title, self.width - 24)}"
        )
        columns = [x for x in mains.items if isinstance(x, Column)]
        tails = {x.symbol: x for x in self.sheet.links if x.unit == mains.motor}
        labels = {"live": "live", "neutral": "neutral", "earth": "earth"}
        if mains.three_phase:
            labels = {"live": "L1", "second": "L2", "third": "L3", "neutral": "N", "earth": "earth"}
        if mains.two_legs:
            labels = {"live": "L1", "neutral": "L2", "earth": "earth"}
        for role, label in labels.items():
            way: Way = tuple(x for c in columns for x in getattr(c, role))
            start = way[0].a if way else ""
            origin = self.unit(mains.origin) if mains.origin else ""
            pieces = [origin, self.point(start), *self.pieces(way)]
            if mains.three_phase and role == "neutral":
                pass  # ends in the panel
            elif role == "live" and "protector" in tails:
                pieces.append(self.unit(mains.motor, [self.point(tails["protector"].b)]))
            else:
                pieces.append(self.unit(mains.motor))
            yield from self.row(label, [piece for piece in pieces if piece])
        for link in self.sheet.links:
            if link.unit == mains.motor:
                yield from self._inside(link)
        for way in mains.beside:
            start = self.point(way[0].a) or self.end(way[0].a)
            yield from self.row("beside", [start, *self.pieces(way)])
        for item in mains.items:
            if isinstance(item, Branch):
                for load in item.loads:
                    start = self.point(item.net) or self.end(item.net)
                    yield from self.row("branch", [start, *self.pieces((*item.head, *load))])

    def _control(self) -> Iterator[str]:
        sheet = self.sheet
        if not sheet.controller:
            return
        board = self.unit(sheet.controller)
        yield "5 V side"
        yield from self._supply(board)
        for row in sheet.inputs:
            way = tuple(x.turned() for x in reversed((*row.way, *row.back)))
            yield from self.row("input", [self.end(way[0].a), *self.pieces(way), board])
            for pull in row.pulls:
                start = self.point(pull.a)
                box = self.unit(pull.unit, notes=self._across(pull))
                yield from self.row("pull", [p for p in (start, box, self.end(pull.b)) if p])
        for module in sheet.modules:
            for net, way in module.feeders.items():
                back = tuple(x.turned() for x in reversed(way))
                begin = back[0].a if back else net
                start = self.end(begin) if begin in sheet.rails else self.point(begin)
                head = [start] if begin in sheet.rails else [board, start]
                row_ = [*(h for h in head if h), *self.pieces(back), self.unit(module.unit)]
                yield from self.row("relay", row_)
            for source_ in module.sources:
                ends = [self.point(source_.a), self.unit(source_.unit), self.point(source_.b)]
                yield from self.row("relay", [p for p in ends if p])
            for link in module.inside:
                yield from self._inside(link)
        for row in sheet.outputs:
            pieces = [board, self.point(row.net), *self.pieces(row.way)[:-1], self.end(row.end)]
            yield from self.row("output", [piece for piece in pieces if piece])
        for note in sheet.notes:
            yield from self.row("in it", [self.unit(note)])

    def _supply(self, board: str) -> Iterator[str]:
        """From the source of the rail into the controller."""
        sheet = self.sheet
        if not sheet.supply:
            return
        source, *lead = sheet.supply
        notes = [note for link in sheet.supply for note in self._across(link)]
        unit = self.unit(source.unit, [self.point(source.a)] if lead else [], notes)
        rail = lead[-1].b if lead else source.a
        pieces = [self.end(source.b), unit]
        for link in lead:
            if link.unit != source.unit:
                pieces += [self.end(link.a), self.unit(link.unit)]
        yield from self.row("supply", [*pieces, self.end(rail), board])
        for link in sheet.links:
            if link.unit == sheet.controller:
                yield from self._inside(link)

    def _inside(self, link: Link) -> Iterator[str]:
        """One symbol within a unit that has several terminals."""
        says = SAYS.get(link.symbol, "joint")
        box = f"{self.it.instances[link.unit].title}: {says}"
        notes = self._braced(self._across(link))
        ends = [self.point(net) or self.end(net) for net in (link.a, link.b)]
        yield from self.row("inside", [ends[0], f"[{clean(box)}]{notes}", ends[1]])

    def _readings(self) -> Iterator[str]:
        if not self.marks.readings:
            return
        yield "Readings ('!': not as when healthy)"
        for k, reading in enumerate(self.marks.readings):
            odd = "!" if reading.healthy is False else " "
            points = "-".join(map(str, reading.points))
            head = f"  {letter(k):<3}{points:<8}{clean(reading.shown, 24):<10}{odd} "
            text = clean(reading.title)
            yield from textwrap.wrap(
                head + text, self.width, subsequent_indent=" " * 26, break_long_words=True
            )
