"""The test graph and what hangs on it, on matrices small enough to work out by hand."""

from collections.abc import Mapping
from dataclasses import replace
from itertools import combinations, permutations

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.cli.render import likely
from diagnose.errors import DiagnoseError
from diagnose.plant.compose import Installation, compose
from diagnose.plant.matrix import HEALTHY, DependencyMatrix, MatrixBuilder
from diagnose.reasoning import graph as test_graph
from diagnose.reasoning import separation
from diagnose.reasoning.bearing import entropy
from diagnose.reasoning.belief import Belief, Hypotheses, information
from diagnose.reasoning.explain import explain_test, standing
from diagnose.reasoning.graph import build_graph, node, signal_path
from diagnose.reasoning.paths import conductors
from diagnose.reasoning.separation import (
    Group,
    Hanging,
    ambiguity_groups,
    distances,
    hanging_on_one_test,
    separators,
    undetected,
    useless_tests,
)
from diagnose.reasoning.suspects import by_unit
from tests.bench import shipped
from tests.made_tables import ORDINARY
from tests.tiny import tiny


def matrix(
    rows: Mapping[str, tuple[float, ...]], complaints: Mapping[str, tuple[str, ...]] | None = None
) -> DependencyMatrix:
    """A matrix of tests t0, t1, ... with the outcomes bad and good: P(bad) by row, healthy 0."""
    names = (*rows, HEALTHY)
    bad = np.array([*rows.values(), [0.0] * len(next(iter(rows.values())))])
    tests = tuple(f"t{k}" for k in range(bad.shape[1]))
    shown = complaints or {"broken": tuple(rows)}
    return DependencyMatrix(
        rows=names,
        tests=tests,
        p=np.stack([bad, 1 - bad], axis=2),
        sizes=np.full(len(tests), 2),
        complaints={c: np.array([float(n in who) for n in names]) for c, who in shown.items()},
    )


# Unit a fails as a.x or a.y, the units b, c and d in one way each. P(bad) under each:
#          t0   t1   t2
#   a.x    1    0    0     t0 tells {a.x, a.y, b.z} from {c.w, d.v, healthy}
#   a.y    1    0    0     t1 tells {b.z, c.w} from the others
#   b.z    1    1    0     t2 tells nothing: 0.5 at most
#   c.w    0    1    0.5
#   d.v    0    0    0.5
BY_HAND = matrix(
    {
        "a.x": (1, 0, 0),
        "a.y": (1, 0, 0),
        "b.z": (1, 1, 0),
        "c.w": (0, 1, 0.5),
        "d.v": (0, 0, 0.5),
    }
)


def test_distances_are_the_differences_of_two_outcomes() -> None:
    # of two outcomes the total variation distance is |P(bad | i) - P(bad | j)|
    bad = BY_HAND.p[:, 2, 0]
    assert distances(BY_HAND, 2).tolist() == np.abs(bad[:, None] - bad[None, :]).tolist()
    assert distances(BY_HAND, 2)[3, 0] == 0.5


def test_what_no_test_separates_is_one_group() -> None:
    assert ambiguity_groups(BY_HAND) == [Group(("a.x", "a.y"), ("a",))]


def test_without_a_test_groups_grow() -> None:
    # without t1, what t0 holds together: {a.x, a.y, b.z} and {c.w, d.v}
    assert ambiguity_groups(BY_HAND, tests=["t0", "t2"]) == [
        Group(("a.x", "a.y", "b.z"), ("a", "b")),
        Group(("c.w", "d.v"), ("c", "d")),
    ]
    (everything,) = ambiguity_groups(BY_HAND, tests=[])
    assert everything.units == ("a", "b", "c", "d")


def test_a_lower_threshold_counts_half_separated_as_separated() -> None:
    # at 0.5 t2 tells {c.w, d.v} from the others: d.v is then detected, and t2 is of use
    assert undetected(BY_HAND) == ("d.v",)
    assert undetected(BY_HAND, threshold=0.5) == ()
    assert useless_tests(BY_HAND) == ("t2",)
    assert useless_tests(BY_HAND, threshold=0.5) == ()


