"""The shipped parts against facts from outside the project.

References (how each value was obtained is said beside it)
----------
.. [1] IEC 60228, tables A.1 and A.2 (read in makers' reprints): greatest resistance of copper
   conductors at 20 °C, class 1 and 2. The voltage drops are 2·L·I·R worked by hand.
.. [2] ATmega328P, Microchip DS40001984A (2018), table 32-2 and p. 365 (read): a level is low up
   to 0.3 and high from 0.6 of the supply; pull-up 20 to 50 kΩ. The leakages that follow,
   R = Rpu·0.3/0.7 and Rpu·0.6/0.4, were worked by hand.
.. [3] Relay SRD-05VDC-SL-C, maker's data sheet section 6 (read): 5 V, 70 Ω ± 10 %, 71.4 mA,
   pull-in at 75 % or less, drop-out at 10 % or more.
.. [4] Contactor LC1K, maker's data table (read): operates from 0.8 to 1.15 Uc, drops out between
   0.2 and 0.75 Uc, coil 30 VA at inrush and 4.5 VA when held. IEC 60947-4-1, limits of operation
   (from memory): closes at any voltage from 85 to 110 % of Us, drops out between 75 and 20 %.
.. [5] Locked rotor current 6 to 8 times full load (read in two teaching texts on motors).
.. [6] Ghost voltages: a 10 MΩ meter shows tens of volts on a dead wire, a low-impedance range
   of about 3 kΩ shows nearly none (read in three makers' notes).
.. [7] IEC 61008, 30 mA residual-current device (read in a teaching text): none trips below
   15 mA, all have tripped at 30 mA.
.. [8] IEC 60364-6:2016, table 6.1 (read in two reprints): at least 1 MΩ at 500 V.
.. [9] EN 50160 (read in a forum's reprint): 230 V ± 10 %, 207 to 253 V.
.. [10] Standard atmosphere and gravity as `scipy.constants` gives them; vapour pressure of water by
   the Antoine equation, log10(p / mmHg) = 8.07131 - 1730.63 / (233.426 + t) (from memory).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import constants

from tests.bench import SAMPLES, Bench, bench, installed, shipped, situation, two_pole

SUPPLY = 230.0


@pytest.mark.parametrize(
    ("ohms_per_km", "volts"),
    [(36.0, 12.96), (24.5, 8.82), (18.1, 6.52), (12.1, 4.36), (7.41, 2.67)],
    ids=["0.5 mm2", "0.75 mm2", "1.0 mm2", "1.5 mm2", "2.5 mm2"],
)
def test_six_amperes_over_thirty_metres(ohms_per_km: float, volts: float) -> None:  # [1]
    core = ohms_per_km * 0.030
    ideal = {"voltage": SUPPLY, "line_resistance": 1e-6, "neutral_resistance": 1e-6}
    place = bench(
        {
            "mains": ("mains_supply", {"l": "l", "n": "n", "pe": "earth"}),
            "cable": ("pump_cable", {"l_in": "l", "n_in": "n", "l_out": "far", "n_out": "back"}),
            "load": ("load", {"a": "far", "b": "back"}),
        },
        (two_pole("load", "ac", "resistor", resistance=SUPPLY / 6.0 - 2 * core),),
        {"mains": ideal, "cable": {"core_resistance": core, "joint_resistance": core}},
    )
    settled = Bench(place)
    lost = settled.read("volts_ac", "l", "n") - settled.read("volts_ac", "far", "back")
    assert settled.read("amps_ac", "load.body") == pytest.approx(np.full(SAMPLES, 6.0), rel=1e-4)
    assert lost == pytest.approx(np.full(SAMPLES, volts), abs=0.006)


def test_the_shipped_pump_cable_is_ten_to_thirty_metres_of_1_5_mm2() -> None:  # [1]
    core = shipped().parts["pump_cable"].parameters["core_resistance"]
    assert core.low <= 12.1 * 0.010
    assert core.high >= 12.1 * 0.030


def level(pull_up: float, leakage: float) -> str:
    """How the board reads an input with its own pull-up and a leakage to ground."""
    place = bench(
        {
            "supply": ("supply", {"a": "vdd", "b": "gnd"}),
            "board": ("controller_board", {"vdd": "vdd", "gnd": "gnd", "in_mode": "pin"}),
            "leak": ("leak", {"a": "pin", "b": "gnd"}),
        },
        (
            two_pole("supply", "dc", "source", voltage=5.0, resistance=0.05),
            two_pole("leak", "dc", "resistor", resistance=leakage),
        ),
        {"board": {"pull_up": pull_up}},
    )
    high = Bench(place).is_on("board.mode")
    return "high" if high.all() else "undefined" if high.any() else "low"


@pytest.mark.parametrize(
    ("pull_up", "low_up_to", "high_from"), [(20e3, 8.57e3, 30e3), (50e3, 21.4e3, 75e3)]
)
def test_a_wet_cable_is_undefined_between_the_data_sheets_limits(
    pull_up: float, low_up_to: float, high_from: float
) -> None:  # [2]
    assert level(pull_up, 0.99 * low_up_to) == "low"
    assert level(pull_up, 1.01 * low_up_to) == "undefined"
    assert level(pull_up, 0.99 * high_from) == "undefined"
    assert level(pull_up, 1.01 * high_from) == "high"


def relay_at(volts: float) -> Bench:
    """The relay module with its input held low, on a supply of some volts."""
    wires = {"led_a": "vdd", "led_k": "gnd", "vcc": "vdd", "gnd": "gnd"}
    return Bench(
        bench(
            {"supply": ("supply", {"a": "vdd", "b": "gnd"}), "relay": ("relay_module", wires)},
            (two_pole("supply", "dc", "source", voltage=volts, resistance=0.01),),
            {"relay": {"coil_resistance": 70.0}},
        )
    )


def test_the_relays_coil_is_the_data_sheets() -> None:  # [3]
    numbers = shipped().parts["relay_module"].parameters
    coil = numbers["coil_resistance"]
    assert 5.0 / coil.nominal == pytest.approx(0.0714, abs=0.0001)
    assert (coil.low, coil.high) == pytest.approx((63.0, 77.0))
    assert numbers["pull_in"].nominal * coil.nominal == pytest.approx(0.75 * 5.0, rel=0.01)
    assert numbers["drop_out"].nominal * coil.nominal == pytest.approx(0.10 * 5.0, rel=0.01)


def test_the_relay_pulls_in_at_three_quarters_of_five_volts() -> None:  # [3]
    at = {volts: relay_at(volts) for volts in (3.4, 5.0)}
    assert at[5.0].is_on("relay.pulled_in").all()
    assert not at[3.4].is_on("relay.pulled_in").any()
    low, high = 3.4, 5.0
    while high - low > 0.005:  # the supply at which half of the samples pull in
        middle = (low + high) / 2
        if relay_at(middle).is_on("relay.pulled_in").mean() > 0.5:
            high = middle
        else:
            low = middle
    across = relay_at(high).read("volts_dc", "relay.coil_plus", "relay.drive")
    assert float(np.median(across)) == pytest.approx(3.75, rel=0.03)


def contactor_at(volts: float, mode: str = "", nominal: bool = False) -> Bench:
    """The contactor's coil on a mains supply of some volts."""
    return Bench(
        bench(
            {
                "mains": ("mains_supply", {"l": "l", "n": "n", "pe": "earth"}),
                "contactor": ("contactor", {"a1": "l", "a2": "n", "l_in": "l", "l_out": "out"}),
            },
        ),
        mode=mode,
        mains=volts,
        nominal=nominal,
    )


