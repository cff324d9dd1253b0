"""What an instrument displays of a true value: ranges, last digit, error, over range.

The meter is a made-up one of 6000 counts, such as this trade carries; its error is as in the
scale ``accuracy`` of the knowledge base. Ranges and digits are common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from diagnose.plant.procedures import InstalledTest
from diagnose.plant.readings import OHMS_END
from diagnose.practice.draws import chance

STEADY_DIGITS = 2
"""The last digit moves by up to so many from look to look."""


@dataclass(frozen=True)
class Range:
    """One range: values up to `end` (base unit) are shown to `step`, divided by `unit`."""

    end: float
    step: float
    unit: float
    letters: str


def _decades(first: float, count: int, counts: float, letters: str) -> tuple[Range, ...]:
    ends = [first * 10**k for k in range(count)]
    return tuple(Range(end, end / counts, 1.0, letters) for end in ends)


VOLTS = _decades(6.0, 3, 6000, "V")
OHMS = (
    Range(600.0, 0.1, 1.0, "Ω"),
    *(Range(6e3 * 10**k, 10**k, 1e3, "kΩ") for k in range(3)),
    *(Range(6e6 * 10**k, 1e3 * 10**k, 1e6, "MΩ") for k in range(2)),
)
RANGES: dict[str, tuple[Range, ...]] = {
    "volts_dc": VOLTS,
    "volts_ac": VOLTS,
    "volts_ac_loz": (Range(1000.0, 1.0, 1.0, "V"),),
    "ohms": OHMS,
    "insulation": (
        Range(1e6, 1e4, 1e6, "MΩ"),
        Range(2e7, 1e4, 1e6, "MΩ"),
        Range(2e8, 1e5, 1e6, "MΩ"),
        Range(2e9, 1e6, 1e6, "MΩ"),
    ),
    "farads": (Range(60e-6, 0.01e-6, 1e-6, "µF"), Range(6e-3, 1e-6, 1e-6, "µF")),
    "amps_ac": (Range(60.0, 0.01, 1.0, "A"), Range(600.0, 0.1, 1.0, "A")),
    "flow": (Range(1e4, 0.5, 1.0, "L/min"),),
    "head": (Range(1e4, 0.5, 1.0, "m"),),
}
ENDS = {"ohms": OHMS_END, "insulation": 2e9}
"""Above this the instrument shows over range."""
BY_EYE = ("flow", "head")
"""Read off a container or a needle: each look has an error of its own."""


@dataclass(frozen=True)
class Display:
    """A value as displayed: the number that is meant (base unit) and its text."""

    value: float
    text: str


def displayed(
    test: InstalledTest, true: float, seed: int, look: int, wander: float = 0.0
) -> Display:
    """What the instrument of a numeric test shows.

    Parameters
    ----------
    true : float
        In the base unit of the test.
    seed : int
        Draws the error of the instrument and the last digits.
    look : int
        The how-manieth look, from 1.
    wander : float
        Up to how far a floating point drifts between looks, in the base unit.
    """
    kind = test.spec.kind
    error = chance(seed, "instrument", test.spec.instrument, kind) if kind not in BY_EYE else 0.0
    if kind in BY_EYE:
        error = chance(seed, "by eye", test.id, look)
    # uniform, with the standard deviation that the scale of accuracy gives
    value = true * (1.0 + math.sqrt(3.0) * test.spread * (2 * error - 1))
    value += wander * (2 * chance(seed, "wander", test.id, look) - 1)
    end = ENDS.get(kind, math.inf)
    if value > end:
        return Display(math.inf, "OL" if kind == "ohms" else f"> {end / 1e6:.0f} MΩ")
    ranges = RANGES[kind]
    fit = next((r for r in ranges if abs(value) < r.end), ranges[-1])
    digits = 0 if kind in BY_EYE or not value else STEADY_DIGITS
    moved = round((2 * chance(seed, "digit", test.id, look) - 1) * digits)
    steps = round(value / fit.step)
    if abs(steps) > 10 * digits:
        steps += moved
    shown = steps * fit.step
    places = max(0, -math.floor(math.log10(fit.step / fit.unit) + 1e-9))
    return Display(shown, f"{shown / fit.unit:.{places}f} {fit.letters}".replace("-0 ", "0 "))
