"""Suspected units, as people are shown them: each once, with its likeliest way of failing."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from diagnose.knowledge.names import unit_of


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
