"""The way from one unit to another along the wires, for explanations and pictures."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise, product

import networkx as nx

from diagnose.errors import fail
from diagnose.knowledge.records import Element
from diagnose.plant.circuit import FREQUENCY
from diagnose.plant.compose import Installation

SERIES_OHMS = 50.0
"""Up to here a way counts as a conductor: contacts and cables, no coil or winding (judgement)."""


@dataclass(frozen=True)
class SignalPath:
    """Units in order; ``nets[k]`` joins ``units[k]`` and ``units[k + 1]``."""

    units: tuple[str, ...]
    nets: tuple[str, ...]

    def __str__(self) -> str:
        return " → ".join(self.units)


def conductors(installation: Installation, without: tuple[str, ...] = ()) -> nx.MultiGraph[str]:
    """Nets joined by elements, every contact taken as closed.

    Each edge has the `unit` that the element belongs to and its nominal impedance, in ohm, as
    `weight`. An electrical source is no conductor; on the water side one is a pump or a height.

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
            if element.kind == "source" and installation.domain[a] != "water":
                continue
            ohms = _impedance(installation, unit, element)
            graph.add_edge(a, b, element.id, unit=unit, weight=ohms)
    return graph


def _impedance(installation: Installation, unit: str, element: Element) -> float:
    def value(field: str) -> float:
        text = element.fields.get(field, "")
        return math.prod(_nominal(installation, unit, t.strip()) for t in text.split("*"))

    if element.kind == "capacitor":
        return 1.0 / (2.0 * math.pi * FREQUENCY * value("capacitance"))
    if element.kind == "impedance":
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

    Of the ways of least resistance between each terminal of the one and each of the other, the
    one through the most units is taken: between a supply and its motor that is the switched and
    protected conductor, not the neutral and not the earth. Where nothing conducts (a controller
    and the motor behind its relay) the way leads through the fewest units that act on one
    another, along nets that join few of them.

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
    graph = conductors(installation, (start, end))
    found = []
    for a, b in product(*(_nets_of(installation, unit) for unit in (start, end))):
        try:
            nets = nx.dijkstra_path(graph, a, b, weight="weight")
        except nx.NetworkXNoPath:
            continue
        ohms = float(nx.path_weight(graph, nets, "weight")) if len(nets) > 1 else 0.0
        if ohms <= SERIES_OHMS:
            path = _through(graph, start, end, nets)
            found.append((-len(path.units), ohms, path.nets, path))
    return min(found)[-1] if found else _acting(installation, start, end)


def _nets_of(installation: Installation, unit: str) -> list[str]:
    terminals = installation.part_of(unit).terminals
    return list(dict.fromkeys(installation.nets[f"{unit}.{t}"] for t in terminals))


def _through(graph: nx.MultiGraph[str], start: str, end: str, nets: list[str]) -> SignalPath:
    """The units along a chain of nets; a unit passed in several elements stands once."""
    units, between = [start], []
    for a, b in pairwise(nets):
        edge = min(graph[a][b].values(), key=lambda e: float(e["weight"]))
        if edge["unit"] != units[-1]:
            units.append(edge["unit"])
            between.append(a)
    return SignalPath((*units, end), (*between, nets[-1]))


def _acting(installation: Installation, start: str, end: str) -> SignalPath:
    graph: nx.Graph[tuple[str, str]] = nx.Graph()
    joined: dict[str, set[str]] = {}
    for unit in installation.instances:
        for net in _nets_of(installation, unit):
            if net not in installation.type.references.values():
                joined.setdefault(net, set()).add(unit)
    for net, units in joined.items():
        for unit in units:
            graph.add_edge(("unit", unit), ("net", net), weight=float(len(units)))
    try:
        nodes = nx.dijkstra_path(graph, ("unit", start), ("unit", end), weight="weight")
    except (nx.NetworkXNoPath, nx.NodeNotFound) as error:
        raise fail("no-path", f"nothing joins '{start}' and '{end}'") from error
    names = [name for _, name in nodes]
    return SignalPath(tuple(names[::2]), tuple(names[1::2]))
