"""A test whose sound reading hangs on the water says where the water must stand.

What a sound installation shows at each level is computed, by the same plant as the matrix. That a
lamp for *full* is lit over a full tank, and that 12 mA are half of 4 to 20 mA, is common practice,
no source.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from diagnose.plant.compose import compose_ready
from diagnose.plant.lanes import nominal
from diagnose.plant.matrix import MatrixBuilder
from diagnose.plant.procedures import InstalledTest
from tests.bench import shipped

LEVELS = ("empty", "mid", "full")


def shown_at_each_level(builder: MatrixBuilder) -> dict[str, list[str]]:
    """The likeliest outcome, at each level, of the tests that ask for none."""
    situations = builder.installation.type.situations
    tests: dict[tuple[str, str], InstalledTest] = {}
    for name, test in builder.tests.items():
        condition = test.condition
        if condition is None or test.level or situations[test.spec.situation].found:
            continue
        if "roof" in condition.values and condition.values.get("supply") != "off":
            for level in LEVELS:
                values = {**condition.values, "roof": level}
                tests[name, level] = replace(test, condition=replace(condition, values=values))
    few = builder.only((), ())
    few.tests = {f"{name} {level}": test for (name, level), test in tests.items()}
    few._prepare()
    p = dict(zip(tests, few.shown(few.simulate(None, 1, nominal)), strict=True))
    return {
        name: [tests[name, k].outcomes[int(np.argmax(p[name, k][0]))].id for k in LEVELS]
        for name, _level in tests
    }


@pytest.mark.parametrize(
    "ready", ["single_float", "transmitter", "ultrasonic", "programmable_relay"]
)
def test_what_hangs_on_the_water_names_its_level(ready: str) -> None:
    builder = MatrixBuilder(shipped(), compose_ready(shipped(), ready))
    shown = shown_at_each_level(builder)
    assert len(shown) > 20
    assert {name: seen for name, seen in shown.items() if len(set(seen)) > 1} == {}


def test_the_lamps_of_a_full_tank_are_not_read_as_those_of_a_half_full_one() -> None:
    tests = MatrixBuilder(shipped(), compose_ready(shipped(), "tank_and_sump")).tests
    assert tests["lamps_half_full"].level == "mid"
    assert tests["buzzer_quiet"].level == "mid"
    assert tests["sump_while_pumping"].level == "mid"
    assert tests["auto_ignores_switch"].level == "full"
    assert tests["dry_lamp_wet"].level == ""
    loop = MatrixBuilder(shipped(), compose_ready(shipped(), "transmitter")).tests
    assert loop["loop_supply_there"].level == ""
