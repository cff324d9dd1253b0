"""How hard a callout is that is more than one fault to find: two at once, or a hazard.

Two faults add up, with the repair and the verification between them. Where people or place are in
danger nothing is to be found: to ask, to make it safe and to hand over is all, and quickly done by
who asks first.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from diagnose.knowledge.names import unit_of
from diagnose.practice.difficulty import Difficulty, Rated
from diagnose.reasoning.planner import OUTSIDE

if TYPE_CHECKING:
    from diagnose.knowledge.records import KnowledgeBase
    from diagnose.practice.difficulty import Rating


def pair(rating: Rating, first: Rated, second: Rated) -> Rated:
    """Two faults at once, under the complaint of the first: one found, repaired, then the other.

    Raises
    ------
    ValueError
        One of them is a pair already, or both are of one unit.
    """
    (mode,), (other,) = first.modes, second.modes
    if unit_of(mode) == unit_of(other):
        raise ValueError(f"'{mode}' and '{other}' are of one unit")
    a, b = first.difficulty, second.difficulty
    between = rating.repair_minutes(mode)
    together = Difficulty(
        minutes=a.minutes + between + b.minutes,
        expert=a.expert + between + b.expert,
        tests=a.tests + b.tests,
        look_alikes=a.look_alikes + b.look_alikes,
        rank=max(a.rank, b.rank),
        behind=max(a.behind, b.behind),
        bits_left=max(a.bits_left, b.bits_left),
        places=tuple(place for place in OUTSIDE if place in (*a.places, *b.places)),
        in_vain=(*a.in_vain, *b.in_vain),
        rivals={n: max(a.rivals.get(n, 0.0), b.rivals.get(n, 0.0)) for n in (*a.rivals, *b.rivals)},
        two_faults=True,
        intermittent=a.intermittent or b.intermittent,
    )
    return Rated((mode, other), first.complaint, together)


def handed_over(knowledge: KnowledgeBase, rated: Rated) -> Rated:
    """A callout with a hazard: the safety questions, off and locked, handed over."""
    minutes = knowledge.word("minutes", "quick") + knowledge.word("changes", "isolate")
    safe = Difficulty(minutes, minutes, 0.0, 0, 1, 0.0, 0.0, (), hazard=True)
    return Rated(rated.modes, rated.complaint, safe)
