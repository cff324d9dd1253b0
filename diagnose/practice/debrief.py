"""The debrief: a trainee's path beside the expert's on the same callout, as values."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from diagnose.practice.expert import expert
from diagnose.practice.paths import Path, path_of
from diagnose.practice.records import Attempt, Exercise

if TYPE_CHECKING:
    from diagnose.interview.session import Session
    from diagnose.practice.bench import Bench

WORTH_NAMING = 1.0
"""Minutes from which a loss is a divergence worth naming (judgement)."""


@dataclass(frozen=True)
class Debrief:
    """Both paths on one callout; `worst` is the position of the step that lost most, or None."""

    exercise: Exercise
    mine: Path
    expert: Path
    worst: int | None


def debrief(session: Session, bench: Bench, attempt: Attempt) -> Debrief:
    """Weigh a whole attempt against the expert's on the same bench.

    Parameters
    ----------
    session
        The session of the exercise's installation.
    """
    mine = path_of(session, bench, attempt)
    losses = [step.lost for step in mine.steps]
    most = max(losses, default=0.0)
    worst = losses.index(most) if most >= WORTH_NAMING else None
    return Debrief(attempt.exercise, mine, path_of(session, bench, expert(session, bench)), worst)
