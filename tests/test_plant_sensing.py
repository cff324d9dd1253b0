"""Rods, loop transmitter, ultrasonic sensor and pressure set against facts from outside.

References (how each value was obtained is said beside it)
----------
.. [1] NAMUR NE 43 (from memory): 3.8 to 20.5 mA are measured values, 3.6 mA or less and 21 mA or
   more signal a failure. IEC 60381-1 (from memory): 4 to 20 mA for 0 to 100 %.
.. [2] Two-wire loops, makers' application notes (from memory): the greatest burden is
   (supply - least voltage of the transmitter) / 20 mA, 700 Ω for 24 V and 10 V.
.. [3] Two parallel cylinders in a conducting medium (textbook formula, from memory):
   R = acosh(spacing / diameter) / (pi · conductivity · length). Drinking water conducts 50 to
   1500 µS/cm (from memory; the limit of the European directive is 2500 at 20 °C, from memory).
.. [4] Speed of sound in a gas, sqrt(gamma·R·T/M), with R as `scipy.constants` gives it; gamma 1.4
   and M 28.96 g/mol of air (from memory). The formula cited in the knowledge is 331.3 + 0.606 t.
.. [5] Boyle's law, p·V constant at one temperature, absolute pressures; standard atmosphere and
   gravity from `scipy.constants`, 998.2 kg/m³ of water at 20 °C (from memory). Pre-charge of
   small pressure sets 0.2 bar below the cut-in (trade texts, from memory).
.. [6] Ohm's law and 1/(2·pi·f·C), worked in the test.
.. [7] ATmega328P, Microchip DS40001984A (2018), table 32-2 (read): low up to 0.3, high from 0.6 of
   the supply.
"""

from __future__ import annotations

import math
import re
from functools import cache
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import constants

from diagnose.knowledge.names import spec_of, unit_of
from diagnose.plant.compose import Installation, compose
from diagnose.plant.matrix import MatrixBuilder
from diagnose.plant.phases import Condition
from diagnose.plant.simulation import Simulation
from tests.bench import Bench, bench, installed, shipped, situation, two_pole

BAR = 1e5 / (998.2 * constants.g)
"""Metres of water to a bar."""
LEVELS = {"empty": 5.6e-3, "mid": 12e-3, "full": 18.4e-3}
"""4 mA and 16 mA times a tenth, a half, nine tenths."""


def loop(
    volts: float, ohms: float, roof: str = "full", polarity: str = "right", **settings: float
) -> NDArray[np.float64]:
    """Loop current, A, (samples,): a supply, the transmitter and one resistor."""
    plus, minus = ("up", "down") if polarity == "right" else ("down", "up")
    place = bench(
        {
            "supply": ("source", {"a": "up", "b": "gnd"}),
            "probe": ("level_transmitter", {"plus": plus, "minus": minus}),
            "burden": ("load", {"a": "down", "b": "gnd"}),
        },
        (
            two_pole("source", "dc", "source", voltage=volts, resistance=0.01),
            two_pole("load", "dc", "resistor", resistance=ohms),
        ),
        {"probe": {"least": 10.0, "least_resistance": 0.01, **settings}},
    )
    return Bench(place, Condition({"roof": roof}), nominal=True).read("amps_dc", "burden.body")


@pytest.mark.parametrize("roof", LEVELS)
def test_a_healthy_loop_carries_4_to_20_milliamperes(roof: str) -> None:  # [1]
    assert loop(24.0, 220.0, roof) == pytest.approx(LEVELS[roof], rel=0.002)


@pytest.mark.parametrize("ohms", [220.0, 500.0, 690.0, 900.0, 1400.0])
def test_what_the_supply_cannot_drive_is_the_burden_line(ohms: float) -> None:  # [2]
    most = (24.0 - 10.0) / ohms
    flowing = loop(24.0, ohms, at_full=14.4e-3)
    # the current source's own antiparallel diode adds 0.3 V to what the transmitter leaves
    assert flowing == pytest.approx(min(most, 18.4e-3), rel=0.04)
    assert (flowing < 0.02).all() == (most < 0.02 or 18.4e-3 < 0.02)


def test_a_loop_the_wrong_way_round_or_of_too_low_a_supply_carries_nothing() -> None:
    assert loop(24.0, 220.0, polarity="wrong") == pytest.approx(0.0, abs=1e-6)
    assert loop(9.0, 220.0) == pytest.approx(0.0, abs=1e-6)