def test_a_group_is_a_chain_of_pairs_that_nothing_separates() -> None:
    # neighbours differ by 0.4, the ends by 0.8: separated, and yet all in one group
    chain = matrix({"a.x": (0.1,), "b.x": (0.5,), "c.x": (0.9,)})
    count, last = separators(chain)
    assert count[0].tolist() == [0, 0, 1, 0]
    assert (last[0, 1], last[0, 2]) == (-1, 0)
    assert ambiguity_groups(chain) == [Group(("a.x", "b.x", "c.x"), ("a", "b", "c"))]


def test_which_distinctions_hang_on_one_test() -> None:
    # t1 alone tells a.* from b.z and c.w from d.v; t0 alone tells b.z from c.w and a.* from d.v;
    # both tell a.* from c.w and b.z from d.v
    assert hanging_on_one_test(BY_HAND) == [
        Hanging("a.x", "b.z", "t1", ("broken",)),
        Hanging("a.x", "d.v", "t0", ("broken",)),
        Hanging("a.y", "b.z", "t1", ("broken",)),
        Hanging("a.y", "d.v", "t0", ("broken",)),
        Hanging("b.z", "c.w", "t0", ("broken",)),
        Hanging("c.w", "d.v", "t1", ("broken",)),
    ]


def test_a_distinction_counts_only_under_a_shared_complaint() -> None:
    who = {"cold": ("a.x", "b.z"), "hot": ("b.z", "c.w"), "quiet": ("a.x", "b.z")}
    rows = {"a.x": (1.0, 0.0), "b.z": (1.0, 1.0), "c.w": (0.0, 1.0)}
    assert hanging_on_one_test(matrix(rows, who)) == [
        Hanging("a.x", "b.z", "t1", ("cold", "quiet")),
        Hanging("b.z", "c.w", "t0", ("hot",)),
    ]


def test_testability_figures_by_hand() -> None:
    # 5 failure modes, d.v undetected: 4 of 5 detected. Groups: {a.x, a.y} of unit a, {b.z},
    # {c.w}, {d.v}: the four detected are all in groups of one unit.
    figures = separation.testability(BY_HAND)
    assert (figures.failure_modes, figures.detected) == (5, 0.8)
    assert (figures.to_one, figures.to_two, figures.to_three) == (1.0, 1.0, 1.0)
    assert figures.mean_group == 1.0
    # with t0 alone a.x, a.y, b.z are detected, in one group of the units a and b
    figures = separation.testability(BY_HAND, tests=["t0"])
    assert (figures.detected, figures.to_one, figures.to_two) == (0.6, 0.0, 1.0)
    assert figures.mean_group == 2.0
    # with t1 alone b.z and c.w are, in one group of two units
    figures = separation.testability(BY_HAND, tests=["t1"])
    assert (figures.detected, figures.to_one, figures.to_two) == (0.4, 0.0, 1.0)


def test_testability_figures_by_failure_rate() -> None:
    # rates 1 2 3 4 10: detected 10 of 20; with t0 alone 6 of 20
    rates = {"a.x": 1.0, "a.y": 2.0, "b.z": 3.0, "c.w": 4.0, "d.v": 10.0}
    assert separation.testability(BY_HAND, weights=rates).detected == 0.5
    assert separation.testability(BY_HAND, tests=["t0"], weights=rates).detected == 0.3
    mixed = matrix({"a.x": (1, 0), "b.x": (1, 0), "c.x": (0, 1), "d.x": (0, 0)})
    figures = separation.testability(mixed, weights={"a.x": 1, "b.x": 1, "c.x": 6, "d.x": 2})
    # 8 of 10 detected; of these 6 in a group of one unit, 2 in a group of two
    assert (figures.detected, figures.to_one, figures.to_two) == (0.8, 0.75, 1.0)
    assert figures.mean_group == pytest.approx(0.75 * 1 + 0.25 * 2)


def test_nothing_to_detect_is_no_division_by_zero() -> None:
    figures = separation.testability(matrix({"a.x": (0.0,)}))
    assert (figures.detected, figures.to_one, figures.mean_group) == (0.0, 0.0, 0.0)


MATRICES = st.integers(2, 7).flatmap(
    lambda n: st.lists(
        st.lists(st.sampled_from([0.0, 0.3, 0.5, 0.8, 1.0]), min_size=3, max_size=3),
        min_size=n,
        max_size=n,
    )
)


