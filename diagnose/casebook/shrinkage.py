"""Closed forms: chances and times, shrunk towards what is known beforehand."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from diagnose.casebook.counting import Tally

MIDDLE_95 = 1.959964
"""Half the width of the middle 95 % of a normal distribution, in standard deviations."""


@dataclass(frozen=True)
class Estimate:
    """A number with its 95 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Beta:
    """A chance: as if `hits` of ``hits + misses`` had been seen (counts need not be whole) [1]_.

    References
    ----------
    .. [1] A. Gelman and others, Bayesian Data Analysis, 3rd ed., section 2.4.
    """

    hits: float
    misses: float

    @staticmethod
    def around(mean: float, weight: float) -> Beta:
        """A mean that counts for `weight` observations."""
        return Beta(mean * weight, (1.0 - mean) * weight)

    def seen(self, hits: float, misses: float) -> Beta:
        """After so many more."""
        return Beta(self.hits + hits, self.misses + misses)

    @property
    def mean(self) -> float:
        return self.hits / (self.hits + self.misses)

    @property
    def sd(self) -> float:
        """Standard deviation."""
        n = self.hits + self.misses
        return math.sqrt(self.hits * self.misses / (n * n * (n + 1)))

    def estimate(self) -> Estimate:
        """Mean and the middle 95 %."""
        from scipy.special import betaincinv  # only here: it takes a while to import

        low, high = (float(betaincinv(self.hits, self.misses, q)) for q in (0.025, 0.975))
        return Estimate(self.mean, min(low, self.mean), max(high, self.mean))


def dirichlet_mean(prior: Sequence[float], counts: Sequence[float]) -> tuple[float, ...]:
    """Posterior mean of shares: prior counts and counts, over their sum."""
    both = [a + n for a, n in zip(prior, counts, strict=True)]
    whole = sum(both)
    return tuple(x / whole for x in both)


@dataclass(frozen=True)
class LogTime:
    """A time in minutes, log-normal: the mean of its logarithm counts for `weight` measurements.

    `spread` is the standard deviation of the logarithm of one measurement; it is taken as known.
    """

    log_mean: float
    weight: float
    spread: float

    def seen(self, tally: Tally) -> LogTime:
        """After so many more measurements (the normal model with known variance)."""
        weight = self.weight + tally.n
        if weight == 0:
            return self
        mean = (self.weight * self.log_mean + tally.total) / weight
        return LogTime(mean, weight, self.spread)

    def estimate(self) -> Estimate:
        """The median time, and the 95 % interval of that median."""
        width = MIDDLE_95 * self.spread / math.sqrt(self.weight)
        return Estimate(
            math.exp(self.log_mean),
            math.exp(self.log_mean - width),
            math.exp(self.log_mean + width),
        )


def pooled_spread(tallies: Sequence[Tally], guess: float, weight: float) -> float:
    """Standard deviation of the logarithm of one measurement about its own mean.

    Parameters
    ----------
    guess, weight
        A value beforehand, and the measurements that it counts for.
    """
    squares = sum(t.squares - t.total**2 / t.n for t in tallies if t.n > 1)
    free = sum(t.n - 1 for t in tallies if t.n > 1)
    return math.sqrt((weight * guess**2 + max(squares, 0.0)) / (weight + free))
