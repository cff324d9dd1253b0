"""Which callouts an exam or a class sits: drawn by seed, as hard as each other.

The draw hangs on the seed, the knowledge and the installation alone. A callout that no draw of the
installation's numbers shows is passed over.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from diagnose.errors import DiagnoseError, fail
from diagnose.practice.records import Exercise
from diagnose.practice.skills import skills_of, unit_functions

if TYPE_CHECKING:
    from diagnose.interview.session import Session
    from diagnose.practice.bench import Bench, Workshop
    from diagnose.practice.difficulty import Rated

COUNT = 3
"""Callouts of an exam where nothing else is said."""
EASIEST, HARDEST = 0.3, 0.8
"""The callouts of an exam spread over these shares of all exercises by difficulty (judgement)."""
WINDOW = 0.05
"""How far in that order the draw may lie from its place."""
TOLERANCE = 0.1
"""How far, as a share of the middle, the callouts of a class set may differ in difficulty."""
LEVELS: Mapping[str, float] = {"easy": 0.25, "medium": 0.5, "hard": 0.8}
"""Where the middle of a class set lies among all exercises by difficulty (judgement)."""
WORDINGS = 12
"""Wordings that are tried for one that the set has not yet."""


@dataclass(frozen=True)
class Plan:
    """What is sat: `count` callouts, or number `number` (from 1) of a class set of `count`."""

    kind: str
    variants: Mapping[str, str]
    seed: int
    count: int = COUNT
    number: int = 0
    level: str = "medium"
    tolerance: float = TOLERANCE


@dataclass(frozen=True)
class Drawn:
    """A callout of an exam: the exercise, how hard it is, what the customer says."""

    exercise: Exercise
    rated: Rated
    says: str


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

    def draw(self, plan: Plan) -> tuple[Drawn, ...]:
        """The callouts of a plan, always the same ones.

        Raises
        ------
        DiagnoseError
            There are not so many, or the number is none of the set's.
        """
        if not plan.number:
            return self._exam(plan)
        found = self.class_set(plan)
        if not 1 <= plan.number <= len(found):
            legal = [str(n) for n in range(1, len(found) + 1)]
            raise fail("option", f"there is no callout {plan.number} in the set", None, legal)
        return found[plan.number - 1 : plan.number]

    def _exam(self, plan: Plan) -> tuple[Drawn, ...]:
        """Rising difficulty, no failure mode twice, each function once as far as that goes."""
        drawn: list[Drawn] = []
        for k, share in enumerate(np.linspace(EASIEST, HARDEST, plan.count)):
            rng = np.random.default_rng([plan.seed, k])
            last = len(self.exercises) - 1
            low, high = (int(np.clip(share + d, 0, 1) * last) for d in (-WINDOW, WINDOW))
            near = [self.exercises[i] for i in low + rng.permutation(high - low + 1)]
            had = {self._function(d.rated) for d in drawn}
            fresh = [r for r in near if self._function(r) not in had]
            for one in self._made(plan, "exam", k + 1, [*fresh, *near], drawn, rng):
                drawn.append(one)
                break
        if len(drawn) < plan.count:
            raise fail("exercise", f"only {len(drawn)} callouts could be drawn, not {plan.count}")
        return tuple(drawn)

    def class_set(self, plan: Plan) -> tuple[Drawn, ...]:
        """Callouts as hard as each other: no cause and no sentence of the customer twice.

        Raises
        ------
        DiagnoseError
            There are not so many within the tolerance.
        """
        if plan.level not in LEVELS:
            raise fail("option", f"'{plan.level}' is no level", None, LEVELS)
        low, high = self.limits(plan)
        fits = [r for r in self.exercises if low <= round(r.difficulty.minutes, 3) <= high]
        rng = np.random.default_rng([plan.seed, 77])
        order = [fits[i] for i in rng.permutation(len(fits))]
        drawn: list[Drawn] = []
        for _ in range(plan.count):
            units = {_unit(d.rated) for d in drawn}
            complaints = [d.rated.complaint for d in drawn]
            rest = sorted(order, key=lambda r: (_unit(r) in units, complaints.count(r.complaint)))
            one = next(self._made(plan, "set", len(drawn) + 1, rest, drawn, rng), None)
            if one is None:
                spread = f"±{plan.tolerance:.0%} of {(low + high) / 2:.0f} minutes"
                message = f"only {len(drawn)} different callouts lie within {spread}"
                raise fail("exercise", f"{message}, not {plan.count}: see --tolerance and --level")
            drawn.append(one)
        return tuple(drawn)

    def limits(self, plan: Plan) -> tuple[float, float]:
        """The least and the most difficulty of a class set's callouts, minutes."""
        place = round(LEVELS[plan.level] * (len(self.exercises) - 1))
        middle = round(self.exercises[place].difficulty.minutes, 3)
        return middle * (1 - plan.tolerance), middle * (1 + plan.tolerance)

    def _function(self, rated: Rated) -> str:
        return skills_of(rated, self.functions)[0]

    def _made(
        self,
        plan: Plan,
        name: str,
        number: int,
        wanted: Sequence[Rated],
        drawn: Sequence[Drawn],
        rng: np.random.Generator,
    ) -> Iterator[Drawn]:
        """Those of the wanted exercises that can occur, unlike all that were drawn."""
        modes = {mode for d in drawn for mode in d.rated.modes}
        sentences = {d.says for d in drawn}
        for rated in wanted:
            seed = int(rng.integers(2**31))
            if modes & set(rated.modes):
                continue
            for wording in range(WORDINGS):
                exercise = Exercise(
                    f"{name}-{plan.seed}-{number}",
                    self.session.installation.type.id,
                    dict(self.session.installation.choices),
                    rated.modes,
                    rated.complaint,
                    seed,
                    wording,
                )
                try:
                    says = self.bench(exercise).customer.says()
                except DiagnoseError as error:
                    if error.issues[0].code != "impossible":
                        raise
                    break
                if says not in sentences:
                    yield Drawn(exercise, rated, says)
                    break


def _unit(rated: Rated) -> str:
    return rated.modes[0].partition(".")[0]


def digest_of(*values: object) -> str:
    """SHA-256 of plain values, in hexadecimal."""
    return hashlib.sha256(json.dumps(values, sort_keys=True).encode()).hexdigest()