@settings(deadline=None)
@given(MATRICES)
def test_groups_against_their_definition(bad: list[list[float]]) -> None:
    m = matrix({f"u{k % 3}.m{k}": tuple(row) for k, row in enumerate(bad)})
    modes = [r for r in m.rows if r != HEALTHY]

    def apart(first: str, second: str, threshold: float = separation.SEPARATED) -> int:
        pairs = (np.abs(m.of(first, t) - m.of(second, t)).sum() / 2 for t in m.tests)
        return sum(bool(d >= threshold) for d in pairs)

    # union by repeated merging, not networkx
    groups = [{mode} for mode in modes]
    for a, b in [*combinations(modes, 2)] * 2:
        if not apart(a, b):
            merged = {x for g in groups if g & {a, b} for x in g}
            groups = [g for g in groups if not g & {a, b}] + [merged]
    expected = {frozenset(g) for g in groups if len(g) > 1}
    assert {frozenset(g.modes) for g in ambiguity_groups(m)} == expected
    assert set(undetected(m)) == {mode for mode in modes if not apart(mode, HEALTHY)}
    # a distinction hangs on a test when it is gone without that test
    for hanging in hanging_on_one_test(m):
        rest = [t for t in m.tests if t != hanging.test]
        assert any(
            {hanging.first, hanging.second} <= set(g.modes) for g in ambiguity_groups(m, tests=rest)
        )
        assert apart(hanging.first, hanging.second) == 1
    figures = separation.testability(m)
    assert figures.detected == pytest.approx(1 - len(undetected(m)) / len(modes))
    assert figures.to_one <= figures.to_two <= figures.to_three <= 1.0


# --- the graph ------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def bench() -> tuple[Installation, MatrixBuilder, DependencyMatrix]:
    kb = tiny()
    installation = compose(kb, "bench")
    builder = MatrixBuilder(kb, installation)
    return installation, builder, builder.build()


@pytest.fixture(scope="module")
def graph(
    bench: tuple[Installation, MatrixBuilder, DependencyMatrix],
) -> "nx.MultiDiGraph[str]":
    installation, builder, m = bench
    return build_graph(tiny(), installation, builder.tests, m)


def edges(graph: "nx.MultiDiGraph[str]", kind: str) -> set[tuple[str, str]]:
    """Start and end of every edge of one kind."""
    return {(a, b) for a, b, data in graph.edges(data=True) if data["kind"] == kind}


def test_every_node_and_edge_is_of_a_listed_kind(graph: "nx.MultiDiGraph[str]") -> None:
    for key, data in graph.nodes(data=True):
        assert key == node(data["kind"], data["id"])
        assert data["title"]
    kinds = nx.get_node_attributes(graph, "kind")
    assert set(kinds.values()) == set(test_graph.KINDS)
    allowed = {
        "is_a": {("unit", "part")},
        "joins": {("unit", "net")},
        "can_fail": {("unit", "failure mode")},
        "shows_in": {("failure mode", "outcome")},
        "gives": {("test", "outcome")},
        "splits": {("test", "failure mode")},
        "needs": {("test", "situation"), ("test", "net"), ("test", "unit")},
        "done_at": {("test", "place")},
        "after": {("situation", "situation")},
    }
    seen: dict[str, set[tuple[str, str]]] = {}
    for a, b, data in graph.edges(data=True):
        seen.setdefault(data["kind"], set()).add((kinds[a], kinds[b]))
    assert seen == allowed


def test_the_graph_holds_what_the_installation_does(
    graph: "nx.MultiDiGraph[str]", bench: tuple[Installation, MatrixBuilder, DependencyMatrix]
) -> None:
    installation, builder, _ = bench
    assert edges(graph, "can_fail") == {
        (f"unit:{m.unit}", f"failure mode:{name}") for name, m in installation.modes.items()
    }
    for test in builder.tests.values():
        given = [b for a, b in edges(graph, "gives") if a == f"test:{test.id}"]
        assert len(given) == len(test.outcomes)
    assert ("unit:relay", "net:coil") in edges(graph, "joins")
    assert ("situation:pressed", "situation:released") in edges(graph, "after")
    assert ("test:coil_ohms", "unit:button") in edges(graph, "needs")
    jumpers = {
        b
        for a, b, d in graph.edges(data=True)
        if a == "test:bridged" and d["kind"] == "needs" and d["how"] == "jumper"
    }
    assert jumpers == {"net:plus", "net:coil"}
    state = graph.edges["test:heater_ohms", "situation:dead", "needs dead"]
    assert state["how"] == "dead"