def test_water_in_the_cable_adds_its_own_current() -> None:  # [6]
    sound, wet = loop(24.0, 220.0, "empty"), loop(24.0, 220.0, "empty", dampness=4000.0)
    volts = 24.0 - 220.0 * wet
    assert wet - sound == pytest.approx(volts / 4000.0, rel=0.02)


def transmitter_lanes(mode: str, roof: str) -> NDArray[np.float64]:
    place = installed(roof_sensor="transmitter")
    at = situation(place, "manual_off", roof=roof)
    return Bench(place, at, mode).read("amps_dc", "level_input.burden")


@pytest.mark.parametrize("roof", LEVELS)
def test_failure_signals_lie_outside_and_levels_inside_what_is_measured(roof: str) -> None:  # [1]
    measured = transmitter_lanes("", roof)
    assert ((measured >= 3.8e-3) & (measured <= 20.5e-3)).all()
    assert (transmitter_lanes("level_transmitter.fails_low", roof) <= 3.6e-3).all()
    assert (transmitter_lanes("level_transmitter.fails_high", roof) >= 21e-3).all()


@pytest.mark.parametrize(
    "mode", ["loop_supply.dead", "loop_box.one_joint_open", "level_transmitter.dead"]
)
def test_an_open_loop_carries_nothing(mode: str) -> None:
    assert transmitter_lanes(mode, "full") == pytest.approx(0.0, abs=2e-6)


def test_the_inputs_limits_part_measured_values_from_failure_signals() -> None:  # [1]
    numbers = shipped().parts["analog_input"].parameters
    milliamperes = {
        key: 5000.0 * numbers[key].nominal / numbers["burden"].nominal
        for key in ("present_at", "over_at")
    }
    assert 3.6 < milliamperes["present_at"] < 3.8
    assert 20.5 < milliamperes["over_at"] < 21.0
    assert numbers["burden"].high * 22e-3 < 0.97 * 5.0 + 0.05, "22 mA can still be told from 5 V"


@pytest.mark.parametrize("test", ["loop_current_half", "loop_current_full"])
def test_the_loop_tests_know_the_failure_signals(test: str) -> None:  # [1]
    limits = {o.id: o.below for o in shipped().tests[test].outcomes}
    assert 3.6e-3 < (limits["fault_low"] or 0) < 3.8e-3
    assert 20.5e-3 < (limits["high"] or 0) < 21e-3


def rods(conductivity: float, length: float) -> float:
    """Ohms between rods of 6 mm, 30 mm apart; S/m and m."""  # [3]
    return math.acosh(30 / 6) / (math.pi * conductivity * length)


def test_the_water_between_the_rods_is_drinking_water() -> None:  # [3]
    water = shipped().parts["electrode"].parameters["water"]
    well, poor = rods(1500e-4, 0.10), rods(50e-4, 0.01)
    assert water.low == pytest.approx(well, rel=0.05)
    assert water.high == pytest.approx(poor, rel=0.05)


def test_the_rods_formula_is_that_of_two_line_charges() -> None:  # [3]
    # independent of acosh: potential of two line sources at the surface of equal cylinders
    radius, spacing = 3e-3, 30e-3
    offset = math.sqrt((spacing / 2) ** 2 - radius**2)
    at = np.array([spacing / 2 - radius, 0.0])
    near, far = abs(at[0] - offset), abs(at[0] + offset)
    half = math.log(far / near) / (2 * math.pi * 0.05 * 0.1)
    assert 2 * half == pytest.approx(rods(0.05, 0.1), rel=1e-9)


def pin_with(ohms: float, inputs: str) -> NDArray[np.float64]:
    """Volts at the high input, the high rod covered by water of so many ohms."""
    place = installed(roof_sensor="electrodes", inputs=inputs)
    place.instances["roof_high_rod"].set["water"] = _number(ohms)  # type: ignore[index]
    at = situation(place, "manual_off", roof="full")
    return Bench(place, at, nominal=True).read("volts_dc", "p_high", "gnd")


def _number(ohms: float) -> object:
    from tests.bench import exact

    return exact(ohms, "ohm")


