"""What is drawn beside what: an installation's wiring as rows and columns, no coordinates yet.

Everything follows from the wires: the mains conductors from the supply to the motor with what
branches off between them, each input of the controller with what leads to it, each output with
what it drives, the way of the water. What fits none of these is listed as `rest`.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field
from itertools import groupby

from diagnose.knowledge.records import Domain
from diagnose.plant.compose import Installation
from diagnose.report.pictures.shapes import LOADS, shape_of


@dataclass(frozen=True)
class Link:
    """One symbol between two nets, in the direction in which it is met."""

    unit: str
    symbol: str
    a: str
    b: str

    def turned(self) -> Link:
        """The same symbol, met from its other end."""
        return Link(self.unit, self.symbol, self.b, self.a)


Way = tuple[Link, ...]


@dataclass(frozen=True)
class Column:
    """One unit of the mains row, with what it does to each conductor (no links: passed by)."""

    unit: str
    live: Way = ()
    neutral: Way = ()
    earth: Way = ()


@dataclass(frozen=True)
class Branch:
    """What hangs between live and neutral at one net: a common head, then loads side by side."""

    net: str
    head: Way
    loads: tuple[Way, ...]


@dataclass(frozen=True)
class Mains:
    """The mains row: columns and branches from the origin to the motor, in order.

    `beside` holds what joins two terminals of the motor (its capacitor, its start switch).
    """

    origin: str
    motor: str
    items: tuple[Column | Branch, ...]
    beside: tuple[Way, ...]


@dataclass(frozen=True)
class Row:
    """One terminal of the controller: the way outward from it to `end`, and what pulls it.

    An input's `back` is the way on from the switch to the rail where other inputs share it.
    """

    terminal: str
    net: str
    way: Way
    end: str
    pulls: Way = ()
    back: Way = ()


@dataclass(frozen=True)
class Module:
    """A block of several terminals between the controller and the mains, with its feeders.

    `feeders` maps each of its outer nets to the way from there to a rail or the controller.
    """

    unit: str
    inside: Way
    feeders: Mapping[str, Way]
    sources: Way


@dataclass(frozen=True)
class Sheet:
    """All that is drawn of one installation."""

    mains: Mains | None
    controller: str
    supply: Way
    rails: tuple[str, ...]
    ground: str
    inputs: tuple[Row, ...]
    outputs: tuple[Row, ...]
    modules: tuple[Module, ...]
    water: Way
    rest: tuple[str, ...]
    notes: tuple[str, ...]
    """Units without wires (a program)."""
    links: Way = field(default=())

    def place_of(self, net: str) -> bool:
        """Whether a net is drawn at all."""
        return any(net in (link.a, link.b) for link in self.links)


def links_of(installation: Installation, domain: Domain | None = None) -> list[Link]:
    """Every symbol of an installation (or of one of its networks), unit by unit."""
    found = []
    for unit, instance in installation.instances.items():
        part = installation.part_of(unit)
        removed = {**part.variables, **instance.variables}.get("jumper") == "removed"
        for a, b, symbol in shape_of(part).links:
            symbol = "jumper_open" if symbol == "jumper" and removed else symbol
            first, second = installation.nets[f"{unit}.{a}"], installation.nets[f"{unit}.{b}"]
            if domain is None or installation.domain[first] == domain:
                found.append(Link(unit, symbol, first, second))
    return found


def walk(
    start: str,
    goals: Collection[str],
    links: Iterable[Link],
    passing: Callable[[Link], bool] = lambda link: True,
) -> Way | None:
    """The way through the fewest symbols from a net to the nearest of some nets; None: none."""
    usable = [link for link in links if passing(link)]
    usable += [link.turned() for link in usable]
    reached: dict[str, Way] = {start: ()}
    edge = [start]
    while edge:
        for net in edge:
            if net in goals:
                return reached[net]
        later = []
        for net in edge:
            for link in usable:
                if link.a == net and link.b not in reached:
                    reached[link.b] = (*reached[net], link)
                    later.append(link.b)
        edge = later
    return None


def sheet_of(installation: Installation) -> Sheet:
    """Lay out the wiring of an installation."""
    return _Builder(installation).sheet()


class _Builder:
    """The sheet while it is put together; `used` holds the units that have their place."""

    def __init__(self, installation: Installation) -> None:
        self.it = installation
        self.shapes = {u: shape_of(installation.part_of(u)) for u in installation.instances}
        self.links = links_of(installation)
        self.ground = installation.type.references.get("dc", "")
        self.used: set[str] = set()

    def sheet(self) -> Sheet:
        """Everything in its order."""
        mains = self.mains()
        controller = self._only("controller")
        rails = self.rails()
        inputs = self.inputs(controller, rails) if controller else ()
        modules = self.modules(controller, rails) if controller else ()
        outputs = self.outputs(controller, rails, inputs, modules) if controller else ()
        supply = self.supply(modules) if controller else ()
        water = self.water()
        fitted = self.it.instances
        notes = tuple(u for u in fitted if not self.it.part_of(u).elements)
        spare = self.spares()
        rest = tuple(u for u in fitted if u not in self.used and u not in notes and u not in spare)
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
            rest=rest,
            notes=notes,
            links=tuple(self.links),
        )

    def _only(self, block: str) -> str:
        """The unit that makes a block; "" where none or several do."""
        found = [u for u, shape in self.shapes.items() if shape.block == block]
        return found[0] if len(found) == 1 else ""

    def _net(self, unit: str, role: str) -> str:
        terminal = self.shapes[unit].roles.get(role, "")
        return self.it.nets.get(f"{unit}.{terminal}", "")

    def _use(self, *ways: Iterable[Link]) -> None:
        self.used.update(link.unit for way in ways for link in way)

    def _in(self, domain: Domain) -> list[Link]:
        return [link for link in self.links if self.it.domain[link.a] == domain]

    # ------------------------------------------------------------------ mains

    def mains(self) -> Mains | None:
        """The mains row; None where there is no one way from a supply to a motor."""
        origin, motor = self._only("origin"), self._only("motor")
        if not origin or not motor:
            return None
        free = [x for x in self._in("ac") if x.unit != motor]
        ways = {
            role: walk(
                self._net(origin, role),
                {self._net(motor, role)},
                free,
                lambda link: link.symbol not in LOADS,
            )
            for role in ("live", "neutral", "earth")
        }
        live, neutral = ways["live"], ways["neutral"] or ()
        if live is None:
            return None
        earth = ways["earth"] or ()
        columns = _columns(live, neutral, earth)
        self.used |= {origin, motor}
        self._use(live, neutral, earth)
        rails = {self._net(origin, "live"), *(link.b for link in live)}
        returns = {self._net(origin, "neutral"), *(link.b for link in neutral)}
        taken = {*live, *neutral, *earth}
        left = [x for x in free if x not in taken and x.turned() not in taken]
        beside = self._beside(motor, left)
        put = {x.unit for way in beside for x in way}
        branches = self._branches(rails, returns, [x for x in left if x.unit not in put])
        items: list[Column | Branch] = []
        at = self._net(origin, "live")
        items += [branch for branch in branches if branch.net == at]
        for column in columns:
            items.append(column)
            if column.live:
                at = column.live[-1].b
                items += [branch for branch in branches if branch.net == at]
        return Mains(origin, motor, tuple(items), beside)

    def _beside(self, motor: str, left: list[Link]) -> tuple[Way, ...]:
        """What joins two terminals of the motor, but not its supply conductors."""
        outer = {self._net(motor, role) for role in ("live", "neutral", "earth")}
        inner = {n for x in self.links if x.unit == motor for n in (x.a, x.b)} - outer
        ways = []
        for unit, group in groupby(left, lambda link: link.unit):
            way = _series(list(group), inner)
            if way is not None and {way[0].a, way[-1].b} <= inner:
                ways.append(way)
                self.used.add(unit)
        return tuple(ways)

    def _branches(self, rails: set[str], returns: set[str], left: list[Link]) -> list[Branch]:
        heads: dict[str, tuple[str, Way]] = {}
        loads: dict[str, list[Way]] = {}
        ways = []
        for _, group in groupby(left, lambda link: link.unit):
            way = _series(list(group), rails)
            if way is not None and way[0].a in rails:
                ways.append(way)
        for way in ways:
            if way[-1].b not in returns:
                heads.setdefault(way[-1].b, (way[0].a, way))
        for group_net in [*rails, *heads]:
            starts = [
                w
                for w in (_series(list(g), {group_net}) for _, g in groupby(left, lambda x: x.unit))
                if w is not None and w[0].a == group_net and w[-1].b in returns
            ]
            if starts:
                loads[group_net] = starts
        found = []
        for net, (start, way) in heads.items():
            if net in loads:
                found.append(Branch(start, way, tuple(loads[net])))
                self._use(way, *loads[net])
        for net in rails:
            if net in loads:
                found += [Branch(net, (), (way,)) for way in loads[net]]
                self._use(*loads[net])
        order = {name: k for k, name in enumerate(self.it.instances)}
        return sorted(found, key=lambda b: order[(b.head or b.loads[0])[0].unit])

    # ------------------------------------------------------------------ direct current

    def rails(self) -> list[str]:
        """Ground first, then every net that a source feeds and several units hang on."""
        found = [self.ground] if self.ground else []
        for link in self._in("dc"):
            if link.symbol == "supply":
                way = [x for x in self._in("dc") if x.unit == link.unit and x is not link]
                plus = next((x.b if x.a == link.a else x.a for x in way), link.a)
                if plus not in found and self._crowd(plus) > 2:
                    found.append(plus)
        return found

    def _crowd(self, net: str) -> int:
        return len({a.partition(".")[0] for a, n in self.it.nets.items() if n == net})

    def _open(self, *without: str) -> list[Link]:
        """Links of the 5 V side but for those of some units and of supplies."""
        supplies = {x.unit for x in self._in("dc") if x.symbol == "supply"}
        return [x for x in self._in("dc") if x.unit not in (*without, *supplies)]

    def inputs(self, controller: str, rails: list[str]) -> tuple[Row, ...]:
        """What leads to each logic input."""
        part = self.it.part_of(controller)
        pins = [s.of[0] for s in part.signals.values() if s.kind == "pin"]
        free = self._open(controller)
        rows = []
        for pin in dict.fromkeys(pins):
            net = self.it.nets[f"{controller}.{pin}"]
            pulls = tuple(
                link if link.a == net else link.turned()
                for link in free
                if link.symbol == "resistor" and net in (link.a, link.b)
            )
            way = walk(net, rails, free, lambda link: link.symbol != "resistor")
            if way is None:
                continue
            there, back = _there_and_back(way)
            rows.append(Row(pin, net, there, way[-1].b, pulls, back))
            self._use(way, pulls)
        self.used.add(controller)
        return tuple(rows)

    def modules(self, controller: str, rails: list[str]) -> tuple[Module, ...]:
        """Blocks whose terminals the controller or a rail leads to."""
        found = []
        board = {n for a, n in self.it.nets.items() if a.startswith(f"{controller}.")}
        for unit, shape in self.shapes.items():
            if shape.block != "module":
                continue
            inside = tuple(x for x in self._in("dc") if x.unit == unit)
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
                x for x in self._in("dc") if x.symbol == "supply" and {x.a, x.b} <= set(outer)
            )
            self.used.add(unit)
            self._use(*feeders.values(), sources)
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
                self._use(way)
        return tuple(rows)

    def supply(self, modules: tuple[Module, ...]) -> Way:
        """The source of the rail: its symbol, then what leads on to the rail."""
        elsewhere = {x.unit for module in modules for x in module.sources}
        for link in self._in("dc"):
            if link.symbol == "supply" and link.unit not in elsewhere:
                lead = [x for x in self._in("dc") if x.unit == link.unit and x is not link]
                self.used.add(link.unit)
                return (link, *lead)
        return ()

    # ------------------------------------------------------------------ water

    def water(self) -> Way:
        """The way of the water, unit by unit."""
        order = [name for name in self.it.instances]
        links = self._in("water")
        start = next((x for x in links if x.symbol == "pit"), None)
        end = next((x for x in links if x.symbol == "tank"), None)
        if start is None or end is None or not order:
            return ()
        middle = [x for x in links if x not in (start, end)]
        way = walk(start.b, {end.a}, middle)
        if way is None:
            return ()
        self._use((start, end), way)
        return (start, *way, end)

    def spares(self) -> set[str]:
        """Units all of whose ends but their own are free: nothing is wired to them."""
        return set()


def _columns(live: Way, neutral: Way, earth: Way) -> list[Column]:
    """Units along the live conductor, those of the others put where they belong."""
    order: list[str] = []
    for unit in [link.unit for link in live]:
        if unit not in order:
            order.append(unit)
    for way in (neutral, earth):
        at = 0
        for link in way:
            if link.unit in order:
                at = order.index(link.unit) + 1
            else:
                order.insert(at, link.unit)
                at += 1
    return [
        Column(unit, *(tuple(x for x in way if x.unit == unit) for way in (live, neutral, earth)))
        for unit in order
    ]


def _series(links: list[Link], starts: Collection[str]) -> Way | None:
    """Links put end to end from one of some nets; None where they make no single way."""
    left = list(links)
    first = next(
        (x if x.a in starts else x.turned() for x in left if starts and {x.a, x.b} & set(starts)),
        None,
    )
    if first is None:
        return None
    way = [first]
    left = [x for x in left if x not in (first, first.turned())]
    while left:
        at = way[-1].b
        step = next((x if x.a == at else x.turned() for x in left if at in (x.a, x.b)), None)
        if step is None:
            return None
        way.append(step)
        left = [x for x in left if x not in (step, step.turned())]
    return tuple(way)


def _there_and_back(way: Way) -> tuple[Way, Way]:
    """Part a way where it comes back through a unit that it has passed already."""
    seen: list[str] = []
    for k, link in enumerate(way):
        if link.unit in seen and seen[-1] != link.unit:
            return way[:k], way[k:]
        seen.append(link.unit)
    return way, ()
