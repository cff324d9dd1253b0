"""The way of the water, loops of their own, and boxes for what no rule has a place for."""

from __future__ import annotations

from itertools import groupby

from diagnose.knowledge.names import unit_of
from diagnose.plant.compose import Installation
from diagnose.plant.points import Points
from diagnose.report.pictures.canvas import Pen
from diagnose.report.pictures.notes import BELOW, LEADING
from diagnose.report.pictures.plan import holding
from diagnose.report.pictures.sketch import TAG, Sketch
from diagnose.report.pictures.symbols import TOP, TOPS
from diagnose.report.pictures.wiring import Link, Way

ENDS = {"pit": (False, True), "tank": (True, False), "tap": (True, False)}
BOX = 264.0
END = 30.0
"""From the edge to the test point where a loop begins or ends."""


def draw_water(sketch: Sketch, left: float, top: float, room: float) -> float:
    """The way of the water in one line, below it what leads past it; the y at which they end."""
    if not sketch.sheet.water:
        return top
    main, *further = sketch.sheet.water
    first, y = _in_line(sketch, main, left, top, room)
    across = {link.b: left + room * k / len(main) for k, link in enumerate(main, 1)}
    for way in further:
        begin, end = across[way[0].a], across[way[-1].b]
        line, y = _in_line(sketch, way, begin, y, end - begin)
        for x in (begin, end):
            sketch.dot(x, first)
            sketch.wire((x, first), (x, line))
    return y


def draw_loops(sketch: Sketch, left: float, top: float, room: float) -> float:
    """Each loop in one line; the y at which they end."""
    y = top
    for loop in sketch.sheet.loops:
        _, y = _in_line(sketch, loop, left + END, y, room - 2 * END, ends=True)
    return y


def _in_line(
    s: Sketch, links: Way, left: float, top: float, room: float, ends: bool = False
) -> tuple[float, float]:
    """Symbols side by side, each unit named above; with `ends`, the nets at both ends too.

    The y of their line, and that at which all ends.
    """
    wide = room / len(links)
    groups = [(unit, list(found)) for unit, found in groupby(links, key=lambda link: link.unit)]
    heads = max(s.title_lines(unit, wide * len(found) - 10, 3) for unit, found in groups)
    y = top + heads * LEADING + 54
    x = left
    for unit, found in groups:
        high = max(TOPS.get(link.symbol, TOP) for link in found)
        s.title(unit, x + wide * len(found) / 2, y - high - 8, wide * len(found) - 10, 3)
        for link in found:
            _symbol(s, link, x, y, wide)
            x += wide
            if link is not links[-1]:
                s.point(link.b, x, y, "below", wide - 6)
    if ends:
        first, last = links[0], links[-1]
        s.point(first.a, left, y, "")
        s.point(last.b, x, y, "")
        begin, end = joined(s.it, first.unit, first.a), joined(s.it, last.unit, last.b)
        s.canvas.text(left - END + 4, y + 24, begin, TAG + 1, "start", room=wide)
        s.canvas.text(x + END - 4, y + 24, end, TAG + 1, "end", room=wide)
    return y, y + BELOW + 16 + s.depth({n for x in links for n in (x.a, x.b)}, links)


def _symbol(s: Sketch, link: Link, x: float, y: float, wide: float) -> None:
    s.symbol(link, x + wide / 2, y, wide / 2, ends=ENDS.get(link.symbol, (True, True)))
    key = frozenset((link.a, link.b))
    s.put(key, x + wide / 2, y + s.lower(key), "middle", wide - 6)


def outer_terminals(installation: Installation, points: Points, unit: str) -> list[str]:
    """The terminals of a unit that something else is on or that are test points; else all."""
    terminals = list(installation.part_of(unit).terminals)
    wires = installation.instances[unit].wires
    shown = [
        t for t in terminals if t in wires or installation.nets[f"{unit}.{t}"] in points.numbers
    ]
    return shown or terminals


def joined(installation: Installation, unit: str, net: str) -> str:
    """What else is on a net: the first unit by title, and how many more; else the net's name."""
    units = [unit_of(name) for name, on in installation.nets.items() if on == net]
    first, *more = [name for name in dict.fromkeys(units) if name != unit] or [""]
    title = installation.instances[first].title if first else net
    return f"{title} +{len(more)}" if more else title


def draw_rest(sketch: Sketch, left: float, top: float, room: float) -> float:
    """A box for each unit that has no other place, with its terminals and what they are on.

    So has a unit that holds a test point which no conductor drawn so far passes.
    """
    s = sketch
    missing = {net for net, number in s.points.numbers.items() if number not in s.drawn}
    units = [*s.sheet.rest, *holding(s.it, s.sheet, missing)]
    across = max(1, int(room // (BOX + 16)))
    y, tallest = top, 0.0
    for k, unit in enumerate(units):
        if k and k % across == 0:
            y, tallest = y + tallest + 14, 0.0
        x = left + (k % across) * (BOX + 16)
        rows = [(t, s.it.nets[f"{unit}.{t}"]) for t in outer_terminals(s.it, s.points, unit)]
        if unit not in s.sheet.rest:
            rows = [(t, net) for t, net in rows if s.it.domain[net] != "ac"]
        clamps = [p for p in s.points.numbers if p.startswith(f"{unit}.") and p not in s.it.domain]
        rows += [(place.partition(".")[2], place) for place in clamps]
        names = s.title_lines(unit, BOX - 16, 2)
        notes = [s.depth([place], ()) for _, place in rows]
        tall = names * LEADING + 24 + 24 * len(rows) + sum(notes)
        pen = s.pen(unit)
        fill = "url(#hatch)" if unit in s.marks.failed else "none"
        s.canvas.box(x, y, BOX, tall, Pen(pen.ink, pen.width, "", fill), 5)
        at = s.title(unit, x + BOX / 2, y + 16, BOX - 16, 2, down=True) + 24
        for (name, place), below in zip(rows, notes, strict=True):
            s.point(place, x + 18, at - 4, "")
            on = joined(s.it, unit, place) if place in s.it.domain else "clamp"
            says = f"{name}: {on}" if on != place else name  # nothing else is on it
            s.canvas.text(x + 34, at, says, TAG + 1, room=BOX - 44)
            s.put(frozenset((place,)), x + 34, at + 3, "start", BOX - 44)
            at += 24 + below
        tallest = max(tallest, tall)
    return y + tallest + 14 if units else top
