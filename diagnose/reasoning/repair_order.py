"""In which order to try repairs, and to look before repairing.

What may be at fault is a distribution over sets of causes, so that two faults at once are no
special case; a cause that no repair takes away is ended by the service call alone. Costs may be
in minutes or money, as long as they are in one of them.

References
----------
.. [1] D. Heckerman, J. S. Breese, K. Rommelse, "Decision-theoretic troubleshooting",
   Communications of the ACM 38 (1995) 49-57: repairs by probability over cost, pairs of an
   observation and a repair, the service call.
.. [2] J. Kalagnanam, M. Henrion, "A comparison of decision analysis and expert rules for
   sequential diagnosis", arXiv 1304.2362: rising cost over probability is the cheapest order for
   one fault and definitive tests of the components.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

SERVICE = "service"
"""The step that ends every fault: for us, a specialist or a whole replacement."""

Causes = Mapping[frozenset[str], float]
"""Probability of each set of causes that may be present; the sets exclude one another."""


@dataclass(frozen=True)
class Repair:
    """What a repair costs, and, where one can look first, what looking costs."""

    cost: float
    observe: float | None = None

    def expected(self, p: float) -> float:
        """Expected cost of the step: the repair, or looking and then, if faulty, the repair."""
        return self.cost if self.observe is None else self.observe + p * self.cost


@dataclass(frozen=True)
class Ordered:
    """One step of an order and its probability over cost when its turn comes."""

    name: str
    ratio: float


def one_cause(p: Mapping[str, float]) -> dict[frozenset[str], float]:
    """Exactly one cause is present."""
    return {frozenset({name}): x for name, x in p.items() if x > 0}


def any_causes(prior: Mapping[str, float], unexplained: float = 0.0) -> dict[frozenset[str], float]:
    """Independent causes, given that at least one is present or the complaint came by itself.

    Parameters
    ----------
    prior : cause -> its probability before the complaint
    unexplained
        Chance of the complaint without any cause.

    Returns
    -------
    Each set of causes with its probability given the complaint; the cause ``unexplained`` stands
    for none of them.
    """
    found: dict[frozenset[str], float] = {}
    for present in itertools.product((False, True), repeat=len(prior)):
        p = 1.0
        for here, chance in zip(present, prior.values(), strict=True):
            p *= chance if here else 1.0 - chance
        names = frozenset(n for n, here in zip(prior, present, strict=True) if here)
        if not names:
            p *= unexplained
            names = frozenset({"unexplained"})
        if p > 0:
            found[names] = found.get(names, 0.0) + p
    return _normalised(found)


def chance(causes: Causes, name: str) -> float:
    """Probability that a cause is present."""
    return sum(p for names, p in causes.items() if name in names)


def repaired(causes: Causes, name: str) -> dict[frozenset[str], float]:
    """What may be at fault when a cause is out of the way and the complaint stays.

    The result is empty where that cannot be.
    """
    left: dict[frozenset[str], float] = {}
    for names, p in causes.items():
        rest = names - {name}
        if rest:
            left[rest] = left.get(rest, 0.0) + p
    return _normalised(left)


def ratio_order(
    p: Mapping[str, float], cost: Mapping[str, float], service: float | None = None
) -> list[Ordered]:
    """Repairs by falling probability over cost [1]_, [2]_, the probabilities as they are now.

    Parameters
    ----------
    service
        Cost of the service call: a step of probability 1, after which nothing follows.

    Raises
    ------
    ValueError
        A cost is missing, or not above 0.
    """
    _refuse_costs(p, cost, service)
    steps = [Ordered(name, x / cost[name]) for name, x in p.items()]
    if service is not None:
        steps.append(Ordered(SERVICE, 1.0 / service))
    steps.sort(key=lambda step: (-step.ratio, step.name))
    names = [step.name for step in steps]
    return steps if service is None else steps[: names.index(SERVICE) + 1]


def observe_repair_order(
    causes: Causes, repairs: Mapping[str, Repair], service: float | None = None
) -> list[Ordered]:
    """Repairs by probability over expected cost, both reckoned anew after each step [1]_.

    A repair that can be looked at first counts as a pair: looking, then, if faulty, the repair.

    Raises
    ------
    ValueError
        A cost is not above 0.
    """
    _refuse_costs(repairs, {name: r.expected(1.0) for name, r in repairs.items()}, service)
    left, now, order = dict(repairs), dict(causes), list[Ordered]()
    while left and now:
        steps = []
        for name, repair in left.items():
            p = chance(now, name)
            if p > 0:
                steps.append(Ordered(name, p / repair.expected(p)))
        if service is not None:
            steps.append(Ordered(SERVICE, 1.0 / service))
        if not steps:
            break
        best = min(steps, key=lambda step: (-step.ratio, step.name))
        order.append(best)
        if best.name == SERVICE:
            return order
        del left[best.name]
        now = repaired(now, best.name)
    if service is not None and now:
        order.append(Ordered(SERVICE, 1.0 / service))
    return order


def expected_cost(
    order: Sequence[str], causes: Causes, repairs: Mapping[str, Repair], service: float = 0.0
) -> float:
    """Expected cost of going through an order until the complaint is gone."""
    total, going, now = 0.0, 1.0, dict(causes)
    for name in order:
        if not now:
            break
        if name == SERVICE:
            return total + going * service
        total += going * repairs[name].expected(chance(now, name))
        going *= 1.0 - now.get(frozenset({name}), 0.0)
        now = repaired(now, name)
    return total


def _normalised(causes: Causes) -> dict[frozenset[str], float]:
    total = sum(causes.values())
    return {names: p / total for names, p in causes.items()} if total > 0 else {}


def _refuse_costs(names: Iterable[str], cost: Mapping[str, float], service: float | None) -> None:
    for name in names:
        if not cost.get(name, 0.0) > 0:
            raise ValueError(f"the repair '{name}' must have a cost above 0")
    if service is not None and not service > 0:
        raise ValueError("the service call must have a cost above 0")
