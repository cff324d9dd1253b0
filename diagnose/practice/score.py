"""What an attempt is worth: 0 to 100 points, in one place.

==============  ======  ==========================================================================
part            points  full where
==============  ======  ==========================================================================
safety              30  no unsafe act was stopped; else none of them
repair              20  everything hidden is repaired (handed over, where there was a hazard)
verification        10  every check after that repair was made and passed (share of them)
minutes             25  half the expert's minutes on the same callout: 1.5 e / (e + m), at most
                        1, so 19 points at the expert's minutes, 12.5 at twice, 7.5 at four times
parts                8  no sound part was swapped (shared by how many were: 1 / (1 + wrong))
method               7  function, expectation and conclusion stated with each test (share)
==============  ======  ==========================================================================

Safety comes first: with any unsafe act the points for safety are gone, and each takes `OFFENCE`
of what the rest is worth. So an attempt without one never scores below 30, one with any never
above 28. Verification, minutes and parts count only once it is repaired: giving up at
once is not quick work. Each hint takes points by its level (`HINTS`), from minutes, parts and
method only: who needed hints and repaired it still beats who did not repair it.

A better attempt never scores less: fewer unsafe acts, repaired, more checks, fewer minutes, fewer
wrong parts, more stated, fewer hints or lower ones (a test holds it to that). The weights
are judgement.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from diagnose.practice.measures import checked, hints_taken, solved, stated, wrong_parts
from diagnose.practice.records import Attempt

if TYPE_CHECKING:
    from diagnose.practice.bench import Bench
    from diagnose.practice.debrief import Debrief

SAFETY, REPAIR, VERIFICATION, MINUTES, PARTS, METHOD = 30.0, 20.0, 10.0, 25.0, 8.0, 7.0
OFFENCE = 0.4
"""What each unsafe act leaves of the points for everything but safety."""
HINTS = {1: 1.0, 2: 2.0, 3: 4.0, 4: 8.0}
"""Points that a hint of each level costs."""


@dataclass(frozen=True)
class Score:
    """Points by part; `hints` and `offences` are what was taken off (not negative)."""

    safety: float
    repair: float
    verification: float
    minutes: float
    parts: float
    method: float
    hints: float
    offences: float

    @property
    def total(self) -> float:
        """All points, 0 to 100."""
        earned = self.repair + self.verification + self.minutes + self.parts + self.method
        return self.safety + max(earned - self.hints - self.offences, 0.0)


def score(debrief: Debrief) -> Score:
    """The score of a debriefed attempt."""
    return _score(debrief.mine.attempt, debrief.mine.checked, debrief.expert.minutes)


def score_of(bench: Bench, attempt: Attempt, expert: float) -> Score:
    """The score of an attempt that was not debriefed; `expert`: minutes of the expert's."""
    return _score(attempt, checked(attempt, bench), expert)


def _score(attempt: Attempt, checks: float, expert: float) -> Score:
    return points(
        offences=len(attempt.offences),
        solved=solved(attempt),
        checked=1.0 if attempt.exercise.hazard else checks,
        minutes=attempt.minutes,
        expert=expert,
        wrong_parts=len(wrong_parts(attempt)),
        stated=stated(attempt),
        hints=hints_taken(attempt),
    )


def points(
    *,
    offences: int,
    solved: bool,
    checked: float,
    minutes: float,
    expert: float,
    wrong_parts: int,
    stated: float,
    hints: Sequence[int] = (),
) -> Score:
    """The score from what it hangs on.

    Parameters
    ----------
    offences : unsafe acts that were stopped
    solved : whether everything hidden is repaired, or handed over where there was a hazard
    checked : share of the checks after the repair that were made and passed, 0..1
    minutes, expert : minutes of the attempt and of the expert's on the same callout
    wrong_parts : sound parts that were swapped
    stated : share of what was to be stated with the tests, 0..1
    hints : level of each hint asked for, 1 to 4
    """
    repair = REPAIR if solved else 0.0
    verification = VERIFICATION * checked if solved else 0.0
    quick = min(1.0, 1.5 * expert / (expert + minutes)) if minutes > 0 else 1.0
    fast = MINUTES * quick if solved else 0.0
    parts = PARTS / (1 + wrong_parts) if solved else 0.0
    method = METHOD * stated
    taken = min(float(sum(HINTS[level] for level in hints)), fast + parts + method)
    rest = repair + verification + fast + parts + method - taken
    return Score(
        safety=0.0 if offences else SAFETY,
        repair=repair,
        verification=verification,
        minutes=fast,
        parts=parts,
        method=method,
        hints=taken,
        offences=rest * (1.0 - OFFENCE**offences),
    )