@pytest.mark.parametrize("inputs", ["pull_down", "pull_up"])
@pytest.mark.parametrize("ohms", [50.0, 2e3, 15e3])
def test_any_drinking_water_moves_the_input_over(ohms: float, inputs: str) -> None:  # [6], [7]
    divider = 5.0 * 100e3 / (100e3 + ohms)
    expected = divider if inputs == "pull_down" else 5.0 - divider
    assert pin_with(ohms, inputs) == pytest.approx(expected, abs=0.12)
    assert (divider >= 0.6 * 5.0) if inputs == "pull_down" else (expected <= 0.3 * 5.0)


def electrode_relay_sees(ohms: float, farads: float = 6e-9, sees_at: float = 0.3e-3) -> bool:
    place = bench(
        {
            "mains": ("mains_supply", {"l": "l", "n": "n", "pe": "earth"}),
            "relay": ("electrode_relay", {"l": "l", "n": "n", "common": "c", "high": "h"}),
            "water": ("load", {"a": "h", "b": "c"}),
            "ground": ("load_dc", {"a": "gnd", "b": "gnd"}),
        },
        (
            two_pole("load", "ac", "resistor", resistance=ohms),
            two_pole("load_dc", "dc", "resistor", resistance=1e3),
        ),
        {"relay": {"stray": farads, "sees_at": sees_at}},
    )
    seen = Bench(place, nominal=True).is_on("relay.sees_high")
    assert seen.all() or not seen.any()
    return bool(seen.all())


def test_the_electrode_relay_sees_up_to_30_kilohms() -> None:  # [6]: 12 V / 0.3 mA - 10 kΩ
    assert electrode_relay_sees(27e3)
    assert not electrode_relay_sees(33e3)
    assert electrode_relay_sees(rods(50e-4, 0.01))


def test_a_cables_capacitance_reads_as_water_only_to_a_relay_set_too_high() -> None:  # [6]
    reactance = 1 / (2 * math.pi * 50 * 6e-9)
    assert reactance == pytest.approx(530e3, rel=0.01)
    flows = 12.0 / math.hypot(10e3, reactance)
    assert not electrode_relay_sees(1e9)
    assert electrode_relay_sees(1e9, sees_at=0.8 * flows)
    assert not electrode_relay_sees(1e9, sees_at=1.2 * flows)


@pytest.mark.parametrize("celsius", [-10.0, 0.0, 20.0, 40.0])
def test_the_cited_speed_of_sound(celsius: float) -> None:  # [4]
    kelvin = celsius + constants.zero_Celsius
    exactly = math.sqrt(1.4 * constants.R * kelvin / 28.96e-3)
    assert 331.3 + 0.606 * celsius == pytest.approx(exactly, rel=0.003)


def test_twenty_degrees_off_stay_within_the_sensors_tolerance() -> None:  # [4]
    error = 0.606 * 20 / (331.3 + 0.606 * 20)
    assert error == pytest.approx(0.035, abs=0.001)
    numbers = shipped().parts["echo_sensor"].parameters
    for name in ("at_full", "at_mid", "at_empty"):
        number = numbers[name]
        assert (number.high - number.nominal) / number.nominal >= error


@pytest.mark.parametrize(("roof", "metres"), [("full", 0.45), ("mid", 1.1), ("empty", 1.85)])
def test_the_ultrasonic_sensors_volts_grow_with_the_distance(roof: str, metres: float) -> None:
    place = installed(roof_sensor="ultrasonic")
    shown = Bench(place, situation(place, "manual_off", roof=roof)).read(
        "volts_dc", "t_high", "gnd"
    )
    assert shown == pytest.approx(0.5 + 2.0 * (metres - 0.25), rel=0.06)


def test_the_pre_charge_is_two_tenths_of_a_bar_below_the_cut_in() -> None:  # [5]
    switch = shipped().parts["pressure_switch"].parameters
    vessel = shipped().parts["pressure_vessel"].parameters
    assert (switch["cut_in"].nominal - vessel["precharge"].nominal) / BAR == pytest.approx(
        0.2, abs=0.02
    )
    good = {o.id: o.below or math.inf for o in shipped().tests["vessel_precharge"].outcomes}
    assert good["low"] < vessel["precharge"].low
    assert vessel["precharge"].high < good["good"] <= switch["cut_in"].nominal


