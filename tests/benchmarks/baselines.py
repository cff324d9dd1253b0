"""Baselines: what a careful technician does with a fixed list, and others."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from diagnose.knowledge.names import spec_of
from diagnose.reasoning.belief import Belief, information
from diagnose.reasoning.strategy import FLAT, WORTH_BITS, Candidate, Choice, Terrain


class Checklist:
    """A fixed order of tests; one whose answer is already implied is skipped.

    The order names base tests; a template (one test per float, say) is gone through part by
    part in the order of the installation. After the list's end the remaining tests follow in
    their own order, so that the list is never worse off for being short.
    """

    name = "checklist"

    def __init__(self, order: Sequence[str]) -> None:
        self.order = {test: k for k, test in enumerate(order)}

    def rank(
        self, belief: Belief, candidates: Sequence[Candidate], terrain: Terrain = FLAT
    ) -> list[Choice]:
        """The first test of the list that still tells something."""
        if not candidates:
            return []
        gains = information(belief, np.array([c.index for c in candidates]))
        useful = [
            Choice(c, float(g), 0.0)
            for c, g in zip(candidates, gains, strict=True)
            if g >= WORTH_BITS
        ]
        last = len(self.order)
        return sorted(
            useful,
            key=lambda x: (
                self.order.get(spec_of(x.candidate.test), last),
                x.candidate.index,
            ),
        )
