"""Driving one simulated callout to its conclusion with any strategy, without the interview's paper.

The same planner, belief and decision as the interview; a test holds the two to one result.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.compose import Installation
from diagnose.plant.matrix import DependencyMatrix, MatrixBuilder
from diagnose.plant.procedures import InstalledTest, installed_tests
from diagnose.reasoning.belief import Belief, Hypotheses
from diagnose.reasoning.decision import decide
from diagnose.reasoning.guard import SafetyState, Skill
from diagnose.reasoning.planner import (
    Costs,
    Equipment,
    Ground,
    Standing,
    level_found,
    repair_places,
)
from diagnose.reasoning.stakes import Stakes
from diagnose.reasoning.strategy import Strategy
from tests.benchmarks.world import Callout

MOST_TESTS = 60
MOST_TIMES = 2
FULLY_EQUIPPED = Equipment(safety=SafetyState(skill=Skill.LICENSED, rated_meter=True))


@dataclass(frozen=True)
class Bench:
    """What the tool knows: table, tests and costs of one installation."""

    table: Hypotheses
    tests: Mapping[str, InstalledTest]
    ground: Ground
    levels: Mapping[str, str]
    stakes: Stakes

    @staticmethod
    def of(
        knowledge: KnowledgeBase,
        installation: Installation,
        matrix: DependencyMatrix,
        leave_out: Sequence[str] = (),
    ) -> Bench:
        """Build the tool's side; `leave_out` removes failure modes from its knowledge."""
        tests = installed_tests(knowledge, installation, MatrixBuilder.circuit_of(installation))
        rates = {n: m.mode.rate.nominal for n, m in installation.modes.items()}
        errors = {n: t.error for n, t in tests.items()}
        table = Hypotheses.of(matrix, rates, errors, leave_out)
        ground = Ground(tests, Costs.of(knowledge), repair_places(installation))
        levels = {c: level_found(installation, knowledge, (c,)) for c in table.complaint}
        stakes = Stakes.of(knowledge, installation, table)
        return Bench(table, tests, ground, levels, stakes)

    def without(self, matrix: DependencyMatrix, installation: Installation, mode: str) -> Bench:
        """The same tool without one failure mode in its knowledge."""
        rates = {n: m.mode.rate.nominal for n, m in installation.modes.items()}
        errors = {n: t.error for n, t in self.tests.items()}
        return replace(self, table=Hypotheses.of(matrix, rates, errors, [mode]))


@dataclass(frozen=True)
class Ending:
    """How a callout ended: status, unit named, failure mode, minutes, tests in order."""

    status: str
    unit: str
    mode: str
    minutes: float
    tests: tuple[tuple[str, int], ...]
    belief: Belief
    doubt: bool = False


def drive(
    bench: Bench, callout: Callout, strategy: Strategy, equipment: Equipment = FULLY_EQUIPPED
) -> Ending:
    """Run one callout to its end."""
    belief = Belief(bench.table, bench.table.prior((callout.complaint,)))
    standing = Standing(level=bench.levels[callout.complaint])
    minutes = 0.0
    done: list[tuple[str, int]] = []
    while True:
        every = bench.ground.candidates(bench.tests, bench.table.test_index, standing, equipment)
        asked = [t for t, _ in done]
        offered = [c for c in every if asked.count(c.test) < MOST_TIMES]
        terrain = bench.ground.terrain(standing)
        decision = decide(belief, offered, strategy, terrain, bench.stakes)
        if decision.kind != "test" or len(done) >= MOST_TESTS:
            unit, _ = belief.leading_unit()
            mode = next(n for n, _ in belief.ranking() if n.partition(".")[0] == unit)
            doubt = bool(decision.doubt)
            return Ending(decision.kind, unit, mode, minutes, tuple(done), belief, doubt)
        chosen = decision.choices[0].candidate
        _, standing = bench.ground.costs.reach(standing, bench.ground.way[chosen.test])
        minutes += chosen.minutes
        outcome = callout.answer(chosen.test)
        done.append((chosen.test, outcome))
        belief = belief.update(chosen.test, outcome)
