"""The plant against ngspice, reduced; ``python -m tests.campaigns.spice`` is the whole of it.

References
----------
.. [1] ngspice (Debian package, version 39 and later), a general-purpose circuit simulator in the
   line of Berkeley SPICE3: operating point and single-frequency small-signal analyses.
"""

from __future__ import annotations

import random

import numpy as np
import pytest
from scipy import constants

from diagnose.plant import readings
from diagnose.plant.matrix import MatrixBuilder
from diagnose.plant.wiring import compose_named, parse_installation
from tests.bench import shipped
from tests.campaigns.spice import INSTALLATIONS
from tests.oracles.spice import VT, Question, diode_model, missing, solve
from tests.oracles.spice_compare import Comparison
from tests.oracles.spice_tally import Tally

SAMPLES = 3
PICKED = 5
RESTLESS = "adapter.sagging"
"""A failure mode under which the controller starts over and over: there is no state of rest."""
WORST_READ_DC = 0.5
"""V; a floating indicator that only the meter loads drops less at its half microampere than the
plant's fixed drop, 0.37 V at the most over all failure modes; elsewhere it is a few millivolts."""
WORST_READ_AC = 1e-3
"""V; the mains side has no diodes, so only rounding is left."""

pytestmark = pytest.mark.skipif(bool(missing()), reason=missing() or "ngspice is there")


def test_ngspice_agrees_with_circuits_solved_by_hand() -> None:
    """A divider, a series RC circuit at 50 Hz and a diode: textbook formulas."""
    fit = diode_model(1.9, 0.0, water=False)
    divider, filtered, lamp = solve(
        [
            Question("op", "v# n#_0 0 dc 5\nr# n#_0 n#_1 1k\nrr# n#_1 0 4k"),
            Question("ac", "v# n#_0 0 ac 230\nr# n#_0 n#_1 1k\nc# n#_1 0 1u"),
            Question("op", f"i# 0 n#_0 dc 2m\nd# n#_0 0 dm#\n.model dm# d({fit})"),
        ]
    )
    assert divider.v[1].real == pytest.approx(4.0)
    assert filtered.v[1] == pytest.approx(230 / (1 + 2j * np.pi * 50 * 1e-3))
    assert lamp.v[0].real == pytest.approx(1.9, abs=1e-3)
    assert pytest.approx(constants.k * 300.15 / constants.e, rel=1e-5) == VT


def picked(name: str) -> tuple[MatrixBuilder, list[str]]:
    """One installation and a few of its failure modes, the same ones each time."""
    kb = shipped()
    builder = MatrixBuilder(kb, compose_named(kb, parse_installation(kb, name)))
    others = sorted(set(builder.installation.modes) - {RESTLESS})
    return builder, [RESTLESS, *random.Random(7).sample(others, PICKED)]


def tallied(builder: MatrixBuilder, names: list[str]) -> Tally:
    comparison = Comparison(builder, SAMPLES)
    comparison.compare([None, *(builder.installation.modes[name] for name in names)])
    return comparison.tally


@pytest.mark.parametrize("name", INSTALLATIONS[:2])
def test_readings_fall_in_the_same_outcomes(name: str) -> None:  # [1]
    builder, names = picked(name)
    tally = tallied(builder, names)
    assert tally.agrees, tally.report()
    assert tally.states >= (2 + PICKED) * SAMPLES * len(builder.conditions)
    assert tally.readings > 0
    assert tally.moving > 0
    assert tally.read_dc.size < WORST_READ_DC, tally.read_dc.where
    assert tally.read_ac.size < WORST_READ_AC, tally.read_ac.where
    assert tally.ac.size < 0.01, tally.ac.where
    assert tally.ac_magnitude.size < 0.01, tally.ac_magnitude.where


SENSORS = {
    "roof_sensor=transmitter": ["loop_supply.weak", "level_transmitter.reversed"],
    "roof_sensor=electrode_relay": ["rods.bridged_damp", "electrode_relay.too_sensitive"],
    "pressure_set:default": ["vessel.membrane_torn", "pressure_switch.diaphragm_torn"],
}
"""Current sources, a second source on the mains side, a set without a 5 V side."""


@pytest.mark.parametrize("name", SENSORS)
def test_sensor_readings_fall_in_the_same_outcomes(name: str) -> None:  # [1]
    kb = shipped()
    whole = MatrixBuilder(kb, compose_named(kb, parse_installation(kb, name)))
    own = {
        test
        for test, found in whole.tests.items()
        if found.spec.place and found.spec.place.file.endswith(("level.yaml", "pressure.yaml"))
    }
    builder = whole.only(own, ())
    comparison = Comparison(builder, samples=2)
    comparison.compare([None, *(builder.installation.modes[mode] for mode in SENSORS[name])])
    tally = comparison.tally
    assert tally.agrees, tally.report()
    assert tally.readings > 0
    assert tally.read_dc.size < WORST_READ_DC, tally.read_dc.where
    assert tally.read_ac.size < WORST_READ_AC, tally.read_ac.where


DRIVES = (
    ("start=three_phase,drive=contactor", ("mains.phase_lost", "pump_cable.joint_corroded")),
    ("start=soft_starter", ("mains.reversed",)),
    ("source=generator", ("mains.runs_slow",)),
    ("two_pumps:default", ("delivery_two.check_leaking",)),
)
OWN_FILES = ("three_phase", "sources", "two_pumps")


@pytest.mark.parametrize(("name", "modes"), DRIVES, ids=[name for name, _ in DRIVES])
def test_phases_curves_and_other_frequencies(name: str, modes: tuple[str, ...]) -> None:  # [1]
    kb = shipped()
    whole = MatrixBuilder(kb, compose_named(kb, parse_installation(kb, name)))
    own = {
        ident
        for ident, test in whole.tests.items()
        if test.spec.kind != "sign"
        and test.spec.place is not None
        and any(file in test.spec.place.file for file in OWN_FILES)
    }
    builder = whole.only(own, [])
    comparison = Comparison(builder, 1)
    comparison.compare([None, *(builder.installation.modes[mode] for mode in modes)])
    tally = comparison.tally
    assert tally.agrees, tally.report()
    assert tally.states >= len(modes) + 1
    assert tally.ac.size < WORST_READ_AC, tally.ac.where


def test_a_plant_with_another_meter_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """The comparison can fail: a meter of 200 ohm loads what it measures."""
    monkeypatch.setattr(readings, "METER_OHMS", 200.0)
    builder, _ = picked("default")
    assert tallied(builder, []).bins
