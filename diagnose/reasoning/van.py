"""What to load before the drive: the cheapest spares and the fewest instruments that suffice.

Both are small enough to be solved exactly.
"""

from __future__ import annotations

import itertools
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diagnose.knowledge.names import unit_of
from diagnose.plant.compose import Installation
from diagnose.reasoning.belief import UNKNOWN_UNIT, Belief
from diagnose.reasoning.programs import Program

SHARE = 0.9
"""Share of what is still likely that the van covers unless another one is chosen."""
TIE = 1e-3
"""Minutes that a certainty of having the spare is worth: it only decides between equal costs."""
SOLVED_TO = 1e-6
"""The solver keeps to its constraints to within this much."""
APART = 0.5
"""Two causes are told apart by a test whose outcomes overlap by no more than this."""
ALWAYS = "multimeter"
"""Goes along whatever is likely."""
LIKELY = 0.99
"""Causes are taken into account, the likeliest first, up to this share."""

Floats = NDArray[np.float64]
Needs = Mapping[frozenset[str], float]
"""Sets of spares that some cause needs, all of them together, and how likely that cause is."""


@dataclass(frozen=True)
class Spare:
    """One spare to load: what it costs, and how likely the causes are that need it."""

    name: str
    cost: float
    covers: float


@dataclass(frozen=True)
class Load:
    """The spares chosen.

    Attributes
    ----------
    cost : float
        Minutes of working time (see the scale ``spare_prices``).
    covered : float
        Share, among the causes that need a spare, of those whose spares are all in the van.
    covered_all : float
        The same among all known causes; one that needs no spare counts as covered.
    no_spare, unknown : float
        Probability that no spare is needed, and that the cause is not a known one.
    """

    spares: tuple[Spare, ...]
    cost: float
    covered: float
    covered_all: float
    no_spare: float
    unknown: float


def needs_of(installation: Installation, p: Mapping[str, float]) -> dict[frozenset[str], float]:
    """Probability of each set of spares over the failure modes; the empty set needs none."""
    found: dict[frozenset[str], float] = {}
    for name, probability in p.items():
        if name in installation.modes:
            spares = frozenset(installation.modes[name].mode.spares)
            found[spares] = found.get(spares, 0.0) + probability
    return found


def covered_by(needs: Needs, chosen: frozenset[str]) -> float:
    """Probability of the causes that need some spare and find all of theirs among `chosen`."""
    return sum(p for spares, p in needs.items() if spares and spares <= chosen)


def cheapest(needs: Needs, prices: Mapping[str, float], share: float) -> frozenset[str]:
    """The cheapest spares that cover at least a share of the causes that need one.

    A mixed integer program: a cause counts where every one of its spares is chosen. Between
    equal costs the larger cover wins.

    Raises
    ------
    ValueError
        The share does not lie above 0 and up to 1.
    """
    if not 0 < share <= 1:
        raise ValueError("a share lies above 0 and up to 1")
    total = sum(p for spares, p in needs.items() if spares)
    if total <= 0:
        return frozenset()
    if share * total + SOLVED_TO > total:
        return frozenset[str]().union(*(spares for spares, p in needs.items() if p > 0))
    return _solve(needs, prices, at_least=share * total + SOLVED_TO)


def best_within(needs: Needs, prices: Mapping[str, float], money: float) -> frozenset[str]:
    """The spares for at most so much money that cover the most."""
    return _solve(needs, prices, money=money)


def _solve(
    needs: Needs,
    prices: Mapping[str, float],
    at_least: float | None = None,
    money: float | None = None,
) -> frozenset[str]:
    """Exactly one of `at_least` (then cost is minimised) and `money` (cover is maximised)."""
    groups = [(spares, p) for spares, p in needs.items() if spares and p > 0]
    names = sorted({name for spares, _ in groups for name in spares})
    place = {name: k for k, name in enumerate(names)}
    count = len(names)
    cost = np.array([*(prices[name] for name in names), *np.zeros(len(groups))])
    cover = np.array([*np.zeros(count), *(p for _, p in groups)])
    whole = np.arange(len(cost)) < count
    aim = cost - TIE * cover if at_least is not None else TIE * TIE * cost - cover
    program = Program(aim, whole)
    for g, (spares, _) in enumerate(groups):
        for name in sorted(spares):
            program.implies(count + g, [place[name]])
    covers = [(count + g, p) for g, (_, p) in enumerate(groups)]
    if at_least is not None:
        program.at_least(covers, at_least)
    if money is not None:
        program.at_most([(k, prices[name]) for name, k in place.items()], money)
    taken = program.solve().taken
    chosen = frozenset(name for name, k in place.items() if taken[k])
    return frozenset[str]().union(*(s for s, _ in groups if s <= chosen))