def test_the_drawdown_told_to_the_technician_follows_from_boyles_law() -> None:  # [5]
    switch = shipped().parts["pressure_switch"].parameters
    pressures = [
        number.nominal / BAR * 1e5 + constants.atm
        for number in (
            shipped().parts["pressure_vessel"].parameters["precharge"],
            switch["cut_in"],
            switch["cut_out"],
        )
    ]
    charge, low, high = pressures
    told = re.search(
        r"of (\d+) litres gives about ([\d.]+) L", shipped().tests["vessel_drawdown"].do
    )
    assert told
    litres = float(told[1]) * charge * (1 / low - 1 / high)
    assert float(told[2]) == pytest.approx(litres, rel=0.02)


# ------------------------------------------------------------------ as built, and what can fail

TANKS = (
    {"roof_sensor": "electrodes"},
    {"roof_sensor": "electrodes", "inputs": "pull_up", "sump_sensor": "none"},
    {"roof_sensor": "electrode_relay"},
    {"roof_sensor": "electrode_relay", "inputs": "pull_up", "drive": "contactor"},
    {"roof_sensor": "electrode_relay", "start": "three_phase", "drive": "contactor"},
    {"roof_sensor": "transmitter", "sump_sensor": "none"},
    {"roof_sensor": "transmitter", "inputs": "pull_up", "float_contact": "falling"},
    {"roof_sensor": "ultrasonic", "module": "active_high"},
    {"float_contact": "falling", "inputs": "pull_up"},
    {"float_contact": "falling", "roof_floats": "one"},
)


@cache
def settled(kind: str, choices: tuple[tuple[str, str], ...]) -> tuple[MatrixBuilder, Simulation]:
    """The healthy installation in every situation that a complaint names."""
    builder = MatrixBuilder(shipped(), compose(shipped(), kind, dict(choices)))
    every = [complaint.id for complaint in builder.complaints]
    few = builder.only((), every)
    return few, few.simulate(None)


@pytest.mark.parametrize("choices", TANKS, ids=lambda c: ",".join(c.values()))
def test_a_healthy_tank_starts_stops_and_protects(choices: dict[str, str]) -> None:
    builder, simulation = settled("tank_and_sump", tuple(choices.items()))

    def always(name: str, text: str) -> bool:
        return bool(simulation.holds(builder.named[name], f"steady {text}").all())

    for name in ("auto_empty", "auto_filling", "manual_on"):
        assert always(name, "motor.turning"), name
    for name in ("rest", "auto_full", "auto_draining", "manual_off", "power_up", "found_full"):
        assert always(name, "not motor.turning"), name
    assert always("auto_full", "full_lamp.lit and buzzer.sounds")
    assert always("auto_empty", "not full_lamp.lit and not buzzer.sounds")
    if builder.installation.has("low_lamp"):
        assert always("auto_empty", "low_lamp.lit")
        assert always("auto_filling", "not low_lamp.lit")
    if builder.installation.has("sump_float"):
        assert always("auto_dry", "not motor.turning and buzzer.sounds")
    assert not any(shown.any() for shown in builder.complaints_shown(simulation))


def test_a_healthy_pressure_set_starts_at_the_cut_in_and_stops_at_the_cut_out() -> None:
    for choices in ({}, {"start": "none"}, {"residual": "none"}):
        builder, simulation = settled("pressure_set", tuple(choices.items()))
        for name, text in (
            ("set_filled", "not motor.turning"),
            ("set_rest", "not motor.turning"),
            ("set_little", "not motor.turning"),
            ("set_drawn", "motor.turning"),
            ("set_running", "motor.turning and house_side.plenty"),
        ):
            assert simulation.holds(builder.named[name], f"steady {text}").all(), name
        assert not any(shown.any() for shown in builder.complaints_shown(simulation))


def test_a_waterlogged_vessel_makes_the_pump_cycle() -> None:
    builder, _ = settled("pressure_set", ())
    for mode in ("vessel.membrane_torn", "vessel.precharge_lost"):
        simulation = builder.simulate(builder.installation.modes[mode])
        little, open_taps = (builder.named[name] for name in ("set_little", "set_running"))
        assert simulation.holds(little, "changing motor.turning").mean() > 0.5
        assert simulation.holds(open_taps, "steady motor.turning").all()


NEW = {
    *("electrode", "electrode_holder", "input_bias", "electrode_relay", "head_box"),
    *("loop_supply", "level_transmitter", "analog_input", "echo_sensor", "echo_input"),
    *("pressure_switch", "pressure_vessel", "pressure_gauge", "house_side", "set_lead"),
}
LATENT = {
    ("electrode_relay", "roof_high_pull.too_low"): "the relay's contact carries it",
    ("ultrasonic", "echo_box.flooded"): "the sensor's low output resistance carries the leak",
}
"""Failure modes that no customer would notice, by level sensor, and why; a test finds each."""


