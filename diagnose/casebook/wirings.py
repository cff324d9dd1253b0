"""What learning needs of each wiring: who may be guilty, what each shows, what is reported."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from diagnose.casebook.counting import Counts
from diagnose.casebook.outcomes import Variants
from diagnose.errors import DiagnoseError
from diagnose.interview.history import rate_factors
from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.compose import Installation, compose
from diagnose.plant.matrix import HEALTHY, DependencyMatrix
from diagnose.plant.procedures import outcomes_here
from diagnose.reasoning.apart import MISREPORTED

Floats = NDArray[np.float64]

MOST_WIRINGS = 24
"""Wirings that are learned from, the commonest first: each needs its dependency matrix."""

Matrices = Callable[[Installation], DependencyMatrix]


@dataclass(frozen=True, repr=False)
class Wiring:
    """One installation with its dependency matrix."""

    installation: Installation
    matrix: DependencyMatrix

    @cached_property
    def modes(self) -> tuple[str, ...]:
        """Installed failure modes, in the order of the matrix' rows."""
        return tuple(row for row in self.matrix.rows if row != HEALTHY)

    @cached_property
    def index(self) -> dict[str, int]:
        """Row of each failure mode."""
        return {name: k for k, name in enumerate(self.matrix.rows)}

    @cached_property
    def test_index(self) -> dict[str, int]:
        """Column of each test."""
        return {name: k for k, name in enumerate(self.matrix.tests)}

    def reported(self, complaints: Sequence[str]) -> Floats | None:
        """P(these complaints | failure mode), (modes,), as a callout weighs them.

        None where one of them cannot occur here.
        """
        if any(c not in self.matrix.complaints for c in complaints):
            return None
        regimes, size = self.matrix.regimes, len(self.modes)
        if regimes is None:
            found = np.ones(size)
            for complaint in complaints:
                found = found * np.maximum(self.matrix.complaints[complaint][:size], MISREPORTED)
            return found
        each = regimes.share.copy()
        for complaint in complaints:
            each = each * np.maximum(regimes.complaints[complaint], MISREPORTED)
        return np.asarray(np.bincount(regimes.row, each, len(self.matrix.rows))[:size])

    def shows(self, mode: str, test: str) -> Floats | None:
        """P(outcome | failure mode) of a test, (outcomes,); None where one is not here."""
        row, column = self.index.get(mode), self.test_index.get(test)
        if row is None or column is None:
            return None
        return np.asarray(self.matrix.p[row, column, : int(self.matrix.sizes[column])])


@dataclass
class Wirings:
    """The wirings that cases were about, each made once.

    Parameters
    ----------
    knowledge : KnowledgeBase
        The handbook: without an overlay.
    matrices : callable
        Gives the dependency matrix of an installation.
    """

    knowledge: KnowledgeBase
    matrices: Matrices
    most: int = MOST_WIRINGS
    made: dict[tuple[str, Variants], Wiring | None] = field(default_factory=dict)

    def of(self, kind: str, variants: Variants) -> Wiring | None:
        """A wiring; None where the knowledge no longer holds it, or there are too many."""
        key = (kind, variants)
        if key not in self.made:
            known = sum(wiring is not None for wiring in self.made.values())
            self.made[key] = None if known >= self.most else self._make(kind, variants)
        return self.made[key]

    def _make(self, kind: str, variants: Variants) -> Wiring | None:
        try:
            installation = compose(self.knowledge, kind, dict(variants))
        except DiagnoseError:
            return None
        return Wiring(installation, self.matrices(installation))

    def make_for(self, counts: Counts) -> float:
        """Make those that most cases were about; the share of cases that they stand for."""
        cases: dict[tuple[str, Variants], int] = {}
        for (kind, variants, _, _), n in counts.causes.items():
            cases[kind, variants] = cases.get((kind, variants), 0) + n
        total = sum(cases.values())
        here = 0
        for key in sorted(cases, key=lambda k: (-cases[k], k)):
            here += cases[key] if self.of(*key) is not None else 0
        return here / total if total else 1.0

    def outcome_index(self, wiring: Wiring, test: str, outcome: str) -> int | None:
        """Position of an outcome among those of a test; None where there is no such here."""
        name, _, it = test.partition("@")
        spec = self.knowledge.tests.get(name)
        found = () if spec is None else outcomes_here(wiring.installation, spec, it)
        ids = [o.id for o in found]
        return ids.index(outcome) if outcome in ids else None


def history_weights(
    wiring: Wiring, counts: Counts, knowledge: KnowledgeBase, shares: Floats
) -> Floats:
    """By how much the history's factors raise each failure mode on average, (modes,).

    A callout multiplies rates by factors that hang on what is answered. So the rates must be such
    that rate times mean factor fits the cases; else what the answers say would count twice. The
    mean is over the answers that would be given if no cause changed them, found from those that
    were given.

    Parameters
    ----------
    shares : (modes,)
        About how often each failure mode is the cause.
    """
    kind = wiring.installation.type.id
    given: dict[str, dict[str, int]] = {}
    for (of_kind, question, choice), n in counts.history.items():
        if of_kind == kind:
            given.setdefault(question, {})[choice] = n
    asked = {q: c for q, c in sorted(given.items()) if _bears(knowledge, q)}
    weights = np.ones(len(wiring.modes))
    for question, choices in asked.items():
        factors = np.ones((len(choices) + 1, len(wiring.modes)))
        for row, choice in enumerate(choices):
            found = rate_factors(knowledge, wiring.installation, {question: choice})
            factors[row] = [found.get(name, 1.0) for name in wiring.modes]
        seen = np.array([*choices.values(), 0.0])
        seen[-1] = max(counts.cases - seen.sum(), 0.0)
        weights = weights * _mean_factor(seen / seen.sum(), factors, shares)
    return weights


def _bears(knowledge: KnowledgeBase, question: str) -> bool:
    record = knowledge.questions.get(question)
    return record is not None and (bool(record.factors) or question == "present")


def _mean_factor(seen: Floats, factors: Floats, shares: Floats) -> Floats:
    base = seen.copy()
    for _ in range(50):
        mean = base @ factors
        base = seen / np.maximum(factors @ (shares / mean), 1e-12)
        base /= base.sum()
    return np.asarray(base @ factors)


def part_of(installation: Installation, mode: str) -> str:
    """The part type of an installed failure mode."""
    return installation.instances[installation.modes[mode].unit].part


def handbook_rates(wiring: Wiring) -> Mapping[str, float]:
    """Failures per million hours as the handbook has them."""
    return {name: m.mode.rate.nominal for name, m in wiring.installation.modes.items()}
