"""Test on, conclude, or say that the cause is not known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from diagnose.reasoning.belief import UNKNOWN_UNIT, Belief
from diagnose.reasoning.strategy import Candidate, Choice, Strategy

ENOUGH = 0.98
"""Posterior of the leading unit at which the interview concludes."""
LIKELY = 0.60
"""With no test left that tells anything, this much still counts as a conclusion."""
UNKNOWN_ENOUGH = 0.5
"""Posterior of 'not in the knowledge base' at which the interview says so."""
ASK_AGAIN = 3
"""Most answers that are asked again."""


@dataclass(frozen=True)
class Decision:
    """What to do next.

    `kind` is ``test``, ``concluded``, ``unknown`` or ``ambiguous``; `choices` are the tests
    worth doing, the best first; `again` says that the first of them repeats an earlier one.
    """

    kind: str
    choices: tuple[Choice, ...] = ()
    again: bool = False


def most_suspect(belief: Belief) -> list[int]:
    """Positions in `belief.seen` of the answers that fit the evidence worst, worst first.

    An answer is suspect in so far as the posterior of all the other answers holds it
    unlikely.
    """
    p = belief.p
    scores = []
    for position, (test, outcome) in enumerate(belief.seen):
        k = belief.table.test_index[test]
        without = p / belief.table.likelihood[:, k, outcome]
        without = without / without.sum()
        expected = float((without * belief.table.clean[:, k, outcome]).sum())
        scores.append((expected, position))
    return [position for _, position in sorted(scores)]


def decide(
    belief: Belief,
    candidates: Sequence[Candidate],
    strategy: Strategy,
    repeats: Sequence[Candidate] = (),
) -> Decision:
    """Choose the next step from the belief and the permitted tests.

    Parameters
    ----------
    repeats : candidates
        Tests already done that may be asked again, used only when nothing else tells
        anything.
    """
    unit, sure = belief.leading_unit()
    if unit == UNKNOWN_UNIT and sure >= UNKNOWN_ENOUGH:
        return Decision("unknown")
    if unit != UNKNOWN_UNIT and sure >= ENOUGH:
        return Decision("concluded")
    choices = strategy.rank(belief, candidates)
    if choices:
        return Decision("test", tuple(choices))
    asked = [test for test, _ in belief.seen]
    if len(asked) - len(set(asked)) < ASK_AGAIN:
        again = {c.test: c for c in repeats if asked.count(c.test) == 1}
        for position in most_suspect(belief):
            test = belief.seen[position][0]
            if test in again:
                return Decision("test", (Choice(again[test], 0.0, 0.0),), again=True)
    if unit != UNKNOWN_UNIT and sure >= LIKELY:
        return Decision("concluded")
    if float(belief.unit_p[np.array(belief.table.unit_names) == UNKNOWN_UNIT].sum()) > 0.3:
        return Decision("unknown")
    return Decision("ambiguous")
