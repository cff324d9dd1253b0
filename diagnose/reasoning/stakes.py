"""What is at stake: the minutes that a repair in vain would cost, and what a test can save of them.

A callout costs its tests, its walks and changes of state, the right repair and its verification,
and whatever was repaired in vain before. The right repair has to be paid in any case; so testing
goes on while it is expected to save more than it costs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.compose import Installation
from diagnose.plant.learned import change_minutes, failure_rates, repair_minutes
from diagnose.reasoning.bearing import entropy
from diagnose.reasoning.belief import UNKNOWN_UNIT, Belief, Hypotheses

Floats = NDArray[np.float64]

REACH = 2.0
"""How much more than its share of the uncertainty a test may be worth: what it leaves is then
cheaper to settle (judgement)."""


@dataclass(frozen=True)
class Stakes:
    """Minutes lost by repairing each unit in vain, (units,), in the order of the table."""

    wrong: Floats

    @staticmethod
    def of(knowledge: KnowledgeBase, installation: Installation, table: Hypotheses) -> Stakes:
        """From the scales: repair, verification and spare of each unit's modes, by their rate."""
        spares = knowledge.scales["wasted_spare"].words
        changes = change_minutes(knowledge, installation.type.id)
        rates = failure_rates(knowledge, installation)
        trust = knowledge.word("trust", "repair_in_vain")
        around = sum(changes[w] for w in ("isolate", "prove_dead", "energise", "verify"))
        lost: dict[str, list[tuple[float, float]]] = {}
        for name, mode in installation.modes.items():
            minutes = repair_minutes(knowledge, installation, name)
            minutes += spares[mode.mode.repair].nominal + around
            lost.setdefault(mode.unit, []).append((rates[name], minutes))
        lost[UNKNOWN_UNIT] = [(1.0, around + knowledge.word("repair_minutes", "heavy"))]
        means = {u: sum(r * m for r, m in x) / sum(r for r, _ in x) for u, x in lost.items()}
        return Stakes(trust + np.array([means[u] for u in table.unit_names]))

    def loss(self, belief: Belief) -> float:
        """Minutes expected to be lost if the best unit were repaired now."""
        return float(((1.0 - belief.unit_p) * self.wrong).min())

    def saved(self, belief: Belief, chosen: NDArray[np.int_]) -> Floats:
        """Minutes that each of the chosen tests, (k,), saves of that loss, one step ahead."""
        joint = belief.joint(chosen)
        total = joint.sum(axis=0)
        after = np.full(total.shape, np.inf)
        for of_unit, minutes in zip(joint, self.wrong.tolist(), strict=True):
            np.minimum(after, (total - of_unit) * minutes, out=after)
        return np.asarray(self.loss(belief) - after.sum(axis=1))

    def pays(
        self, belief: Belief, gains: Floats, minutes: Floats, chosen: NDArray[np.int_]
    ) -> NDArray[np.bool_]:
        """Whether each of the chosen tests, (k,), is worth its minutes, (k,).

        It may cost what it saves at once, or its share of the uncertainty in what is at stake,
        whichever is more: several tests together save what none of them saves alone.
        """
        uncertainty = max(float(entropy(belief.unit_p)), 1e-9)
        found = minutes <= REACH * self.loss(belief) * gains / uncertainty
        found[~found] = minutes[~found] <= self.saved(belief, chosen[~found])
        return np.asarray(found)
