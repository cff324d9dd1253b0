"""Motor currents and pump curves against textbooks' worked examples.

References (how each value was obtained is said beside it)
----------
.. [1] A. E. Fitzgerald, C. Kingsley, S. D. Umans, Electric Machinery, 6th ed. (2003), example 6.2:
   220 V, 60 Hz, R1 0.294, R2 0.144, X1 0.503, X2 0.209, Xm 13.25 ohm, slip 2 %: 18.8 A at a
   power factor of 0.845 (from memory).
.. [2] S. J. Chapman, Electric Machinery Fundamentals, example 7-3: 460 V, 60 Hz, R1 0.641,
   R2 0.332, X1 1.106, X2 0.464, Xm 26.3 ohm (these read in a public modelling library that uses
   the machine), slip 2.2 %: 18.88 A at 0.833 (from memory).
.. [3] As [1], example 9.2: single phase, 110 V, 60 Hz, R1 2.02, X1 2.79, R2 4.12, X2 2.12,
   Xm 66.8 ohm (these read in a question-and-answer page that quotes it), slip 5 %, start winding
   open: 3.59 A at 0.62 by two revolving fields (from memory).
.. [4] C. L. Fortescue's symmetrical components as textbooks on machines have them (from memory):
   with one line open at standstill the others carry sqrt(3)/2 of the locked-rotor current; with
   one open in the run sqrt(3)·V/|Z1 + Z2|.
.. [5] F. M. White, Fluid Mechanics, example 11.6 (from memory): a pump of 490 - 0.26·Q² ft on a
   system of 120 + 1.335·Q² ft, Q in thousands of gal/min, meet at 15.2 and 430 ft.
.. [6] Affinity laws: flow by the speed, head by its square (every textbook on pumps).
"""

from __future__ import annotations

import cmath
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

from diagnose.plant.phases import Condition
from tests.bench import SAMPLES, Bench, bench, exact, installed, situation, two_pole

A = cmath.exp(2j * cmath.pi / 3)
LINES = ("one", "two", "three")
Machine = Mapping[str, float]
FITZGERALD = {
    "v": 220.0,
    "hz": 60.0,
    "r1": 0.294,
    "x1": 0.503,
    "r2": 0.144,
    "x2": 0.209,
    "xm": 13.25,
}
CHAPMAN = {"v": 460.0, "hz": 60.0, "r1": 0.641, "x1": 1.106, "r2": 0.332, "x2": 0.464, "xm": 26.3}
OURS = {"v": 400.0, "hz": 50.0, "r1": 16.0, "x1": 17.0, "r2": 12.0, "x2": 17.0, "xm": 300.0}
"""The shipped motor's own nominal values, a phase."""


def three_phase(machine: Machine, slip: float, joint: float = 1e-6, lost: bool = False) -> Bench:
    """A machine of the shipped part type on an ideal supply, with a resistance in L2."""
    to_50 = 50.0 / machine["hz"]
    rotor = {
        "forward": machine["r2"] / slip,
        "backward": machine["r2"] / (2 - slip),
    }
    settings = {
        "mains": {
            "voltage": machine["v"] / np.sqrt(3),
            "frequency": machine["hz"],
            "line_resistance": 1e-6,
        },
        "motor": {
            "link": 1e-6,
            "winding": machine["r1"],
            "leakage": machine["x1"] * to_50,
            "magnetising_reactance": machine["xm"] * to_50,
            "magnetising_resistance": 1e-9,
            "locked_resistance": machine["r2"],
            "rotor_reactance": machine["x2"] * to_50,
            "light_forward": rotor["forward"],
            "light_backward": rotor["backward"],
            "starts_above": 1e-4,
            "winding_capacitance": 1e-15,
        },
    }
    place = bench(
        {
            "mains": ("mains_three", {"l": "l", "l2": "l2", "l3": "l3", "n": "n", "pe": "earth"}),
            "joint": ("joint", {"a": "l2", "b": "far"}),
            "motor": ("motor_three", {"l": "l", "l2": "far", "l3": "l3", "pe": "earth"}),
        },
        (two_pole("joint", "ac", "resistor", resistance=joint),),
        settings,
    )
    return Bench(place, mode="mains.phase_lost" if lost else "")


