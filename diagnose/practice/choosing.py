"""Which exercise comes next: for what is weak and due, and as hard as suits it.

Each skill has a *need*: the chance that it is not there now (never learned, or forgotten since).
An exercise is worth the need of all the skills that it exercises, that of the function of what is
hidden counting double, and less the further its difficulty lies from what suits. What suits is
the share of all exercises that are easier: a quarter for a skill that is not there, three
quarters for one that is (judgement: work that just fails without the skill teaches most; the
idea is the zone of proximal development of Vygotsky, from memory).
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diagnose.practice.difficulty import Rated
from diagnose.practice.mastery import MASTERED, Trace
from diagnose.practice.progress import Progress
from diagnose.practice.skills import ALWAYS, SKILLS, skills_of

EASIEST, HARDEST = 0.25, 0.75
"""Shares of all exercises that are easier than what suits who cannot and who can (judgement)."""
MISFIT = 1.0
"""Worth that is lost where the difficulty is off by the whole range (judgement)."""
RECENT = 20
"""Exercises after which the same failure mode may come again."""
NEAR_BEST = 0.05
"""Worth by which an exercise may fall short of the best and still be drawn."""


@dataclass(frozen=True)
class Standing:
    """How a trainee stands with one skill today."""

    skill: str
    known: float
    seen: int
    due: bool
    days: int | None

    @property
    def mastered(self) -> bool:
        """Whether the skill counts as mastered today."""
        return self.known >= MASTERED and not self.due


@dataclass(frozen=True)
class Chosen:
    """The next exercise, the skill that it is for, and why, in words."""

    rated: Rated
    skill: str
    why: str


def standings(progress: Progress, today: datetime.date) -> dict[str, Standing]:
    """How a trainee stands with each skill."""
    found = {}
    for skill, (trace, last) in progress.traces().items():
        days = None if last is None else max(0, (today - last).days)
        found[skill] = _standing(skill, trace, days)
    return found


def _standing(skill: str, trace: Trace, days: int | None) -> Standing:
    gone = float(days or 0)
    return Standing(skill, trace.known_after(gone), trace.seen, trace.due(gone), days)


class Chooser:
    """Chooses among the exercises of one installation.

    Parameters
    ----------
    functions : unit -> function
    """

    def __init__(self, exercises: Sequence[Rated], functions: Mapping[str, str]) -> None:
        if not exercises:
            raise ValueError("there are no exercises to choose from")
        self.exercises = list(exercises)
        self.skills = [skills_of(rated, functions) for rated in exercises]
        minutes = np.array([rated.difficulty.minutes for rated in exercises])
        order = np.argsort(np.argsort(minutes, kind="stable"), kind="stable")
        self.easier = order / max(1, len(minutes) - 1)
        self.uses = np.array([[float(s in own) for s in SKILLS] for own in self.skills])
        mains = [own[: len(own) - len(ALWAYS)][:1] for own in self.skills]
        self.main = np.array([[float(s in main) for s in SKILLS] for main in mains])

    def worth(self, known: Mapping[str, float]) -> NDArray[np.float64]:
        """What each exercise is worth to who knows so much, (exercises,)."""
        have = np.array([known[skill] for skill in SKILLS])
        need = np.where(have >= MASTERED, 0.0, 1.0 - have)
        fit = EASIEST + (HARDEST - EASIEST) * (self.main @ have)
        gained = (self.uses + self.main) @ need
        return np.asarray(gained - MISFIT * np.abs(self.easier - fit))

    def choose(
        self, known: Mapping[str, float], recent: Sequence[str], rng: np.random.Generator
    ) -> int:
        """Position of the next exercise.

        Parameters
        ----------
        known : skill -> chance that it is there now
        recent
            Failure modes that do not come again, as far as others are left.
        """
        worth = self.worth(known)
        fresh = np.array([not set(rated.modes) & set(recent) for rated in self.exercises])
        if fresh.any():
            worth = np.where(fresh, worth, -np.inf)
        near = np.flatnonzero(worth >= worth.max() - NEAR_BEST)
        return int(near[rng.integers(len(near))])


def next_exercise(progress: Progress, chooser: Chooser, today: datetime.date, seed: int) -> Chosen:
    """The next exercise for a trainee; the same progress, day and seed give the same one."""
    now = standings(progress, today)
    known = {skill: standing.known for skill, standing in now.items()}
    recent = [mode for done in progress.done[-RECENT:] for mode in done.modes]
    rng = np.random.default_rng([seed, len(progress.done)])
    k = chooser.choose(known, recent, rng)
    exercised = chooser.skills[k]
    skill = min(exercised, key=lambda s: (known[s], SKILLS.index(s)))
    standing = now[skill]
    if not standing.seen:
        why = "not practised yet"
    elif standing.due:
        why = f"last practised {standing.days} days ago"
    else:
        why = f"mastered with a chance of {standing.known:.0%}"
    return Chosen(chooser.exercises[k], skill, why)
