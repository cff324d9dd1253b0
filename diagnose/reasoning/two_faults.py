"""Two faults at once, where no single one explains what was found.

As long as single causes explain the findings, pairs are left out: there are so many of them
that some pair always fits a wrong answer. Once *not in the knowledge base* gains ground they
are weighed against it. What two faults show together is put together from what each shows
alone: where only one shifts a test away from healthy it shows what that one shows.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diagnose.reasoning.belief import REPEATS, UNKNOWN, Belief, Hypotheses
from diagnose.reasoning.wrong_answers import CARE, careless, with_error

Floats = NDArray[np.float64]

SECOND = 0.05
"""Chance that a second fault is there beside the first (judgement: surge and damp hit several)."""
SHIFTS = 0.15
"""A fault bears on a test where it shifts its outcomes by this much (total variation)."""
UNEXPLAINED = 0.3
"""Posterior of 'not in the knowledge base' from which pairs are weighed."""
CHECK_ERROR = 0.05
"""Chance that a check after a repair is judged wrongly (judgement)."""
JOINT = 0.02
"""Chance that two faults show a complaint that neither shows alone (judgement)."""


@dataclass(frozen=True)
class Answer:
    """One answer as evidence.

    Attributes
    ----------
    outcome : int
        Position of the outcome.
    wrong : float
        Chance that the answer is wrong.
    strength : float
        How much it counts.
    heard : bool
        Somebody else's answer (the customer by telephone).
    """

    test: str
    outcome: int
    wrong: float
    strength: float = 1.0
    heard: bool = False


def tell(belief: Belief, answer: Answer) -> Belief:
    """The belief after an answer."""
    if answer.heard:
        return belief.hear(answer.test, answer.outcome, answer.wrong, answer.strength)
    return belief.update(answer.test, answer.outcome, answer.strength)


def log_answers(
    answers: Sequence[Answer],
    sizes: Mapping[str, int],
    chance: Callable[[str, int], Floats],
    kinds: Sequence[tuple[float, float]] = CARE,
) -> Floats:
    """Log likelihood of answers, repeats and kinds of person counted as in `Belief.update`.

    Parameters
    ----------
    sizes : test -> number of outcomes
    chance : test, outcome -> (...)
        Noise-free chance of an outcome.
    kinds : factor on the chance of a wrong answer, share
    """
    each = [np.log(share) + _by_one(answers, sizes, chance, care) for care, share in kinds]
    return np.asarray(np.logaddexp.reduce(np.array(each), axis=0))


def _by_one(
    answers: Sequence[Answer],
    sizes: Mapping[str, int],
    chance: Callable[[str, int], Floats],
    care: float,
) -> Floats:
    """The same where all answers on site are of one kind of person."""
    total = np.zeros(())
    before: dict[str, int] = {}
    for a in answers:
        wrong = a.wrong if a.heard else careless(a.wrong, care)
        given = with_error(chance(a.test, a.outcome), sizes[a.test], wrong)
        if not a.heard:
            if a.test in before:
                first = chance(a.test, before[a.test])
                same = 1.0 if before[a.test] == a.outcome else 0.0
                given = first * given + (1 - first) * (REPEATS * same + (1 - REPEATS) * given)
            before[a.test] = a.outcome
        total = total + a.strength * np.log(given)
    return total


def beside(one: Floats, other: Floats, healthy: Floats) -> Floats:
    """Outcomes of a test under two faults, from each alone; broadcast over (..., outcomes)."""
    shifts, too = _shifts(one, healthy), _shifts(other, healthy)
    both = 0.5 * (one + other)
    single = np.where(shifts[..., None], one, other)
    return np.asarray(np.where((shifts == too)[..., None], both, single))


def judged(fails: Floats, failed: bool) -> Floats:
    """Chance of a check's result, given the chance that it should fail."""
    wrong = CHECK_ERROR + (1 - 2 * CHECK_ERROR) * fails
    return wrong if failed else 1 - wrong


def _shifts(p: Floats, healthy: Floats) -> NDArray[np.bool_]:
    return np.asarray(0.5 * np.abs(p - healthy).sum(axis=-1) >= SHIFTS)


def weigh_pairs(
    belief: Belief,
    rate: Floats,
    complaints: Sequence[str],
    answers: Sequence[Answer],
    healthy: Mapping[str, Floats],
    checks: Sequence[tuple[Floats, bool]] = (),
    tried: bool = False,
) -> Belief:
    """The belief with pairs of faults weighed where single ones do not explain the findings.

    The mass of a pair goes to its likelier member: that is the one to repair first.

    Parameters
    ----------
    belief
        Log weights on the scale of `rate`, complaint included, not normalised.
    rate : (hypotheses,)
        Log prior without the complaint.
    answers
        All answers so far, in order.
    healthy : test -> (outcomes,)
    checks : (hypotheses,), bool
        Chance that a check fails under each, and whether it did.
    tried
        A repair was made and did not help: the causes in front may be so no longer.
    """
    table = belief.table
    unknown = table.positions(UNKNOWN)
    if not answers or not (tried or belief.p[unknown].sum() >= UNEXPLAINED):
        return belief
    known = np.ones(len(table.names), dtype=bool)
    known[unknown] = False
    rows = np.flatnonzero(known)
    log_p = np.log(SECOND) + rate[rows][:, None] + rate[rows][None, :]
    for complaint in complaints:
        column = table.complaint[complaint][rows]
        log_p = log_p + np.log(np.maximum(np.maximum.outer(column, column), JOINT))
    log_p = log_p + _pairs_answers(table, rows, answers, healthy)
    for fails, failed in checks:
        one = fails[rows]
        log_p = log_p + np.log(judged(np.maximum.outer(one, one), failed))
    units = table.unit_index[rows]
    log_p[units[:, None] == units[None, :]] = -np.inf
    scale = max(log_p.max(), belief.log_p.max())
    mass = np.exp(log_p - scale)
    likelier = mass.sum(axis=1)
    first = likelier[:, None] > likelier[None, :]
    tie = (likelier[:, None] == likelier[None, :]) & (rows[:, None] < rows[None, :])
    weight = np.exp(belief.log_p - scale)
    weight[rows] += (mass * (first | tie)).sum(axis=1)
    log_p = np.log(np.maximum(weight, 1e-300)) + scale
    return Belief(table, log_p, belief.seen, belief.heard, belief.told_care)


def _pairs_answers(
    table: Hypotheses,
    rows: NDArray[np.int_],
    answers: Sequence[Answer],
    healthy: Mapping[str, Floats],
) -> Floats:
    """Log likelihood of the answers under each pair, (rows, rows); see `beside`."""
    index = {a.test: table.test_index[a.test] for a in answers}
    sizes = {test: int(table.sizes[k]) for test, k in index.items()}
    clean = {test: table.clean[rows, k, : sizes[test]] for test, k in index.items()}
    shifts = {test: _shifts(clean[test], healthy[test]) for test in index}

    def chance(test: str, outcome: int) -> Floats:
        p, own = clean[test][:, outcome], shifts[test]
        both = 0.5 * (p[:, None] + p[None, :])
        single = np.where(own[:, None], p[:, None], p[None, :])
        return np.where(own[:, None] == own[None, :], both, single)

    return log_answers(answers, sizes, chance, table.care)