def lines(settled: Bench) -> np.ndarray:
    """The three line currents as phasors, of the first sample."""
    circuit, row = settled.circuit, settled.rows[:1]
    solver = circuit.solvers["ac"]
    v, on = settled.a.v["ac"][row], settled.a.on["ac"][row]
    names = ("motor.lead", "motor.lead_two", "motor.lead_three")
    return np.array([solver.current(on, row * 0, v, circuit.branch(n)[1])[0] for n in names])


def parallel(a: complex, b: complex) -> complex:
    return a * b / (a + b)


def sequences(machine: Machine, slip: float) -> tuple[complex, complex]:
    """Positive and negative sequence impedance a phase, by hand."""
    z = []
    for s in (slip, 2 - slip):
        rotor = machine["r2"] / s + 1j * machine["x2"]
        z.append(machine["r1"] + 1j * machine["x1"] + parallel(1j * machine["xm"], rotor))
    return z[0], z[1]


@pytest.mark.parametrize(
    ("machine", "slip", "amperes", "factor"),
    [(FITZGERALD, 0.02, 18.8, 0.845), (CHAPMAN, 0.022, 18.88, 0.833)],
    ids=["Fitzgerald 6.2", "Chapman 7-3"],
)
def test_a_running_machine_draws_what_the_textbook_prints(
    machine: Machine, slip: float, amperes: float, factor: float
) -> None:  # [1], [2]
    settled = three_phase(machine, slip)
    assert settled.is_on("motor.turning").all()
    assert not settled.is_on("motor.backwards").any()
    one, two, three = lines(settled)
    assert abs(one) == pytest.approx(amperes, abs=0.05)
    assert abs(two) == pytest.approx(abs(one), rel=1e-5)
    assert abs(three) == pytest.approx(abs(one), rel=1e-5)
    assert np.cos(cmath.phase(one)) == pytest.approx(factor, abs=0.0015)


@pytest.mark.parametrize("machine", [CHAPMAN, OURS], ids=["Chapman", "shipped"])
def test_with_a_phase_lost_it_stands_and_draws_root_three_halves(machine: Machine) -> None:  # [4]
    stalled = three_phase(machine, 0.02, lost=True)
    assert not stalled.is_on("motor.turning").any()
    z = sum(sequences(machine, 1.0)) / 2
    locked = machine["v"] / np.sqrt(3) / abs(z)
    one, two, three = (abs(x) for x in lines(stalled))
    assert one == pytest.approx(np.sqrt(3) / 2 * locked, rel=1e-4)
    assert three == pytest.approx(one, rel=1e-4)
    assert two < 1e-3 * one


@pytest.mark.parametrize("slip", [0.02, 0.05, 0.10])
def test_a_phase_lost_in_the_run(slip: float) -> None:  # [4]
    running = three_phase(OURS, slip, joint=1e6)
    assert running.is_on("motor.turning").all(), "carried on by the trace of L2 that is left"
    positive, negative = sequences(OURS, slip)
    expected = OURS["v"] / abs(positive + negative)
    one, two, three = (abs(x) for x in lines(running))
    assert one == pytest.approx(expected, rel=2e-3)
    assert three == pytest.approx(expected, rel=2e-3)
    assert two < 1e-2 * one


@pytest.mark.parametrize("joint", [20.0, 60.0, 300.0])
def test_a_bad_joint_unbalances_as_symmetrical_components_say(joint: float) -> None:  # [4]
    slip = 0.05
    positive, negative = sequences(OURS, slip)
    to_lines = np.array([[1, 1, 1], [1, A**2, A], [1, A, A**2]])
    z = to_lines @ np.diag([1e9, positive, negative]) @ np.linalg.inv(to_lines)
    z = z + np.diag([0, joint, 0])
    volts = OURS["v"] / np.sqrt(3) * np.array([1, A**2, A])
    expected = np.abs(np.linalg.solve(z, volts))
    found = np.abs(lines(three_phase(OURS, slip, joint=joint)))
    assert found == pytest.approx(expected, rel=2e-3)
    if joint >= 60:
        assert found[1] < min(found[0], found[2]), "the line with the joint carries least"


