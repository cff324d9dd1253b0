"""Split phase, 120/240 V at 60 Hz: the pump across two legs, the controller on one of them.

Checked against Kirchhoff's laws worked by hand and against ANSI C84.1, range A: 114 to 126 V from
leg to neutral, 228 to 252 V from leg to leg; UL 943, class A: 6 mA trips (both from memory).
"""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest

from diagnose.interview.asking import ACT_TEXTS
from diagnose.interview.verifying import verification
from diagnose.knowledge.rule_records import Fact
from diagnose.plant.compose import Installation
from diagnose.plant.designed import designed_issues
from diagnose.practice.play import DEAD_BY
from diagnose.reasoning.rules import RuleEngine, rules_at
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
    fed_back = leg(first, "l") > 75.0  # where wide-input adapters stop
    assert not first.is_on("controller.running")[:, ~fed_back].any()
    assert not first.is_on("motor.turning").any()
    assert (first.read("volts_ac", "motor.n", "earth") > 110.0).all(), "leg 2 is still live"
    half = settled("manual_on", "breaker.second_pole_open")
    assert half.is_on("controller.running").all()
    assert not half.is_on("motor.turning").any()


@pytest.mark.parametrize(
    ("mode", "lost", "sound", "loads"),
    [
        ("mains.first_leg_lost", "l", "l2", "house_one"),
        ("mains.second_leg_lost", "l2", "l", "house_two"),
    ],
)
def test_a_lost_leg_is_fed_back_through_what_hangs_from_leg_to_leg(
    mode: str, lost: str, sound: str, loads: str
) -> None:
    # by hand: what is on between the legs, H, and the lost leg's own loads, R, divide the other
    # leg's voltage: V R / (R + H) stands on the lost leg, in step with the other, so that leg to
    # leg V H / (R + H) is left; the adapter (15 kohm) and the filters (20 nF) move it by 2 %
    bench = settled("manual_off", mode)
    own, other, both = leg(bench, lost), leg(bench, sound), across(bench)
    between = bench.circuit.parameters["mains.between_legs"]
    house = bench.circuit.parameters[f"mains.{loads}"]
    assert own == pytest.approx(other * house / (house + between), rel=0.03, abs=0.5)
    assert both == pytest.approx(other * between / (house + between), rel=0.03, abs=0.5)
    # a heater on and little else on the lost leg: it looks alive, and leg to leg shows it
    assert (own > 60.0).any()
    assert (both[own > 60.0] < 65.0).all()
    # everything off between the legs: as good as dead
    assert (own < 10.0).any()
    assert (both < 212.0).all(), "leg to leg decides"


def test_with_both_legs_there_a_load_between_them_changes_nothing() -> None:
    place = legs()
    heater = replace(place.part_of("mains").parameters["between_legs"], nominal=12.8)
    mains = replace(place.instances["mains"], set={"between_legs": heater})
    heated = replace(place, instances={**place.instances, "mains": mains})
    on = Bench(heated, situation(heated, "manual_on"), nominal=True)
    assert on.is_on("motor.turning").all()
    for ident in ("l", "l2"):  # 18.75 A over 0.1 ohm in each leg
        assert (leg(on, ident) > 114.0).all()


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


@pytest.mark.parametrize(
    ("unit", "mode", "asked"),
    [
        ("breaker", "pole_open", True),
        ("breaker", "second_pole_open", True),
        ("isolator", "second_pole_burnt", True),
        ("mains", "second_leg_lost", True),
        ("breaker", "tripped", False),
        ("pump_cable", "second_open", False),
    ],
)
def test_after_the_repair_of_a_lost_leg_leg_to_leg_is_measured(
    unit: str, mode: str, asked: bool
) -> None:
    """Leg to neutral may be fed back: common practice, no source."""
    facts = [
        Fact.of("variant", name="region", choice="v240_split"),
        Fact.of("repaired", unit=unit, mode=mode),
    ]
    checks = {c.id: c for c in verification(legs(), rules().infer(facts))}
    assert ("rule_leg_to_leg_voltage" in checks) == asked
    if asked:
        check = checks["rule_leg_to_leg_voltage"]
        assert (check.state, check.by, check.instrument) == ("live", "instructed", "multimeter")
        assert "At the controller's terminals" in check.how
        assert "leg to leg 212 to 254 V" in check.how
    one_leg = [Fact.of("variant", name="region", choice="v230"), facts[1]]
    assert "leg_to_leg_voltage" not in {
        f.get("what") for f in rules().infer(one_leg).concluded("verify")
    }


@functools.lru_cache(maxsize=1)
def rules() -> RuleEngine:
    return RuleEngine(rules_at(shipped(), legs()))


def test_what_proves_it_dead_names_both_legs() -> None:
    assert "every live conductor to every other" in ACT_TEXTS["prove_dead"][1]
    assert DEAD_BY["mains_split"].startswith("Leg to leg 0 V, each leg to neutral and to earth 0 V")
    tests = [t for t in shipped().tests.values() if t.needs == "region=v240_split"]
    panel = [t for t in tests if t.state in ("dead", "live")]
    assert len(panel) > 15
    for test in panel:
        assert "two_legs" in test.cautions, test.id
