"""Test on, conclude, or say that the cause is not known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from diagnose.knowledge.names import unit_of
from diagnose.reasoning.belief import UNKNOWN_UNIT, Belief, information
from diagnose.reasoning.stakes import Stakes
from diagnose.reasoning.strategy import FLAT, WORTH_BITS, Candidate, Choice, Strategy, Terrain

ENOUGH = 0.98
"""Posterior of the leading unit at which the interview concludes."""
LIKELY = 0.60
"""With no test left that tells anything, this much still counts as a conclusion."""
UNKNOWN_ENOUGH = 0.65
"""Posterior of 'not in the knowledge base' at which the interview says so."""
TESTED_WIDELY = 12
"""Different tests that must have been done before it is said while others would still pay."""
HARDLY_EVER = 0.12
"""An answer does not fit a cause that shows it less often than this."""
DOUBTFUL = 2
"""Answers that do not fit, asked again and unchanged, from which a conclusion is doubted."""


@dataclass(frozen=True)
class Decision:
    """What to do next.

    `kind` is ``test``, ``concluded``, ``unknown`` or ``ambiguous``; `choices` are the tests
    worth doing, the best first; `again` says that the first of them repeats an earlier one.
    `doubt` names the tests whose answers do not fit the cause concluded: with any, the cause
    may well be one that the knowledge base does not hold.
    """

    kind: str
    choices: tuple[Choice, ...] = ()
    again: bool = False
    doubt: tuple[str, ...] = ()


def misfits(belief: Belief) -> tuple[str, ...]:
    """Tests whose last answer the leading failure mode would hardly ever show."""
    table = belief.table
    leading, _ = belief.leading_unit()
    modes = belief.ranking()
    own = table.positions(next(n for n, _ in modes if unit_of(n) == leading))
    within = belief.p[own] / belief.p[own].sum()
    last = dict(belief.seen)
    return tuple(
        test
        for test, outcome in last.items()
        if float(within @ table.clean[own, table.test_index[test], outcome]) < HARDLY_EVER
    )


def _concluded(belief: Belief, repeats: Sequence[Candidate]) -> Decision:
    """Conclude; where several answers do not fit, ask each of them once more before."""
    odd = misfits(belief)
    if len(odd) < DOUBTFUL:
        return Decision("concluded")
    asked = [test for test, _ in belief.seen]
    for candidate in repeats:
        if candidate.test in odd and asked.count(candidate.test) == 1:
            return Decision("test", (Choice(candidate, 0.0, 0.0),), again=True)
    return Decision("concluded", doubt=odd)


def _how_it_failed(
    belief: Belief, candidates: Sequence[Candidate], stakes: Stakes | None
) -> Decision | None:
    """The test that is worth its minutes because the unit's ways of failing ask for other repairs.

    Never a live one, and none that was made: the part is found, and will be isolated to repair it.
    """
    asked = [test for test, _ in belief.seen]
    fresh = [c for c in candidates if not c.live and c.test not in asked]
    if stakes is None or not fresh:
        return None
    saved = stakes.told_apart(belief, np.array([c.index for c in fresh]))
    net = saved - np.array([c.minutes for c in fresh])
    best = int(net.argmax())
    if net[best] <= 0:
        return None
    return Decision("test", (Choice(fresh[best], 0.0, 0.0, saves=float(saved[best])),))


def decide(
    belief: Belief,
    candidates: Sequence[Candidate],
    strategy: Strategy,
    terrain: Terrain = FLAT,
    stakes: Stakes | None = None,
) -> Decision:
    """Choose the next step from the belief and the permitted tests.

    Parameters
    ----------
    candidates
        Permitted tests; those already done once may be among them, to be asked once more.
    terrain
        What every way costs from where one stands and from wherever it leads.
    stakes
        What a repair in vain would cost; without it every test that tells anything is worth it.
    """
    unit, sure = belief.leading_unit()
    asked = [test for test, _ in belief.seen]
    if unit == UNKNOWN_UNIT and sure >= UNKNOWN_ENOUGH and len(set(asked)) >= TESTED_WIDELY:
        return Decision("unknown")
    if unit != UNKNOWN_UNIT and sure >= ENOUGH:
        return _how_it_failed(belief, candidates, stakes) or _concluded(belief, candidates)
    choices = strategy.rank(belief, candidates, terrain)
    if choices and stakes is not None:
        chosen = np.array([c.candidate.index for c in choices])
        gains = np.array([c.gain for c in choices])
        minutes = np.array([c.candidate.minutes for c in choices])
        pays = stakes.pays(belief, gains, minutes, chosen)
        choices = [c for c, paid in zip(choices, pays, strict=True) if paid]
    if choices:
        return Decision("test", tuple(choices), again=choices[0].candidate.test in asked)
    if unit != UNKNOWN_UNIT and sure >= LIKELY:
        return _how_it_failed(belief, candidates, stakes) or _concluded(belief, candidates)
    if float(belief.unit_p[np.array(belief.table.unit_names) == UNKNOWN_UNIT].sum()) > 0.3:
        return Decision("unknown")
    return Decision("ambiguous")


def once_more(
    decision: Decision, belief: Belief, candidates: Sequence[Candidate], test: str
) -> Decision:
    """The same with the test first whose answer was just taken back: it is to be given anew.

    It was worth its minutes when it was asked for. That the state it needs counts as unknown since,
    and has to be made anew, is no reason to skip it; a live one has to be among the choices.
    """
    chosen = next((c for c in decision.choices if c.candidate.test == test), None)
    if chosen is None:
        found = next((c for c in candidates if c.test == test and not c.live), None)
        gain = float(information(belief, np.array([found.index]))[0]) if found else 0.0
        if found is None or gain < WORTH_BITS:
            return decision
        chosen = Choice(found, gain, gain / found.minutes)
    others = tuple(c for c in decision.choices if c.candidate.test != test)
    return Decision("test", (chosen, *others), again=test in [t for t, _ in belief.seen])