def test_two_lines_swapped_turn_it_backwards_at_the_same_current() -> None:
    """Common practice, no source: any two lines changed over turn a motor round."""
    place = installed(start="three_phase", drive="contactor")
    on = situation(place, "manual_on")
    for mode in ("pump_cable.swapped", "mains.reversed"):
        astern, ahead = Bench(place, on, mode, nominal=True), Bench(place, on, nominal=True)
        assert astern.is_on("motor.backwards").all()
        assert astern.is_on("motor.turning").all()
        assert not ahead.is_on("motor.backwards").any()
        backward = [abs(x) for x in lines(astern)]
        assert backward == pytest.approx([abs(x) for x in lines(ahead)], rel=0.01)
        heads = [x.read("head", "pump.outlet")[0] for x in (astern, ahead)]
        assert heads[0] < 0.75 * heads[1]
        assert (
            astern.read("flow", "roof_tank.fill")[0] < 0.3 * ahead.read("flow", "roof_tank.fill")[0]
        )


def test_a_single_phase_machine_by_two_revolving_fields() -> None:  # [3]
    to_50 = 50.0 / 60.0
    settings = {
        "mains": {
            "voltage": 110.0,
            "frequency": 60.0,
            "line_resistance": 1e-6,
            "neutral_resistance": 1e-6,
        },
        "motor": {
            "link": 1e-6,
            "main_resistance": 2.02,
            "main_reactance": 2.79 * to_50,
            "half_magnetising": 33.4 * to_50,
            "magnetising_resistance": 1e-9,
            "half_locked": 2.06,
            "half_rotor": 1.06 * to_50,
            "light_resistance": 2.06 / 0.05,
            "turning_backward": 2.06 / 1.95,
            "breakaway": 1.0,
            "runs_above": 50.0,
            "winding_capacitance": 1e-15,
        },
        "capacitor": {"capacitance": 200e-6},
    }
    place = bench(
        {
            "mains": ("mains_supply", {"l": "l", "n": "n", "pe": "earth"}),
            "motor": (
                "motor_start",
                {"l": "l", "n": "n", "pe": "earth", "w": "w", "m": "w", "aux": "aux"},
            ),
            "start_switch": ("start_switch", {"a": "w", "b": "sw"}),
            "capacitor": ("start_capacitor", {"a": "sw", "b": "aux"}),
        },
        (),
        settings,
    )
    settled = Bench(place)
    assert settled.is_on("motor.turning").all()
    circuit, row = settled.circuit, settled.rows[:1]
    branch = circuit.branch("motor.lead_n")[1]
    amperes = circuit.solvers["ac"].current(
        settled.a.on["ac"][row], row * 0, settled.a.v["ac"][row], branch
    )[0]
    assert abs(amperes) == pytest.approx(3.59, abs=0.02)
    assert np.cos(cmath.phase(amperes)) == pytest.approx(0.62, abs=0.005)


def test_the_plain_motor_agrees_with_the_revolving_fields() -> None:
    """The base type's one rotor resistance stands for both fields, within a sixth of [3]."""
    plain, fields = installed(), installed(start="start_capacitor")
    for mode, most in (("", 0.17), ("pump.seized", 0.17)):
        found = [
            Bench(x, situation(x, "manual_on"), mode, 230.0, True).read("amps_ac", "motor.main")[0]
            for x in (plain, fields)
        ]
        assert found[0] == pytest.approx(found[1], rel=most)


@pytest.mark.parametrize(
    "mode", ["start_capacitor.open", "start_capacitor.low", "start_capacitor.shorted"]
)
@pytest.mark.parametrize("start", ["start_capacitor", "start_relay", "control_box"])
def test_without_its_start_capacitor_it_hums_at_the_locked_current(start: str, mode: str) -> None:
    """Common practice, no source: no phase shift, no start; five to seven times full load."""
    place = installed(start=start)
    on = situation(place, "manual_on")
    failed = Bench(place, on, mode, 230.0)
    assert not failed.is_on("motor.turning").any()
    assert failed.is_on("motor.hums").all()
    running = Bench(place, on, "", 230.0)
    assert running.is_on("motor.turning").all()
    ratio = (
        failed.read("amps_ac", "motor.main").mean() / running.read("amps_ac", "motor.main").mean()
    )
    assert 4.5 <= ratio <= 7.0


