"""Driving one simulated callout to its conclusion with any strategy, without the interview's paper.

The same planner, belief and decision as the interview; a test holds the two to one result.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from diagnose.interview.remaining import REPAIRED
from diagnose.interview.session import MOST_TIMES
from diagnose.knowledge.names import unit_of
from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.compose import Installation
from diagnose.plant.matrix import DependencyMatrix, MatrixBuilder
from diagnose.plant.procedures import InstalledTest, installed_tests
from diagnose.reasoning.belief import UNKNOWN_UNIT, Belief, Hypotheses
from diagnose.reasoning.decision import decide
from diagnose.reasoning.guard import SafetyState, Skill
from diagnose.reasoning.noise_free import Problem
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
SHOWN = 0.05
"""Chance from which a failure mode belongs to a complaint's problem."""
MOST_REPAIRS = 5
SPECIALIST = 240.0
"""Minutes counted where no repair held (judgement)."""
FULLY_EQUIPPED = Equipment(safety=SafetyState(skill=Skill.LICENSED, rated_meter=True))


@dataclass(frozen=True)
class Repair:
    """Minutes of the repair of one failure mode, of its verification, and lost with its spare."""

    minutes: float
    spare: float
    verify: float

    @staticmethod
    def of(knowledge: KnowledgeBase, installation: Installation, name: str) -> Repair:
        """From the scales."""
        word = installation.modes[name].mode.repair
        return Repair(
            knowledge.word("repair_minutes", word),
            knowledge.word("wasted_spare", word),
            knowledge.word("changes", "energise") + knowledge.word("changes", "verify"),
        )


@dataclass(frozen=True)
class Bench:
    """What the tool knows: table, tests and costs of one installation."""

    table: Hypotheses
    tests: Mapping[str, InstalledTest]
    ground: Ground
    levels: Mapping[str, str]
    stakes: Stakes
    repairs: Mapping[str, Repair]

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
        repairs = {name: Repair.of(knowledge, installation, name) for name in installation.modes}
        return Bench(table, tests, ground, levels, stakes, repairs)

    def noise_free(self, complaint: str, standing: Standing) -> Problem:
        """The problem of one complaint, every cause showing its likeliest outcomes."""
        tests = self.ground.candidates(self.tests, self.table.test_index, standing, FULLY_EQUIPPED)
        shown = self.table.complaint[complaint]
        p = np.where(shown >= SHOWN, np.exp(self.table.prior((complaint,))), 0.0)
        return Problem.likeliest(self.table, p, tests)

    def without(self, matrix: DependencyMatrix, installation: Installation, mode: str) -> Bench:
        """The same tool without one failure mode in its knowledge."""
        rates = {n: m.mode.rate.nominal for n, m in installation.modes.items()}
        errors = {n: t.error for n, t in self.tests.items()}
        table = Hypotheses.of(matrix, rates, errors, [mode])
        kept = [self.table.unit_names.index(u) for u in table.unit_names]
        return replace(self, table=table, stakes=Stakes(self.stakes.wrong[kept]))


@dataclass(frozen=True)
class Ending:
    """How a callout ended at its first conclusion: status, unit, failure mode, minutes, tests."""

    status: str
    unit: str
    mode: str
    minutes: float
    tests: tuple[tuple[str, int], ...]
    belief: Belief
    doubt: bool = False


@dataclass(frozen=True)
class Verified:
    """A callout to the verified repair: all minutes, repairs made, whether it came to that."""

    first: Ending
    minutes: float
    repairs: int
    verified: bool


class Driven:
    """One simulated callout under way.

    Parameters
    ----------
    again : bool
        Whether answers may be asked for again, be it to tell more or because they do not fit.
    """

    def __init__(
        self,
        bench: Bench,
        callout: Callout,
        strategy: Strategy,
        equipment: Equipment = FULLY_EQUIPPED,
        again: bool = True,
    ) -> None:
        self.bench = bench
        self.callout = callout
        self.strategy = strategy
        self.equipment = equipment
        self.times = MOST_TIMES if again else 1
        self.belief = Belief(bench.table, bench.table.prior((callout.complaint,)))
        self.standing = Standing(level=bench.levels[callout.complaint])
        self.minutes = 0.0
        self.done: list[tuple[str, int]] = []

    def conclude(self) -> Ending:
        """Test until something is concluded, or nothing pays any more."""
        bench, ground = self.bench, self.bench.ground
        while True:
            asked = [t for t, _ in self.done]
            often = {t for t in asked if asked.count(t) >= self.times}
            index = bench.table.test_index
            offered = ground.candidates(bench.tests, index, self.standing, self.equipment, often)
            terrain = ground.terrain(self.standing)
            decision = decide(self.belief, offered, self.strategy, terrain, bench.stakes)
            if decision.kind != "test" or len(self.done) >= MOST_TESTS:
                unit, _ = self.belief.leading_unit()
                mode = next(n for n, _ in self.belief.ranking() if unit_of(n) == unit)
                done, doubt = tuple(self.done), bool(decision.doubt)
                return Ending(decision.kind, unit, mode, self.minutes, done, self.belief, doubt)
            chosen = decision.choices[0].candidate
            _, self.standing = ground.costs.reach(self.standing, ground.way[chosen.test])
            self.minutes += chosen.minutes
            outcome = self.callout.answer(chosen.test)
            self.done.append((chosen.test, outcome))
            self.belief = self.belief.update(chosen.test, outcome)

    def to_the_end(self) -> Verified:
        """Repair what is named, verify, and go on until the right unit is repaired.

        Where no cause is named the likeliest known one is tried. After `MOST_REPAIRS` in vain,
        or with nothing else left than *not in the knowledge base*, a specialist comes.
        """
        first = ending = self.conclude()
        for repairs in range(1, MOST_REPAIRS + 1):
            unit = ending.unit
            if unit == UNKNOWN_UNIT:
                unit = next(
                    unit_of(n) for n, _ in self.belief.ranking() if not n.startswith(UNKNOWN_UNIT)
                )
            mode = next(n for n, _ in self.belief.ranking() if unit_of(n) == unit)
            way = self.bench.ground.repair[unit]
            ready, _ = self.bench.ground.costs.reach(self.standing, way)
            repair = self.bench.repairs[mode]
            self.minutes += ready + repair.minutes + repair.verify
            if unit == unit_of(self.callout.mode):
                return Verified(first, self.minutes, repairs, True)
            self.minutes += repair.spare
            self.standing = Standing(level=self.standing.level)
            own = [n for n in self.belief.table.mode_names if unit_of(n) == unit]
            self.belief = self.belief.scale(dict.fromkeys(own, REPAIRED))
            ending = self.conclude()
        return Verified(first, self.minutes + SPECIALIST, MOST_REPAIRS, False)


def drive(
    bench: Bench, callout: Callout, strategy: Strategy, equipment: Equipment = FULLY_EQUIPPED
) -> Ending:
    """Run one callout to its first conclusion."""
    return Driven(bench, callout, strategy, equipment).conclude()
