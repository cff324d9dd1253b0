"""What a trainee has mastered: Bayesian knowledge tracing, skill by skill, with forgetting.

A skill is known or not. It is learned with a chance at each exercise that needs it; what is
known is done right save for a slip, what is not known is done right by a guess only [1]_. The four
parameters are not fitted: a fixed prior over a few sets of them is carried along, each set
is updated by the published equations, and the sets are weighed by how well they foretold. So a
quick learner is told from a lucky guesser after some exercises.

What is known is forgotten by half in a half-life, which doubles with each exercise done right
and halves with each one done wrong, after the model of [2]_. A skill is *due* once the chance that
it is still there has fallen below `DUE`.

References
----------
.. [1] A. T. Corbett, J. R. Anderson, "Knowledge tracing: modeling the acquisition of procedural
   knowledge", User Modeling and User-Adapted Interaction 4 (1995) 253-278: the equations, mastery
   at 0.95 (from memory).
.. [2] B. Settles, B. Meeder, "A trainable spaced repetition model for language learning",
   Proceedings of the 54th Annual Meeting of the ACL (2016) 1848-1858: recall 2^(-days/half-life),
   the half-life a power of two of weighted counts, at most nine months (from memory). The weights
   here are judgement.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass, replace

MASTERED = 0.95
"""Probability from which a skill counts as mastered [1]_."""
DUE = 0.7
"""Chance of recall below which a skill is due (judgement)."""
FIRST_HALF_LIFE = 14.0
"""Days until what was done once neither right nor wrong is half forgotten (judgement)."""
SHORTEST, LONGEST = 2.0, 274.0
"""Bounds of the half-life in days: judgement; nine months [2]_."""


@dataclass(frozen=True)
class Parameters:
    """One set: P(known at first), P(learned at an exercise), P(guess), P(slip)."""

    start: float
    learn: float
    guess: float
    slip: float

    def right(self, known: float) -> float:
        """P(done right) where the skill is known with a probability."""
        return known * (1 - self.slip) + (1 - known) * self.guess

    def given(self, known: float, right: bool) -> float:
        """P(known) after it was seen to be done right or wrong, before anything is learned."""
        if right:
            return known * (1 - self.slip) / self.right(known)
        return known * self.slip / (1 - self.right(known))

    def after(self, known: float, right: bool) -> float:
        """P(known) after an exercise: what was seen, then the chance to have learned."""
        seen = self.given(known, right)
        return seen + (1 - seen) * self.learn


PRIOR: tuple[Parameters, ...] = tuple(
    Parameters(*values)
    for values in itertools.product((0.05, 0.25), (0.05, 0.2), (0.1, 0.3, 0.5), (0.01, 0.05, 0.2))
)
"""Sets held equally likely before anything is seen (judgement)."""


@dataclass(frozen=True)
class Trace:
    """One skill of one trainee: per parameter set its weight and P(known); the counts so far."""

    weight: tuple[float, ...]
    known_by_set: tuple[float, ...]
    right: int = 0
    wrong: int = 0
    prior: tuple[Parameters, ...] = PRIOR

    @staticmethod
    def new(prior: tuple[Parameters, ...] = PRIOR) -> Trace:
        """Before anything was seen."""
        share = 1.0 / len(prior)
        return Trace((share,) * len(prior), tuple(p.start for p in prior), prior=prior)

    @property
    def seen(self) -> int:
        """Exercises so far."""
        return self.right + self.wrong

    @property
    def known(self) -> float:
        """P(known) right after the last exercise."""
        return _mean(self.weight, self.known_by_set)

    @property
    def next_right(self) -> float:
        """P(the next exercise is done right), nothing forgotten."""
        chances = (p.right(k) for p, k in zip(self.prior, self.known_by_set, strict=True))
        return _mean(self.weight, chances)

    @property
    def half_life(self) -> float:
        """Days until half is forgotten."""
        power = max(-30, min(30, self.right - self.wrong))
        return min(LONGEST, max(SHORTEST, FIRST_HALF_LIFE * float(2.0**power)))

    def recall(self, days: float) -> float:
        """Chance that what was known so many days ago is still there."""
        return float(2.0 ** (-max(0.0, days) / self.half_life))

    def due(self, days: float) -> bool:
        """Whether a skill that was practised so many days ago wants refreshing."""
        return self.seen > 0 and self.recall(days) < DUE

    def known_after(self, days: float) -> float:
        """P(known) so many days after the last exercise."""
        return self.known * self.recall(days)

    def forget(self, days: float) -> Trace:
        """The trace so many days later."""
        kept = self.recall(days)
        return replace(self, known_by_set=tuple(k * kept for k in self.known_by_set))

    def update(self, right: bool) -> Trace:
        """The trace after one more exercise."""
        chances = [p.right(k) for p, k in zip(self.prior, self.known_by_set, strict=True)]
        seen = [c if right else 1 - c for c in chances]
        weight = [w * s for w, s in zip(self.weight, seen, strict=True)]
        total = sum(weight)
        return Trace(
            tuple(w / total for w in weight),
            tuple(p.after(k, right) for p, k in zip(self.prior, self.known_by_set, strict=True)),
            self.right + right,
            self.wrong + (not right),
            self.prior,
        )


def _mean(weight: Iterable[float], values: Iterable[float]) -> float:
    return sum(w * v for w, v in zip(weight, values, strict=True))
