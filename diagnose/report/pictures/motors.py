"""The motor at the end of the mains row: its windings, and what stands before them."""

from __future__ import annotations

from dataclasses import dataclass

from diagnose.report.pictures.canvas import THIN, Pen
from diagnose.report.pictures.notes import LEADING
from diagnose.report.pictures.sketch import Sketch
from diagnose.report.pictures.symbols import TOP, TOPS
from diagnose.report.pictures.wiring import Link, Mains, Way, walk

PARTS = {
    "contact": "contact",
    "contactor": "contact",
    "coil": "coil",
    "adapter": "input",
    "supply": "output",
}
"""What of a unit a symbol is, where the unit is drawn in several places."""
PHASE = 38.0
"""From one phase to the next."""
FIRST, SECOND = 0.31, 0.74
"""Where the two windings of a single-phase motor stand, as shares of its width."""
APART = 44.0
"""From the main winding to where a way begins that comes from the panel."""
LINES = 5
"""Of a name beside a motor."""


@dataclass(frozen=True)
class Place:
    """Where a motor is drawn: from x on, how wide, how much of it a long way takes; conductors.

    `ys`: of live, L2, L3, neutral and earth, from the top down.
    """

    x: float
    wide: float
    more: float
    ys: tuple[float, ...]


def windings_of(sketch: Sketch, motor: str) -> list[Link]:
    """The windings of a motor, in their order."""
    return [x for x in sketch.sheet.links if x.unit == motor and x.symbol == "winding"]


def draw_motor(sketch: Sketch, mains: Mains, at: Place) -> None:
    """Draw the motor of the row."""
    if mains.three_phase:
        _three_phase(sketch, mains.motor, at)
    else:
        _single_phase(sketch, mains, at)


def _single_phase(s: Sketch, mains: Mains, at: Place) -> None:
    x, motor = at.x, mains.motor
    live, neutral, earth = at.ys[0], at.ys[3], at.ys[4]
    links = [link for link in s.sheet.links if link.unit == motor]
    protector, windings = links[0], windings_of(s, motor)
    ends = {winding.b for winding in windings}
    tail = tuple(link.turned() for link in links[1:] if link.a in ends)
    first, second = x + at.wide * FIRST, x + at.wide * SECOND + at.more
    s.way((protector,), (x, live), first - x)
    s.way(tail, (x, neutral), first - x)
    ways = [_down_to(s, protector.b, winding) for winding in windings[:1]]
    ways += [_lead_of(links, winding) for winding in windings[1:2]]
    for where, way in zip((first, second), ways, strict=False):
        s.way(way, (where, live), neutral - live, down=True)
    s.wire((first, neutral), (second, neutral))
    for way in mains.beside:
        _beside(s, motor, way, first, second, live)
    s.point(protector.b, first, live)
    if windings:
        s.point(windings[0].b, first, neutral)
        _title_before(s, ways[0], x, first, live, neutral)
    if len(windings) > 1:
        s.point(ways[1][0].a, second, live)
    middle, centre = (first + second) / 2, live + (neutral - live) * 0.62
    s.wire((middle, centre + 24), (middle, earth), (x, earth))
    _circle(s, motor, middle, centre, 24, "1 ~")
    s.title(motor, middle, centre - 32, second - first - 50, 2)


def _beside(s: Sketch, motor: str, way: Way, first: float, second: float, live: float) -> None:
    """What leads to a second winding; where it begins in the panel, that point is named again."""
    own = {n for x in s.sheet.links if x.unit == motor for n in (x.a, x.b)}
    begin = first if way[0].a in own else first + APART
    if begin > first:
        s.canvas.line([(begin - 22, live - 5), (begin - 16, live), (begin - 22, live + 5)], THIN)
        s.wire((begin - 16, live), (begin, live))
    s.way(way, (begin, live), second - begin)
    if begin > first:
        s.point(way[0].a, begin, live, "")
    top = live - max(TOPS.get(link.symbol, TOP) for link in way) - 8
    for group, middle, room in _spans(way, second - begin):
        s.title(group[0].unit, begin + middle, top, room, LINES, part=part_of(s, group))
    for k, link in enumerate(way[:-1]):
        x = begin + (second - begin) * (k + 1) / len(way)
        for coil in _coils(s, link.b, way):
            s.symbol(coil, x, live + 38, 38, "down")
            s.point(coil.b, x, live + 84, "")
            s.title(coil.unit, x - 24, live + 26, 104, 2, "end", True, part_of(s, (coil,)))


