"""The controller, its supply, and what its outputs drive: the relay module, lamps, the buzzer."""

from __future__ import annotations

from diagnose.report.pictures.canvas import PAPER, Pen
from diagnose.report.pictures.notes import LEADING, NOTE
from diagnose.report.pictures.sketch import TITLE, Sketch
from diagnose.report.pictures.wiring import Link, Module, Row, Way

PITCH = 64.0
ROW = 58.0
RAIL = 60.0
"""From the controller to where a feeder begins."""
FEED = 118.0
"""Width of what leads from the controller to a module."""
SAYS = {
    "opto": "optocoupler",
    "jumper": "jumper",
    "jumper_open": "no jumper",
    "coil": "relay coil",
    "driver": "driver",
}


class Outputs:
    """What stands to the right of the controller, from its edge at x to `right`."""

    def __init__(self, sketch: Sketch, x: float, y: float, right: float) -> None:
        self.s = sketch
        self.x, self.y, self.right = x, y, right

    def draw(self) -> float:
        """All of it; the y at which it ends."""
        for module in self.s.sheet.modules:
            self._module(module)
        for row in self.s.sheet.outputs:
            self._row(row)
        return self.y

    # ------------------------------------------------------------------ lamps and buzzers

    def _row(self, row: Row) -> None:
        s = self.s
        above = s.depth([row.net], ())
        below = s.depth([x.a for x in row.way[1:]], row.way)
        y = self.y + 26 + above
        start = self.x + 26
        s.wire((self.x, y), (start, y))
        s.canvas.circle(self.x, y, 2.6)
        s.point(row.net, start, y, "above", 120.0)
        at = start
        for k, link in enumerate(row.way):
            wide = 64.0 if link.symbol == "terminal" else 124.0
            s.symbol(link, at + wide / 2, y, wide / 2)
            key = frozenset((link.a, link.b))
            s.put(key, at + wide / 2, y + s.lower(key), "middle", wide - 6)
            if k:
                s.point(link.a, at, y, "below", 84.0)
            at += wide
        s.wire((at, y), (at, y + 10))
        s.rail(row.end, at, y + 10)
        unit = row.way[-1].unit
        room = self.right - at - 24
        lines = s.title_lines(unit, room, 3)
        s.title(unit, at + 24, y + 4 - (lines - 1) * LEADING / 2, room, 3, "start", down=True)
        self.y = y + max(ROW - 26, below + 22)

    # ------------------------------------------------------------------ the relay module

    def _module(self, module: Module) -> None:
        s = self.s
        nets = self._order(module)
        left = self.x + FEED + 30
        head = self._feeder_head(module)
        strip = 10.0 + LEADING * s.title_lines(module.unit, self.right - left - 24, 2)
        first = self.y + head + strip + 22
        lines = {net: first + PITCH * k for k, net in enumerate(nets)}
        height = PITCH * (len(nets) - 1) + strip + 50
        pen = s.pen(module.unit)
        top, wide = self.y + head - 8, self.right - left
        if module.unit in s.marks.failed:
            hatched = Pen(pen.ink, 1.0, "", "url(#hatch)")
            s.canvas.box(left, top, wide, strip, hatched, 6)
            s.canvas.box(
                left + wide * 0.2, top + 2, wide * 0.6, strip - 4, Pen(PAPER, 0, "", PAPER)
            )
        s.canvas.box(left, top, wide, height, Pen(pen.ink, pen.width), 6)
        s.title(module.unit, left + wide / 2, top + 17, wide - 24, 2, down=True)
        slots = self._slots(module.inside, left)
        for net, y in lines.items():
            users = [
                x for link, x in zip(module.inside, slots, strict=True) if net in (link.a, link.b)
            ]
            outer = net in module.feeders or any(net in (x.a, x.b) for x in module.sources)
            begin = left if outer else min(users)
            s.wire((begin, y), (max(users), y))
        for link, x in zip(module.inside, slots, strict=True):
            self._inside(link, x, lines)
        for net, y in lines.items():
            if net in module.feeders or any(net in (x.a, x.b) for x in module.sources):
                s.point(net, left, y, "below", 70.0)
            else:
                at = max(x for k, x in zip(module.inside, slots, strict=True) if net in (k.a, k.b))
                s.point(net, at, y, "right")
        self._feeders(module, lines, left)
        for source in module.sources:
            self._source(source, lines, left)
        below = lines[nets[-1]] in {lines[n] for x in module.sources for n in (x.a, x.b)}
        self.y += head + height + (24 if below else 8)

    def _order(self, module: Module) -> list[str]:
        """Nets from top to bottom, so that what joins two of them crosses none of the others."""
        chain = [link for link in module.inside if link.symbol != "opto"]
        nets = list(dict.fromkeys(n for link in chain for n in (link.a, link.b)))
        for link in module.inside:
            if link.symbol == "opto":
                free = [n for n in (link.a, link.b) if n not in nets]
                other = link.a if link.a not in free else link.b
                for net in free:
                    nets.insert(0 if nets and other == nets[0] else len(nets), net)
        return nets

    @staticmethod
    def _slots(inside: Way, left: float) -> list[float]:
        """Where each symbol stands: one that goes on from the last one stands under it."""
        slots: list[float] = []
        at = left + 56
        for k, link in enumerate(inside):
            if k and inside[k - 1].b != link.a:
                at += 96
            slots.append(at)
        return slots

    def _inside(self, link: Link, x: float, lines: dict[str, float]) -> None:
        s = self.s
        a, b = lines[link.a], lines[link.b]
        middle = (a + b) / 2
        s.symbol(link, x, middle, abs(b - a) / 2, "down" if a < b else "up")
        s.canvas.text(x + 26, middle - 2, SAYS.get(link.symbol, ""), NOTE, room=76)
        s.put(frozenset((link.a, link.b)), x + 26, middle + 2, "start", 76.0)

    def _feeder_head(self, module: Module) -> float:
        s = self.s
        ways = module.feeders.values()
        units = list(dict.fromkeys(x.unit for way in ways for x in way))
        shared = [u for u in units if sum(u == x.unit for way in ways for x in way) > 1]
        lines = max((s.title_lines(u, FEED + 18, 4) for u in shared), default=0)
        return max(12.0, lines * LEADING - 22)

    def _feeders(self, module: Module, lines: dict[str, float], left: float) -> None:
        """What leads from the controller, or from a rail, to each outer net."""
        s = self.s
        rows: dict[str, list[float]] = {}
        begin = self.x + RAIL
        for net, way in module.feeders.items():
            y = lines[net]
            goal = way[-1].b if way else net
            for link in way:
                rows.setdefault(link.unit, []).append(y)
            if goal in s.sheet.rails:
                s.rail_aside(goal, begin, y, left=True)
            else:
                s.canvas.circle(self.x, y, 2.6)
                s.wire((self.x, y), (begin, y))
            fed = any(net in (x.a, x.b) for x in module.sources)
            end = left - 44 if fed else left
            s.way(tuple(x.turned() for x in reversed(way)), (begin, y), end - begin)
            s.wire((end, y), (left, y))
            if goal not in s.sheet.rails and way:
                s.point(goal, self.x + 24, y, "above", 110.0)
        sourced = {lines[net] for source in module.sources for net in (source.a, source.b)}
        for unit, ys in rows.items():
            near = bool(sourced & set(ys))
            centre = (begin + left - (44 if near else 0)) / 2
            together = max(ys) - min(ys) <= PITCH * (len(ys) - 1) + 1
            spans = [(min(ys), max(ys))] if together else [(y, y) for y in sorted(ys)]
            for a, b in spans:
                half = 13 if near else 20
                s.outline(unit, centre - half, a - 15, 2 * half, b - a + 30)
            middle, room = (self.x + left) / 2, left - self.x - 12
            if near:
                s.title(unit, middle, max(ys) + 28, room, 3, down=True)
            else:
                s.title(unit, middle, min(ys) - 21, room, 4)

    def _source(self, link: Link, lines: dict[str, float], left: float) -> None:
        s = self.s
        a, b = sorted((lines[link.a], lines[link.b]))
        x = left - 26
        s.wire((x, a), (left, a))
        s.dot(x, b)
        s.symbol(link, x, (a + b) / 2, (b - a) / 2, "down")
        room = x - self.x - 30
        s.title(link.unit, x - 24, (a + b) / 2 - 24, room, 3, "end", down=True, part="output")


