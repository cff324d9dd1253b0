"""Likelihoods of answers that may be wrong, and of answers that others have given before."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

CARE = ((0.6, 0.6), (2.5, 0.4))
"""Kinds of person: how many times the usual chance of a wrong answer, and their share (judgement).

Nobody knows beforehand how well a person measures; answers that fit nothing else tell. Without
it one careless person in a simulated firm made *not in the knowledge base* of a known cause.
"""
MOST_WRONG = 0.4
"""The careless answer wrongly no more often than this (judgement)."""


def refuse_certainty(sizes: NDArray[np.int_], errors: Floats) -> None:
    """Answers must be fallible, or one of them would rule causes out for good.

    Raises
    ------
    ValueError
        A chance of a wrong answer is not between 0 and 1, so some outcome would be certain, or
        a test has a single outcome.
    """
    if not ((errors > 0) & (errors < 1)).all() or (sizes < 2).any():
        raise ValueError("answers must be fallible: 0 < error < 1 and two outcomes or more")


def mixing(sizes: NDArray[np.int_], errors: Floats, widest: int) -> tuple[Floats, Floats]:
    """How wrong answers, uniform over the other outcomes of a test, change P(outcome) = p.

    Parameters
    ----------
    sizes, errors : (tests,)
        Number of outcomes and chance of a wrong answer of each test.
    widest : int
        Outcomes of the widest test.

    Returns
    -------
    keep, gain : (tests, outcomes)
        ``(1 - e)·p + e·(1 - p)/(k - 1)`` is ``keep·p + gain``; both are zero beyond a test's own
        outcomes.
    """
    real = np.arange(widest) < sizes[:, None]
    gain = real * (errors / np.maximum(sizes - 1, 1))[:, None]
    return real * (1 - errors)[:, None] - gain, gain


def with_error(p: Floats, size: int, wrong: float) -> Floats:
    """The same for P(one outcome) of one test, (rows,), where the test has `size` outcomes."""
    return np.asarray((1 - wrong) * p + wrong * (1 - p) / max(size - 1, 1))


def careless(wrong: float, care: float) -> float:
    """Chance that a person of one kind answers wrongly what is usually wrong so often."""
    return wrong if care == 1.0 else min(wrong * care, MOST_WRONG)


def confirmed(
    clean: Floats, size: int, outcome: int, wrong: float, told: Sequence[tuple[int, float]]
) -> Floats:
    """P(answer | row, what others said about the same test), (rows,).

    Two persons err independently of one another, but look at the same thing: what there is to be
    seen is drawn once.

    Parameters
    ----------
    clean : (rows, outcomes)
        Noise-free distributions of the test.
    outcome, wrong
        The answer now, and this person's chance of being wrong.
    told : outcome, chance of being wrong
        What others said.
    """
    truth = clean
    for said, error in told:
        right = np.arange(clean.shape[1]) == said
        truth = truth * np.where(right, 1 - error, error / max(size - 1, 1))
    return with_error(truth[:, outcome] / truth.sum(axis=1), size, wrong)