def _coils(s: Sketch, net: str, way: Way) -> list[Link]:
    """Coils between a net of a way and the neutral, of units that are on it with another part."""
    found = []
    for unit in dict.fromkeys(x.unit for x in way):
        for x in s.sheet.links:
            if x.unit == unit and x.symbol == "coil" and net in (x.a, x.b):
                found.append(x if x.a == net else x.turned())
    return found


def _spans(way: Way, length: float) -> list[tuple[Way, float, float]]:
    """Each unit's links on a way: their middle from the way's beginning, room for its title."""
    step = length / len(way)
    found = []
    for unit in dict.fromkeys(link.unit for link in way):
        at = [k for k, link in enumerate(way) if link.unit == unit]
        group = tuple(way[k] for k in at)
        found.append((group, step * (at[0] + at[-1] + 1) / 2, max(step * len(at), 60.0)))
    return found


def height_of_titles(sketch: Sketch, mains: Mains, wide: float, more: float) -> float:
    """Room that the names of what stands beside a motor take above its conductor."""
    if mains.three_phase:
        return 0.0
    length = wide * (SECOND - FIRST) + more
    return max(
        (
            sketch.title_lines(group[0].unit, room, LINES, part_of(sketch, group)) * LEADING
            for way in mains.beside
            for group, _, room in _spans(way, length - (APART if len(way) > 2 else 0.0))
        ),
        default=0.0,
    )


def _down_to(s: Sketch, start: str, winding: Link) -> Way:
    """A winding, with what of other units leads to it from where the motor begins."""
    if start == winding.a:
        return (winding,)
    others = [x for x in s.sheet.links if x.unit != winding.unit and x.symbol == "coil"]
    return (*(walk(start, {winding.a}, others) or ()), winding)


def _lead_of(links: list[Link], winding: Link) -> Way:
    """A winding, with the motor's own terminal before it."""
    return (*(x for x in links if x.symbol == "terminal" and x.b == winding.a), winding)


def _title_before(
    s: Sketch, way: Way, left: float, right: float, live: float, neutral: float
) -> None:
    """The name of another unit's coil that stands before a winding, to its left."""
    if len(way) > 1 and way[0].unit != way[-1].unit:
        middle, room = (left + right - 22) / 2, right - left - 30
        y = live + (neutral - live) * 0.2
        s.title(way[0].unit, middle, y, room, 5, down=True, part=part_of(s, way[:1]))


def _three_phase(s: Sketch, motor: str, at: Place) -> None:
    """Three windings from the phases to the star point, and the rotor's circle beside them."""
    x, begin, star = at.x, at.x + 32.0, at.x + 134.0
    ys, neutral, earth = at.ys[:3], at.ys[3], at.ys[4]
    windings = windings_of(s, motor)
    for y, winding in zip(ys, windings, strict=True):
        s.wire((x, y), (begin, y))
        s.way((winding,), (begin, y), star - begin)
        s.point(winding.a, begin, y)
    s.wire((star, ys[0]), (star, ys[2]))
    s.point(windings[0].b, star, ys[1], "right", 44)
    centre = star + 84.0
    s.wire((centre, ys[1] + 30), (centre, earth), (x, earth))
    s.wire((x, neutral), (x + 14, neutral))
    _circle(s, motor, centre, ys[1], 30, "3 ~")
    s.title(motor, centre, ys[1] - 40, 110, 2)


def _circle(s: Sketch, motor: str, x: float, y: float, r: float, kind: str) -> None:
    pen = s.pen(motor)
    fill = "url(#hatch)" if motor in s.marks.failed else "#ffffff"
    s.canvas.circle(x, y, r, Pen(pen.ink, pen.width, "", fill))
    s.keep(x, y, r + 1)
    s.canvas.text(x, y + 1, "M", 17, "middle", bold=True, ink=pen.ink)
    s.canvas.text(x, y + 15, kind, 10, "middle", ink=pen.ink)


def part_of(sketch: Sketch, way: Way) -> str:
    """What of a unit stands here, where its other parts are drawn elsewhere."""
    for link in way:
        word = PARTS.get(link.symbol, "")
        if word and any(
            x.unit == link.unit and x.symbol in PARTS and x not in way for x in sketch.sheet.links
        ):
            return word
    return ""
