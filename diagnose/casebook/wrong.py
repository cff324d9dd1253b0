"""Chances of wrong answers, from what confirmed causes should have shown.

A finding is the outcome that was there, or, with the chance e of a wrong answer, any other one:
``P(finding) = (1 - e)·p + e·(1 - p)/(k - 1)``, where p is what the dependency matrix says of the
confirmed cause and k the number of outcomes. Which findings were wrong is not known; the expected
number of them is found together with e [1]_. Before any case e is Beta distributed about the
handbook's value.

References
----------
.. [1] A. P. Dempster, N. M. Laird, D. B. Rubin, "Maximum likelihood from incomplete data via the
   EM algorithm", J. Royal Statistical Society B 39 (1977) 1-38 (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diagnose.casebook.counting import Counts
from diagnose.casebook.shrinkage import Beta
from diagnose.casebook.wirings import Wirings
from diagnose.knowledge.names import spec_of

Floats = NDArray[np.float64]

WEIGHTS = (30.0, 100.0, 300.0, 1000.0)
"""Answers that the handbook's chance of a wrong one may count for; the likeliest is taken."""
LEAST_ERROR = 0.002
MOST_ERROR = 0.4
"""Learned chances stay between these: beyond, not the answers are wrong but the knowledge."""
ROUNDS = 200


@dataclass(frozen=True)
class Answers:
    """What was answered to one test under confirmed causes.

    Attributes
    ----------
    p : (kinds,)
        Chance of each answer without error.
    others : (kinds,)
        Number of other outcomes, k - 1.
    n : (kinds,)
        How often it was given.
    """

    p: Floats
    others: Floats
    n: Floats

    def wrong(self, error: float) -> float:
        """Expected number of wrong answers."""
        by_error = error * (1 - self.p) / self.others
        return float(self.n @ (by_error / ((1 - error) * self.p + by_error)))

    def information(self, error: float) -> float:
        """Observed information about the chance of a wrong answer."""
        slope = (1 - self.p) / self.others - self.p
        chance = self.p + error * slope
        return float(self.n @ (slope / chance) ** 2)


def fit_error(answers: Answers, prior: Beta) -> Beta:
    """Posterior of the chance of a wrong answer: a Beta with the mode's curvature."""
    total, weight = float(answers.n.sum()), prior.hits + prior.misses
    error = prior.mean
    for _ in range(ROUNDS):
        new = (prior.hits + answers.wrong(error)) / (weight + total)
        done = abs(new - error) < 1e-9
        error = new
        if done:
            break
    error = min(max(error, LEAST_ERROR), MOST_ERROR)
    spread = error * (1 - error)
    known = weight / spread + answers.information(error)
    return Beta.around(error, min(max(spread * known, weight), weight + total))


def answers_by_test(
    counts: Counts, wirings: Wirings, by_phone: bool
) -> Mapping[tuple[str, str], Answers]:
    """Sure answers under confirmed causes by installation type and test as written."""
    found: dict[tuple[str, str], list[tuple[float, float, float]]] = {}
    for key, n in counts.findings.items():
        kind, variants, cause, test, outcome, phoned, sure = key
        if phoned is not by_phone or not sure:
            continue
        wiring = wirings.of(kind, variants)
        if wiring is None:
            continue
        shown = wiring.shows(cause, test)
        place = wirings.outcome_index(wiring, test, outcome)
        if shown is None or place is None:
            continue
        entry = (float(shown[place]), float(len(shown) - 1), float(n))
        found.setdefault((kind, spec_of(test)), []).append(entry)
    return {
        key: Answers(*(np.array(column) for column in zip(*rows, strict=True)))
        for key, rows in found.items()
    }


def fitting_weight(cases: Mapping[tuple[str, str], tuple[Answers, float]]) -> float:
    """How many answers the handbook's chances count for: where tests are as it says, many.

    The marginal likelihood of the expected numbers of wrong answers, maximal over `WEIGHTS`.
    """
    from scipy.special import betaln  # only here: it takes a while to import

    def evidence(weight: float) -> float:
        total = 0.0
        for answers, mean in cases.values():
            prior = Beta.around(mean, weight)
            n = float(answers.n.sum())
            wrong = answers.wrong(fit_error(answers, prior).mean)
            total += float(
                betaln(prior.hits + wrong, prior.misses + n - wrong)
                - betaln(prior.hits, prior.misses)
            )
        return total

    return max(WEIGHTS, key=evidence) if cases else WEIGHTS[-1]
