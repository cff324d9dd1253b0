"""Failure rates from counts of causes: the handbook's, shifted as far as the cases carry.

Model. Given the complaints c reported at an installation, the cause is failure mode m with
probability

    P(m | c) = rate_m · P(c | m) / Σ_j rate_j · P(c | j),

which is what a callout starts from. The rate is ``handbook_m · exp(f_m)``, and f is Gaussian with
mean 0 and a covariance that adds up over groups: the class of the failure mode (wear,
commissioning, damage), the part type, the failure mode of the part type, and the installed
failure mode itself. So cases of one float say something of all floats, three cases never outvote
the handbook, and three hundred do.

How far rates may lie from the handbook (the spread) and how much of it a group has in common (the
make-up) is not assumed: every pair on a grid is fitted, and the fits are averaged by their
marginal likelihood [1]_; one of them is the handbook as it stands. Each fit is Laplace's
approximation of the posterior of f [2]_; the rate to use is the posterior mean
``handbook · exp(f + variance / 2)``.

With one installation whose complaint every cause shows alike, and every group apart, this is a
Dirichlet model but for the shape of its prior: a spread s weighs as a Dirichlet prior of about
1/s² cases per failure mode.

References
----------
.. [1] A. Gelman and others, Bayesian Data Analysis, 3rd ed., sections 5.1 and 7.4 (from memory).
.. [2] C. E. Rasmussen, C. K. I. Williams, Gaussian Processes for Machine Learning, section 3.5
   (from memory).
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SPREADS = (0.2, 0.4, 0.7, 1.0, 1.4, 1.8)
"""Standard deviations of the logarithm of a rate about the handbook's that are weighed."""
MAKE_UPS = {
    "mode": (0.0, 0.0, 1.0),
    "part": (0.0, 0.6, 0.4),
    "mostly part": (0.0, 0.85, 0.15),
    "class": (0.4, 0.2, 0.4),
}
"""Shares of the variance that a class, a part type and a failure mode have in common."""
INSTALLED = 0.1
"""Share of a failure mode's own variance that two installed parts of a type do not share."""
HANDBOOK = 0.2
"""Probability, before any case, that the handbook's rates are right as they stand (judgement)."""
MOST_NEWTON = 40
MOST_GROUPS = 1000
"""Kinds of case (wiring and complaints) fitted; the rarest are left out beyond these."""
ENOUGH = 1e-4
"""Gain in log probability at which Newton's method has arrived."""
NEGLIGIBLE = 1e-4
"""Fits of less weight are left out."""
HOPELESS = 12.0
"""Beyond its best spread, a make-up is not followed where its log evidence is worse by this."""


@dataclass(frozen=True)
class Modes:
    """Installed failure modes with the groups that they belong to and the handbook's rates.

    Attributes
    ----------
    names : tuple of (installation type, ``unit.mode``)
    classes, parts, part_modes : tuple
        The groups of each.
    handbook : (modes,)
        Failures per million hours.
    """

    names: tuple[tuple[str, str], ...]
    classes: tuple[Hashable, ...]
    parts: tuple[Hashable, ...]
    part_modes: tuple[Hashable, ...]
    handbook: Floats

    @cached_property
    def index(self) -> dict[tuple[str, str], int]:
        """Position by name."""
        return {name: k for k, name in enumerate(self.names)}

    def covariance(self, spread: float, make_up: Sequence[float]) -> Floats:
        """Covariance of the logarithms of the rates before any case, (modes, modes)."""
        of_class, of_part, of_mode = make_up
        own = of_mode * ((1 - INSTALLED) * self._alike[2] + INSTALLED * np.eye(len(self.names)))
        common = of_class * self._alike[0] + of_part * self._alike[1] + own
        return np.asarray(spread * spread * common)

    @cached_property
    def _alike(self) -> tuple[Floats, Floats, Floats]:
        def same(groups: Sequence[Hashable]) -> Floats:
            number = {group: k for k, group in enumerate(dict.fromkeys(groups))}
            own = np.array([number[g] for g in groups])
            return np.asarray(own[:, None] == own[None, :], dtype=float)

        return same(self.classes), same(self.parts), same(self.part_modes)


@dataclass(frozen=True)
class Causes:
    """Counts of confirmed causes by kind of case.

    Attributes
    ----------
    counts : (kinds, modes)
    shown : (kinds, modes)
        P(complaints | mode), 0 for a mode that is not installed there.
    """

    counts: Floats
    shown: Floats

    @cached_property
    def totals(self) -> Floats:
        """Cases of each kind, (kinds,)."""
        return np.asarray(self.counts.sum(axis=1))

    def most(self, limit: int = MOST_GROUPS) -> Causes:
        """The kinds with cases, the commonest `limit` of them."""
        order = np.argsort(-self.totals, kind="stable")[:limit]
        order = order[self.totals[order] > 0]
        return Causes(self.counts[order], self.shown[order])


@dataclass(frozen=True)
class RateFit:
    """Learned rates as factors on the handbook's.

    Attributes
    ----------
    factor, low, high : (modes,)
        Posterior mean, and the ends of its 95 % interval.
    spread : float
        Standard deviation of the logarithm of a rate about the handbook's, averaged.
    handbook : float
        Probability that the handbook's rates are right as they stand.
    make_up : mapping of make-up to probability
    """

    factor: Floats
    low: Floats
    high: Floats
    spread: float
    handbook: float
    make_up: dict[str, float]

    @property
    def weight(self) -> float:
        """Cases of a failure mode that the handbook's rate counts for."""
        return 1.0 / max(self.spread**2, 1e-6)


