"""Two failure modes injected together: what combines, what they show beside each other."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from numpy.typing import NDArray

from diagnose.errors import DiagnoseError
from diagnose.plant.compose import Fault
from diagnose.plant.matrix import MatrixBuilder
from diagnose.plant.pairs import clash, together
from tests.bench import installed, shipped

BUZZER, STRAINER = "buzzer.open", "foot_valve.blocked"
POWER_CUT, WELDED = "mains.power_cut", "relay.contacts_welded"
PULL_DOWN, LEAD = "roof_high_pull.missing", "roof_high_float.lead_open"
SHIFTED = 0.15


@lru_cache(maxsize=1)
def builder() -> MatrixBuilder:
    return MatrixBuilder(shipped(), installed())


def pair(first: str, second: str) -> Fault:
    installation = builder().installation
    return together(installation, installation.modes[first], installation.modes[second])


@lru_cache
def shown(*names: str) -> dict[str, NDArray[np.float64]]:
    """P(outcome) of every test with these failure modes there."""
    modes = builder().installation.modes
    fault = pair(*names) if len(names) == 2 else modes[names[0]] if names else None
    lanes = builder().shown(builder().simulate(fault))
    return {test: p.mean(axis=0) for test, p in zip(builder().tests, lanes, strict=True)}


def differ(one: dict[str, NDArray[np.float64]], two: dict[str, NDArray[np.float64]]) -> set[str]:
    """Tests that two faults shift apart (total variation)."""
    return {test for test in one if 0.5 * np.abs(one[test] - two[test]).sum() > 1e-6}


def test_two_that_do_not_meet_show_together_what_each_shows_alone() -> None:
    # Common practice, no source: a silent buzzer and a clogged strainer share no wire or water.
    both, healthy = shown(BUZZER, STRAINER), shown()
    one, two = shown(BUZZER), shown(STRAINER)
    by_one, by_two = differ(one, healthy), differ(two, healthy)
    assert by_one
    assert by_two
    assert not by_one & by_two
    assert not differ(
        both, {**healthy, **{t: one[t] for t in by_one}, **{t: two[t] for t in by_two}}
    )


def test_an_open_supply_masks_what_lies_downstream() -> None:
    # Common practice, no source: with the mains away a welded contact is silent till it is back.
    both, cut, welded = shown(POWER_CUT, WELDED), shown(POWER_CUT), shown(WELDED)
    tests = builder().tests
    energised = {
        n for n, t in tests.items() if t.condition and t.spec.state in ("energised", "live")
    }
    found_when_alone = energised & differ(welded, shown())
    assert found_when_alone
    assert not found_when_alone & differ(both, cut)
    dead = {n for n, t in tests.items() if t.spec.state == "dead"} & differ(welded, shown())
    assert dead, "ohms across the contacts need no mains"
    assert not dead & differ(both, welded)


def test_a_missing_pull_down_shows_only_beside_an_open_lead() -> None:
    """With the float closed the pin is held high; it floats once the lead is open too.

    Atmel/Microchip ATmega328P data sheet DS40001984A, 14.2.6: an unconnected input floats.
    """
    test = "lamps_high_raised"
    alone = 0.5 * np.abs(shown(PULL_DOWN)[test] - shown()[test]).sum()
    beside = 0.5 * np.abs(shown(PULL_DOWN, LEAD)[test] - shown(LEAD)[test]).sum()
    assert alone < SHIFTED < beside


def test_signs_of_both_are_there() -> None:
    modes = builder().installation.modes
    looked = builder().tests["relay_look"]
    one, two = modes[WELDED], modes["control_fuse.blown"]
    both = together(builder().installation, one, two)
    assert (builder().signs(looked, both) == builder().signs(looked, one)).all()
    fuse = builder().tests["fuse_look"]
    assert (builder().signs(fuse, both) == builder().signs(fuse, two)).all()
    assert (builder().signs(fuse, both) != builder().signs(fuse, one)).any()


@pytest.mark.parametrize(
    ("first", "second", "reason"),
    [
        (WELDED, "relay.coil_open", "both are of the unit 'relay'"),
        ("relay.high_level_too_low", "controller.relay_out_open", ""),
        ("suppressor.missing", "adapter.noisy", "both change 'controller.running'"),
        ("pump.impeller_clogged", "suction_pipe.air_leak", "both change 'pump.impeller'"),
    ],
)
def test_what_cannot_be_combined_says_why(first: str, second: str, reason: str) -> None:
    installation = builder().installation
    one, two = installation.modes[first], installation.modes[second]
    assert clash(installation, one, two) == clash(installation, two, one) == reason
    if reason:
        with pytest.raises(DiagnoseError, match="cannot be combined"):
            together(installation, one, two)
