"""Suspected units, as people are shown them: each once, with its likeliest way of failing."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, NamedTuple

from diagnose.knowledge.names import unit_of

if TYPE_CHECKING:
    from diagnose.reasoning.belief import Belief
    from diagnose.reasoning.rules import Inference

EXCLUDED = 1e-6
"""By how much the odds of a unit are multiplied that a rule excludes; nothing is ever ruled out."""


class Suspect(NamedTuple):
    """A replaceable unit, how likely it is, and its likeliest failure mode with its own share."""

    unit: str
    probability: float
    mode: str
    of_mode: float


def by_unit(ranking: Iterable[tuple[str, float]]) -> list[Suspect]:
    """Failure modes with their probabilities, put together by unit, the likeliest unit first.

    Parameters
    ----------
    ranking
        (``unit.mode``, probability), each unit's likeliest mode before its others.
    """
    found: dict[str, Suspect] = {}
    for mode, p in ranking:
        unit = unit_of(mode)
        known = found.get(unit)
        found[unit] = (
            Suspect(unit, p, mode, p)
            if known is None
            else known._replace(probability=known.probability + p)
        )
    return sorted(found.values(), key=lambda suspect: -suspect.probability)


def without_excluded(belief: Belief, inference: Inference) -> Belief:
    """The belief with the units that the rules `exclude` counted `EXCLUDED` times."""
    units = {fact.get("unit") for fact in inference.concluded("exclude")}
    names = [name for name in belief.table.mode_names if unit_of(name) in units]
    return belief.scale(dict.fromkeys(names, EXCLUDED)) if names else belief