@pytest.mark.parametrize("share", [0.80, 0.85, 0.90, 1.0, 1.10, 1.15])
def test_every_contactor_works_within_its_limits(share: float) -> None:  # [4]; 0.90: [9]
    assert contactor_at(share * SUPPLY).is_on("contactor.made").all()


def test_no_contactor_works_far_below_its_limits() -> None:  # [4]
    assert not contactor_at(0.55 * SUPPLY).is_on("contactor.made").any()
    assert not contactor_at(0.20 * SUPPLY).is_on("contactor.made").any()


def test_the_contactors_coil_takes_its_rated_power() -> None:  # [4]
    pulling = contactor_at(SUPPLY, "contactor.jammed")
    held = contactor_at(SUPPLY)
    inrush = SUPPLY * pulling.read("amps_ac", "contactor.coil_inrush")
    hold = SUPPLY * held.read("amps_ac", "contactor.coil_hold")
    assert float(inrush.mean()) == pytest.approx(30.0, rel=0.05)
    assert float(hold.mean()) == pytest.approx(4.5, rel=0.05)


def test_the_contactor_drops_out_between_a_fifth_and_three_quarters() -> None:  # [4]
    numbers = shipped().parts["contactor"].parameters
    for name in ("holds_above", "drops_below"):
        assert 0.2 <= numbers[name].nominal / SUPPLY <= 0.75, name
    assert numbers["holds_above"].high / SUPPLY <= 0.75
    assert numbers["drops_below"].low / SUPPLY >= 0.2, "some would hold at a fifth"


