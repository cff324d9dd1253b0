"""The wiring as links between nets, and the rows and columns that a drawing puts them in."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass

from diagnose.knowledge.records import Domain
from diagnose.plant.compose import Installation
from diagnose.report.pictures.shapes import shape_of


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
    second: Way = ()
    third: Way = ()

    @property
    def ways(self) -> tuple[Way, ...]:
        """What it does to each conductor, from the top down."""
        return (self.live, self.second, self.third, self.neutral, self.earth)


@dataclass(frozen=True)
class Branch:
    """What hangs between live and neutral at one net: a common head, then loads side by side."""

    net: str
    head: Way
    loads: tuple[Way, ...]


@dataclass(frozen=True)
class Mains:
    """The mains row: columns and branches from the origin to the motor, in order.

    `beside` holds what joins two terminals of the motor (its capacitor, its start switch);
    `begin` the nets of live, L2, L3, neutral and earth where the row begins. The row of a
    further motor has no origin: it begins where it leaves the first one's conductors.
    """

    origin: str
    motor: str
    items: tuple[Column | Branch, ...]
    beside: tuple[Way, ...]
    begin: tuple[str, ...]
    three_phase: bool = False
    two_legs: bool = False
    """The motor's current returns by a second live conductor, not by the neutral."""


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

    mains: tuple[Mains, ...]
    controller: str
    supply: Way
    rails: tuple[str, ...]
    ground: str
    inputs: tuple[Row, ...]
    outputs: tuple[Row, ...]
    modules: tuple[Module, ...]
    water: tuple[Way, ...]
    """From where the water is taken to where it goes; then what leads past a part of that."""
    loops: tuple[Way, ...]
    """Circuits of their own on the mains side: from a relay's terminal through a rod and back."""
    rest: tuple[str, ...]
    notes: tuple[str, ...]
    """Units without wires (a program)."""
    links: Way = ()


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


class Planner:
    """An installation's links and shapes; `used` holds the units that have found their place."""

    def __init__(self, installation: Installation) -> None:
        self.it = installation
        self.shapes = {u: shape_of(installation.part_of(u)) for u in installation.instances}
        self.links = links_of(installation)
        self.used: set[str] = set()

    def only(self, block: str) -> str:
        """The unit that makes a block; "" where none or several do."""
        found = self.all(block)
        return found[0] if len(found) == 1 else ""

    def all(self, block: str) -> list[str]:
        """Every unit that makes such a block."""
        return [u for u, shape in self.shapes.items() if shape.block == block]

    def net(self, unit: str, role: str) -> str:
        """The net on which a block's live, neutral or earth is; "" where it has none."""
        terminal = self.shapes[unit].roles.get(role, "")
        return self.it.nets.get(f"{unit}.{terminal}", "")

    def use(self, *ways: Iterable[Link]) -> None:
        """Note that the units along some ways have their place."""
        self.used.update(link.unit for way in ways for link in way)

    def within(self, domain: Domain) -> list[Link]:
        """The links of one network."""
        return [link for link in self.links if self.it.domain[link.a] == domain]
