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
from diagnose.reasoning.belief import UNKNOWN_UNIT, Belief, Hypotheses, entropy

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
        words = knowledge.scales["repair_minutes"].words
        spares = knowledge.scales["wasted_spare"].words
        changes = knowledge.scales["changes"].words
        trust = knowledge.word("trust", "repair_in_vain")
        around = sum(changes[w].nominal for w in ("isolate", "prove_dead", "energise", "verify"))
        lost: dict[str, list[tuple[float, float]]] = {}
        for mode in installation.modes.values():
            repair = mode.mode.repair
            minutes = words[repair].nominal + spares[repair].nominal + around
            lost.setdefault(mode.unit, []).append((mode.mode.rate.nominal, minutes))
        lost[UNKNOWN_UNIT] = [(1.0, around + words["heavy"].nominal)]
        means = {u: sum(r * m for r, m in x) / sum(r for r, _ in x) for u, x in lost.items()}
        return Stakes(trust + np.array([means[u] for u in table.unit_names]))

    def loss(self, belief: Belief) -> float:
        """Minutes expected to be lost if the best unit were repaired now."""
        return float(((1.0 - belief.unit_p) * self.wrong).min())

    def saved(self, joint: Floats) -> Floats:
        """Minutes that each test saves of that loss, one step ahead.

        Parameters
        ----------
        joint : (units, tests, outcomes)
            P(unit, outcome).
        """
        total = joint.sum(axis=0)
        now = ((1.0 - joint.sum(axis=2)[:, 0]) * self.wrong).min()
        after = ((total[None] - joint) * self.wrong[:, None, None]).min(axis=0)
        return np.asarray(now - after.sum(axis=1))

    def worth(self, belief: Belief, gains: Floats, joint: Floats) -> Floats:
        """The most that each test may cost, in minutes.

        What it saves at once, or its share of the uncertainty in what is at stake, whichever is
        more: several tests together save what none of them saves alone.
        """
        uncertainty = max(float(entropy(belief.unit_p)), 1e-9)
        share = REACH * self.loss(belief) * gains / uncertainty
        return np.asarray(np.maximum(self.saved(joint), share))