def test_a_contactor_for_400_v_does_not_close_on_230() -> None:
    """Common practice, no source: at 0.58 of its voltage the coil hums."""
    wrong = contactor_at(SUPPLY, "contactor.coil_400v")
    assert not wrong.is_on("contactor.made").any()
    assert wrong.is_on("contactor.hums").all()


def test_a_locked_rotor_draws_six_to_eight_times_full_load() -> None:  # [5]
    place = installed()
    on = situation(place, "manual_on")
    running = Bench(place, on, mains=SUPPLY)
    assert running.is_on("motor.turning").all()
    assert running.is_on("pump.loaded").all()
    locked = Bench(place, on, "pump.seized", SUPPLY)
    assert not locked.is_on("motor.turning").any()
    full, stalled = (  # at rated voltage on its terminals, for which the ratio is stated
        x.read("amps_ac", "motor.protector") * SUPPLY / x.read("volts_ac", "motor.l", "motor.n")
        for x in (running, locked)
    )
    ratio = stalled / full
    assert 6.0 <= float(ratio.mean()) <= 8.0
    assert float(ratio.min()) >= 0.94 * 6.0, "less the parameters' own 6 %"


def test_a_ghost_shows_on_ten_megohm_and_not_on_three_kilohm() -> None:  # [6]
    place = installed()
    off = situation(place, "manual_off")
    across = ("relay.com", "relay.no")
    loaded = Bench(place, off, mains=SUPPLY)
    assert loaded.read("volts_ac", *across) == pytest.approx(np.full(SAMPLES, SUPPLY), rel=0.02)
    assert (loaded.read("volts_ac_loz", *across) > 0.9 * SUPPLY).all()
    lifted = frozenset({"pump_cable.live", "suppressor.lead"})
    alone = Bench(place, replace(off, lift=lifted), mains=SUPPLY)
    ghost, drained = (alone.read(kind, *across) for kind in ("volts_ac", "volts_ac_loz"))
    assert (ghost > 1.0).all()
    assert (drained < 0.1).all()


def test_a_parallel_wire_lends_a_dead_one_tens_of_volts() -> None:
    """[6]; 100 pF to the live wire and 200 pF to neutral: common practice, no source."""
    place = bench(
        {
            "mains": ("mains_supply", {"l": "l", "n": "n", "pe": "earth"}),
            "near": ("near", {"a": "l", "b": "dead"}),
            "far": ("far", {"a": "dead", "b": "n"}),
        },
        (
            two_pole("near", "ac", "capacitor", capacitance=100e-12),
            two_pole("far", "ac", "capacitor", capacitance=200e-12),
        ),
    )
    settled = Bench(place, mains=SUPPLY)
    # |V| = 230·ωC1·Rm / |1 + jω(C1 + C2)·Rm| with Rm = 10 MΩ: 52.6 V
    assert settled.read("volts_ac", "dead", "n") == pytest.approx(np.full(SAMPLES, 52.6), abs=1.0)
    assert (settled.read("volts_ac_loz", "dead", "n") < 0.1).all()


