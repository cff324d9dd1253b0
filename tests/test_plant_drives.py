"""The drives and supplies: sound ones behave as designed, failed ones as a technician expects.

References (how each value was obtained is said beside it)
----------
.. [1] IEC 60228, table A.1 (read in makers' reprints): 12.1, 7.41 and 4.61 ohm/km at 20 °C.
.. [2] EN 50160 (read in a forum's reprint): 230 V ± 10 %. ANSI C84.1-2020, table 1 (from memory):
   range A at the service 114 to 126 V, range B utilization 106 to 127 V on 120 V.
.. [3] IEC 60947-4-1 (from memory): an overload relay of class 10 does not trip at 1.05 and trips at
   1.2 times its setting.
.. [4] IEC 61008 (read in a teaching text): a 30 mA device trips between 15 and 30 mA.
.. [5] UL 943 (from memory): a class A ground-fault interrupter trips from 4 to 6 mA.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from diagnose.plant.compose import Installation, compose
from diagnose.plant.phases import Condition
from tests.bench import Bench, installed, shipped, situation

VARIANTS: tuple[dict[str, str], ...] = (
    {"start": "start_capacitor"},
    {"start": "start_relay", "drive": "contactor", "overload": "fitted"},
    {"start": "control_box"},
    {"start": "control_box", "source": "feeder", "surge": "fitted"},
    {"start": "three_phase", "drive": "contactor", "surge": "fitted"},
    {"start": "soft_starter"},
    {"source": "generator", "start": "start_capacitor"},
    {"source": "inverter"},
    {"region": "v120"},
    {"region": "v240_split"},
)
PUMPING = ("manual_on", "auto_empty")
RESTING = ("manual_off", "rest", "auto_dry")


def place_of(choices: dict[str, str]) -> Installation:
    return installed(**choices)


@pytest.mark.parametrize("choices", VARIANTS, ids=lambda c: ",".join(c.values()))
def test_a_sound_installation_starts_stops_and_protects(choices: dict[str, str]) -> None:
    place = place_of(choices)
    for name in PUMPING:
        on = Bench(place, situation(place, name))
        assert on.is_on("motor.turning").all(), name
        assert on.is_on("roof_tank.plenty").all(), name
        assert on.is_on("controller.running").all(), name
        for tripped in ("breaker.trips", "rcd.off"):
            assert not on.is_on(tripped).any(), name
    for name in RESTING:
        off = Bench(place, situation(place, name))
        assert not off.is_on("motor.turning").any(), name
        assert not off.is_on("motor.hums").any(), name


def two_pumps(name: str, mode: str = "", **more: str) -> Bench:
    place = compose(shipped(), "two_pumps")
    return Bench(place, situation(place, name, **more), mode)


def test_two_pumps_take_turns_and_stand_by_for_one_another() -> None:
    """Common practice, no source."""
    for name, one, two in (("manual_on", True, False), ("second_on", False, True)):
        sound = two_pumps(name)
        assert (sound.is_on("motor.turning") == one).all()
        assert (sound.is_on("motor_two.turning") == two).all()
        assert sound.is_on("roof_tank.plenty").all()
    standby = two_pumps("manual_on", "overload_one.tripped")
    assert standby.is_on("motor_two.turning").all(), "the other pump comes to help"
    both = two_pumps("manual_on", "alternator.both")
    assert both.is_on("motor.turning").all()
    assert both.is_on("motor_two.turning").all()
    stuck = two_pumps("second_on", "alternator.stuck_on_one")
    assert not stuck.is_on("motor_two.turning").any()
    back = two_pumps("manual_on", "delivery_two.check_leaking")
    alone = two_pumps("manual_on")
    flows = [x.read("flow", "roof_tank.fill").mean() for x in (back, alone)]
    assert flows[0] < 0.7 * flows[1], "it pumps round through the other pump's check valve"


def test_the_overload_relay_stands_at_the_nameplate() -> None:  # [3]
    place = installed(start="three_phase", drive="contactor")
    on = situation(place, "manual_on")
    running = Bench(place, on, mains=230.0, nominal=True)
    amperes = running.read("amps_ac", "thermal.heater")[0]
    setting = place.part_of("thermal").parameters["setting"]
    assert 1.05 * amperes < setting.low
    assert setting.nominal == pytest.approx(1.2 * 1.1, rel=0.02)
    assert not running.is_on("thermal.overloaded").any()
    for mode in ("mains.phase_lost", "pump.seized", "contactor.pole_burnt", "motor.bearings_drag"):
        assert Bench(place, on, mode).is_on("thermal.overloaded").all(), mode
    high = Bench(place, on, "thermal.set_high")
    assert high.is_on("motor.turning").all()
    assert not high.is_on("thermal.overloaded").any()


@pytest.mark.parametrize("mode", ["mains.phase_lost", "thermal.heater_open", "motor.winding_open"])
def test_with_a_phase_gone_it_hums_on_the_other_two(mode: str) -> None:
    """Common practice, no source: it hums, draws locked current in two lines and none in one."""
    place = installed(start="three_phase", drive="contactor")
    lost = Bench(place, situation(place, "manual_on"), mode)
    assert lost.is_on("motor.hums").all()
    assert not lost.is_on("motor.turning").any()
    one, two, three = (
        lost.read("amps_ac", f"pump_cable.{core}") for core in ("core", "core_two", "core_three")
    )
    assert (two < 0.02 * one).all()
    assert np.all(one > 4.0)
    assert np.all(three > 4.0)


@pytest.mark.parametrize(("square", "metres"), [(12.1, 300), (7.41, 300), (4.61, 80)])
def test_the_start_dips_by_what_the_feeders_table_says(square: float, metres: int) -> None:  # [1]
    place = installed(source="feeder", start="start_capacitor")
    core = square * metres / 1000
    starting = situation(place, "manual_on", starting="yes")
    feeder = place.instances["feeder"]
    number = replace(feeder.set.get("live_core") or place.part_of("feeder").parameters["live_core"])
    fixed = replace(number, low=core, high=core, nominal=core, log=False)
    changed = replace(feeder, set={"live_core": fixed, "neutral_core": fixed})
    place = replace(place, instances={**place.instances, "feeder": changed})
    settled = Bench(place, starting, mains=230.0, nominal=True)
    near = settled.read("volts_ac", "feeder.l_in", "feeder.n_in")[0]
    far = settled.read("volts_ac", "isolator.l_in", "isolator.n_in")[0]
    amperes = settled.read("amps_ac", "feeder.live")[0]
    circuit, row = settled.circuit, settled.rows[:1]
    volts = settled.a.v["ac"][row][0]
    live = abs(volts[circuit.node["g_l"]] - volts[circuit.node["m_l"]])
    assert live == pytest.approx(amperes * core, rel=1e-3)
    assert near - far <= 2 * amperes * core
    assert settled.is_on("controller.running").all(), "the adapter works down to 75 V"
    held = Bench(place, situation(place, "manual_on"), mains=230.0, nominal=True)
    assert held.is_on("motor.turning").all() == (far > 165.0)


def test_a_dip_below_the_adapters_limit_resets_the_controller_again_and_again() -> None:
    """A start that pulls the mains below 75 V: the relay lets go, the voltage comes back."""
    place = installed(source="feeder")
    on = situation(place, "manual_on")
    dipped = Bench(place, on, "feeder.joint_corroded")
    running = dipped.is_on("controller.powered")
    assert (running[0] != running[1]).any()


def test_regions_have_their_own_limits_and_frequency() -> None:  # [2]
    for choices, low, high, hertz in (
        ({}, 207.0, 253.0, 50.0),
        ({"region": "v120"}, 106.0, 127.0, 60.0),
    ):
        place = installed(**choices)
        ident = "panel_voltage" + ("_120" if choices else "")
        limits = [o.below for o in shipped().tests[ident].outcomes if o.below]
        assert limits[1:] == [low, high]
        settled = Bench(place, situation(place, "manual_on"))
        assert settled.circuit.frequency == pytest.approx(np.full(12, hertz))
        for volts in (low, high):
            edge = Bench(place, situation(place, "manual_on"), mains=volts)
            assert edge.is_on("motor.turning").all()
    trip = installed(region="v120").instances["rcd"].set["trip"]
    assert (trip.low, trip.high) == pytest.approx((0.004, 0.006))  # [5]


def test_an_earth_fault_trips_only_where_the_source_is_bonded() -> None:  # [4]
    for source in ("generator", "inverter"):
        place = installed(source=source)
        on = situation(place, "manual_on")
        sound = Bench(place, on, "motor.earth_fault", 230.0)
        assert sound.is_on("rcd.residual_trip").all()
        floating = Bench(place, on, "mains.unbonded")
        assert floating.is_on("motor.turning").all()
        assert not floating.is_on("rcd.residual_trip").any()
        ghost = floating.read("volts_ac", "panel_terminals.l_out", "earth")
        assert (ghost < 200.0).all(), "nothing holds the neutral at earth"


def test_a_slow_generator_turns_slowly_and_lifts_little() -> None:
    """Affinity laws: 42 to 45 Hz of 50 leave 0.71 to 0.81 of the head."""
    place = installed(source="generator")
    on = situation(place, "manual_on")
    slow, sound = Bench(place, on, "mains.runs_slow"), Bench(place, on)
    assert (slow.read("hertz", "panel_terminals.l_out", "panel_terminals.n_out") < 46.0).all()
    assert (sound.read("hertz", "panel_terminals.l_out", "panel_terminals.n_out") > 48.0).all()
    assert (
        slow.read("flow", "roof_tank.fill").mean()
        < 0.7 * sound.read("flow", "roof_tank.fill").mean()
    )


def test_the_start_contact_opens_once_it_runs() -> None:
    """Common practice, no source: a current relay lets go; welded, the winding stays on."""
    place = installed(start="start_relay")
    on = situation(place, "manual_on")
    assert (Bench(place, on).read("amps_ac", "motor.aux") < 0.1).all()
    assert (Bench(place, on, "start_relay.contact_welded").read("amps_ac", "motor.aux") > 3).all()
    upside = Bench(place, Condition({"supply": "off", "tilt": "upside_down"}))
    assert upside.is_on("start_relay.made").all()