def fit_rates(modes: Modes, causes: Causes) -> RateFit:
    """Fit every spread and make-up, and average the fits by how well they foretold the causes."""
    data = causes.most()
    size = len(modes.names)
    start = np.zeros(size)
    log_evidence = [_log_likelihood(modes, data, start)[0]]
    prior = [HANDBOOK]
    means, spreads, made = [start], [0.0], [""]
    fits: list[_Fit | None] = [None]
    each = (1.0 - HANDBOOK) / (len(SPREADS) * len(MAKE_UPS))
    for name, make_up in MAKE_UPS.items():
        weights, best, earlier = np.zeros(size), log_evidence[0], SPREADS[0]
        for spread in SPREADS:
            k = modes.covariance(spread, make_up)
            fit = _laplace(modes, data, k, weights * (earlier / spread) ** 2)
            weights, earlier, evidence = fit.weights, spread, fit.evidence
            means.append(fit.mean)
            fits.append(fit)
            log_evidence.append(evidence)
            prior.append(each)
            spreads.append(spread)
            made.append(name)
            best = max(best, evidence)
            if evidence < best - HOPELESS:
                break
    log_weight = np.log(prior) + np.array(log_evidence)
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    kept = weight > NEGLIGIBLE
    weight = np.where(kept, weight, 0.0) / weight[kept].sum()
    none = np.zeros(size)
    widths = [f.variances(modes) if f and k else none for f, k in zip(fits, kept, strict=True)]
    mean, variance = np.array(means), np.array(widths)
    factor = weight @ np.exp(mean + variance / 2)
    centre = weight @ mean
    width = 1.959964 * np.sqrt(weight @ (variance + mean**2) - centre**2 + 1e-18)
    return RateFit(
        factor=np.asarray(factor),
        low=np.minimum(np.exp(centre - width), factor),
        high=np.maximum(np.exp(centre + width), factor),
        spread=float(np.sqrt(weight @ np.square(spreads))),
        handbook=float(weight[0]),
        make_up={
            name: float(weight[[k for k, m in enumerate(made) if m == name]].sum())
            for name in MAKE_UPS
        },
    )


def _log_likelihood(modes: Modes, data: Causes, f: Floats) -> tuple[float, Floats]:
    """Log probability of the causes given the complaints, and P(mode | kind of case)."""
    weight = data.shown * (modes.handbook * np.exp(f))
    p = weight / weight.sum(axis=1, keepdims=True)
    seen = data.counts > 0
    return float((data.counts[seen] * np.log(p[seen])).sum()), p


@dataclass(frozen=True)
class _Fit:
    """One fit: the posterior's mode, the log evidence, and the weights ``k⁻¹ f``.

    Cases say nothing of how often anything fails at all, so mode and variances are of f less its
    mean, weighted by the handbook's rates.
    """

    mean: Floats
    evidence: float
    weights: Floats
    inner: Floats
    k: Floats

    def variances(self, modes: Modes) -> Floats:
        """Variance of each failure mode's f, (modes,)."""
        covariance = np.linalg.solve(self.inner, self.k)
        share = modes.handbook / modes.handbook.sum()
        with_all = covariance @ share
        variance = np.diag(covariance) - 2 * with_all + share @ with_all
        return np.asarray(np.maximum(variance, 0.0))


def _laplace(modes: Modes, data: Causes, k: Floats, weights: Floats) -> _Fit:
    """Fit one covariance: Newton's method in the weights a, f = k a, so k is never inverted."""
    size = len(weights)
    eye = np.eye(size)
    total = data.counts.sum(axis=0)
    a, f = weights, k @ weights
    likelihood, p = _log_likelihood(modes, data, f)
    value = likelihood - 0.5 * float(a @ f)
    for _ in range(MOST_NEWTON):
        expected, curvature = _curvature(data, p)
        b = curvature @ f + total - expected
        wanted = np.linalg.solve(eye + curvature @ k, b)
        step = 1.0
        while True:
            tried = a + step * (wanted - a)
            f_tried = k @ tried
            likelihood, p_tried = _log_likelihood(modes, data, f_tried)
            reached = likelihood - 0.5 * float(tried @ f_tried)
            if reached >= value - ENOUGH or step < 1e-4:
                break
            step /= 2
        gained = reached - value
        a, f, p, value = tried, f_tried, p_tried, reached
        if abs(gained) < ENOUGH:
            break
    _, curvature = _curvature(data, p)
    inner = eye + k @ curvature
    evidence = value - 0.5 * float(np.linalg.slogdet(inner)[1])
    share = modes.handbook / modes.handbook.sum()
    return _Fit(f - share @ f, evidence, a, inner, k)


def _curvature(data: Causes, p: Floats) -> tuple[Floats, Floats]:
    """Expected counts, (modes,), and minus the Hessian of the log likelihood, (modes, modes)."""
    expected = data.totals @ p
    return expected, np.diag(expected) - (p.T * data.totals) @ p