@pytest.mark.parametrize(("milliamperes", "trips"), [(14.5, False), (30.0, True)])
def test_a_residual_current_device_trips_between_its_limits(
    milliamperes: float, trips: bool
) -> None:  # [7]
    place = bench(
        {
            "mains": ("mains_supply", {"l": "l", "n": "n", "pe": "earth"}),
            "rcd": ("residual_device", {"l_in": "l", "n_in": "n", "l_out": "out", "n_out": "back"}),
            "leak": ("leak", {"a": "out", "b": "earth"}),
            "load": ("load", {"a": "out", "b": "back"}),
        },
        (
            two_pole("leak", "ac", "resistor", resistance=SUPPLY / (milliamperes * 1e-3)),
            two_pole("load", "ac", "resistor", resistance=100.0),
        ),
    )
    tripped = Bench(place, mains=SUPPLY * 1.005).is_on("rcd.residual_trip")
    assert tripped.all() if trips else not tripped.any()


@pytest.mark.parametrize("point", ["pump_cable.l_out", "pump_cable.n_out"])
def test_a_sound_pump_circuit_is_above_one_megohm(point: str) -> None:  # [8]
    place = installed()
    dead = situation(place, "dead")
    lifted = frozenset({"pump_cable.live", "pump_cable.neutral"})
    settled = Bench(place, replace(dead, lift=lifted))
    assert (settled.read("insulation", point, "pump_cable.pe_out") > 1e6).all()
    failed = Bench(place, replace(dead, lift=lifted), "motor.earth_fault")
    assert (failed.read("insulation", point, "pump_cable.pe_out") < 1e6).all()


@pytest.mark.parametrize("volts", [207.0, 230.0, 253.0])
@pytest.mark.parametrize("choices", [{}, {"drive": "contactor"}, {"start": "none"}])
def test_a_sound_motor_starts_within_the_supplys_limits(
    volts: float, choices: dict[str, str]
) -> None:  # [9]
    place = installed(**choices)
    settled = Bench(place, situation(place, "manual_on"), mains=volts)
    assert settled.is_on("motor.turning").all()
    assert not settled.is_on("breaker.off").any()


@pytest.mark.parametrize("mode", ["foot_valve.blocked", "suction_pipe.blocked"])
def test_no_vacuum_gauge_reads_below_the_vapour_pressure(mode: str) -> None:  # [10]
    vapour = 10 ** (8.07131 - 1730.63 / (233.426 + 20.0)) * constants.mmHg
    lowest = -(constants.atm - vapour) / (998.2 * constants.g)
    place = installed()
    shown = Bench(place, situation(place, "manual_on"), mode).read("head", "pump.inlet")
    assert lowest == pytest.approx(-10.1, abs=0.02)
    assert float(shown.min()) == pytest.approx(lowest, abs=0.01)


def test_a_pump_full_of_air_shows_no_pressure_and_no_vacuum() -> None:
    """Common practice, no source; primed, the suction side shows the lift."""
    place = installed()
    on = situation(place, "manual_on")
    air = Bench(place, on, "pump.lost_prime")
    assert air.is_on("motor.turning").all()
    for port in ("pump.inlet", "pump.outlet"):
        assert air.read("head", port) == pytest.approx(np.zeros(SAMPLES), abs=0.1)
    primed = Bench(place, replace(on, values={**on.values, "prime": "fresh"}), "pump.lost_prime")
    assert (primed.read("head", "pump.outlet") > 6.0).all()
    assert (primed.read("head", "pump.inlet") < -2.0).all()


def test_a_wet_outlet_trips_the_device_with_the_pump_off_and_spares_the_cable() -> None:
    """Limits as [7] and [8]: any of these leaks is over 28 mA at 230 V, and far below 1 MΩ."""
    place = installed()
    for name in ("manual_on", "manual_off"):
        assert Bench(place, situation(place, name), "outlet.wet", SUPPLY).is_on("rcd.off").all()
    lifted = frozenset(
        {"outlet.live", "outlet.neutral", "outlet.run", "pump_cable.live", "pump_cable.neutral"}
    )
    dead = replace(situation(place, "dead"), lift=lifted)
    wet, sound = (Bench(place, dead, mode) for mode in ("outlet.wet", ""))
    assert (wet.read("insulation", "outlet.socket", "outlet.pe") < 1e6).all()
    assert (sound.read("insulation", "outlet.socket", "outlet.pe") > 1e6).all()
    assert (wet.read("insulation", "pump_cable.l_out", "pump_cable.pe_out") > 1e6).all()
