"""The mains row: the conductors from the supply to the motor, and what hangs between them."""

from __future__ import annotations

from collections.abc import Collection
from itertools import groupby

from diagnose.report.pictures.shapes import LOADS
from diagnose.report.pictures.wiring import Branch, Column, Link, Mains, Planner, Way, walk


class MainsPlanner(Planner):
    """Puts the mains side in its order."""

    def mains(self) -> Mains | None:
        """The mains row; None where there is no one way from a supply to a motor."""
        origin, motor = self.only("origin"), self.only("motor")
        if not origin or not motor:
            return None
        free = [x for x in self.within("ac") if x.unit != motor]
        ways = {
            role: walk(
                self.net(origin, role),
                {self.net(motor, role)},
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
        self.use(live, neutral, earth)
        rails = {self.net(origin, "live"), *(link.b for link in live)}
        returns = {self.net(origin, "neutral"), *(link.b for link in neutral)}
        taken = {*live, *neutral, *earth}
        left = [x for x in free if x not in taken and x.turned() not in taken]
        beside = self._beside(motor, left)
        put = {x.unit for way in beside for x in way}
        branches = self._branches(rails, returns, [x for x in left if x.unit not in put])
        items: list[Column | Branch] = []
        at = self.net(origin, "live")
        items += [branch for branch in branches if branch.net == at]
        for column in columns:
            items.append(column)
            if column.live:
                at = column.live[-1].b
                items += [branch for branch in branches if branch.net == at]
        return Mains(origin, motor, tuple(items), beside)

    def _beside(self, motor: str, left: list[Link]) -> tuple[Way, ...]:
        """What joins two terminals of the motor, but not its supply conductors."""
        outer = {self.net(motor, role) for role in ("live", "neutral", "earth")}
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
                self.use(way, *loads[net])
        for net in rails:
            if net in loads:
                found += [Branch(net, (), (way,)) for way in loads[net]]
                self.use(*loads[net])
        order = {name: k for k, name in enumerate(self.it.instances)}
        return sorted(found, key=lambda b: order[(b.head or b.loads[0])[0].unit])


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