def test_edges_weigh_what_the_matrix_says(
    graph: "nx.MultiDiGraph[str]", bench: tuple[Installation, MatrixBuilder, DependencyMatrix]
) -> None:
    # heater_ohms has two outcomes; healthy is good, a burnt out heater open, both for certain:
    # mixed with 1 % of one half each, open goes from 0.005 to 0.995
    shown = graph.edges["failure mode:heater.burnt_out", "outcome:heater_ohms=open", "shows_in"]
    assert shown["probability"] == pytest.approx(1.0, abs=1e-6)
    assert shown["weight"] == pytest.approx(np.log2(0.995 / 0.005), abs=1e-3)
    missing = graph.edges["failure mode:heater.burnt_out", "outcome:heater_ohms=good", "shows_in"]
    assert missing["weight"] == pytest.approx(-shown["weight"], abs=1e-3)
    split = graph.edges["test:heater_ohms", "failure mode:heater.burnt_out", "splits"]
    assert split["outcome"] == "open"
    assert split["weight"] == pytest.approx(1.0, abs=1e-6)
    _, _, m = bench
    for k, test in enumerate(m.tests):
        away = distances(m, k)[:, m.rows.index(HEALTHY)]
        shown_by = {b for a, b in edges(graph, "splits") if a == f"test:{test}"}
        expected = {f"failure mode:{r}" for r, d in zip(m.rows, away, strict=True) if d >= 0.05}
        assert shown_by == expected


def test_coverage_read_from_the_graph(
    graph: "nx.MultiDiGraph[str]", bench: tuple[Installation, MatrixBuilder, DependencyMatrix]
) -> None:
    # a failure mode that no `splits` edge reaches is invisible to every test
    kinds = nx.get_node_attributes(graph, "kind")
    modes = {name for name, kind in kinds.items() if kind == "failure mode"}
    reached = {b for _, b in edges(graph, "splits")}
    assert {n.partition(":")[2] for n in modes - reached} == set(undetected(bench[2], 0.05))
    # what is found by walking: from the button's contact to the heater's feeling cold
    walk = nx.shortest_path(graph, "unit:button", "outcome:feel=cold")
    assert walk == ["unit:button", "failure mode:button.worn", "outcome:feel=cold"]


def test_a_node_of_no_kind_is_refused() -> None:
    with pytest.raises(ValueError, match="'thing' is not a kind of node: part, net"):
        node("thing", "x")


# --- why this test --------------------------------------------------------------------------


def belief_on(
    m: DependencyMatrix, rates: Mapping[str, float] | None = None, error: float = 1e-12
) -> Belief:
    """A belief over the failure modes of a matrix, without the unknown cause."""
    even = {r: 1.0 for r in m.rows if r != HEALTHY}
    table = Hypotheses.of(m, rates or even, dict.fromkeys(m.tests, error), unknown=False)
    table = replace(table, care=ORDINARY)
    return Belief(table, table.prior())


def test_why_by_hand() -> None:
    # four causes of four units, equally likely. t0 splits them two and two: one bit of the two.
    # t1 shows bad for a.x alone: H(1/4) = 0.811 bits.
    m = matrix({"a.x": (1, 1), "b.x": (1, 0), "c.x": (0, 0), "d.x": (0, 0)})
    why = explain_test(belief_on(m), "t0")
    assert why.gain == pytest.approx(1.0)
    assert [leaf.probability for leaf in why.outcomes] == pytest.approx([0.5, 0.5])
    assert [suspect.mode for suspect in why.outcomes[0].leading[:2]] == ["a.x", "b.x"]
    assert [suspect.probability for suspect in why.outcomes[0].leading] == pytest.approx(
        [0.5, 0.5, 0.0]
    )
    assert why.splits == ((0, ("a.x", "b.x")), (1, ("c.x", "d.x")))
    why = explain_test(belief_on(m), "t1")
    assert why.gain == pytest.approx(2 - 0.75 * np.log2(3))
    assert why.outcomes[0].probability == pytest.approx(0.25)
    first = why.outcomes[0].leading[0]
    assert (first.mode, round(first.probability, 9)) == ("a.x", 1.0)
    assert why.splits == ((0, ("a.x",)), (1, ("b.x", "c.x", "d.x")))