@pytest.mark.parametrize("start", ["start_capacitor", "start_relay", "control_box"])
def test_start_torque_falls_with_the_square_of_the_voltage(start: str) -> None:
    """Common practice, no source: it starts at 85 %, not at 55 % of its voltage."""
    place = installed(start=start)
    on = situation(place, "manual_on")
    assert Bench(place, on, mains=0.85 * 230).is_on("motor.turning").all()
    low = Bench(place, on, mains=0.55 * 230)
    assert not low.is_on("motor.turning").any()


def duty(
    head: float, loss: float, lift: float, pipe: float, share: float = 1.0
) -> tuple[float, float]:
    """Flow and head where the shipped pump's curve meets a system's; losses at a flow of 1."""
    wires = {"a": "top", "b": "yard"}
    system = replace(
        two_pole("system", "water", "curve", voltage=lift, loss=pipe, flow=1.0),
        parameters={
            "voltage": exact(lift, "m"),
            "loss": exact(pipe, "m"),
            "flow": exact(1.0, "L/min"),
        },
    )
    place = bench(
        {
            "pump": ("pump_submersible", {"inlet": "yard", "outlet": "top", "vent": "yard"}),
            "system": ("system", wires),
        },
        (system,),
        {
            "pump": {
                "shutoff": head,
                "loss": loss,
                "rated": 1.0,
                "head_share": share,
                "escape": 1e12,
            }
        },
    )
    on = replace(place.instances["pump"], logic={"runs": "sump == 'wet'"})
    place = replace(place, instances={**place.instances, "pump": on})
    settled = Bench(place, Condition(values={"sump": "wet"}))
    return float(settled.read("flow", "system.body")[0]), float(
        settled.read("head", "pump.outlet")[0]
    )


def test_pump_and_system_meet_where_the_textbook_says() -> None:  # [5]
    flow, head = duty(490.0, 0.26, 120.0, 1.335)
    assert flow == pytest.approx(15.2, abs=0.05)
    assert head == pytest.approx(430.0, abs=0.5)


@pytest.mark.parametrize("speed", [0.5, 0.769, 0.9])
def test_slower_pumps_obey_the_affinity_laws(speed: float) -> None:  # [6]
    full = duty(490.0, 0.26, 0.0, 1.335)
    slow = duty(490.0, 0.26, 0.0, 1.335, speed**2)
    assert slow[0] / full[0] == pytest.approx(speed, rel=1e-3)
    assert slow[1] / full[1] == pytest.approx(speed**2, rel=1e-3)


def test_closed_valve_blocked_suction_and_wear() -> None:
    """Common practice, no source: what gauge and bucket show at a surface pump with a curve."""
    place = installed(start="three_phase", drive="contactor")
    on = situation(place, "manual_on")
    shut = replace(on, values={**on.values, "valve": "shut"})
    sound, closed = Bench(place, on, nominal=True), Bench(place, shut, nominal=True)
    heads = {
        name: x.read("head", "pump.outlet")[0] for name, x in (("open", sound), ("shut", closed))
    }
    assert heads["shut"] == pytest.approx(35.0 - 3.0, abs=0.6), "shut-off head less the lift"
    assert heads["open"] < heads["shut"] - 5
    blocked = Bench(place, on, "suction_pipe.blocked")
    assert (blocked.read("head", "pump.inlet") < -7.0).all()
    flows = [
        Bench(place, on, m, nominal=True).read("flow", "roof_tank.fill")[0]
        for m in ("", "pump.worn")
    ]
    assert 0.0 <= flows[1] < 0.5 * flows[0]
    assert len(sound.read("head", "pump.outlet")) == SAMPLES
