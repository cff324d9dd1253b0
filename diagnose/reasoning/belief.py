"""Exact posterior over failure modes under a single-fault assumption.

Hypotheses are the installed failure modes and `UNKNOWN`, a cause that the knowledge base does
not hold. Every likelihood is mixed with the chance that the answer is wrong, so that no
answer ever rules a cause out for good. How careful the person is is not known: the posterior is
that of the cause and the kind of person together (`wrong_answers.CARE`). Expected information
takes an ordinary person.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from diagnose.knowledge.names import unit_of
from diagnose.plant.matrix import HEALTHY, DependencyMatrix
from diagnose.reasoning.apart import mode_of, taken_apart
from diagnose.reasoning.bearing import Bearing, entropy
from diagnose.reasoning.wrong_answers import (
    CARE,
    careless,
    confirmed,
    mixing,
    refuse_certainty,
    with_error,
)

UNKNOWN = "unknown.not_in_knowledge_base"
"""The hypothesis that the cause is none of those known."""
UNKNOWN_UNIT = "unknown"
PRIOR_UNKNOWN = 0.02
"""Share of callouts whose cause is assumed not to be in the knowledge base (judgement)."""
REPEATS = 0.5
"""Chance that a wrong answer comes out the same when it is asked again (judgement)."""

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Hypotheses:
    """The table the belief works on: hypotheses ordered by unit, what they show, chances of error.

    A hypothesis is one regime of a failure mode (see `diagnose.plant.regimes`); most modes have
    one. Regimes of a mode stand together, their names are the mode's with ``~2``, ``~3`` ...

    Attributes
    ----------
    names, units : (hypotheses,)
        Failure mode (and regime) and its replaceable unit.
    starts : (units,)
        Where each unit's hypotheses start (they stand together).
    clean : (hypotheses, tests, outcomes)
        P(outcome | hypothesis) where answers are certain; by far the largest array, so it is
        held once, and `likely` mixes the errors in.
    complaint : mapping of complaint to (hypotheses,)
    weight : (hypotheses,)
        Unnormalised prior: failure rate.
    errors : (tests,)
        Chance of a wrong answer.
    care : factor on that chance, share
        Kinds of person; see `wrong_answers.CARE`.
    """

    names: tuple[str, ...]
    units: tuple[str, ...]
    unit_names: tuple[str, ...]
    starts: NDArray[np.int_]
    tests: tuple[str, ...]
    sizes: NDArray[np.int_]
    clean: Floats
    complaint: Mapping[str, Floats]
    weight: Floats
    errors: Floats
    index: Mapping[str, int] = field(default_factory=dict)
    test_index: Mapping[str, int] = field(default_factory=dict)
    care: tuple[tuple[float, float], ...] = CARE

    @staticmethod
    def of(
        matrix: DependencyMatrix,
        rates: Mapping[str, float],
        errors: Mapping[str, float],
        leave_out: Sequence[str] = (),
        unknown: bool = True,
    ) -> Hypotheses:
        """Build the table.

        Parameters
        ----------
        rates : failure mode -> failures per million hours
        errors : test -> chance of a wrong answer
        leave_out : failure modes that are not hypotheses (to measure what then happens)
        unknown : whether `UNKNOWN` is a hypothesis
        """
        rows = [r for r in matrix.rows if r != HEALTHY and r not in leave_out]
        rows.sort(key=lambda name: unit_of(name))
        names, p, weight, complaints = taken_apart(matrix, rows, rates, int(unknown))
        if unknown:
            names.append(UNKNOWN)
            uniform = (np.arange(p.shape[2]) < matrix.sizes[:, None]) / matrix.sizes[:, None]
            background = np.tensordot(weight, p[:-1], axes=1) / weight.sum()
            p[-1] = 0.5 * uniform + 0.5 * background
            weight = np.append(weight, np.nan)
            complaints = {c: np.append(v, np.nan) for c, v in complaints.items()}
        units = tuple(unit_of(name) for name in names)
        starts = np.array([k for k, u in enumerate(units) if k == 0 or units[k - 1] != u])
        wrong = np.array([errors[t] for t in matrix.tests])
        refuse_certainty(matrix.sizes, wrong)
        table = Hypotheses(
            names=tuple(names),
            units=units,
            unit_names=tuple(units[k] for k in starts),
            starts=starts,
            tests=matrix.tests,
            sizes=matrix.sizes,
            clean=p,
            complaint=complaints,
            weight=weight,
            errors=wrong,
            index={n: k for k, n in enumerate(names)},
            test_index={t: k for k, t in enumerate(matrix.tests)},
        )
        _ = table.bearing  # now, not in the first turn
        return table

    @cached_property
    def unit_index(self) -> NDArray[np.int_]:
        """Position of each hypothesis' unit in `unit_names`, (hypotheses,)."""
        ends = np.append(self.starts[1:], len(self.names))
        return np.repeat(np.arange(len(self.starts)), ends - self.starts)

    @cached_property
    def mode_starts(self) -> NDArray[np.int_]:
        """Where each failure mode's regimes start, (modes,)."""
        modes = [mode_of(name) for name in self.names]
        return np.array([k for k, m in enumerate(modes) if k == 0 or modes[k - 1] != m])

    @cached_property
    def mode_names(self) -> tuple[str, ...]:
        """The failure modes, in the order of the hypotheses."""
        return tuple(self.names[k] for k in self.mode_starts)

    @cached_property
    def _places(self) -> dict[str, slice]:
        ends = [*self.mode_starts[1:].tolist(), len(self.names)]
        starts = self.mode_starts.tolist()
        return {name: slice(a, b) for name, a, b in zip(self.mode_names, starts, ends, strict=True)}

    def positions(self, mode: str) -> slice:
        """Where a failure mode's regimes stand; empty for one that is not here."""
        return self._places.get(mode, slice(0, 0))

    def by_mode(self, p: Floats) -> Floats:
        """Sum hypotheses (first axis) into failure modes."""
        return np.asarray(np.add.reduceat(p, self.mode_starts, axis=0))

    def prior(
        self, complaints: Sequence[str] = (), factors: Mapping[str, float] | None = None
    ) -> Floats:
        """Log prior (hypotheses,) given what the customer reports and the history's factors."""
        weight = self.weight.copy()
        for name, factor in (factors or {}).items():
            weight[self.positions(name)] *= factor
        for complaint in complaints:
            weight = weight * self.complaint[complaint]
        unknown = np.isnan(weight)
        total = np.nansum(weight)
        weight[unknown] = PRIOR_UNKNOWN / (1 - PRIOR_UNKNOWN) * total
        return np.asarray(np.log(weight / weight.sum()))

    def likely(self, test: int, outcome: int) -> Floats:
        """P(this answer of an ordinary person | hypothesis), (hypotheses,), from positions."""
        clean, size = self.clean[:, test, outcome], int(self.sizes[test])
        return with_error(clean, size, float(self.errors[test]))

    @cached_property
    def bearing(self) -> Bearing:
        """The tests that each unit bears on."""
        return Bearing.of(
            self.clean, self.starts, *mixing(self.sizes, self.errors, self.clean.shape[2])
        )

    def by_unit(self, p: Floats) -> Floats:
        """Sum hypotheses (first axis) into units."""
        return np.asarray(np.add.reduceat(p, self.starts, axis=0))


