"""What a healthy installation does, over pairs of variants; controllers calculated by hand."""

import itertools
from pathlib import Path

import numpy as np
import pytest

from diagnose.errors import DiagnoseError
from diagnose.knowledge.checks import check_knowledge
from diagnose.knowledge.load import load_knowledge
from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.circuit import Circuit
from diagnose.plant.compose import Installation, choose, compose
from diagnose.plant.designed import designed_issues, lines_for
from diagnose.plant.lanes import nominal
from diagnose.plant.matrix import MatrixBuilder
from diagnose.plant.phases import Condition
from diagnose.plant.procedures import installed_tests, situation_condition
from diagnose.plant.simulation import Simulation
from tests.bench import shipped
from tests.campaigns.variants import covering_array, examine, pairs_of, possible_pairs, sample
from tests.tiny import copy_tiny, edit, found, place_of, tiny


@pytest.fixture(scope="module")
def kb() -> KnowledgeBase:
    return shipped()


def test_every_type_says_when_it_starts_stops_and_protects(kb: KnowledgeBase) -> None:
    for kind in kb.installations.values():
        assert {"starts", "stops", "protects"} <= {line.does for line in kind.designed}, kind.id


def test_the_array_holds_every_pair_that_can_be_built(kb: KnowledgeBase) -> None:
    """Against all combinations one by one, on the types that have few enough of them."""
    tried = 0
    for kind in (*kb.installations.values(), *tiny().installations.values()):
        axes = {v.id: list(v.choices) for v in kind.variants.values() if len(v.choices) > 1}
        if np.prod([len(c) for c in axes.values()]) > 500:
            continue
        expected = set()
        for chosen in itertools.product(*axes.values()):
            choices = dict(zip(axes, chosen, strict=True))
            try:
                choose(kind, choices)
            except DiagnoseError:
                continue
            expected |= pairs_of(choices)
        assert possible_pairs(kind) == expected
        array = covering_array(kind)
        assert set().union(*(pairs_of(c) for c in array)) == expected
        if len(axes) > 2:  # of two axes every pair is a whole combination
            assert len(array) < np.prod([len(c) for c in axes.values()])
        tried += 1
    assert tried >= 2


def test_every_pair_of_choices_behaves_as_designed(kb: KnowledgeBase) -> None:
    statements = 0
    for kind, choices in sample(kb, quick=False):
        installation = compose(kb, kind, choices)
        assert not designed_issues(installation), (kind, choices)
        statements += len(lines_for(installation))
    assert statements > 100


def test_a_relay_that_is_not_there_does_not_trip(kb: KnowledgeBase) -> None:
    def outcomes(**choices: str) -> list[str]:
        installation = compose(kb, "tank_and_sump", choices)
        circuit = Circuit(installation, None, (), 1, nominal)
        found = installed_tests(kb, installation, circuit)["trips_on_call"].outcomes
        return [o.id for o in found]

    assert outcomes() == ["at_once", "rcd", "later", "holds"]
    assert outcomes(residual="none") == ["at_once", "later", "holds"]
    assert "overload" in outcomes(drive="contactor", overload="fitted")


def test_all_faults_of_one_combination_are_accounted_for(kb: KnowledgeBase) -> None:
    """One of the cheapest; all of them: ``python -m tests.campaigns.variants``."""
    result = examine(kb, "relay_logic", {"control": "logic_relay", "sump_sensor": "none"})
    assert not result.problems
    assert result.modes > 90


def test_what_is_not_as_designed_is_an_error_with_its_place(tmp_path: Path) -> None:
    folder = copy_tiny(tmp_path)
    bench = "installations/bench.yaml"
    old = "situation: pressed, holds: "
    edit(folder, bench, f"{old}heater.hot}}", f"{old}not heater.hot}}")
    kb = load_knowledge(folder)
    (issue,) = designed_issues(compose(kb, "bench"))
    assert issue.code == "designed"
    assert "'not heater.hot' fails in 100% of the samples" in issue.message
    assert issue.place is not None
    assert issue.place.line == place_of(folder, bench, "does: starts")[1]


@pytest.mark.parametrize(
    ("old", "new", "code", "at"),
    [
        ("situation: pressed, holds", "situation: pushed, holds", "unknown-id", "pushed"),
        ("holds: heater.hot}", "holds: heater.warm}", "unknown-id", "heater.warm"),
        ("holds: heater.hot}", "holds: heater.hot, needs: stove}", "unknown-id", "stove"),
        ("two_buttons: {title", "default: {title", "repeated-id", "default: ¦{title"),
    ],
)
def test_a_statement_or_a_preset_that_means_nothing(
    old: str, new: str, code: str, at: str, tmp_path: Path
) -> None:
    folder = copy_tiny(tmp_path)
    edit(folder, "installations/bench.yaml", old, new)
    issues = [i for i in check_knowledge(load_knowledge(folder)) if i.severity == "error"]
    places = {(c, place[1]) for c, place in found(folder, issues) if place is not None}
    assert (code, place_of(folder, "installations/bench.yaml", at)[1]) in places


def settled(installation: Installation, mode: str, **values: str) -> Simulation:
    """One failure mode ("" healthy), nominal but for its own range, in the off situation."""
    base = situation_condition(installation, "manual_off")
    condition = Condition(values={**base.values, **values})
    fault = installation.modes[mode] if mode else None
    circuit = Circuit(installation, fault, (), 1, nominal)
    return Simulation(circuit, [condition], {})


