"""Sites where a unit fails more often, or less, than the firm's cases let expect."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from diagnose.casebook.counting import Counts
from diagnose.casebook.rates import Causes, Modes, RateFit
from diagnose.knowledge.names import unit_of
from diagnose.knowledge.overlay_records import Key, Learned

Floats = NDArray[np.float64]
Shares = dict[str, dict[str, float]]
"""By installation type, the share of all cases that each unit is expected to have."""

SITE_CASES = 3
"""A site's own rates need so many cases there."""
MOST = 500
"""Numbers of sites that are written: those that are most surely different."""
TRIED = 20_000
"""Sites from which the weight is found, where there are more."""

SITE_WEIGHTS = (3.0, 10.0, 30.0, 100.0, 1000.0)
"""Cases of a unit that the firm's rates may count for at a site; the likeliest is taken."""


def site_weight(found: Floats, expected: Floats) -> float:
    """How many cases of a unit the firm's share of it counts for at one site.

    The marginal likelihood of a Gamma-Poisson model over all pairs of a site and a unit, maximal
    over `SITE_WEIGHTS`: where sites are alike, the largest.

    Parameters
    ----------
    found, expected : (pairs,)
        Cases of a unit at a site, and as many as the firm's shares let expect.
    """
    if not len(found):
        return SITE_WEIGHTS[-1]
    from scipy.special import gammaln  # only here: it takes a while to import

    def evidence(weight: float) -> float:
        rising = gammaln(found + weight) - gammaln(weight)
        whole = weight * np.log(weight) - (found + weight) * np.log(weight + expected)
        return float((rising + whole).sum())

    return max(SITE_WEIGHTS, key=evidence)


def site_factors(found: Floats, expected: Floats, weight: float) -> tuple[Floats, Floats, Floats]:
    """How much more often a unit fails at a site than elsewhere: mean and 95 % interval.

    Gamma(weight, weight) before, Gamma(weight + found, weight + expected) after [1]_.

    References
    ----------
    .. [1] A. Gelman and others, Bayesian Data Analysis, 3rd ed., section 2.6: the Poisson model
       with its conjugate Gamma prior (from memory).
    """
    from scipy.special import gammaincinv  # only here: it takes a while to import

    shape, rate = weight + found, weight + expected
    return (
        np.asarray(shape / rate),
        np.asarray(gammaincinv(shape, 0.025) / rate),
        np.asarray(gammaincinv(shape, 0.975) / rate),
    )


def expected_shares(modes: Modes, causes: Causes, fit: RateFit) -> Shares:
    """The share of the cases that each unit is expected to have by the rates as learned."""
    weight = causes.shown * (modes.handbook * fit.factor)
    expected = causes.totals @ (weight / weight.sum(axis=1, keepdims=True))
    found: Shares = {}
    for (kind, name), cases in zip(modes.names, expected.tolist(), strict=True):
        units = found.setdefault(kind, {})
        unit = unit_of(name)
        units[unit] = units.get(unit, 0.0) + cases
    return {k: {u: n / sum(units.values()) for u, n in units.items()} for k, units in found.items()}


def site_numbers(
    counts: Counts, shares: Shares, pinned: float | None = None
) -> tuple[dict[Key, Learned], float]:
    """Factors that are surely not 1 (their 95 % interval leaves it out), and the weight used.

    At most `MOST` of them, so that the file stays readable whatever the number of sites. A weight
    that is `pinned` is taken as it is.
    """
    found: dict[Key, Learned] = {}
    weight = pinned or SITE_WEIGHTS[-1]
    for kind, units in shares.items():
        names = list(units)
        share = np.array([units[n] for n in names])
        sites, table = _table(counts, kind, {n: k for k, n in enumerate(names)})
        often = np.flatnonzero(table.sum(axis=1) >= SITE_CASES)
        table, sites = table[often], [sites[k] for k in often.tolist()]
        if not sites:
            continue
        expected = table.sum(axis=1, keepdims=True) * share
        if pinned is None:
            weight = site_weight(table[:TRIED].ravel(), expected[:TRIED].ravel())
        values, lows, highs = site_factors(table, expected, weight)
        far = np.where((lows > 1) | (highs < 1), np.abs(np.log(values)), 0.0)
        order = np.argsort(-far, axis=None, kind="stable")[:MOST]
        for row, column in zip(*np.unravel_index(order, far.shape), strict=True):
            if far[row, column] == 0.0:
                break
            value, low, high = (float(x[row, column]) for x in (values, lows, highs))
            key = ("rates", kind, sites[row], names[column])
            cases = int(table[row, column])
            found[key] = Learned(value, 1.0, min(low, value), max(high, value), cases)
    return found, weight


def _table(counts: Counts, kind: str, column: dict[str, int]) -> tuple[list[str], Floats]:
    """Cases of each unit at each site, (sites, units)."""
    row: dict[str, int] = {}
    places: list[tuple[int, int]] = []
    numbers: list[int] = []
    for (of_kind, site, cause), n in counts.sites.items():
        unit = column.get(unit_of(cause))
        if of_kind == kind and unit is not None:
            places.append((row.setdefault(site, len(row)), unit))
            numbers.append(n)
    table = np.zeros((len(row), len(column)))
    if places:
        at = np.array(places)
        np.add.at(table, (at[:, 0], at[:, 1]), numbers)
    order = sorted(row)
    return order, table[[row[site] for site in order]] if order else table