def test_why_counts_units_not_failure_modes() -> None:
    # a test that tells the two failure modes of one unit apart gains nothing for the repair
    m = matrix({"a.x": (1,), "a.y": (0,)})
    why = explain_test(belief_on(m), "t0")
    assert why.gain == pytest.approx(0.0, abs=1e-9)
    assert len(why.splits) == 2
    # before and after it is the one unit, whichever way it has failed
    assert [(s.unit, s.mode) for o in why.outcomes for s in o.leading] == [
        ("a", "a.x"),
        ("a", "a.y"),
    ]
    assert [s.probability for o in why.outcomes for s in o.leading] == pytest.approx([1.0, 1.0])


def test_the_modes_of_a_unit_share_its_place_in_the_list() -> None:
    # by hand: capacitor .24 + .22 = .46 before the pump's .26
    listed = by_unit([("pump.seized", 0.26), ("cap.low", 0.24), ("cap.open", 0.22)])
    assert [(s.unit, s.mode) for s in listed] == [("cap", "cap.low"), ("pump", "pump.seized")]
    assert [s.probability for s in listed] == pytest.approx([0.46, 0.26])
    assert [s.of_mode for s in listed] == [0.24, 0.26]
    assert likely("capacitor: low", *listed[0][1::2]) == " 46%  capacitor: low (24%)"
    assert likely("pump: seized", *listed[1][1::2]) == " 26%  pump: seized"


def test_why_speaks_of_causes_still_standing() -> None:
    m = matrix({"a.x": (1,), "b.x": (0,), "c.x": (0,)})
    belief = belief_on(m, {"a.x": 90.0, "b.x": 8.0, "c.x": 2.0})
    assert standing(belief) == ("a.x", "b.x")
    assert explain_test(belief, "t0").splits == ((0, ("a.x",)), (1, ("b.x",)))


@settings(deadline=None)
@given(MATRICES, st.integers(0, 2), st.sampled_from([0.02, 0.1]))
def test_why_against_the_belief(bad: list[list[float]], k: int, error: float) -> None:
    m = matrix({f"u{n % 3}.m{n}": tuple(row) for n, row in enumerate(bad)})
    belief = belief_on(m, error=error)
    why = explain_test(belief, f"t{k}")
    assert sum(leaf.probability for leaf in why.outcomes) == pytest.approx(1.0)
    assert why.gain == pytest.approx(information(belief)[k], abs=1e-9)
    for leaf in why.outcomes:
        updated = belief.update(f"t{k}", leaf.outcome)
        after = dict(updated.ranking())
        units = dict(zip(updated.table.unit_names, updated.unit_p.tolist(), strict=True))
        for suspect in leaf.leading:
            assert after[suspect.mode] == pytest.approx(suspect.of_mode)
            assert units[suspect.unit] == pytest.approx(suspect.probability)
    # after the answer is in, the same question again tells less
    again = explain_test(belief.update(f"t{k}", 0), f"t{k}")
    assert sum(leaf.probability for leaf in again.outcomes) == pytest.approx(1.0)
    assert again.gain <= float(entropy(belief.update(f"t{k}", 0).unit_p)) + 1e-9


def test_why_of_an_unknown_test_names_the_legal_ones() -> None:
    with pytest.raises(DiagnoseError) as caught:
        explain_test(belief_on(BY_HAND), "t9")
    assert caught.value.issues[0].legal == ("t0", "t1", "t2")


# --- the way along the wires ----------------------------------------------------------------


