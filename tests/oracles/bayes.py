"""An independent posterior and information gain: exact inference by the library pyagrum.

The same numbers as a Bayesian network: a node ``cause`` with the prior, a node ``unit`` that is
a function of the cause, and one node per test whose parents are the cause and the kind of
``person`` who answers.

Source of the structure: D. Heckerman, J. S. Breese, K. Rommelse, "Decision-theoretic
troubleshooting", Communications of the ACM 38 (1995) 49-57 (one fault, answers independent
given the fault). Mutual information: T. M. Cover, J. A. Thomas, "Elements of Information
Theory", 2nd edition, Wiley 2006, section 2.4 (reference from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pyagrum
from numpy.typing import NDArray

from diagnose.reasoning.belief import Hypotheses

Floats = NDArray[np.float64]
gum: Any = pyagrum  # its calls carry no types


MOST_WRONG = 0.4
"""Written down a second time: a careless person answers wrongly no more often."""


def answers_of(table: Hypotheses, test: int, care: float = 1.0) -> Floats:
    """P(answer | hypothesis) of one test, (hypotheses, outcomes): what it shows, then misread.

    What is shown is multiplied by the matrix of what a person of one kind then answers.
    """
    size, error = int(table.sizes[test]), float(table.errors[test])
    if care != 1.0:
        error = min(error * care, MOST_WRONG)
    misread = np.full((size, size), error / (size - 1))
    np.fill_diagonal(misread, 1 - error)
    return np.ascontiguousarray(table.clean[:, test, :size] @ misread)


class NetworkOracle:
    """The network of one table, built once.

    Parameters
    ----------
    table
        Only its names, units, sizes, noise-free distributions, errors and kinds of person are
        read.
    prior : (hypotheses,)
        Probabilities.
    """

    def __init__(self, table: Hypotheses, prior: Floats) -> None:
        self.tests = [f"test_{k}" for k in range(len(table.tests))]
        self.units = list(dict.fromkeys(table.units))
        net = gum.BayesNet("one_cause")
        count = len(table.names)
        net.add(gum.RangeVariable("cause", "", 0, count - 1))
        net.add(gum.RangeVariable("unit", "", 0, len(self.units) - 1))
        net.add(gum.RangeVariable("person", "", 0, len(table.care) - 1))
        net.addArc("cause", "unit")
        net.cpt("person").fillWith([share for _, share in table.care])
        net.cpt("cause").fillWith(prior.tolist())
        of = np.zeros((count, len(self.units)))
        of[np.arange(count), [self.units.index(u) for u in table.units]] = 1.0
        net.cpt("unit")[:] = of
        for k, (test, size) in enumerate(zip(self.tests, table.sizes.tolist(), strict=True)):
            net.add(gum.RangeVariable(test, "", 0, size - 1))
            net.addArc("cause", test)
            net.addArc("person", test)
            for kind, (care, _) in enumerate(table.care):
                net.cpt(test)[{"person": kind}] = answers_of(table, k, care)
        self.net = net

    def turn(
        self,
        evidence: Mapping[int, int],
        wanted: Sequence[int],
        softly: Floats | None = None,
        kind: Any = gum.ShaferShenoyInference,
    ) -> tuple[Floats, Floats]:
        """Posterior of the causes, and information about the unit from each wanted test (bits).

        Parameters
        ----------
        evidence : test position -> outcome position
        wanted : positions of tests without evidence
        softly : (hypotheses,), optional
            Likelihood of some further, uncertain evidence on the cause.
        kind : class of the library's engine
        """
        engine = kind(self.net)
        seen: dict[str, int | list[float]] = {self.tests[k]: o for k, o in evidence.items()}
        if softly is not None:
            seen["cause"] = softly.tolist()
        engine.setEvidence(seen)
        engine.addTarget("cause")
        engine.addTarget("unit")
        for k in wanted:
            engine.addJointTarget({"unit", self.tests[k]})
        engine.makeInference()
        posterior = np.asarray(engine.posterior("cause").toarray())
        of_unit = engine.posterior("unit").entropy()
        gains = []
        for k in wanted:
            joint = engine.jointPosterior({"unit", self.tests[k]})
            of_test = joint.sumOut(["unit"]).entropy()
            gains.append(of_unit + of_test - joint.entropy())
        return posterior, np.array(gains)
