"""Inputs for 24 V direct current against the standard, from what the plant computes.

[1] IEC 61131-2:2017 (from memory), digital inputs for 24 V: a type 3 input is on from 11 V and
    takes 2 mA at least there, 15 mA at most at 30 V; it is off below 5 V, whatever the type.
[2] The same (from memory): what passes through an open sensor must not exceed 1.5 mA for type 3.
Common practice, no source: an ohmmeter does not light a lamp, so it reads a float with one as open.
"""

from __future__ import annotations

import pytest

from diagnose.plant.compose import Installation, compose
from tests.bench import Bench, shipped, situation

FLOATS = (("stop", "up", "down"), ("start", "up", "down"), ("sump", "down", "up"))
"""Each float, how it is held so that its contact is open, and so that it is closed."""


def place() -> Installation:
    return compose(shipped(), "relay_logic", {"control": "logic_relay_dc"})


def held(name: str, position: str, mode: str = "", at: str = "manual_off") -> Bench:
    installation = place()
    condition = situation(installation, at, hand=f"{name}_float", position=position)
    return Bench(installation, condition, mode)


def test_the_input_is_of_type_3() -> None:  # [1]
    relay = place().part_of("logic_relay").parameters
    assert relay["off_at"].low > 5
    assert relay["on_at"].high < 11
    assert 11 / relay["input_resistance"].high > 2e-3
    assert 30 / relay["input_resistance"].low < 15e-3


@pytest.mark.parametrize(("name", "open_at", "closed_at"), FLOATS)
def test_a_sound_float_is_certainly_on_or_off(name: str, open_at: str, closed_at: str) -> None:
    volts = ("volts_dc", f"logic_relay.in_{name}", "logic_relay.com")
    off, on = held(name, open_at), held(name, closed_at)
    assert (off.read(*volts) < 5).all()  # [1]
    assert (on.read(*volts) > 15).all()  # [1]
    assert not off.is_on(f"logic_relay.reads_{name}").any()
    assert on.is_on(f"logic_relay.reads_{name}").all()


@pytest.mark.parametrize(("name", "open_at", "closed_at"), FLOATS)
def test_a_lamp_across_the_contact_keeps_the_input_on(
    name: str, open_at: str, closed_at: str
) -> None:
    lamp = held(name, open_at, f"{name}_float.lamp_leaks")
    assert lamp.is_on(f"logic_relay.reads_{name}").all()
    volts = lamp.read("volts_dc", f"logic_relay.in_{name}", "logic_relay.com")
    most = place().part_of("logic_relay").parameters["input_resistance"].high
    assert (volts / most > 1.5e-3).all()  # [2]
    ends = (f"{name}_float.lead_end", f"{name}_float.b")
    sound, lit, wet = (
        held(name, open_at, mode and f"{name}_float.{mode}", at="dead").read("ohms", *ends)
        for mode in ("", "lamp_leaks", "cable_wet")
    )
    assert lit == pytest.approx(sound, rel=0.01), "an ohmmeter lights no lamp"
    assert (wet < 0.7 * sound).all(), "but finds water"


@pytest.mark.parametrize("mode", ["common_wrong", "common_off"])
def test_no_input_is_ever_on_without_the_common_on_0_volts(mode: str) -> None:
    """Common practice, no source."""
    for name, _, closed_at in FLOATS:
        failed = held(name, closed_at, f"logic_relay.{mode}")
        assert failed.is_on("logic_relay.lights").all()
        assert not failed.is_on(f"logic_relay.reads_{name}").any()
    across = failed.read("volts_dc", "logic_relay.com", "control_supply.minus")
    assert (across > 15).all(), "where it should be 0 V"


@pytest.mark.parametrize("mode", ["dead", "low"])
def test_without_its_supply_the_relay_is_dark(mode: str) -> None:
    failed = held("stop", "down", f"control_supply.{mode}")
    assert not failed.is_on("logic_relay.lights").any()
    assert not failed.is_on("control_supply.gives").any()
