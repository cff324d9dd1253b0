"""The installation by function, and comments on what a trainee says before and after a test.

Trainees who were taught a strategy that does not hang on the system, with the installation taken
apart by function, solved about twice as many malfunctions, in less time [1]_. So the trainee says
which function is suspected, what a test would show if that were so, and what its reading means;
each is set against the model. All comments come from what the trainee has found, never from
what is hidden.

References
----------
.. [1] Schaafstal, A., Schraagen, J. M., & van Berlo, M. (2000). Cognitive task analysis and
   innovation of training: the case of structured troubleshooting. Human Factors, 42(1), 75-86.
   Recalled, not read.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from diagnose.interview.session import Session
from diagnose.knowledge.practice_reading import Function, PracticeKnowledge
from diagnose.plant.compose import Installation
from diagnose.reasoning.belief import Belief

HARDLY = 0.02
"""A function that holds less of the suspicion is called hardly possible (judgement)."""
PARTS = 0.15
"""A test whose outcomes differ by less between two suspicions does not part them (judgement)."""
SPEAKS_BITS = 0.5
"""A reading that moves the odds by less speaks neither way (judgement)."""
STRONG_BITS = 2.0
"""A reading that moves the odds by as much speaks strongly."""
USUAL_SHARE = 0.5
"""What a suspicion must make at least this likely is what one expects of it (judgement)."""
CONCLUSIONS = ("for", "against", "neither")
"""What a reading says of the function suspected."""


@dataclass(frozen=True)
class Group:
    """One function as this installation has it: its units in the order of power and water."""

    function: Function
    units: tuple[str, ...]


def groups_of(practice: PracticeKnowledge, installation: Installation) -> list[Group]:
    """The functions of an installation that have a unit here, in order."""
    found = []
    for function in practice.functions.values():
        units = [
            name
            for part in function.parts
            for name, instance in installation.instances.items()
            if instance.part == part
        ]
        if units:
            told = next((t for t in function.told if installation.fits(t.needs)), function)
            here = replace(function, does=told.does, works_when=told.works_when)
            found.append(Group(here, tuple(units)))
    return found


def function_of(groups: list[Group], unit: str) -> str:
    """The function that a unit belongs to; "" for none."""
    return next((g.function.id for g in groups if unit in g.units), "")


def suspicion(groups: list[Group], belief: Belief) -> dict[str, float]:
    """How much of the suspicion lies with each function; sums to 1 with *not known*."""
    by_unit = dict(zip(belief.table.unit_names, belief.unit_p.tolist(), strict=True))
    return {g.function.id: sum(by_unit.get(u, 0.0) for u in g.units) for g in groups}


@dataclass(frozen=True)
class Split:
    """P(outcome) of a test if the function suspected is at fault, and if another is."""

    suspected: NDArray[np.float64]
    others: NDArray[np.float64]
    healthy: str
    outcomes: Mapping[str, str]

    @property
    def apart(self) -> float:
        """Total variation between the two, 0 (tells nothing of it) to 1."""
        return float(np.abs(self.suspected - self.others).sum() / 2)

    @property
    def expected(self) -> str:
        """The outcome that the suspicion makes likeliest."""
        return list(self.outcomes)[int(self.suspected.argmax())]

    def share(self, outcome: str) -> float:
        """P(outcome) if the function suspected is at fault."""
        return float(self.suspected[list(self.outcomes).index(outcome)])

    def bits(self, outcome: str) -> float:
        """How strongly an outcome speaks for (+) or against (-) the function suspected."""
        k = list(self.outcomes).index(outcome)
        return math.log2(max(self.suspected[k], 1e-9) / max(self.others[k], 1e-9))


class Coach:
    """Comments on one installation's callouts."""

    def __init__(self, session: Session, practice: PracticeKnowledge) -> None:
        self.session = session
        self.groups = groups_of(practice, session.installation)
        self.functions = {g.function.id: g.function for g in self.groups}

    def split(self, belief: Belief, function: str, test: str) -> Split:
        """What a test would show under a function's failure modes and under all others.

        Weighted by what is suspected of each now; answers as a person gives them, errors included.
        """
        table, k = belief.table, belief.table.test_index[test]
        units = next(g.units for g in self.groups if g.function.id == function)
        mine = np.isin(np.array(table.units), units)
        size = int(table.sizes[k])
        likely = np.stack([belief.chance(test, j) for j in range(size)], axis=1)

        def mean(rows: NDArray[np.bool_]) -> NDArray[np.float64]:
            weights = belief.p[rows]
            if not weights.sum():
                weights = np.ones(int(rows.sum()))
            return np.asarray(weights @ likely[rows] / weights.sum())

        installed = self.session.tests[test]
        usual = self.session.matrix.of("healthy", test)
        return Split(
            mean(mine),
            mean(~mine),
            installed.outcomes[int(usual.argmax())].id,
            {o.id: o.title for o in installed.outcomes},
        )

    # ------------------------------------------------------------------ comments

    def on_function(self, belief: Belief, function: str) -> str:
        """Whether a function can still be at fault, as far as the evidence goes."""
        title = self.functions[function].title
        shares = suspicion(self.groups, belief)
        if shares[function] >= HARDLY:
            return f"{title}: what was found so far leaves it open."
        open_still = [self.functions[f].title for f, p in shares.items() if p >= HARDLY]
        return (
            f"{title}: hardly, what was found so far speaks against it. "
            f"Open still: {', '.join(open_still) or 'none that is known'}."
        )

    def on_expectation(self, belief: Belief, function: str, test: str, expected: str) -> str:
        """What the model says to an expectation, and whether the test parts the suspicion."""
        split = self.split(belief, function, test)
        title, healthy = self.functions[function].title, split.outcomes[split.healthy]
        said = [f"A healthy installation shows: {healthy}."]
        if split.apart < PARTS:
            return " ".join(
                [
                    *said,
                    f"Whether {title.lower()} is at fault or not, this test shows much the same: "
                    "it does not part your suspicion from the rest.",
                ]
            )
        if split.share(expected) >= USUAL_SHARE:
            said.append(f"With {title.lower()} at fault your expectation is what is likely.")
        elif expected == split.expected:
            said.append(f"With {title.lower()} at fault that is the likeliest, but not sure.")
        else:
            likeliest = split.outcomes[split.expected]
            likelier = f"this would be likelier: {likeliest}"
            if split.expected == split.healthy:
                likelier = "it would most likely show that still"
            said.append(f"With {title.lower()} at fault {likelier}.")
        return " ".join([*said, "The test parts your suspicion from the rest."])

    def on_conclusion(
        self, before: Belief, function: str, test: str, outcome: str, conclusion: str
    ) -> str:
        """What a reading says of the function suspected, beside what the trainee concludes."""
        bits = self.split(before, function, test).bits(outcome)
        right = "neither" if abs(bits) < SPEAKS_BITS else "for" if bits > 0 else "against"
        title = self.functions[function].title.lower()
        words = {
            "for": f"the reading speaks for {title}",
            "against": f"the reading speaks against {title}",
            "neither": f"the reading says little of {title}, one way or the other",
        }
        text = words[right]
        if abs(bits) >= STRONG_BITS:
            text = text.replace("speaks", "speaks strongly")
        return f"Yes: {text}." if conclusion == right else f"Not so: {text}."