def draw_controller(
    sketch: Sketch, x: float, top: float, wide: float, bottom: float, joints: float
) -> None:
    """The controller's box, with its name and its program; `joints` is where its supply enters."""
    s, unit = sketch, sketch.sheet.controller
    pen = s.pen(unit)
    fill = "url(#hatch)" if unit in s.marks.failed else "none"
    s.canvas.box(x, top, wide, bottom - top, Pen(pen.ink, pen.width + 0.4, "", fill), 6)
    middle = x + wide / 2
    y = joints + 76
    lines = s.title_lines(unit, wide - 16, 4)
    s.canvas.box(x + 5, y - 14, wide - 10, lines * LEADING + 8, Pen(PAPER, 0, "", PAPER))
    end = s.title(unit, middle, y, wide - 16, 4, down=True)
    for note in s.sheet.notes:
        lines = s.title_lines(note, wide - 28, 3)
        note_pen = s.pen(note)
        hatch = "url(#hatch)" if note in s.marks.failed else PAPER
        box = Pen(note_pen.ink, note_pen.width, "", hatch)
        s.canvas.box(x + 8, end + 18, wide - 16, lines * LEADING + 12, box, 3)
        if note in s.marks.failed:
            s.canvas.box(x + 22, end + 21, wide - 44, lines * LEADING + 6, Pen(PAPER, 0, "", PAPER))
        end = s.title(note, middle, end + 34, wide - 28, 3, down=True)


