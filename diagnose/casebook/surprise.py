"""How surprising counts are, and how many surprises may be believed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

ALARMS = 0.05
"""Expected share of false ones among the findings of one kind that are reported."""


def at_least(chances: Sequence[float], count: int) -> float:
    """P(count or more successes) in independent trials with these chances (Poisson-binomial)."""
    if count <= 0:
        return 1.0
    below = np.zeros(count)  # P(k successes so far), k < count
    below[0] = 1.0
    for p in chances:
        below[1:] = below[1:] * (1 - p) + below[:-1] * p
        below[0] *= 1 - p
    return float(min(max(1.0 - below.sum(), _tail(chances, count)), 1.0))


def at_most(chances: Sequence[float], count: int) -> float:
    """P(count or fewer successes)."""
    return at_least([1 - p for p in chances], len(chances) - count)


def _tail(chances: Sequence[float], count: int) -> float:
    """P(exactly count) from the other side: what subtracting from 1 would lose to rounding."""
    exactly = np.zeros(count + 1)
    exactly[0] = 1.0
    for p in chances:
        exactly[1:] = exactly[1:] * (1 - p) + exactly[:-1] * p
        exactly[0] *= 1 - p
    return float(exactly[count])


def believed(p_values: Sequence[float], alarms: float = ALARMS) -> list[bool]:
    """Which of several tests to believe, so that on average at most `alarms` of those are false.

    The step-up procedure of Benjamini and Hochberg [1]_.

    References
    ----------
    .. [1] Y. Benjamini, Y. Hochberg, "Controlling the false discovery rate", J. Royal Statistical
       Society B 57 (1995) 289-300.
    """
    p = np.asarray(p_values, dtype=float)
    order = np.argsort(p, kind="stable")
    below = np.flatnonzero(p[order] <= alarms * np.arange(1, len(p) + 1) / max(len(p), 1))
    found = np.zeros(len(p), dtype=bool)
    if len(below):
        found[order[: below[-1] + 1]] = True
    return [bool(x) for x in found]
