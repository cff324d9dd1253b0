"""The mains row: the conductors from the supply to the motor, and what hangs between them."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from itertools import groupby

from diagnose.report.pictures.shapes import LOADS, SHAPES
from diagnose.report.pictures.wiring import Branch, Column, Link, Mains, Planner, Way, walk

ROLES = ("live", "second", "third", "neutral", "earth")
"""The conductors, from the top down."""


def columns_in(row: Mains) -> list[Column]:
    """The units that stand on a row's conductors."""
    return [item for item in row.items if isinstance(item, Column)]


def links_in(row: Mains) -> list[Link]:
    """Every symbol that a row shows, but for those of its motor."""
    found = [x for column in columns_in(row) for way in column.ways for x in way]
    for item in row.items:
        if isinstance(item, Branch):
            found += [x for way in (item.head, *item.loads) for x in way]
    return found + [x for way in row.beside for x in way]


class MainsPlanner(Planner):
    """Puts the mains side in its order."""

    def mains(self) -> tuple[Mains, ...]:
        """A row for each motor; none where there is no one way from a supply to a motor."""
        origin, motors = self.only("origin"), self.all("motor")
        first = self._first(origin, motors[0]) if origin and motors else None
        if first is None:
            return ()
        return (first, *(row for motor in motors[1:] if (row := self._further(first, motor))))

    def _further(self, first: Mains, motor: str) -> Mains | None:
        """The row of another motor, from where it leaves the conductors of the first."""
        drawn = {x for link in links_in(first) for x in (link, link.turned())}
        motors = self.all("motor")
        free = [x for x in self.within("ac") if x.unit not in motors and x not in drawn]
        ways: dict[str, Way] = {"second": (), "third": ()}
        begin = dict(zip(ROLES, first.begin, strict=True))
        for role in ("live", "neutral", "earth"):
            passed = {x.b for c in columns_in(first) for x in getattr(c, role)} | {begin[role]}
            back = walk(self.net(motor, role), passed, free, lambda link: link.symbol not in LOADS)
            ways[role] = tuple(x.turned() for x in reversed(back or ()))
            begin[role] = ways[role][0].a if ways[role] else begin[role]
        if not ways["live"]:
            return None
        self.used.add(motor)
        self.use(*ways.values())
        rails = {link.b for link in ways["live"]}
        returns = {begin["neutral"], *(link.b for link in ways["neutral"])}
        items, beside = self._along(motor, ways, rails, returns, free, "")
        return Mains("", motor, items, beside, tuple(begin[role] for role in ROLES))

    def _first(self, origin: str, motor: str) -> Mains | None:
        free = [x for x in self.within("ac") if x.unit != motor]
        ways: dict[str, Way] = {}
        for role in ROLES:
            goal = self.net(motor, role)
            found = goal and walk(
                self.net(origin, role), {goal}, free, lambda link: link.symbol not in LOADS
            )
            ways[role] = found or ()
        live, neutral = ways["live"], ways["neutral"]
        if not live:
            return None
        if not neutral and self.net(origin, "neutral"):
            neutral = self._neutral(origin, free)  # no conductor of the motor's
            ways["neutral"] = neutral
        self.used |= {origin, motor}
        self.use(*ways.values())
        rails = {self.net(origin, "live"), *(link.b for link in live)}
        returns = {self.net(origin, "neutral"), *(link.b for link in neutral)}
        at = self.net(origin, "live")
        items, beside = self._along(motor, ways, rails, returns, free, at)
        three = bool(ways["third"])
        begin = {role: self.net(origin, role) for role in ROLES}
        if not three:
            begin |= {"second": "", "third": ""}
        legs = SHAPES[self.it.instances[origin].part].roles.get("neutral") == "l2"
        return Mains(origin, motor, items, beside, tuple(begin.values()), three, legs)

    def _along(
        self,
        motor: str,
        ways: Mapping[str, Way],
        rails: set[str],
        returns: set[str],
        free: list[Link],
        at: str,
    ) -> tuple[tuple[Column | Branch, ...], tuple[Way, ...]]:
        """Columns and branches along the conductors from net `at` on; what is beside the motor."""
        taken = {link for way in ways.values() for link in way}
        left = [x for x in free if x not in taken and x.turned() not in taken]
        beside = self._beside(motor, rails, left)
        put = {x.unit for way in beside for x in way}
        branches = self._branches(rails, returns, [x for x in left if x.unit not in put])
        items: list[Column | Branch] = [branch for branch in branches if branch.net == at]
        for column in _columns(ways):
            items.append(column)
            if column.live:
                at = column.live[-1].b
                items += [branch for branch in branches if branch.net == at]
        return tuple(items), beside

    def _neutral(self, origin: str, free: list[Link]) -> Way:
        """The neutral of a three-phase panel: as far as what hangs between it and L1 goes."""
        at = self.net(origin, "neutral")
        way: list[Link] = []
        left = [x for x in free if x.symbol not in LOADS]
        while True:
            step = next((x if x.a == at else x.turned() for x in left if at in (x.a, x.b)), None)
            if step is None:
                return tuple(way)
            left = [x for x in left if x not in (step, step.turned())]
            way.append(step)
            at = step.b

    def _beside(self, motor: str, rails: set[str], left: list[Link]) -> tuple[Way, ...]:
        """What joins two terminals of the motor, but not its supply conductors."""
        outer = {self.net(motor, role) for role in ("live", "neutral", "earth")}
        inner = {n for x in self.links if x.unit == motor for n in (x.a, x.b)} - outer
        ways = []
        for unit, group in groupby(left, lambda link: link.unit):
            way = _series(list(group), inner)
            if way is not None and {way[0].a, way[-1].b} <= inner:
                ways.append(way)
                self.used.add(unit)
        if not ways:
            ways += self._start_chain(motor, rails, left)
        return tuple(ways)

    def _start_chain(self, motor: str, rails: set[str], left: list[Link]) -> list[Way]:
        """What leads to a second winding through several units: switch, capacitor, a core."""
        own = [x for x in self.links if x.unit == motor]
        windings = [x for x in own if x.symbol == "winding"]
        if len(windings) != 2:
            return []
        second = windings[1].a
        second = next((x.a for x in own if x.symbol == "terminal" and x.b == second), second)
        begin = {*rails, *(n for x in self.links if x.unit == motor for n in (x.a, x.b))}
        lead = [x for x in self.links if x.unit != motor or x.symbol == "terminal"]
        begin -= {second, windings[1].a, windings[0].b}
        usable = [x for x in lead if x in left and x.symbol not in LOADS - {"capacitor"}]
        back = walk(second, begin, usable)
        if not back:
            return []
        way = tuple(x.turned() for x in reversed(back))
        self.use(way)
        return [way]

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
            if group_net in heads:  # a load behind a contact of another unit
                drawn = {x.unit for way in (*starts, heads[group_net][1]) for x in way}
                others = [x for x in left if x.unit not in drawn]
                while (chain := walk(group_net, returns, others)) and len(chain) > 1:
                    starts.append(chain)
                    others = [x for x in others if x not in chain and x.turned() not in chain]
            if starts:
                loads[group_net] = starts
        found = []
        for net, (start, way) in heads.items():
            if net in loads:
                found.append(Branch(start, way, tuple(loads[net])))
                self.use(way, *loads[net])
        for net in rails:
            if net in loads:
                found += [Branch(net, (), (way,)) for way in loads[net]]
                self.use(*loads[net])
        order = {name: k for k, name in enumerate(self.it.instances)}
        return sorted(found, key=lambda b: order[(b.head or b.loads[0])[0].unit])


def _columns(ways: Mapping[str, Way]) -> list[Column]:
    """Units along the live conductor, those of the others put where they belong."""
    order: list[str] = []
    for unit in [link.unit for link in ways["live"]]:
        if unit not in order:
            order.append(unit)
    for way in (ways["second"], ways["third"], ways["neutral"], ways["earth"]):
        at = 0
        for link in way:
            if link.unit in order:
                at = order.index(link.unit) + 1
            else:
                order.insert(at, link.unit)
                at += 1
    return [
        Column(
            unit, **{role: tuple(x for x in way if x.unit == unit) for role, way in ways.items()}
        )
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
