"""Which test next: information about the replaceable unit per technician minute.

A strategy sees the belief and the permitted candidates with their whole cost (the test, the
walk, the change of electrical state) and names one, or none when testing no longer pays. It
knows nothing of rules. Everything is counted, nothing is timed: the same belief gives the same
choice on every machine.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from diagnose.reasoning.bearing import entropy
from diagnose.reasoning.belief import Belief, information

WORTH_BITS = 0.004
"""A test that tells less than this is not offered."""
DEAD_SHARE = 0.95
"""A live test is dropped where a dead one tells at least this share of its information."""
SAME_CAUSES = 0.9
"""Or where a dead one leaves it at most the rest of this share to tell (judgement) ..."""
SURE_SHARE = 0.8
"""... and tells, less surely answered as it may be, at least this share as much (judgement)."""
LEAST = 1e-5
"""Probability below which a cause is not looked at for that."""


@dataclass(frozen=True)
class Candidate:
    """A permitted test.

    Attributes
    ----------
    minutes : float
        Its whole cost from here: walk, change of state and the test itself.
    own : float
        Minutes of the test itself; NaN where nothing else is counted (``minutes``).
    way : int
        What getting ready for it asks for, a column of `Terrain`.
    """

    test: str
    index: int
    minutes: float
    live: bool = False
    own: float = math.nan
    way: int = 0

    @property
    def alone(self) -> float:
        """Minutes of the test itself."""
        return self.minutes if math.isnan(self.own) else self.own


@dataclass(frozen=True)
class Terrain:
    """What getting ready for a test costs, from wherever one may come to stand.

    Attributes
    ----------
    minutes : (standings, ways)
        Minutes of walks and of changes of state.
    after : (standings, ways)
        Where one then stands.
    start : int
        Where one stands now.
    repair : mapping of unit to way
        What repairing a unit asks for.
    """

    minutes: NDArray[np.float64]
    after: NDArray[np.int_]
    start: int = 0
    repair: Mapping[str, int] = field(default_factory=dict)


FLAT = Terrain(np.zeros((1, 1)), np.zeros((1, 1), dtype=np.int_))
"""Nothing to walk and nothing to switch: each test costs its minutes, whatever came before."""


@dataclass(frozen=True)
class Outlook:
    """How a test was chosen over the others.

    Attributes
    ----------
    method : str
        ``exact``: the optimum of the simplified problem; ``rollout``: the leading tests followed
        to the end by information per minute.
    minutes : float
        Minutes of testing expected from here.
    margin : float
        What the runner-up costs more: at least, where exact.
    expansions : int
        Sets opened by the search.
    """

    method: str
    minutes: float
    margin: float
    expansions: int = 0


@dataclass(frozen=True)
class Choice:
    """The chosen test, what it tells (bits), per minute, and the outlook where one was made.

    `saves`: where the unit is found and the test tells how to repair it, the minutes that it saves.
    """

    candidate: Candidate
    gain: float
    score: float
    ahead: Outlook | None = None
    saves: float = 0.0


class Strategy(Protocol):
    """Anything that can pick the next test."""

    name: str

    def rank(
        self, belief: Belief, candidates: Sequence[Candidate], terrain: Terrain = FLAT
    ) -> list[Choice]:
        """The candidates worth doing, the best first."""
        ...


def drop_live(
    belief: Belief, candidates: Sequence[Candidate], gains: NDArray[np.float64]
) -> list[tuple[Candidate, float]]:
    """Leave out each live test for which some dead one would do."""
    dead = np.array([not c.live for c in candidates], dtype=bool)
    index = np.array([c.index for c in candidates])[dead]
    return [
        (c, float(g))
        for c, g in zip(candidates, gains, strict=True)
        if not (c.live and dead_would_do(belief, c.index, float(g), index, gains[dead]))
    ]


def dead_would_do(
    belief: Belief, live: int, gain: float, others: NDArray[np.int_], gains: NDArray[np.float64]
) -> bool:
    """Whether one of the other tests takes the place of a live one, whatever either costs.

    It does where it tells nearly as much, or where it splits the same causes and tells not much
    less.

    Parameters
    ----------
    live, others : int, (k,)
        Positions of the tests in the belief's table.
    gain, gains : float, (k,)
        What each tells about the unit, bits.
    """
    if gains.max(initial=0.0) >= DEAD_SHARE * gain:
        return True
    close = others[gains >= SURE_SHARE * gain]
    if gain <= 0.0 or not len(close):
        return False
    alone, after = told_after(belief, live, close)
    return bool(after.min() <= (1 - SAME_CAUSES) * alone)


def told_after(
    belief: Belief, test: int, others: NDArray[np.int_]
) -> tuple[float, NDArray[np.float64]]:
    """What a test tells about the unit, and what it would still tell after each of the others.

    In bits, from noise-free outcomes: what is asked is which causes they part, not how surely a
    person answers. I(U; T) and I(U; T | D) = H(U, D) + H(T, D) - H(U, T, D) - H(D).
    """
    members = np.flatnonzero(belief.p >= LEAST)
    clean, units = belief.table.clean[members], belief.table.unit_index[members]
    starts = np.flatnonzero(np.diff(units, prepend=-1))
    own = belief.p[members, None] * clean[:, test]
    both = own[:, None, :, None] * clean[:, others][:, :, None, :]
    joint = np.add.reduceat(both, starts) / own.sum()  # (units, k, of the test, of the other)

    def bits(*summed: int) -> NDArray[np.float64]:
        left = joint.sum(axis=summed)
        axes = tuple(range(left.ndim))
        k = axes[0 if 0 in summed else 1]
        return entropy(np.moveaxis(left, k, 0).reshape(len(others), -1))

    after = bits(2) + bits(0) - bits() - bits(0, 2)
    alone = bits(2, 3) + bits(0, 3) - bits(3)
    return float(alone[0]), after


class Greedy:
    """Information per minute.

    Parameters
    ----------
    worth
        A test that tells less than this, in bits, is not done.
    """

    name = "greedy"

    def __init__(self, worth: float = WORTH_BITS) -> None:
        self.worth = worth

    def rank(
        self, belief: Belief, candidates: Sequence[Candidate], terrain: Terrain = FLAT
    ) -> list[Choice]:
        """See `Strategy.rank`; what lies behind the walk to a test is not looked at."""
        if not candidates:
            return []
        gains = information(belief, np.array([c.index for c in candidates]))
        kept = drop_live(belief, candidates, gains)
        choices = [Choice(c, g, g / c.minutes) for c, g in kept if g >= self.worth]
        return sorted(choices, key=lambda x: (-round(x.score, 12), x.candidate.test))
