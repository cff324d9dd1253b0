"""Simulated learners whose mastery is known: not made by the tracing that is put to the test.

Two kinds. A *stepwise* learner knows a skill or does not, as knowledge tracing supposes, but every
chance is drawn for each learner and skill from continuous distributions, and hard exercises are
slipped on more often than easy ones. A *growing* learner has no such state: the log-odds of doing
a skill right grow with each exercise by an amount of its own (logistic growth, as in learning
factors analysis: H. Cen, K. Koedinger, B. Junker, ITS 2006, 164-175, from memory) and fall with
difficulty; the skill counts as mastered where an exercise of middle difficulty is done right with
at least `ABLE`.
All numbers are judgement. The learners say how the method copes with learners unlike its model,
not how people learn.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import numpy as np

from diagnose.practice.skills import SKILLS

ABLE = 0.85
HARDER = 0.7
"""Log-odds of a slip, or of doing it wrong, from the middle to the hardest exercise."""


def logit(p: float) -> float:
    """Log-odds."""
    return float(np.log(p / (1 - p)))


def expit(x: float) -> float:
    """The probability of log-odds."""
    return float(1 / (1 + np.exp(-x)))


class Learner(Protocol):
    """Somebody who does exercises and learns from them."""

    kind: str

    def mastered(self, skill: str) -> bool:
        """The truth."""
        ...

    def attempt(self, skills: Sequence[str], easier: float) -> dict[str, bool]:
        """Do an exercise: per skill whether it was done right; `easier`: share of easier ones."""
        ...


class Stepwise:
    """A learner who knows a skill or does not."""

    kind = "stepwise"

    def __init__(self, seed: int) -> None:
        rng = np.random.default_rng([seed, 1])
        pace = rng.lognormal(0.0, 0.35)
        self.learn = {s: min(0.9, pace * rng.beta(2.0, 9.0)) for s in SKILLS}
        self.guess = {s: rng.beta(3.0, 12.0) for s in SKILLS}
        self.slip = {s: rng.beta(2.0, 18.0) for s in SKILLS}
        self.known = {s: bool(rng.random() < rng.beta(1.5, 5.0)) for s in SKILLS}
        self.streams = {s: np.random.default_rng([seed, 2, k]) for k, s in enumerate(SKILLS)}

    def mastered(self, skill: str) -> bool:
        """See `Learner.mastered`."""
        return self.known[skill]

    def attempt(self, skills: Sequence[str], easier: float) -> dict[str, bool]:
        """See `Learner.attempt`."""
        found = {}
        for skill in skills:
            first, second = self.streams[skill].random(2)
            slip = expit(logit(self.slip[skill]) + HARDER * (2 * easier - 1))
            right = 1 - slip if self.known[skill] else self.guess[skill]
            found[skill] = bool(first < right)
            self.known[skill] = self.known[skill] or bool(second < self.learn[skill])
        return found


class Growing:
    """A learner whose log-odds grow with each exercise."""

    kind = "growing"

    def __init__(self, seed: int) -> None:
        rng = np.random.default_rng([seed, 3])
        gift = rng.normal(0.0, 0.5)
        self.odds = {s: rng.normal(-1.3, 0.7) + gift for s in SKILLS}
        self.growth = {s: rng.lognormal(-0.9, 0.4) for s in SKILLS}
        self.streams = {s: np.random.default_rng([seed, 4, k]) for k, s in enumerate(SKILLS)}

    def mastered(self, skill: str) -> bool:
        """See `Learner.mastered`."""
        return expit(self.odds[skill]) >= ABLE

    def attempt(self, skills: Sequence[str], easier: float) -> dict[str, bool]:
        """See `Learner.attempt`."""
        found = {}
        for skill in skills:
            chance = expit(self.odds[skill] - HARDER * (2 * easier - 1))
            found[skill] = bool(self.streams[skill].random() < chance)
            self.odds[skill] += self.growth[skill]
        return found


KINDS: tuple[type[Stepwise] | type[Growing], ...] = (Stepwise, Growing)
