"""How hard an exercise is: computed from the model, never typed.

The number is in minutes: those that a *standard trainee* is expected to need from the complaint
until he stands at the failed unit (`diagnose.practice.ways`): he never misreads a meter, but looks
into the likeliest cause first and repairs as soon as he is convinced. Each thing that makes a
callout hard makes that trainee slow by itself, so no weights are needed: a deceptive first
impression and look-alikes make him repair in vain, a second place costs the walk. Two faults at
once and hazards are in `diagnose.practice.compound`. What a fault that shows only sometimes costs
is not in the number: an exercise plays it as present.

The components are kept beside the number, for whoever wants to know why:

- the expert's minutes and tests: the cheapest sequence of tests where answers are certain
  (`diagnose.reasoning.exact`; information per minute where the search is cut off);
- look-alikes: other units that at most `FEW` tests tell from the true one (total variation
  of two rows of the matrix at least `SEPARATED`);
- the first impression: the unit's rank, and how many bits it lies behind the leading one, after
  the complaint and every look at the panel of at most `GLANCE` minutes; and the bits that are
  then left;
- the places away from the panel that the expert must go to, tests and repair;
- the units that the standard trainee repairs in vain, those that the expert has to rule out.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from diagnose.errors import fail
from diagnose.interview.session import Session
from diagnose.practice.ways import Case, Way, expert_way, trainee_way
from diagnose.reasoning.apart import mode_of
from diagnose.reasoning.belief import UNKNOWN, Belief
from diagnose.reasoning.exact import Branch, optimal
from diagnose.reasoning.guard import Exposure, SafetyState, Skill
from diagnose.reasoning.noise_free import Problem
from diagnose.reasoning.places import ANYWHERE, PANEL
from diagnose.reasoning.planner import OUTSIDE, Equipment, Standing, level_found
from diagnose.reasoning.separation import SEPARATED, SHOWN

LIKELY = 0.5
"""Chance from which a failure mode is an exercise for a complaint (judgement)."""
FEW = 2
"""A distinction that hangs on at most so many tests makes a look-alike (judgement)."""
GLANCE = 2.0
"""Minutes of a test that counts to the first impression (judgement)."""
EXPANSIONS = 300
"""Sets that the search for the cheapest tests may open, per complaint."""
ALL_EQUIPMENT = Equipment(safety=SafetyState(skill=Skill.LICENSED, rated_meter=True))

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Difficulty:
    """How hard one exercise is, and why.

    Attributes
    ----------
    minutes
        Of a standard trainee: the number that exercises are compared by.
    expert, tests
        Minutes and number of tests of the cheapest sequence, repairs in vain included.
    look_alikes
        Other units that hardly any test tells from the true one.
    rank, behind
        Of the true unit after the first looks: 1 leads; bits behind the leading unit.
    bits_left
        Entropy of the unit after the first looks.
    places
        Away from the panel, where the expert must go.
    in_vain
        Units that the standard trainee repairs before the true one.
    rivals
        Units that the expert's tests rule out, each with its share of what was likely at first.
    """

    minutes: float
    expert: float
    tests: float
    look_alikes: int
    rank: int
    behind: float
    bits_left: float
    places: tuple[str, ...]
    in_vain: tuple[str, ...] = ()
    rivals: Mapping[str, float] = field(default_factory=dict)
    two_faults: bool = False
    intermittent: bool = False
    hazard: bool = False


@dataclass(frozen=True)
class Rated:
    """A possible exercise: what is hidden, what is complained of, and how hard that is."""

    modes: tuple[str, ...]
    complaint: str
    difficulty: Difficulty


class Rating:
    """The difficulty of every exercise of one installation.

    Parameters
    ----------
    session
        Its tests, table, costs and scales are those of the interview.
    """

    def __init__(self, session: Session) -> None:
        self.session = session
        self.table = session.table("now")

    def rate(self, complaint: str, modes: Sequence[str] | None = None) -> list[Rated]:
        """The exercises of one complaint: those failure modes that mostly cause it.

        Parameters
        ----------
        modes
            Rate these alone, however seldom they cause it (but not less than `SHOWN`).
        """
        shown = self.table.complaint[complaint]
        problem = self.problem(complaint)
        row_of = {name: r for r, row in enumerate(problem.rows) for name in row.split("+")}
        tree = self._tree(problem)
        case = self._case(problem, complaint)
        rated = []
        for mode in self.table.mode_names if modes is None else modes:
            own = range(*self.table.positions(mode).indices(len(self.table.names)))
            weight = {k: float(self.table.weight[k] * shown[k]) for k in own}
            rows = {k: w for k, w in weight.items() if self.table.names[k] in row_of}
            total = math.fsum(self.table.weight[k] for k in own)
            if mode == UNKNOWN or not rows:
                continue
            if modes is None and math.fsum(weight.values()) < LIKELY * total:
                continue
            parts = [
                (w, self._one(case, tree, row_of[self.table.names[k]], k, complaint))
                for k, w in rows.items()
            ]
            rated.append(Rated((mode,), complaint, _mean(parts)))
        return rated

    def exercise(self, complaint: str, modes: Sequence[str]) -> Rated:
        """One exercise with one fault or two, however seldom it causes the complaint.

        Of two, the one that shows the complaint more often is looked for first; the other under
        the complaint that it shows most itself.

        Raises
        ------
        DiagnoseError
            A failure mode causes no complaint at all.
        """
        by_share = sorted(modes, key=lambda mode: -self._share(complaint, mode))
        first = self._alone(complaint, by_share[0])
        if len(modes) == 1:
            return first
        second = max(self.table.complaint, key=lambda c: self._share(c, by_share[1]))
        from diagnose.practice.compound import pair

        rated = pair(self, first, self._alone(second, by_share[1]))
        return Rated(tuple(modes), complaint, rated.difficulty)

    def _alone(self, complaint: str, mode: str) -> Rated:
        found = self.rate(complaint, [mode])
        if not found:
            raise fail("exercise", f"'{mode}' hardly ever shows '{complaint}': it cannot be rated")
        return found[0]

    def _share(self, complaint: str, mode: str) -> float:
        """How often a failure mode shows a complaint."""
        own = self.table.positions(mode)
        weight = self.table.weight[own]
        return float(weight @ self.table.complaint[complaint][own] / weight.sum())

    def problem(self, complaint: str) -> Problem:
        """The noise-free problem of a complaint, from where one arrives."""
        session = self.session
        level = level_found(session.installation, session.knowledge, (complaint,))
        standing = Standing(level=level)
        tests = session.ground.candidates(
            session.tests, self.table.test_index, standing, ALL_EQUIPMENT
        )
        likely = self.table.complaint[complaint] >= SHOWN
        p = np.where(likely, np.exp(self.table.prior((complaint,))), 0.0)
        problem = Problem.likeliest(self.table, p, tests)
        return replace(problem, terrain=session.ground.terrain(standing))

    def _tree(self, problem: Problem) -> Branch | None:
        if problem.solved(problem.everything):
            return None
        return optimal(problem, EXPANSIONS).tree

    def _case(self, problem: Problem, complaint: str) -> Case:
        p = self.table.weight * self.table.complaint[complaint]
        names = [name for row in problem.rows for name in row.split("+")]
        found = {
            n: (self.table.units[k], float(p[k])) for n in names for k in [self.table.index[n]]
        }
        vain: dict[str, float] = {}
        for name in sorted(names, key=lambda n: found[n][1]):  # the likeliest of a unit counts
            vain[found[name][0]] = self.repair_minutes(mode_of(name), in_vain=True)
        return Case.of(problem, found, vain)

    def _one(
        self, case: Case, tree: Branch | None, row: int, hypothesis: int, complaint: str
    ) -> Difficulty:
        unit = self.table.units[hypothesis]
        expert, trainee = expert_way(case, tree, row, unit), trainee_way(case, row, unit)
        p = self._first_impression(hypothesis, complaint)
        own = p[self.table.unit_names.index(unit)]
        mode = self.session.installation.modes[mode_of(self.table.names[hypothesis])].mode
        return Difficulty(
            minutes=trainee.minutes,
            expert=expert.minutes,
            tests=len(expert.tests),
            look_alikes=self._look_alikes(case.problem, hypothesis),
            rank=1 + int((p > own).sum()),
            behind=float(np.log2(p.max() / own)),
            bits_left=float(-(p[p > 0] * np.log2(p[p > 0])).sum()),
            places=self._places(case.problem, expert, unit),
            in_vain=trainee.in_vain,
            rivals=self._rivals(case, expert, row, unit),
            intermittent=bool(mode.intermittent),
        )

    def repair_minutes(self, mode: str, in_vain: bool = False) -> float:
        """Minutes to repair one failure mode and to verify; with its spare lost where in vain."""
        knowledge = self.session.knowledge
        word = self.session.installation.modes[mode].mode.repair
        minutes = knowledge.word("repair_minutes", word) + knowledge.word("changes", "verify")
        return minutes + (knowledge.word("wasted_spare", word) if in_vain else 0.0)

    @cached_property
    def _first_looks(self) -> tuple[int, ...]:
        """The tests of a first look round the panel: no instrument, nothing switched."""
        return tuple(
            self.table.test_index[name]
            for name, test in self.session.tests.items()
            if test.spec.instrument == "none"
            and test.minutes <= GLANCE
            and test.spec.place_at in (ANYWHERE, PANEL)
            and Exposure(test.spec.state) is Exposure.LOOK
            and not test.level
        )

    def _first_impression(self, hypothesis: int, complaint: str) -> Floats:
        """Probabilities of the units after the complaint and the first looks, (units,)."""
        log_p = self.table.prior((complaint,))
        for k in self._first_looks:
            outcome = int(self.table.clean[hypothesis, k].argmax())
            log_p = log_p + np.log(self.table.likely(k, outcome))
        return Belief(self.table, log_p).unit_p

    def _look_alikes(self, problem: Problem, hypothesis: int) -> int:
        """Other units with a cause in the problem that at most `FEW` tests tell from this one."""
        index = [test.index for test in problem.tests]
        own = self.table.clean[hypothesis][index]
        names = [name for row in problem.rows for name in row.split("+")]
        rivals = [
            k
            for name in names
            if self.table.units[k := self.table.index[name]] != self.table.units[hypothesis]
        ]
        apart = 0.5 * np.abs(self.table.clean[np.ix_(rivals, index)] - own).sum(axis=2)
        telling = (apart >= SEPARATED).sum(axis=1)
        return len({self.table.units[k] for k, n in zip(rivals, telling, strict=True) if n <= FEW})

    def _places(self, problem: Problem, way: Way, unit: str) -> tuple[str, ...]:
        gone = {self.session.tests[problem.tests[k].test].spec.place_at for k in way.tests}
        gone |= {self.session.ground.repair[u].place for u in (*way.in_vain, unit)}
        return tuple(place for place in OUTSIDE if place in gone)

    def _rivals(self, case: Case, way: Way, row: int, unit: str) -> dict[str, float]:
        shown = case.problem.outcome
        fits = np.ones(len(shown), dtype=bool)
        gone = np.zeros(len(case.units))
        for k in way.tests:
            kept = fits & (shown[:, k] == shown[row, k])
            gone += fits @ case.weight - kept @ case.weight
            fits = kept
        share = dict(zip(case.units, gone / case.weight.sum(), strict=True))
        names = self.session.installation.instances
        return {n: round(share[n], 6) for n in names if n != unit and share.get(n, 0.0) >= 0.001}


def _mean(parts: Sequence[tuple[float, Difficulty]]) -> Difficulty:
    """The regimes of one failure mode as one: means by weight, the heaviest's rank and places."""
    total = math.fsum(w for w, _ in parts)

    def mean(of: Callable[[Difficulty], float]) -> float:
        return round(math.fsum(w * of(d) for w, d in parts) / total, 3)

    heaviest = max(parts, key=lambda part: part[0])[1]
    return replace(
        heaviest,
        minutes=mean(lambda d: d.minutes),
        expert=mean(lambda d: d.expert),
        tests=mean(lambda d: d.tests),
        behind=mean(lambda d: d.behind),
        bits_left=mean(lambda d: d.bits_left),
    )
