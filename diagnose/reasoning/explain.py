"""Why a test is worth doing: what each outcome would mean, and which causes it splits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diagnose.errors import fail
from diagnose.reasoning.bearing import entropy
from diagnose.reasoning.belief import Belief
from diagnose.reasoning.suspects import Suspect, by_unit

LEADING = 3
"""Units named for each outcome."""
STANDING = 0.95
"""Causes still standing: the likeliest that together hold this much of the posterior."""


@dataclass(frozen=True)
class Leaves:
    """One outcome: its index, how likely it is, and the units it would leave in front."""

    outcome: int
    probability: float
    leading: tuple[Suspect, ...]


@dataclass(frozen=True)
class Why:
    """Why a test.

    Attributes
    ----------
    gain
        Information expected about the replaceable unit, bits.
    outcomes
        Every outcome of the test, in its order.
    splits
        The causes still standing, parted by the outcome that each would most likely show:
        (outcome, causes), outcomes in order, causes likeliest first. One part alone: the test
        weighs them, but splits nothing.
    """

    test: str
    gain: float
    outcomes: tuple[Leaves, ...]
    splits: tuple[tuple[int, tuple[str, ...]], ...]


def standing(belief: Belief, share: float = STANDING) -> tuple[str, ...]:
    """The fewest causes that together hold `share` of the posterior, likeliest first."""
    names, held = [], 0.0
    for name, probability in belief.ranking():
        names.append(name)
        held += probability
        if held >= share:
            break
    return tuple(names)


def explain_test(belief: Belief, test: str) -> Why:
    """What a test would tell, as things stand; earlier answers to the same test count.

    Raises
    ------
    DiagnoseError
        There is no such test in the belief's table.
    """
    table = belief.table
    if test not in table.test_index:
        raise fail("unknown-id", f"there is no test '{test}' here", None, table.tests)
    k = table.test_index[test]
    size = int(table.sizes[k])
    likelihood = np.stack([belief.chance(test, o) for o in range(size)], axis=1)
    joint = belief.p[:, None] * likelihood
    chance = joint.sum(axis=0)
    units, modes = table.by_unit(joint), table.by_mode(joint)
    after = np.array([entropy(units[:, o] / chance[o]) for o in range(size)])
    outcomes = []
    for o in range(size):
        order = np.argsort(-modes[:, o], kind="stable")
        left = [(table.mode_names[i], float(modes[i, o] / chance[o])) for i in order]
        outcomes.append(Leaves(o, float(chance[o]), tuple(by_unit(left)[:LEADING])))
    parts: dict[int, list[str]] = {}
    for name in standing(belief):
        likeliest = int(np.argmax(joint[table.positions(name)].sum(axis=0)))
        parts.setdefault(likeliest, []).append(name)
    return Why(
        test=test,
        gain=max(float(entropy(belief.unit_p) - (chance * after).sum()), 0.0),
        outcomes=tuple(outcomes),
        splits=tuple((o, tuple(names)) for o, names in sorted(parts.items())),
    )