def test_the_way_on_the_bench(
    bench: tuple[Installation, MatrixBuilder, DependencyMatrix],
) -> None:
    installation = bench[0]
    path = signal_path(installation, "outlet", "heater")
    assert (path.units, path.nets) == (("outlet", "relay", "heater"), ("line", "switched"))
    assert str(path) == "outlet → relay → heater"
    # the battery's plus goes through the button; its minus, which joins the relay, is ground
    assert signal_path(installation, "battery", "relay").units == ("battery", "button", "relay")
    # nothing conducts from the button to the heater: the relay acts between them
    path = signal_path(installation, "button", "heater")
    assert (path.units, path.nets) == (("button", "relay", "heater"), ("coil", "switched"))
    assert signal_path(installation, "relay", "relay").units == ("relay",)
    with pytest.raises(DiagnoseError) as caught:
        signal_path(installation, "relay", "toaster")
    assert caught.value.issues[0].legal == ("battery", "button", "heater", "outlet", "relay")


def standard(**choices: str) -> Installation:
    """An installation of the shipped knowledge."""
    return compose(shipped(), "tank_and_sump", choices)


@pytest.mark.parametrize(
    ("choices", "driven_by"),
    [
        ({}, ["relay"]),
        ({"residual": "none"}, ["relay"]),
        ({"drive": "contactor"}, ["contactor"]),
        ({"drive": "contactor", "overload": "fitted"}, ["contactor", "overload"]),
    ],
)
def test_the_way_of_the_mains(choices: dict[str, str], driven_by: list[str]) -> None:
    # common practice, no source: supply, isolator, breaker, residual-current device, what
    # switches the pump, its protection, its cable, the motor, in this order
    installation = standard(**choices)
    units = signal_path(installation, "mains", "motor").units
    order = ["mains", "isolator", "breaker", "rcd", *driven_by, "pump_cable", "motor"]
    if choices.get("residual") == "none":
        order.remove("rcd")
    assert [u for u in units if u in order] == order
    other = {"relay", "contactor", "adapter", "controller", "capacitor"} - set(driven_by)
    assert not other & set(units)


def test_the_way_of_the_water_and_of_a_signal() -> None:
    installation = standard()
    water = signal_path(installation, "sump", "roof_tank").units
    order = ["sump", "foot_valve", "pump", "delivery", "roof_tank"]
    assert [u for u in water if u in order] == order
    signal = signal_path(installation, "roof_high_float", "controller").units
    order = ["roof_high_float", "roof_cable", "terminals", "controller"]
    assert [u for u in signal if u in order] == order
    assert signal_path(installation, "selector", "controller").nets == ("p_mode",)
    # nothing conducts from 5 V to 230 V: the relay acts between them
    for start, order in {
        "controller": ["controller", "relay", "pump_cable", "motor"],
        "roof_high_float": ["roof_high_float", "terminals", "controller", "relay", "motor"],
    }.items():
        acting = signal_path(installation, start, "motor").units
        assert [u for u in acting if u in order] == order
        assert "adapter" not in acting
    with pytest.raises(DiagnoseError, match="nothing joins 'relay' and 'program'"):
        signal_path(installation, "relay", "program")


def test_a_way_is_one_along_conductors() -> None:
    installation = standard(drive="contactor")
    ohms = conductors(installation)
    path = signal_path(installation, "mains", "motor")
    for net, first, second in zip(path.nets, path.units, path.units[1:], strict=False):
        joined = {
            unit
            for unit in installation.instances
            if net
            in {installation.nets[f"{unit}.{t}"] for t in installation.part_of(unit).terminals}
        }
        assert {first, second} <= joined
    assert all(data["weight"] > 0 for _, _, data in ohms.edges(data=True))
    assert len(set(path.units)) == len(path.units)


def test_the_order_of_rows_changes_nothing() -> None:
    rows = {"a.x": (1.0, 0.0), "a.y": (1.0, 0.2), "b.z": (0.9, 0.0), "c.w": (0.0, 1.0)}
    expected = {frozenset(g.modes) for g in ambiguity_groups(matrix(rows))}
    for order in permutations(rows):
        shuffled = matrix({name: rows[name] for name in order})
        assert {frozenset(g.modes) for g in ambiguity_groups(shuffled)} == expected
        assert separation.testability(shuffled) == separation.testability(matrix(rows))
