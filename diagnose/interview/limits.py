"""An outcome of a reading in words that leave no doubt: its limits, then its name."""

from __future__ import annotations

import re

from diagnose.knowledge.records import Outcome
from diagnose.plant.procedures import InstalledTest
from diagnose.quantities import QuantityError, parse_reading

_NUMBER = re.compile(r"(-?\d+(?:\.\d+)?)\s*([A-Za-zµΩ%/]+)?")
_LESS = re.compile(r"(below|less than) [^:,]*")
_PREFIXES = {"ohm": ((1e6, "M"), (1e3, "k")), "F": ((1e-3, "m"), (1e-6, "u"), (1e-9, "n"))}
_CLOSE = 1e-6


def outcome_text(test: InstalledTest, outcome: Outcome) -> str:
    """An outcome as printed: with its limits where the reading is a number.

    A title that already says exactly these limits stands as it is. A limit belongs to the range
    above it.
    """
    low, high = bounds(test, outcome)
    wanted = [bound for bound in (low, high) if bound is not None]
    if not wanted:
        return outcome.title
    said = _numbers(outcome.title, test.spec.unit)
    if len(said) == len(wanted) and all(map(_equal, said, wanted)):
        return outcome.title
    unit = test.spec.unit
    if high is None:
        text = f"{_shown(wanted[0], unit)} or more"
    elif low is None:
        text = f"below {_shown(high, unit)}"
    else:
        text = f"{_shown(low, unit)} to {_shown(high, unit)}"
    return text if _LESS.fullmatch(outcome.title) else f"{text}: {outcome.title}"


def bounds(test: InstalledTest, outcome: Outcome) -> tuple[float | None, float | None]:
    """Least reading of an outcome, and the one that it stays below, in the base unit."""
    if not test.spec.unit or outcome.when:
        return None, None
    low: float | None = None
    for one in test.outcomes:
        if one.id == outcome.id:
            return low, one.below
        if not one.when:
            low = one.below
    return None, None


def _shown(value: float, unit: str) -> str:
    """A limit with all its digits, in the spelling of the knowledge base."""
    for factor, prefix in _PREFIXES.get(unit, ()):
        if abs(value) >= factor * (1 - _CLOSE):
            return f"{value / factor:.6g} {prefix}{unit}"
    return f"{value:.6g} {unit}"


def _equal(one: float, other: float) -> bool:
    return abs(one - other) <= _CLOSE * max(abs(one), abs(other))


def _numbers(title: str, base: str) -> list[float]:
    """The numbers in a title, in the base unit; one without a unit has that of the next."""
    values: list[float] = []
    unit = base
    for match in reversed(list(_NUMBER.finditer(title))):
        try:
            values.append(parse_reading(f"{match[1]} {match[2] or unit}", base))
            unit = match[2] or unit
        except QuantityError:
            try:
                values.append(parse_reading(f"{match[1]} {unit}", base))
            except QuantityError:
                return []
    return values[::-1]