def volts(simulation: Simulation, net: str, other: str) -> complex:
    phase, _, rows = simulation.phases(0)
    circuit = simulation.circuit
    domain = circuit.installation.domain[net]
    nodes = circuit.solvers[domain].network.nodes
    v = phase.v[domain][rows[0]]

    def at(name: str) -> complex:
        return complex(v[nodes.index(name)]) if name in nodes else 0j

    return at(net) - at(other)


def test_a_3_3_volt_board_never_quite_turns_off_an_optocoupler_alone(kb: KnowledgeBase) -> None:
    """By hand: (5.0 - 3.3 - 1.2 V) over resistor and pin; TLP180's forward voltage 1.2 V."""
    chosen = {"board": "three", "brown_out": "low"}
    installation = compose(kb, "tank_and_sump", chosen)
    healthy = settled(installation, "")
    assert not healthy.holds(0, "relay.lit").any()
    assert volts(healthy, "vdd", "gnd").real == pytest.approx(3.3, rel=0.01)
    weak = settled(installation, "relay.never_quite_off")
    assert weak.holds(0, "steady relay.lit and relay.pulled_in").all()
    parameters = installation.modes["relay.never_quite_off"].mode.patch.set
    drop, series = parameters["led_drop"].nominal, parameters["led_series"].nominal
    pin = kb.parts["controller_board"].parameters["pin_resistance"].nominal
    diode = kb.parts["relay_module"].parameters["led_resistance"].nominal
    rail = volts(weak, "m_vcc", "gnd").real - volts(weak, "vdd", "gnd").real
    current = (rail - drop) / (series + pin + diode)
    lead = volts(weak, "m_vcc", "m_in").real - drop
    assert lead / (series + diode) == pytest.approx(current, rel=0.02)
    assert current > kb.parts["relay_module"].parameters["lit_at"].high


def test_the_same_module_is_turned_off_by_a_5_volt_board(kb: KnowledgeBase) -> None:
    installation = compose(kb, "tank_and_sump", {})
    assert "relay.never_quite_off" not in installation.modes
    with pytest.raises(DiagnoseError, match=r"3\.3 V chip in reset"):
        compose(kb, "tank_and_sump", {"board": "three"})


def test_an_open_float_on_a_long_cable_lights_an_input(kb: KnowledgeBase) -> None:
    """By hand: 230 V over 1 Mohm in series with 1 / (2 pi 50 Hz C)."""
    installation = compose(kb, "relay_logic", {"control": "logic_relay"})
    for mode in ("", "stop_float.long_cable"):
        simulation = settled(installation, mode, hand="stop_float", position="up")
        part = kb.parts["mains_float"].parameters["core_capacitance"]
        if mode:
            part = installation.modes[mode].mode.patch.set["core_capacitance"]
        reactance = 1 / (2 * np.pi * 50 * part.nominal)
        ohms = kb.parts["logic_relay"].parameters["input_resistance"].nominal
        expected = 230 * ohms / np.hypot(ohms, reactance)
        read = abs(volts(simulation, "i_stop", "neutral"))
        assert read == pytest.approx(expected, rel=0.05)
        assert simulation.holds(0, "logic_relay.reads_stop").all() == bool(mode)
        assert (expected > 79) == bool(mode)


def test_a_flooded_float_cable_pulls_the_contactor_in_at_a_full_tank(kb: KnowledgeBase) -> None:
    """By hand: 230 V over cable and inrush impedance of the coil against its pull-in current."""
    installation = compose(kb, "relay_logic", {})
    simulation = MatrixBuilder(kb, installation)
    settled_ = simulation.simulate([installation.modes["stop_float.cable_wet"], None])
    contactor = kb.parts["contactor"].parameters
    worst = installation.modes["stop_float.cable_wet"].mode.patch.set["between_cores"].high
    impedance = np.hypot(
        contactor["inrush_resistance"].nominal + worst, contactor["inrush_reactance"].nominal
    )
    assert 230 / impedance > contactor["pull_in"].nominal
    pulled = settled_.holds(simulation.named["auto_full"], "contactor.pulled_in").reshape(2, -1)
    assert pulled[0].mean() > 0.8
    assert not pulled[1].any()


def test_a_slow_suction_trips_the_dry_run_timer_with_water_in_the_sump(kb: KnowledgeBase) -> None:
    installation = compose(kb, "tank_and_sump", {"timers": "fitted"})
    builder = MatrixBuilder(kb, installation)
    faults = [installation.modes[m] for m in ("suction_pipe.blocked", "program.resting")]
    simulation = builder.simulate([*faults, None])
    late = simulation.holds(builder.named["auto_late"], "motor.turning").reshape(3, -1)
    first = simulation.holds(builder.named["auto_empty"], "motor.turning").reshape(3, -1)
    as_found = simulation.holds(builder.named["found_empty"], "motor.turning").reshape(3, -1)
    assert first.all()
    assert not late[0].any()
    assert late[2].all()
    assert as_found[0].all()
    assert not as_found[1].any()


def test_tests_of_what_is_not_fitted_are_left_out(kb: KnowledgeBase) -> None:
    installation = compose(kb, "relay_logic", {})
    tests = installed_tests(kb, installation, MatrixBuilder.circuit_of(installation))
    assert "latch_auto_low" in tests
    assert not {"ordered_manual", "restart", "board_lights", "relay_look"} & set(tests)
