"""The tests that each unit bears on: only there does the joint of unit and outcome need work.

Most failure modes leave most tests as they are in a healthy plant. Where all hypotheses of a
unit show what is usual, P(unit, outcome) is the unit's probability times the usual answer, and
its entropy follows from the two. Nothing is left out or rounded: a unit bears on a test as soon
as one of its hypotheses shows anything else. Hypotheses with nothing in common cost no more than
memory: each unit then bears on every test.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LOOKED_AT = 101
"""Hypotheses, evenly spread, that say what is usual."""


def entropy(p: Floats, axis: int = -1) -> Floats:
    """Shannon entropy in bits; 0·log 0 is 0."""
    return np.asarray(-(p * np.log2(p + np.finfo(np.float64).tiny)).sum(axis=axis))


@dataclass(frozen=True)
class Bearing:
    """Pairs of a unit and a test that it bears on, units in order.

    Attributes
    ----------
    usual : (tests, outcomes)
        P(answer) of the tests where nothing bears on them, errors included.
    unit, test : (pairs,)
    shown : (units,)
        Of each unit P(answer | hypothesis), errors included, (hypotheses, pairs · outcomes).
    starts : (units,)
        Where each unit's hypotheses start.
    """

    usual: Floats
    unit: NDArray[np.int_]
    test: NDArray[np.int_]
    shown: tuple[Floats, ...]
    starts: NDArray[np.int_]

    @staticmethod
    def of(clean: Floats, starts: NDArray[np.int_], keep: Floats, gain: Floats) -> Bearing:
        """Find the pairs.

        Parameters
        ----------
        clean : (hypotheses, tests, outcomes)
            Noise-free distributions.
        keep, gain : (tests, outcomes)
            See `diagnose.reasoning.wrong_answers.mixing`.
        """
        usual = np.median(clean[:: -(-len(clean) // LOOKED_AT)], axis=0)
        tests, shown = [], []
        for own in np.split(clean, starts[1:]):
            borne = np.flatnonzero((own != usual).any(axis=(0, 2)))
            tests.append(borne)
            shown.append((own[:, borne] * keep[borne] + gain[borne]).reshape(len(own), -1))
        unit = np.repeat(np.arange(len(starts)), [len(borne) for borne in tests])
        return Bearing(keep * usual + gain, unit, np.concatenate(tests), tuple(shown), starts)

    def joint(self, p: Floats) -> Floats:
        """P(unit, outcome) of the pairs, (pairs, outcomes), from P(hypothesis)."""
        outcomes = self.usual.shape[1]
        found = np.empty((len(self.test), outcomes))
        end = 0
        for own, shown in zip(np.split(p, self.starts[1:]), self.shown, strict=True):
            start, end = end, end + shown.shape[1] // outcomes
            np.dot(own, shown, out=found[start:end].reshape(-1))
        return found

    def chance(self, joint: Floats, unit_p: Floats) -> Floats:
        """P(outcome) of every test, (tests, outcomes)."""
        count, outcomes = self.usual.shape
        rest = 1.0 - np.bincount(self.test, unit_p[self.unit], count)
        found = np.maximum(rest, 0.0)[:, None] * self.usual
        for o in range(outcomes):
            found[:, o] += np.bincount(self.test, joint[:, o], count)
        return np.asarray(found)

    def bits(self, joint: Floats, unit_p: Floats) -> Floats:
        """Entropy of unit and outcome together, of every test, (tests,)."""
        usual = entropy(self.usual)
        own = entropy(unit_p[:, None])
        change = entropy(joint) - unit_p[self.unit] * usual[self.test] - own[self.unit]
        return np.asarray(usual + own.sum() + np.bincount(self.test, change, len(usual)))

    def spread(self, joint: Floats, unit_p: Floats, chosen: NDArray[np.int_]) -> Floats:
        """P(unit, outcome) of the chosen tests in full, (units, k, outcomes)."""
        found = unit_p[:, None, None] * self.usual[chosen]
        place = np.full(len(self.usual), -1)
        place[chosen] = np.arange(len(chosen))
        inside = np.flatnonzero(place[self.test] >= 0)
        found[self.unit[inside], place[self.test[inside]]] = joint[inside]
        return np.asarray(found)
