"""What is drawn beside what: an installation's wiring as rows and columns, no coordinates yet.

Everything follows from the wires: the mains conductors from the supply to the motor with what
branches off between them, each input of the controller with what leads to it, each output with
what it drives, the way of the water. What fits none of these is listed as `rest`.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable

from diagnose.knowledge.names import unit_of
from diagnose.plant.compose import Installation
from diagnose.report.pictures.mains_row import MainsPlanner
from diagnose.report.pictures.shapes import LOADS
from diagnose.report.pictures.wiring import Column, Link, Mains, Module, Row, Sheet, Way, walk


def sheet_of(installation: Installation) -> Sheet:
    """Lay out the wiring of an installation."""
    return _Builder(installation).sheet()


def holding(installation: Installation, sheet: Sheet, missing: Collection[str]) -> list[str]:
    """Units whose terminals are on nets that no way of a sheet shows; mains nets left aside."""

    def nets_of(unit: str) -> set[str]:
        return {installation.nets[f"{unit}.{t}"] for t in installation.part_of(unit).terminals}

    boxed = {net for unit in sheet.rest for net in nets_of(unit)}
    found = []
    for net in missing:
        address = next((a for a, n in installation.nets.items() if n == net), net)
        unit = unit_of(address)
        clamp = net not in installation.domain
        own = {installation.domain[n] for n in nets_of(unit)} if clamp else set()
        if "ac" in own or installation.domain.get(net) == "ac" or net in boxed or unit in found:
            continue
        found.append(unit)
        boxed |= nets_of(unit)
    return found


class _Builder(MainsPlanner):
    """The sheet while it is put together."""

    def __init__(self, installation: Installation) -> None:
        super().__init__(installation)
        self.ground = installation.type.references.get("dc", "")

    def sheet(self) -> Sheet:
        """Everything in its order."""
        mains = self.mains()
        controller = self.only("controller")
        rails = self.rails()
        inputs = self.inputs(controller, rails) if controller else ()
        modules = self.modules(controller, rails) if controller else ()
        outputs = self.outputs(controller, rails, inputs, modules) if controller else ()
        supply = self.supply(modules) if controller else ()
        water = self.water()
        loops = (*self.loops(), *self.from_leg_to_neutral(mains))
        fitted = self.it.instances
        notes = tuple(u for u in fitted if not self.it.part_of(u).elements)
        rest = tuple(u for u in fitted if u not in self.used and u not in notes)
        return Sheet(
            mains=mains,
            controller=controller,
            supply=supply,
            rails=tuple(rails),
            ground=self.ground,
            inputs=inputs,
            outputs=outputs,
            modules=modules,
            water=water,
            loops=loops,
            rest=rest,
            notes=notes,
            links=tuple(self.links),
        )

    # ------------------------------------------------------------------ direct current

    def rails(self) -> list[str]:
        """Ground first, then each net of several units that a source feeds, and the board's own."""
        found = [self.ground] if self.ground else []
        for link in self.within("dc"):
            if link.symbol == "supply":
                way = [x for x in self.within("dc") if x.unit == link.unit and x is not link]
                plus = next((x.b if x.a == link.a else x.a for x in way), link.a)
                if plus not in found and self._crowd(plus) > 2:
                    found.append(plus)
        board = self.it.nets.get(f"{self.only('controller')}.vdd", "")
        if board and board not in found and self._crowd(board) > 2:
            found.append(board)
        return found

    def _fed(self) -> set[str]:
        """The plus side of every source, however little hangs on it."""
        supplies = [x for x in self.within("dc") if x.symbol == "supply"]
        return {net for x in supplies for net in (x.a, x.b)} - {self.ground}

    def _crowd(self, net: str) -> int:
        return len({unit_of(a) for a, n in self.it.nets.items() if n == net})

    def _open(self, *without: str) -> list[Link]:
        """Links of the 5 V side but for those of some units and of supplies."""
        supplies = {x.unit for x in self.within("dc") if x.symbol == "supply"}
        return [x for x in self.within("dc") if x.unit not in (*without, *supplies)]

    def inputs(self, controller: str, rails: list[str]) -> tuple[Row, ...]:
        """What leads to each logic input."""
        part = self.it.part_of(controller)
        pins = [f"{controller}.{s.of[0]}" for s in part.signals.values() if s.kind == "pin"]
        for unit in self.it.instances:
            fitted = self.it.part_of(unit)
            if any(s.kind == "share" for s in fitted.signals.values()):
                pins.append(f"{unit}.{next(iter(fitted.terminals))}")
        free = self._open(controller)
        rows = []
        for pin in dict.fromkeys(pins):
            net = self.it.nets[pin]
            pulls = tuple(
                link if link.a == net else link.turned()
                for link in free
                if link.symbol == "resistor" and net in (link.a, link.b)
            )
            goals = {*rails, *self._fed()}
            way = walk(net, goals, free, lambda link: link.symbol != "resistor")
            if not way:
                continue
            there, back = _there_and_back(way)
            rows.append(Row(pin.partition(".")[2], net, there, way[-1].b, pulls, back))
            self.use(way, pulls)
        self.used.add(controller)
        return tuple(rows)

    def modules(self, controller: str, rails: list[str]) -> tuple[Module, ...]:
        """Blocks whose terminals the controller or a rail leads to."""
        found = []
        board = {n for a, n in self.it.nets.items() if a.startswith(f"{controller}.")}
        for unit, shape in self.shapes.items():
            if shape.block != "module":
                continue
            inside = tuple(x for x in self.within("dc") if x.unit == unit)
            own = {f"{unit}.{t}" for t in self.it.part_of(unit).terminals}
            nets = list(dict.fromkeys(n for x in inside for n in (x.a, x.b)))
            outer = [
                n for n in nets if any(v == n and a not in own for a, v in self.it.nets.items())
            ]
            free = self._open(controller, unit)
            goals = {*rails, *(board - set(outer))}
            feeders = {}
            for net in outer:
                others = set(outer) - {net}
                way = walk(net, goals, free, lambda x, o=others: not {x.a, x.b} & o)  # type: ignore[misc]
                if way is not None:
                    feeders[net] = way
            sources = tuple(
                x for x in self.within("dc") if x.symbol == "supply" and {x.a, x.b} <= set(outer)
            )
            self.used.add(unit)
            self.use(*feeders.values(), sources)
            found.append(Module(unit, inside, feeders, sources))
        return tuple(found)

    def outputs(
        self,
        controller: str,
        rails: list[str],
        inputs: tuple[Row, ...],
        modules: tuple[Module, ...],
    ) -> tuple[Row, ...]:
        """What each output drives; one that feeds a module is drawn with the module."""
        taken = {row.net for row in inputs} | set(rails)
        taken |= {way[-1].b if way else net for m in modules for net, way in m.feeders.items()}
        rows = []
        free = self._open(controller, *(m.unit for m in modules))
        for terminal in self.it.part_of(controller).terminals:
            net = self.it.nets[f"{controller}.{terminal}"]
            if net in taken:
                continue
            way = walk(net, rails, free)
            if way:
                rows.append(Row(terminal, net, way, way[-1].b))
                self.use(way)
        return tuple(rows)

    def supply(self, modules: tuple[Module, ...]) -> Way:
        """The source of the rail: its symbol, then what leads on to the rail."""
        elsewhere = {x.unit for module in modules for x in module.sources}
        for link in self.within("dc"):
            if link.symbol == "supply" and link.unit not in elsewhere:
                lead = [x for x in self.within("dc") if x.unit == link.unit and x is not link]
                self.used.add(link.unit)
                return (link, *lead, *self._regulator(lead[-1].b if lead else link.a))
        return ()

    def _regulator(self, net: str) -> Way:
        """What stands between a source's net and the board's supply terminal, if anything."""
        board = self.it.nets.get(f"{self.only('controller')}.vdd", net)
        between = [x for x in self.within("dc") if {x.a, x.b} == {net, board}]
        if net == board or not between:
            return ()
        self.use(between)
        return (between[0] if between[0].a == net else between[0].turned(),)

    # ------------------------------------------------------------------ rods on alternating current

    def loops(self) -> tuple[Way, ...]:
        """For each rod on the mains side: from the relay's terminal through the water and back."""
        free = [x for x in self.within("ac") if x.unit not in self.used]
        found = []
        for rod in [x for x in free if x.symbol == "rod"]:
            others = [x for x in free if x.symbol != "rod"]
            out = self._onward(rod.a, others)
            back = self._onward(rod.b, [x for x in others if x not in out])
            found.append((*(x.turned() for x in reversed(out)), rod, *back))
        self.use(*found)
        return tuple(found)

    def from_leg_to_neutral(self, rows: Iterable[Mains]) -> tuple[Way, ...]:
        """Of two legs: what hangs between one and the neutral, which the pump does without."""
        found: list[Way] = []
        for row in (x for x in rows if x.two_legs):
            columns = [x for x in row.items if isinstance(x, Column)]
            drawn = {link for column in columns for way in column.ways for link in way}
            free = [x for x in self.within("ac") if not {x, x.turned()} & drawn]
            start = self.it.nets[f"{row.origin}.n"]
            rails = {link.b for column in columns for link in column.live}
            while way := walk(start, rails, free):
                found.append(way)
                free = [x for x in free if not {x, x.turned()} & set(way)]
                load = next(k for k, link in enumerate(way) if link.symbol in LOADS)
                start, rails = way[load].a, rails | {link.b for link in way[load:]}
        self.use(*found)
        return tuple(found)

    def _onward(self, net: str, links: Collection[Link]) -> Way:
        """The links that follow one another from a net on."""
        way: list[Link] = []
        left = list(links)
        while (step := next((x for x in left if net in (x.a, x.b)), None)) is not None:
            left.remove(step)
            way.append(step if step.a == net else step.turned())
            net = way[-1].b
        return tuple(way)

    # ------------------------------------------------------------------ water

    def water(self) -> tuple[Way, ...]:
        """The way of the water, unit by unit, then each further way between two of its nets."""
        links = self.within("water")
        start = next((x for x in links if x.symbol == "pit"), None)
        end = next((x for x in links if x.symbol in ("tank", "tap")), None)
        if start is None or end is None:
            return ()
        middle = [x for x in links if x not in (start, end)]
        way = walk(start.b, {end.a}, middle)
        if way is None:
            return ()
        main = (start, *way, end)
        self.use(main)
        ways = [main]
        while further := self._past(main, middle):
            ways.append(further)
            self.use(further)
        return tuple(ways)

    def _past(self, main: Way, links: Collection[Link]) -> Way:
        """Through units not yet drawn from one net of a way to a later one; nothing: none."""
        free = [x for x in links if x.unit not in self.used]
        nets = [x.b for x in main[:-1]]
        found = (walk(net, set(nets[k:]), free) for k, net in enumerate(nets, 1))
        return next((way for way in found if way), ())


def _there_and_back(way: Way) -> tuple[Way, Way]:
    """Part a way where it comes back through a unit that it has passed already."""
    seen: list[str] = []
    for k, link in enumerate(way):
        if link.unit in seen and seen[-1] != link.unit:
            return way[:k], way[k:]
        seen.append(link.unit)
    return way, ()
