"""The test graph: which test shows what, what it needs, and which causes it splits.

One typed multigraph of an installation. A node is ``kind:id`` with the attributes `kind`, `id`
and `title`; an edge has the attribute `kind`.

===========  ==========================  =====================================================
edge         from, to                    attributes
===========  ==========================  =====================================================
is_a         unit, part                  the replaceable unit and its part type
joins        unit, net                   terminal, domain
can_fail     unit, failure mode
shows_in     failure mode, outcome       weight (bits), probability
gives        test, outcome
splits       test, failure mode          weight, outcome
needs        test, situation             how: the test's state (any, energised, live, dead)
needs        test, net                   how: jumper
needs        test, unit                  how: lifted (a lead), element
done_at      test, place
after        situation, situation        the one that it remembers
===========  ==========================  =====================================================

`shows_in` holds where a failure mode shifts an outcome: its weight is the base-2 logarithm of the
outcome's probability under the failure mode over that in a healthy installation, each mixed with
`FLOOR` so that neither is certain. `splits` holds where a test shows a failure mode at all: its
weight is the total variation distance from a healthy installation, its `outcome` the likeliest
one; a test splits two causes where these differ, or where one of them has no such edge.
"""

from __future__ import annotations

from collections.abc import Mapping

import networkx as nx
import numpy as np

from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.compose import Installation
from diagnose.plant.matrix import HEALTHY, DependencyMatrix
from diagnose.plant.procedures import InstalledTest
from diagnose.reasoning.explain import Leaves, Why, explain_test
from diagnose.reasoning.paths import SignalPath, signal_path
from diagnose.reasoning.separation import (
    Group,
    Hanging,
    Testability,
    ambiguity_groups,
    distances,
    hanging_on_one_test,
    testability,
    undetected,
    useless_tests,
)

__all__ = [
    "Group",
    "Hanging",
    "Leaves",
    "SignalPath",
    "Testability",
    "Why",
    "ambiguity_groups",
    "build_graph",
    "explain_test",
    "hanging_on_one_test",
    "node",
    "signal_path",
    "testability",
    "undetected",
    "useless_tests",
]

FLOOR = 0.01
"""Share of an outcome's probability that is taken to be even (keeps weights finite)."""
SHIFTED = 0.05
"""A change of an outcome's probability that is worth an edge (judgement)."""
KINDS = ("part", "net", "unit", "failure mode", "test", "outcome", "situation", "place")


def node(kind: str, name: str) -> str:
    """The key of a node.

    Raises
    ------
    ValueError
        `kind` is not one of `KINDS`.
    """
    if kind not in KINDS:
        raise ValueError(f"'{kind}' is not a kind of node: {', '.join(KINDS)}")
    return f"{kind}:{name}"


def build_graph(
    knowledge: KnowledgeBase,
    installation: Installation,
    tests: Mapping[str, InstalledTest],
    matrix: DependencyMatrix,
) -> nx.MultiDiGraph[str]:
    """The test graph of one installation; see the module for its nodes and edges.

    Parameters
    ----------
    tests
        The installed tests, by id, as in `matrix`.
    """
    builder = _Builder(nx.MultiDiGraph(installation=installation.id))
    builder.fitted(knowledge, installation)
    for test in tests.values():
        builder.test(test, installation)
        builder.shown(test, matrix)
    return builder.graph


class _Builder:
    """The graph while it grows."""

    def __init__(self, graph: nx.MultiDiGraph[str]) -> None:
        self.graph = graph

    def add(self, kind: str, name: str, title: str) -> str:
        """Add a node and return its key; a node that is there stays as it is."""
        key = node(kind, name)
        if key not in self.graph:
            self.graph.add_node(key, kind=kind, id=name, title=title)
        return key

    def link(self, start: str, end: str, kind: str, detail: str = "", **attributes: object) -> None:
        """Add an edge; `detail` tells it from others of its kind between the same nodes."""
        key = f"{kind} {detail}" if detail else kind
        self.graph.add_edge(start, end, key, kind=kind, **attributes)

    def fitted(self, knowledge: KnowledgeBase, installation: Installation) -> None:
        """Parts, units, nets, failure modes and situations."""
        for unit, instance in installation.instances.items():
            part = knowledge.parts[instance.part]
            key = self.add("unit", unit, instance.title)
            self.link(key, self.add("part", part.id, part.title), "is_a")
            for terminal in part.terminals:
                net = installation.nets[f"{unit}.{terminal}"]
                domain = installation.domain[net]
                end = self.add("net", net, net)
                self.link(key, end, "joins", terminal, terminal=terminal, domain=domain)
        for name, mode in installation.modes.items():
            self.link(
                node("unit", mode.unit), self.add("failure mode", name, mode.title), "can_fail"
            )
        situations = installation.type.situations
        for name, situation in situations.items():
            self.add("situation", name, situation.title)
        for name, situation in situations.items():
            if situation.after:
                self.link(node("situation", name), node("situation", situation.after), "after")

    def test(self, test: InstalledTest, installation: Installation) -> None:
        """One test, its outcomes, and what it needs."""
        spec = test.spec
        key = self.add("test", test.id, test.title)
        for outcome in test.outcomes:
            end = self.add("outcome", f"{test.id}={outcome.id}", outcome.title)
            self.link(key, end, "gives")
        self.link(key, self.add("place", spec.place_at, spec.place_at), "done_at")
        if spec.situation:
            self.link(key, node("situation", spec.situation), "needs", spec.state, how=spec.state)
        if test.condition is None:
            return
        for pair in sorted(test.condition.bridge):
            for address in pair:
                net = installation.nets.get(address, address)
                self.link(key, node("net", net), "needs", "jumper", how="jumper")
        for address in sorted(test.condition.lift):
            unit, _, element = address.partition(".")
            self.link(key, node("unit", unit), "needs", address, how="lifted", element=element)

    def shown(self, test: InstalledTest, matrix: DependencyMatrix) -> None:
        """What each failure mode shows in this test, against a healthy installation."""
        k, healthy = matrix.tests.index(test.id), matrix.rows.index(HEALTHY)
        size = int(matrix.sizes[k])
        p = matrix.p[:, k, :size]
        mixed = (1.0 - FLOOR) * p + FLOOR / size
        weight = np.log2(mixed / mixed[healthy])
        away = distances(matrix, k)[:, healthy]
        for r, row in enumerate(matrix.rows):
            if row == HEALTHY or away[r] < SHIFTED:
                continue
            cause = node("failure mode", row)
            likeliest = test.outcomes[int(np.argmax(p[r]))].id
            self.link(
                node("test", test.id), cause, "splits", weight=float(away[r]), outcome=likeliest
            )
            for o, outcome in enumerate(test.outcomes):
                if abs(p[r, o] - p[healthy, o]) >= SHIFTED:
                    self.link(
                        cause,
                        node("outcome", f"{test.id}={outcome.id}"),
                        "shows_in",
                        weight=float(weight[r, o]),
                        probability=float(p[r, o]),
                    )
