"""What is at stake: the minutes that a repair in vain would cost, and what a test can save of them.

A callout costs its tests, its walks and changes of state, the right repair and its verification,
and whatever was repaired in vain before. The right repair has to be paid in any case; so testing
goes on while it is expected to save more than it costs.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from diagnose.knowledge.names import unit_of
from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.compose import Installation
from diagnose.plant.learned import change_minutes, failure_rates, repair_minutes
from diagnose.reasoning.bearing import entropy
from diagnose.reasoning.belief import UNKNOWN_UNIT, Belief, Hypotheses

Floats = NDArray[np.float64]

REACH = 2.0
"""How much more than its share of the uncertainty a test may be worth: what it leaves is then
cheaper to settle (judgement)."""


LEVELS = ("adjust", "refit", "replace", "heavy")
"""Kinds of repair, each of which cures what a lesser one of the same unit would (judgement)."""


@dataclass(frozen=True)
class Repair:
    """How a failure mode is put right: its place in `LEVELS`, and its minutes with the spare."""

    level: int
    minutes: float


@dataclass(frozen=True)
class Stakes:
    """What a repair in vain costs.

    Attributes
    ----------
    wrong : (units,)
        Minutes lost by repairing each unit in vain, in the order of the table.
    repairs : mapping of failure mode to repair
    again : float
        Minutes lost by a lesser repair than the unit needs, beside that repair's own.
    """

    wrong: Floats
    repairs: Mapping[str, Repair] = field(default_factory=dict)
    again: float = 0.0

    @staticmethod
    def of(knowledge: KnowledgeBase, installation: Installation, table: Hypotheses) -> Stakes:
        """From the scales: repair, verification and spare of each unit's modes, by their rate."""
        spares = knowledge.scales["wasted_spare"].words
        changes = change_minutes(knowledge, installation.type.id)
        rates = failure_rates(knowledge, installation)
        trust = knowledge.word("trust", "repair_in_vain")
        around = sum(changes[w] for w in ("isolate", "prove_dead", "energise", "verify"))
        lost: dict[str, list[tuple[float, float]]] = {}
        repairs = {}
        for name, mode in installation.modes.items():
            minutes = repair_minutes(knowledge, installation, name)
            minutes += spares[mode.mode.repair].nominal
            repairs[name] = Repair(LEVELS.index(mode.mode.repair), minutes)
            lost.setdefault(mode.unit, []).append((rates[name], minutes + around))
        lost[UNKNOWN_UNIT] = [(1.0, around + knowledge.word("repair_minutes", "heavy"))]
        means = {u: sum(r * m for r, m in x) / sum(r for r, _ in x) for u, x in lost.items()}
        wrong = trust + np.array([means[u] for u in table.unit_names])
        return Stakes(wrong, repairs, trust + around)

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

    def told_apart(self, belief: Belief, chosen: NDArray[np.int_]) -> Floats:
        """Minutes that each chosen test, (k,), saves by telling how the leading unit failed.

        Where that unit is repaired: too little of a repair is made again, too much of one costs the
        difference. Ways of failing with repairs of one kind are not told apart.
        """
        table = belief.table
        unit, _ = belief.leading_unit()
        names = [n for n in table.mode_names if unit_of(n) == unit and n in self.repairs]
        levels = sorted({self.repairs[n].level for n in names})
        if len(levels) < 2:
            return np.zeros(len(chosen))
        kept = {
            k: max(self.repairs[n].minutes for n in names if self.repairs[n].level == k)
            for k in levels
        }
        cost = np.array([[self._cost(k, kept[k], self.repairs[n]) for n in names] for k in levels])
        rows = [table.positions(n) for n in names]
        now = float((cost @ np.array([belief.p[r].sum() for r in rows])).min())
        saved = []
        for k in chosen.tolist():
            after = 0.0
            for outcome in range(int(table.sizes[k])):
                likely = table.likely(k, outcome) * belief.p
                after += float((cost @ np.array([likely[r].sum() for r in rows])).min())
            saved.append(now - after)
        return np.array(saved)

    def _cost(self, level: int, minutes: float, needed: Repair) -> float:
        """Minutes lost by a repair of a level where another is needed."""
        return minutes + self.again if level < needed.level else max(minutes - needed.minutes, 0.0)