def draw_supply(sketch: Sketch, x: float, y: float, box: float, wide: float) -> None:
    """The source of the rail at x and the two conductors into the controller's top at `box`."""
    s = sketch
    source, *lead = s.sheet.supply
    low = y + 62
    plus, minus = box + wide - 30, box + 30
    s.symbol(source, x, (y + low) / 2, (low - y) / 2, "down")
    s.title(source.unit, x + 26, (y + low) / 2, 110, 3, "start", True, "output")
    inner = source.a
    first = x + 150
    if lead:
        s.wire((x, y), (first, y))
        s.point(inner, first, y, "below")
        for k, link in enumerate(lead):
            s.way((link,), (first + 110 * k, y), 110)
            s.point(link.b, first + 110 * (k + 1), y, "below")
            if link.unit != source.unit:
                s.title(link.unit, first + 110 * k + 55, y - 12, 110, 1)
        end = first + 110 * len(lead)
        s.wire((end, y), (plus, y))
    else:
        end = first + 110
        s.wire((x, y), (plus, y))
        s.point(inner, first, y, "below")
    s.canvas.text(end + 18, y - 6, s.rail_name(lead[-1].b if lead else inner), TITLE, bold=True)
    s.wire((x, low), (minus, low))
    s.point(source.b, first + 110, low, "below")
    s.canvas.text(first + 128, low - 6, s.rail_name(source.b), TITLE, bold=True)
    top = low + 30
    for at, start, rail in ((plus, y, lead[-1].b if lead else inner), (minus, low, source.b)):
        s.wire((at, start), (at, top - 14))
        joint = next(
            (k for k in s.sheet.links if k.unit == s.sheet.controller and k.a == rail), None
        )
        if joint is not None:
            s.symbol(joint, at, top, 14, "down")
            s.wire((at, top + 14), (at, top + 26))
            s.put(
                frozenset((joint.a, joint.b)),
                box + wide + 6 if at == plus else at + 8,
                top - 22 if at == plus else top - 24,
                "start",
                84.0,
            )
            s.point(joint.b, at, top + 32, "")
