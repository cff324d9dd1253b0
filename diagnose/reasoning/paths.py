"""The way from one unit to another along the wires, for explanations and pictures."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass
from itertools import pairwise, product

import networkx as nx

from diagnose.errors import fail
from diagnose.knowledge.records import Element
from diagnose.plant.compose import Installation
from diagnose.plant.elements import REFERENCE_FREQUENCY

SERIES_OHMS = 5.0
"""Up to here a way counts as a conductor: contacts and cables, no coil or winding (judgement)."""


@dataclass(frozen=True)
class SignalPath:
    """Units in order; ``nets[k]`` joins ``units[k]`` and ``units[k + 1]``."""

    units: tuple[str, ...]
    nets: tuple[str, ...]

    def __str__(self) -> str:
        return " → ".join(self.units)


def conductors(installation: Installation, without: Collection[str] = ()) -> nx.MultiGraph[str]:
    """Nets joined by elements, every contact taken as closed.

    Each edge has the `unit` that the element belongs to and its nominal impedance, in ohm, as
    `weight`. An electrical source or diode is no conductor; on the water side these are a pump
    or a height, and a check valve.

    Parameters
    ----------
    without
        Units whose elements are left out.
    """
    graph: nx.MultiGraph[str] = nx.MultiGraph()
    graph.add_nodes_from(installation.domain)
    for unit in installation.instances:
        if unit in without:
            continue
        for element in installation.part_of(unit).elements.values():
            a, b = (installation.nets[f"{unit}.{terminal}"] for terminal in element.between)
            if element.kind in ("source", "diode") and installation.domain[a] != "water":
                continue
            ohms = _impedance(installation, unit, element)
            graph.add_edge(a, b, element.id, unit=unit, weight=ohms)
    return graph


def _impedance(installation: Installation, unit: str, element: Element) -> float:
    def value(field: str) -> float:
        text = element.fields.get(field, "")
        return math.prod(_nominal(installation, unit, t.strip()) for t in text.split("*"))

    if element.kind == "capacitor":
        return 1.0 / (2.0 * math.pi * REFERENCE_FREQUENCY * value("capacitance"))
    if element.kind == "curve":
        return value("loss") / value("flow")
    if element.kind in ("impedance", "rotor"):
        return math.hypot(value("resistance"), value("reactance"))
    return value("resistance")


def _nominal(installation: Installation, unit: str, token: str) -> float:
    owner, dot, name = token.partition(".")
    unit, name = (owner, name) if dot and owner in installation.instances else (unit, token)
    number = installation.instances[unit].set.get(name)
    number = number or installation.part_of(unit).parameters.get(name)
    return number.nominal if number else 0.0


def signal_path(installation: Installation, start: str, end: str) -> SignalPath:
    """The way from `start` to `end`: what carries current, signal or water between them.

    Two units on one net, not counting earth and ground, are joined by it. Else, between each
    terminal of the one and each of the other, the way of least resistance is looked for, past no
    other terminal of either, through no unit twice and through none of the same part as either
    (another float is beside the way, not on it). Of these ways the one through the most units is
    taken: between a supply and its motor that is the switched and protected conductor, not the
    neutral and not the earth; between a float and its input it is the signal, not the feed. Where
    nothing conducts (a controller and the motor behind its relay) the way leads through units
    that act on one another, along nets that join few of them.

    Raises
    ------
    DiagnoseError
        A unit is not fitted, or nothing joins the two.
    """
    for unit in (start, end):
        if unit not in installation.instances:
            legal = sorted(installation.instances)
            raise fail("unknown-id", f"there is no unit '{unit}' here", None, legal)
    if start == end:
        return SignalPath((start,), ())
    joined = _joined(installation)
    shared = {net for net, units in joined.items() if {start, end} <= set(units)}
    shared -= set(installation.type.references.values())
    if shared:
        return SignalPath((start, end), (min(shared, key=lambda net: (len(joined[net]), net)),))
    alike = {installation.instances[unit].part for unit in (start, end)}
    beside = [name for name, unit in installation.instances.items() if unit.part in alike]
    graph = conductors(installation, beside)
    ends = [_nets_of(installation, unit) for unit in (start, end)]
    found = []
    for a, b in product(*ends):
        other = {net for nets in ends for net in nets} - {a, b}
        free = graph.subgraph(graph.nodes - other)
        try:
            nets = nx.dijkstra_path(free, a, b, weight="weight")
        except nx.NetworkXNoPath:
            continue
        ohms = float(nx.path_weight(graph, nets, "weight")) if len(nets) > 1 else 0.0
        path = _through(graph, start, end, nets)
        if ohms <= SERIES_OHMS and len(set(path.units)) == len(path.units):
            crowd = sum(len(joined[net]) for net in path.nets)
            found.append((-len(path.units), crowd, path.nets, path))
    return min(found)[-1] if found else _acting(installation, joined, start, end)


def _nets_of(installation: Installation, unit: str) -> list[str]:
    terminals = installation.part_of(unit).terminals
    return list(dict.fromkeys(installation.nets[f"{unit}.{t}"] for t in terminals))


def _joined(installation: Installation) -> dict[str, list[str]]:
    """The units on each net."""
    joined: dict[str, list[str]] = {}
    for unit in installation.instances:
        for net in _nets_of(installation, unit):
            joined.setdefault(net, []).append(unit)
    return joined


def _through(graph: nx.MultiGraph[str], start: str, end: str, nets: list[str]) -> SignalPath:
    """The units along a chain of nets; a unit passed in several elements on end stands once."""
    units, between = [start], []
    for a, b in pairwise(nets):
        edge = min(graph[a][b].values(), key=lambda e: float(e["weight"]))
        if edge["unit"] != units[-1]:
            units.append(edge["unit"])
            between.append(a)
    return SignalPath((*units, end), (*between, nets[-1]))


def _acting(
    installation: Installation, joined: dict[str, list[str]], start: str, end: str
) -> SignalPath:
    graph: nx.Graph[tuple[str, str]] = nx.Graph()
    graph.add_nodes_from(("unit", unit) for unit in installation.instances)
    for net, units in joined.items():
        if net not in installation.type.references.values():
            for unit in units:
                graph.add_edge(("unit", unit), ("net", net), weight=float(len(units) ** 2))
    try:
        nodes = nx.dijkstra_path(graph, ("unit", start), ("unit", end), weight="weight")
    except nx.NetworkXNoPath as error:
        raise fail("no-path", f"nothing joins '{start}' and '{end}'") from error
    names = [name for _, name in nodes]
    return SignalPath(tuple(names[::2]), tuple(names[1::2]))
