"""Split phase, 120/240 V at 60 Hz: the pump across two legs, the controller on one of them.

Checked against Kirchhoff's laws worked by hand and against ANSI C84.1, range A: 114 to 126 V from
leg to neutral, 228 to 252 V from leg to leg; UL 943, class A: 6 mA trips (both from memory).
"""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.interview.asking import ACT_TEXTS
from diagnose.plant.compose import Installation
from diagnose.plant.designed import designed_issues
from diagnose.practice.play import DEAD_BY
from tests.bench import Bench, installed, shipped, situation


def legs() -> Installation:
    return installed(region="v240_split")


def settled(name: str, mode: str = "") -> Bench:
    return Bench(legs(), situation(legs(), name), mode)


def leg(bench: Bench, ident: str) -> np.ndarray:
    return bench.read("volts_ac", f"panel_terminals.{ident}_out", "panel_terminals.n_out")


def across(bench: Bench) -> np.ndarray:
    return bench.read("volts_ac", "panel_terminals.l_out", "panel_terminals.l2_out")


def test_the_legs_are_opposite_and_lie_in_range_a() -> None:
    sound = settled("manual_off")
    one, two, both = leg(sound, "l"), leg(sound, "l2"), across(sound)
    assert both == pytest.approx(one + two, rel=1e-3)
    for volts, low, high in ((one, 114.0, 126.0), (two, 114.0, 126.0), (both, 228.0, 252.0)):
        assert (volts > low - 1).all()
        assert (volts < high + 1).all()
    assert sound.circuit.frequency == pytest.approx(np.full(12, 60.0))


def test_it_starts_stops_and_protects_as_designed() -> None:
    assert not designed_issues(legs())


def test_with_the_pump_stopped_the_motor_is_live_to_earth() -> None:
    """The relay breaks one leg: the other stands on both ends of the winding."""
    stopped = settled("manual_off")
    assert not stopped.is_on("motor.fed").any()
    for terminal in ("motor.n", "motor.w"):
        assert (stopped.read("volts_ac", terminal, "earth") > 110.0).all()
    dead = settled("dead")
    assert (dead.read("volts_ac", "motor.n", "earth") < 1.0).all()


def test_one_leg_lost_stops_the_pump_and_leaves_or_takes_the_controller() -> None:
    second = settled("manual_on", "mains.second_leg_lost")
    assert second.is_on("controller.running").all()
    assert not second.is_on("motor.turning").any()
    assert (leg(second, "l") > 110.0).all()
    first = settled("manual_on", "mains.first_leg_lost")
    assert not first.is_on("controller.running").any()
    assert (first.read("volts_ac", "motor.n", "earth") > 110.0).all(), "leg 2 is still live"
    half = settled("manual_on", "breaker.second_pole_open")
    assert half.is_on("controller.running").all()
    assert not half.is_on("motor.turning").any()


def test_a_loose_neutral_moves_what_hangs_on_it_and_nothing_between_the_legs() -> None:
    # by hand (Millman), at the mildest: 15 and 40 ohm on the legs, 30 ohm in the neutral move it by
    # 120 (1/15 - 1/40) / (1/15 + 1/40 + 1/30) = 40 V: 80 V and 160 V, 5 % for the supply
    loose = settled("manual_off", "mains.loose_neutral")
    one, two = leg(loose, "l"), leg(loose, "l2")
    assert (one < 80.0 * 1.05).all()
    assert (two > 160.0 * 0.95).all()
    assert (across(loose) > 225.0).all()


@pytest.mark.parametrize("mode", ["earth_fault", "second_earth_fault"])
def test_an_earth_fault_in_either_core_trips_with_the_pump_at_rest(mode: str) -> None:
    """Leg 2 is not broken by the relay and reaches leg 1's core through the winding."""
    for name in ("manual_off", "manual_on"):
        assert settled(name, f"pump_cable.{mode}").is_on("rcd.residual_trip").all()


def test_what_proves_it_dead_names_both_legs() -> None:
    assert "every live conductor to every other" in ACT_TEXTS["prove_dead"][1]
    assert DEAD_BY["mains_split"].startswith("Leg to leg 0 V, each leg to neutral and to earth 0 V")
    tests = [t for t in shipped().tests.values() if t.needs == "region=v240_split"]
    panel = [t for t in tests if t.state in ("dead", "live")]
    assert len(panel) > 15
    for test in panel:
        assert "two_legs" in test.cautions, test.id