@pytest.mark.parametrize(
    ("kind", "choices"),
    [
        ("tank_and_sump", {"roof_sensor": "electrodes"}),
        ("tank_and_sump", {"roof_sensor": "electrode_relay"}),
        ("tank_and_sump", {"roof_sensor": "transmitter"}),
        ("tank_and_sump", {"roof_sensor": "ultrasonic"}),
        ("pressure_set", {}),
    ],
    ids=lambda x: str(x) if isinstance(x, str) else ",".join(x.values()),
)
def test_every_new_failure_mode_shows(kind: str, choices: dict[str, str]) -> None:
    place: Installation = compose(shipped(), kind, choices)
    names = [m for m in place.modes if place.part_of(unit_of(m)).id in NEW]
    builder = MatrixBuilder(shipped(), place)
    by = {name: t for name, t in builder.tests.items() if spec_of(name) in _own_tests()}
    few = builder.only(by, [c.id for c in builder.complaints])
    wanted = [None, *(place.modes[name] for name in names)]
    found: dict[int, Any] = {}
    for positions in few.batches(wanted):
        found |= dict(zip(positions, few.batch([wanted[k] for k in positions]), strict=True))
    (healthy,) = found[0]
    assert names
    for k, name in enumerate(names, start=1):
        regimes = found[k]
        p = sum(share * x for share, x, _ in regimes)
        apart = np.abs(p - healthy[1]).sum(axis=1).max() / 2
        reported = sum(share * x.max() for share, _, x in regimes)
        assert apart > 0.5, name
        latent = (choices.get("roof_sensor", ""), name) in LATENT
        assert (reported == 0.0) if latent else (reported > 0.5), name


def _own_tests() -> set[str]:
    """Tests written for the new sensors and the set."""
    return {
        test.id
        for test in shipped().tests.values()
        if test.id == "frame_earth"
        or (test.place and test.place.file.endswith(("level.yaml", "pressure.yaml")))
    }


# ------------------------------------------------------------------ what the plant gained


def test_a_current_source_drives_its_current_through_any_resistance() -> None:  # [6]
    wires = {"a": "out", "b": "gnd"}
    for ohms in (1.0, 220.0, 4700.0):
        place = bench(
            {"drive": ("drive", {"a": "gnd", "b": "out"}), "load": ("load", wires)},
            (
                two_pole("drive", "dc", "current", amps=0.012),
                two_pole("load", "dc", "resistor", resistance=ohms),
            ),
        )
        settled_bench = Bench(place)
        assert settled_bench.read("amps_dc", "load.body") == pytest.approx(0.012, rel=1e-3)
        assert settled_bench.read("volts_dc", "out", "gnd") == pytest.approx(0.012 * ohms, rel=1e-3)


def test_a_part_can_be_fitted_in_another_network() -> None:
    rods_at = installed(roof_sensor="electrode_relay")
    assert rods_at.domain[rods_at.nets["roof_high_rod.rod"]] == "ac"
    assert installed(roof_sensor="electrodes").domain["rb_high"] == "dc"


def test_an_input_on_the_reference_is_steady_and_low() -> None:
    place = installed(roof_sensor="transmitter")
    board = Bench(place, situation(place, "manual_off"))
    assert not board.is_on("controller.high").any()
    assert not board.is_on("controller.low").any()


@pytest.mark.parametrize(("volts", "on"), [(3.0, False), (3.6, True)])
def test_an_analogue_threshold_is_a_share_of_the_supply(volts: float, on: bool) -> None:
    place = bench(
        {
            "supply": ("supply", {"a": "vdd", "b": "gnd"}),
            "input": ("analog_input", {"loop": "loop", "gnd": "gnd", "vdd": "vdd"}),
            "signal": ("signal", {"a": "loop", "b": "gnd"}),
        },
        (
            two_pole("supply", "dc", "source", voltage=4.7, resistance=0.01),
            two_pole("signal", "dc", "source", voltage=volts, resistance=0.01),
        ),
    )
    assert (
        Bench(place, nominal=True).is_on("input.above_full") == on
    ).all()  # 0.704 * 4.7 V = 3.31 V