@dataclass(frozen=True)
class Belief:
    """Log probabilities of the hypotheses and what was observed.

    Attributes
    ----------
    log_p : (hypotheses,)
    seen : test, outcome
        Answers of the person on site, in order.
    heard : test, outcome, chance that it is wrong
        Answers of somebody else (the customer by telephone).
    told_care : (kinds, hypotheses), optional
        Log probability of each kind of person under each hypothesis, given the answers.
    """

    table: Hypotheses
    log_p: Floats
    seen: tuple[tuple[str, int], ...] = ()
    heard: tuple[tuple[str, int, float], ...] = ()
    told_care: Floats | None = None

    @cached_property
    def log_care(self) -> Floats:
        """Log probability of each kind of person under each hypothesis, (kinds, hypotheses)."""
        if self.told_care is not None:
            return self.told_care
        shares = np.log(np.array([share for _, share in self.table.care]))
        return np.asarray(np.repeat(shares[:, None], len(self.log_p), axis=1))

    @cached_property
    def p(self) -> Floats:
        """Posterior, (hypotheses,), summing to 1."""
        shifted = np.exp(self.log_p - self.log_p.max())
        return np.asarray(shifted / shifted.sum())

    @cached_property
    def unit_p(self) -> Floats:
        """Posterior of the replaceable units, (units,)."""
        return self.table.by_unit(self.p)

    def factor(self, test: str, outcome: int, care: float = 1.0) -> Floats:
        """P(this answer | hypothesis), given the earlier answers to the same test.

        Parameters
        ----------
        care : float
            How many times the usual chance of a wrong answer.
        """
        k = self.table.test_index[test]
        wrong = careless(float(self.table.errors[k]), care)
        fresh = with_error(self.table.clean[:, k, outcome], int(self.table.sizes[k]), wrong)
        earlier = [o for t, o in self.seen if t == test]
        if not earlier:
            told = [(o, e) for t, o, e in self.heard if t == test]
            if not told:
                return fresh
            clean, size = self.table.clean[:, k, :], int(self.table.sizes[k])
            return confirmed(clean, size, outcome, wrong, told)
        first = self.table.clean[:, k, earlier[-1]]
        same = 1.0 if earlier[-1] == outcome else 0.0
        return np.asarray(first * fresh + (1 - first) * (REPEATS * same + (1 - REPEATS) * fresh))

    def _joint(self, test: str, outcome: int, strength: float) -> Floats:
        """Log P(kind of person, this answer | hypothesis), (kinds, hypotheses)."""
        kinds = np.array([self.factor(test, outcome, care) for care, _ in self.table.care])
        return np.asarray(self.log_care + strength * np.log(kinds))

    def chance(self, test: str, outcome: int) -> Floats:
        """P(this answer | hypothesis), whoever the person is, (hypotheses,)."""
        return np.asarray(np.exp(self._joint(test, outcome, 1.0)).sum(axis=0))

    def update(self, test: str, outcome: int, strength: float = 1.0) -> Belief:
        """The belief after one answer; `strength` < 1 for an answer given as *not sure*."""
        joint = self._joint(test, outcome, strength)
        told = np.logaddexp.reduce(joint, axis=0)
        seen = (*self.seen, (test, outcome))
        return Belief(self.table, self.log_p + told, seen, self.heard, joint - told)

    def hear(self, test: str, outcome: int, wrong: float, strength: float = 1.0) -> Belief:
        """The belief after an answer of somebody else, with its own chance of being wrong."""
        k = self.table.test_index[test]
        mixed = with_error(self.table.clean[:, k, outcome], int(self.table.sizes[k]), wrong)
        log_p = self.log_p + strength * np.log(mixed)
        heard = (*self.heard, (test, outcome, wrong))
        return Belief(self.table, log_p, self.seen, heard, self.told_care)

    def scale(self, factors: Mapping[str, float]) -> Belief:
        """Multiply the odds of some hypotheses (a structural exclusion, a repair made)."""
        log_p = self.log_p.copy()
        for name, factor in factors.items():
            log_p[self.table.positions(name)] += np.log(max(factor, 1e-12))
        return Belief(self.table, log_p, self.seen, self.heard, self.told_care)

    @cached_property
    def _pairs(self) -> Floats:
        return self.table.bearing.joint(self.p)

    @cached_property
    def _again(self) -> dict[int, Floats]:
        """P(unit, outcome) of each test done, asked again, (units, outcomes)."""
        found = {}
        for test in dict.fromkeys([t for t, _ in self.seen] + [t for t, _, _ in self.heard]):
            k = self.table.test_index[test]
            joint = np.zeros((len(self.table.starts), self.table.clean.shape[2]))
            for o in range(int(self.table.sizes[k])):
                joint[:, o] = self.table.by_unit(self.p * self.factor(test, o))
            found[k] = joint
        return found

    def joint(self, chosen: NDArray[np.int_]) -> Floats:
        """P(unit, outcome) of chosen tests, (units, k, outcomes); of a test done, asked again."""
        found = self.table.bearing.spread(self._pairs, self.unit_p, chosen)
        for k, joint in self._again.items():
            found[:, chosen == k] = joint[:, None]
        return found

    def ranking(self) -> list[tuple[str, float]]:
        """Failure modes with their probability, the likeliest first."""
        p = self.table.by_mode(self.p)
        order = np.lexsort((np.arange(len(p)), -p))
        return [(self.table.mode_names[k], float(p[k])) for k in order]

    def leading_unit(self) -> tuple[str, float]:
        """The likeliest replaceable unit."""
        p = self.unit_p
        k = int(np.argmax(p))
        return self.table.unit_names[k], float(p[k])


def information(belief: Belief, chosen: NDArray[np.int_] | None = None) -> Floats:
    """Expected information about the replaceable unit from each test, bits.

    I(U; O) = H(U) + H(O) - H(U, O), for all tests at once.

    Parameters
    ----------
    chosen : (k,), optional
        Indices of the tests wanted; all by default.

    References
    ----------
    .. [1] J. de Kleer, B. C. Williams, "Diagnosing multiple faults", Artificial Intelligence
       32 (1987) 97-130: minimum expected entropy.
    """
    bearing, pairs = belief.table.bearing, belief._pairs
    chance = bearing.chance(pairs, belief.unit_p)
    both = bearing.bits(pairs, belief.unit_p)
    for k, joint in belief._again.items():
        chance[k] = joint.sum(axis=0)
        both[k] = entropy(joint.reshape(-1))
    gains = np.maximum(entropy(chance) + entropy(belief.unit_p) - both, 0.0)
    return np.asarray(gains if chosen is None else gains[chosen])
