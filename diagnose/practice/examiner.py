"""Which callouts an exam or a class sits: drawn by seed, as hard as each other.

The draw hangs on the seed, the knowledge and the installation alone. A callout that no draw of the
installation's numbers shows is passed over. The last callout of an exam may hold two faults that
together are about as hard as the one in its place would be, and any callout a hazard; a class set
has neither.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from diagnose.errors import DiagnoseError, fail
from diagnose.knowledge.names import unit_of
from diagnose.plant.matrix import Progress
from diagnose.plant.pairs import clash
from diagnose.practice.compound import handed_over, pair
from diagnose.practice.difficulty import Rated, Rating
from diagnose.practice.draws import chance
from diagnose.practice.exercises import drawn_hazard
from diagnose.practice.records import Exercise
from diagnose.practice.skills import skills_of, unit_functions

if TYPE_CHECKING:
    from diagnose.interview.session import Session
    from diagnose.practice.bench import Bench, Workshop

COUNT = 3
"""Callouts of an exam where nothing else is said."""
EASIEST, MIDDLE, HARDEST = 0.3, 0.55, 0.8
"""The callouts of an exam spread over these shares of all exercises by difficulty (judgement)."""
WINDOW = 0.05
"""How far in that order the draw may lie from its place."""
TOLERANCE = 0.1
"""How far, as a share of the middle, the callouts of a class set may differ in difficulty."""
LEVELS: Mapping[str, float] = {"easy": 0.25, "medium": 0.5, "hard": 0.8}
"""Where the middle of a class set lies among all exercises by difficulty (judgement)."""
TWO_FAULTS = 0.3
"""Share of exams whose last and hardest callout holds two faults (judgement)."""
NEAR = 0.25
"""How far two faults may differ in difficulty from the one whose place they take, as a share."""
PAIRS = 200
"""Pairs among which those near in difficulty are looked for."""
WORDINGS = 6
"""Wordings that are tried for one that the set has not yet."""


@dataclass(frozen=True)
class Plan:
    """What is sat: `count` callouts, or, `of_set`, a class set of `count` as hard as each other.

    `number` names one callout of a class set, from 1; 0 means all.
    """

    kind: str
    variants: Mapping[str, str]
    seed: int
    count: int = COUNT
    of_set: bool = False
    number: int = 0
    level: str = "medium"
    tolerance: float = TOLERANCE


@dataclass(frozen=True)
class Drawn:
    """A callout of an exam: the exercise, how hard it is, what the customer says."""

    exercise: Exercise
    rated: Rated
    says: str
    hidden: str
    """What is hidden, in words: for the trainer and the sheet."""


@dataclass(frozen=True, repr=False)
class Examiner:
    """What exams on one installation are drawn from.

    `functions` maps each unit to its function.
    """

    session: Session
    workshop: Workshop
    exercises: Sequence[Rated]
    functions: Mapping[str, str]
    _benches: dict[str, Bench] = field(default_factory=dict)
    _expert: dict[str, float] = field(default_factory=dict)

    @staticmethod
    def of(session: Session, workshop: Workshop, exercises: Sequence[Rated]) -> Examiner:
        """From what is known of the installation; see `diagnose.practice.catalogue`."""
        functions = unit_functions(workshop.practice, session.installation)
        order = sorted(exercises, key=lambda r: (round(r.difficulty.minutes, 3), r.modes))
        return Examiner(session, workshop, order, functions)

    def bench(self, exercise: Exercise) -> Bench:
        """The broken installation of an exercise, made once.

        Raises
        ------
        DiagnoseError
            It cannot occur; see `Workshop.bench`.
        """
        key = digest_of(asdict(exercise))
        if key not in self._benches:
            self._benches[key] = self.workshop.bench(exercise)
        return self._benches[key]

    def expert_minutes(self, exercise: Exercise) -> float:
        """Minutes of the expert's attempt, to the verified repair; reckoned once."""
        from diagnose.practice.expert import expert

        key = digest_of(asdict(exercise))
        if key not in self._expert:
            self._expert[key] = expert(self.session, self.bench(exercise)).minutes
        return self._expert[key]

    def rated(self, exercise: Exercise) -> Rated:
        """How hard an exercise with one fault is.

        Raises
        ------
        DiagnoseError
            It is none of those rated here.
        """
        for rated in self.exercises:
            if rated.modes == exercise.modes and rated.complaint == exercise.complaint:
                return rated
        raise fail("exercise", f"'{exercise.id}' is no exercise that is rated here")

    def draw(self, plan: Plan, report: Progress | None = None) -> tuple[Drawn, ...]:
        """The callouts of a plan, always the same ones.

        Parameters
        ----------
        report
            Called with (callouts drawn, callouts).

        Raises
        ------
        DiagnoseError
            There are not so many, or the number is none of the set's.
        """
        if plan.of_set and plan.number > plan.count:
            legal = ["1", "...", str(plan.count)]
            raise fail("option", f"there is no callout {plan.number} in the set", None, legal)
        drawn: list[Drawn] = []
        for number in range(1, (plan.number or plan.count) + 1):
            wanted = self._of_set if plan.of_set else self._of_exam
            rng = np.random.default_rng([plan.seed, number, int(plan.of_set)])
            fits = wanted(plan, drawn, rng)
            last = not plan.of_set and number == plan.count
            if last and chance(plan.seed, "two faults") < TWO_FAULTS:
                fits = [*self._pairs(fits[0].difficulty.minutes, rng), *fits]
            one = self._made(plan, number, fits, drawn, rng)
            if one is None:
                raise fail("exercise", self._too_few(plan, len(drawn)))
            drawn.append(one)
            if report is not None:
                report(number, plan.number or plan.count)
        return tuple(drawn[-1:]) if plan.number else tuple(drawn)

    def _of_exam(self, plan: Plan, drawn: Sequence[Drawn], rng: np.random.Generator) -> list[Rated]:
        """Near the callout's place in the order of difficulty, a new function first."""
        shares = np.linspace(EASIEST, HARDEST, plan.count) if plan.count > 1 else [MIDDLE]
        share = shares[len(drawn)]
        last = len(self.exercises) - 1
        low, high = (int(np.clip(share + d, 0, 1) * last) for d in (-WINDOW, WINDOW))
        near = [self.exercises[low + int(i)] for i in rng.permutation(high - low + 1)]
        had = [self._function(d.rated) for d in drawn]
        return sorted(near, key=lambda r: had.count(self._function(r)))

    def _pairs(self, minutes: float, rng: np.random.Generator) -> list[Rated]:
        """Two faults that are about so hard together, the nearest first."""
        rating, modes, found = Rating(self.session), self.session.installation.modes, list[Rated]()
        for a, b in rng.integers(len(self.exercises), size=(PAIRS, 2)):
            first, second = self.exercises[a], self.exercises[b]
            (one,), (other,) = first.modes, second.modes
            if not clash(self.session.installation, modes[one], modes[other]):
                found.append(pair(rating, first, second))
        off = {id(r): abs(r.difficulty.minutes / minutes - 1.0) for r in found}
        return sorted((r for r in found if off[id(r)] <= NEAR), key=lambda r: off[id(r)])

    def _of_set(self, plan: Plan, drawn: Sequence[Drawn], rng: np.random.Generator) -> list[Rated]:
        """Within the limits, a new unit first, then the complaint that came least."""
        low, high = self.limits(plan)
        fits = [r for r in self.exercises if low <= r.difficulty.minutes <= high]
        units = {_unit(d.rated) for d in drawn}
        complaints = [d.rated.complaint for d in drawn]
        mixed = [fits[int(i)] for i in rng.permutation(len(fits))]
        return sorted(mixed, key=lambda r: (_unit(r) in units, complaints.count(r.complaint)))

    def _too_few(self, plan: Plan, found: int) -> str:
        if not plan.of_set:
            return f"only {found} callouts could be drawn, not {plan.count}"
        middle = sum(self.limits(plan)) / 2
        return (
            f"only {found} different callouts lie within ±{plan.tolerance:.0%} of {middle:.0f} "
            f"minutes, not {plan.count}: see --tolerance and --level"
        )

    def limits(self, plan: Plan) -> tuple[float, float]:
        """The least and the most difficulty of a class set's callouts, minutes."""
        place = round(LEVELS[plan.level] * (len(self.exercises) - 1))
        middle = self.exercises[place].difficulty.minutes
        return round(middle * (1 - plan.tolerance), 3), round(middle * (1 + plan.tolerance), 3)

    def _hidden(self, exercise: Exercise) -> str:
        installation = self.session.installation
        modes = [installation.modes[name] for name in exercise.modes]
        told = [f"{installation.instances[m.unit].title}: {m.title}" for m in modes]
        if exercise.hazard:
            ask = self.session.questions[exercise.hazard].ask
            told.insert(0, f"a hazard, to be made safe and handed over ({ask})")
        return "; ".join(told)

    def _function(self, rated: Rated) -> str:
        return skills_of(rated, self.functions)[0]

    def _made(
        self,
        plan: Plan,
        number: int,
        wanted: Sequence[Rated],
        drawn: Sequence[Drawn],
        rng: np.random.Generator,
    ) -> Drawn | None:
        """The first of the wanted that can occur and has neither cause nor sentence again."""
        modes = {mode for d in drawn for mode in d.rated.modes}
        sentences = {d.says for d in drawn}
        name = "set" if plan.of_set else "exam"
        for rated in wanted:
            seed, first = int(rng.integers(2**31)), int(rng.integers(WORDINGS))
            for wording in range(first, first + (0 if modes & set(rated.modes) else WORDINGS)):
                exercise = Exercise(
                    f"{name}-{plan.seed}-{number}",
                    self.session.installation.type.id,
                    dict(self.session.installation.choices),
                    rated.modes,
                    rated.complaint,
                    seed,
                    wording,
                    "" if plan.of_set else drawn_hazard(seed),
                )
                try:
                    says = self.bench(exercise).customer.says()
                except DiagnoseError as error:
                    if error.issues[0].code != "impossible":
                        raise
                    break
                if says not in sentences:
                    if exercise.hazard:
                        rated = handed_over(self.session.knowledge, rated)
                    return Drawn(exercise, rated, says, self._hidden(exercise))
        return None


def _unit(rated: Rated) -> str:
    return unit_of(rated.modes[0])


def digest_of(*values: object) -> str:
    """SHA-256 of plain values, in hexadecimal."""
    return hashlib.sha256(json.dumps(values, sort_keys=True).encode()).hexdigest()
