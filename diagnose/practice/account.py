"""Where the minutes of an attempt went, by cause."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

from diagnose.practice.play import costs_of
from diagnose.practice.records import Attempt
from diagnose.reasoning.places import PANEL

if TYPE_CHECKING:
    from diagnose.practice.bench import Bench
    from diagnose.practice.paths import StepTold

SWITCHING = (
    "isolate",
    "lock_off",
    "prove_tester",
    "prove_dead",
    "discharge",
    "disconnect",
    "close",
    "block",
    "energise",
    "level",
    "meter",
    "reset",
)
"""Acts that get the installation ready for work or for running."""


@dataclass(frozen=True)
class Account:
    """Where the minutes of a path went; the causes add up to all of it.

    `useful_tests` and `useless_tests` hold the tests themselves, `walks` the ways to them,
    `wrong_parts` the swaps of sound parts and the checks that then failed.
    """

    useful_tests: float = 0.0
    useless_tests: float = 0.0
    asking: float = 0.0
    walks: float = 0.0
    switching: float = 0.0
    right_repair: float = 0.0
    wrong_parts: float = 0.0
    checks: float = 0.0
    offences: float = 0.0
    other: float = 0.0

    @property
    def total(self) -> float:
        """All minutes."""
        return float(sum(getattr(self, field.name) for field in fields(self)))


TITLES: Mapping[str, str] = {
    "useful_tests": "tests that were worth it",
    "useless_tests": "tests that were not worth their minutes",
    "asking": "questions to the customer",
    "walks": "walks",
    "switching": "switching off, proving dead, switching on, water levels",
    "right_repair": "the right repair",
    "wrong_parts": "wrong parts, and checks that then failed",
    "checks": "checks of the right repair",
    "offences": "unsafe acts",
    "other": "anything else",
}
LOST = ("offences", "walks", "useless_tests", "wrong_parts")
"""Causes of which what exceeds the expert's minutes counts as lost."""


def account_of(
    bench: Bench, attempt: Attempt, steps: Iterable[StepTold], truth: Iterable[str]
) -> Account:
    """Divide the minutes of an attempt.

    Parameters
    ----------
    steps : StepTold
        Its steps, weighed: they tell which tests were worth their minutes.
    truth : str
        The units that really failed.
    """
    costs, place = costs_of(bench), PANEL
    useless = {step.last for step in steps if not step.pays}
    failed = set(truth)
    repaired: set[str] = set()
    spent = dict.fromkeys((field.name for field in fields(Account)), 0.0)
    wrong = False
    for k, taken in enumerate(attempt.taken):
        minutes = taken.minutes
        if taken.offence is not None:
            cost = min(minutes, taken.offence.minutes)
            spent["offences"] += cost
            minutes -= cost
        walk = min(minutes, costs.move(place, taken.place))
        own, place = minutes - walk, taken.place
        kind = taken.act.kind
        if kind == "swap" and taken.offence is None:
            unit = taken.act.data["unit"]
            wrong = unit not in failed or unit in repaired
            repaired.add(unit)
            cause = "wrong_parts" if wrong else "right_repair"
        elif kind == "check":
            cause = "wrong_parts" if wrong or not repaired else "checks"
        elif kind == "test":
            cause = "useless_tests" if k in useless else "useful_tests"
        elif kind == "ask":
            cause = "asking"
        elif kind == "go":
            cause = "walks"
        else:
            cause = "switching" if kind in SWITCHING else "other"
        spent[cause] += own
        spent["walks"] += walk
    return Account(**spent)