def load_for(
    installation: Installation,
    prices: Mapping[str, float],
    belief: Belief,
    share: float = SHARE,
    among: Collection[str] | None = None,
) -> Load:
    """What to load, given what is still likely.

    Parameters
    ----------
    prices : spare -> minutes
    share : float
        Least share to cover of the causes that need a spare.
    among
        The failure modes to load for; None: all.
    """
    p = {n: q for n, q in belief.ranking() if among is None or n in among}
    needs = needs_of(installation, p)
    no_spare = needs.get(frozenset(), 0.0)
    total = sum(needs.values()) - no_spare
    chosen = cheapest(needs, prices, share)
    covered = covered_by(needs, chosen)
    spares = [
        Spare(name, prices[name], sum(q for s, q in needs.items() if name in s and s <= chosen))
        for name in chosen
    ]
    return Load(
        spares=tuple(sorted(spares, key=lambda s: (-s.covers, s.name))),
        cost=sum(s.cost for s in spares),
        covered=covered / total if total > 0 else 1.0,
        covered_all=(covered + no_spare) / max(total + no_spare, 1e-12),
        no_spare=no_spare,
        unknown=sum(q for n, q in belief.ranking() if unit_of(n) == UNKNOWN_UNIT),
    )


def instruments_for(
    belief: Belief, instrument: Mapping[str, str], share: float = SHARE
) -> tuple[str, ...]:
    """The fewest instruments, the multimeter among them, that do nearly what all would do.

    What a set of tests does is the chance that two causes in two different units, drawn by
    their probability, are told apart by one of the tests.

    Parameters
    ----------
    instrument : test -> instrument
        The tests that may be made on site; ``none`` needs no instrument.
    share : float
        Share to reach of what all the instruments together reach.

    Returns
    -------
    tuple of str
        Sorted by id, without ``none``.
    """
    table = belief.table
    used = set(instrument.values())
    always = tuple({ALWAYS} & used)
    kinds = sorted(used - {"none", ALWAYS})
    apart = {kind: np.zeros(0) for kind in ("none", *always, *kinds)}
    chosen, weight = _pairs(belief)
    for kind in apart:
        tests = [table.test_index[t] for t, own in instrument.items() if own == kind]
        apart[kind] = _told_apart(table.clean[chosen], tests)
    best = float((weight * np.maximum.reduce(list(apart.values()))).sum())
    for size in range(len(kinds) + 1):
        tried: list[tuple[float, tuple[str, ...]]] = []
        for some in itertools.combinations(kinds, size):
            told = np.maximum.reduce([apart[kind] for kind in ("none", *always, *some)])
            tried.append((-float((weight * told).sum()), some))
        gained, some = min(tried)
        if -gained >= share * best - 1e-12:
            return tuple(sorted((*always, *some)))
    return tuple(sorted((*always, *kinds)))


def _pairs(belief: Belief) -> tuple[NDArray[np.int_], Floats]:
    """The likely hypotheses, and the weight of each pair of them in two units."""
    p = belief.p
    order = np.argsort(-p, kind="stable")
    known = np.array([belief.table.units[k] != UNKNOWN_UNIT for k in order])
    order = order[known]
    share = np.cumsum(p[order]) / max(float(p[order].sum()), 1e-12)
    order = order[: int(np.searchsorted(share, LIKELY)) + 1]
    unit = belief.table.unit_index[order]
    return order, np.outer(p[order], p[order]) * (unit[:, None] != unit[None, :])


def _told_apart(clean: Floats, tests: Sequence[int]) -> Floats:
    """Whether some test tells two hypotheses apart, (hypotheses, hypotheses) of 0 and 1."""
    told = np.zeros((len(clean), len(clean)))
    for k in tests:
        gap = 0.5 * np.abs(clean[:, None, k, :] - clean[None, :, k, :]).sum(axis=2)
        told = np.maximum(told, gap >= APART)
    return told
