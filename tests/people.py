"""A simulated person: answers every test as one failure mode would most likely show it."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from diagnose.interview.drive import Reply
from diagnose.interview.session import Session, Turn
from diagnose.interview.steps import Step
from diagnose.knowledge.names import unit_of
from diagnose.plant.cache import matrix_for
from diagnose.plant.compose import compose
from diagnose.practice.bench import Bench as PracticeBench
from diagnose.practice.bench import Workshop
from diagnose.practice.records import Exercise
from tests.bench import shipped


class SimulatedPerson:
    """Deterministic; says what is likeliest under that regime of `mode` that shows the complaint.

    The likeliest outcome over all regimes, test by test, would be a story that no fault tells: a
    contact too dirty for its input and one just clean enough, a pump that runs on and rests.

    Parameters
    ----------
    mode : str
        The failure mode ``unit.mode`` that is really there.
    repairs : bool
        Whether the concluded cause is repaired; the checks pass if it was the right unit.
    complains : str, optional
        What is complained of, where it is not what the mode brings about most surely.
    """

    def __init__(
        self, session: Session, mode: str, repairs: bool = False, complains: str = ""
    ) -> None:
        self.session = session
        self.mode = mode
        self.repairs = repairs
        self.complains = complains

    def complaint(self) -> str:
        """What is complained of: by default what the failure mode brings about most surely."""
        if self.complains:
            return self.complains
        row = self.session.matrix.rows.index(self.mode)
        columns = harmless(self.session)
        return max(columns, key=lambda c: (columns[c][row], c))

    def outcome(self, test: str) -> str:
        """The likeliest outcome of a test."""
        table = self.session.table("now")
        own = table.positions(self.mode)
        share = table.weight[own] * table.complaint[self.complaint()][own]
        p = table.clean[own][int(share.argmax()), table.test_index[test]]
        return self.session.tests[test].outcomes[int(p.argmax())].id

    def choice(self, turn: Turn, step: Step) -> str:
        """The option id answered to a question, an act, a test or a check."""
        if step.kind == "question":
            if step.id == "complaint":
                return self.complaint()
            return self.session.knowledge.questions[step.id].default
        if step.kind == "act":
            return "done"
        if step.kind == "test":
            return self.outcome(step.id)
        right = any(unit == unit_of(self.mode) for unit, _ in turn.state.repairs)
        return "pass" if right else "fail"

    def reply(self, turn: Turn, step: Step) -> Reply:
        """See `diagnose.interview.drive.Person`."""
        conclusion = step.conclusion
        if conclusion is None:
            text = self.choice(turn, step)
            return Reply("answer", text, ids=(text,))
        tried = any(unit == conclusion.unit for unit, _ in turn.state.repairs)
        if not self.repairs or not conclusion.unit or tried:
            return Reply("leave")
        return Reply("repaired", f"{conclusion.unit}.{conclusion.failure_mode}")


def harmless(session: Session) -> dict[str, NDArray[np.float64]]:
    """P(complaint | failure mode) of the complaints after which the search goes on."""
    return {c: p for c, p in session.matrix.complaints.items() if c not in session.reports}


def clear_modes(session: Session, count: int) -> list[str]:
    """Failure modes that bring about some complaint for sure, spread over the units."""
    found: dict[str, str] = {}
    for r, name in enumerate(session.matrix.rows[:-1]):
        chance = max((float(c[r]) for c in harmless(session).values()), default=0.0)
        if chance > 0.9:
            found.setdefault(unit_of(name), name)
    names = list(found.values())
    return names[:: max(1, len(names) // count)][:count]


@lru_cache(maxsize=1)
def standard_session() -> Session:
    """The shipped knowledge on the standard installation; its matrix from the user's cache."""
    knowledge = shipped()
    kind = next(iter(knowledge.installations))
    installation = compose(knowledge, kind)
    return Session(knowledge, installation, matrix_for(knowledge, installation))


@lru_cache(maxsize=1)
def standard_workshop() -> Workshop:
    """Where practice benches on the standard installation are made."""
    session = standard_session()
    return Workshop(session.knowledge, session.installation)


@lru_cache(maxsize=32)
def practice_bench(
    modes: tuple[str, ...], complaint: str, seed: int = 1, hazard: str = "", meter: str = "cat_iii"
) -> PracticeBench:
    """The bench of one exercise on the standard installation."""
    workshop = standard_workshop()
    kind, choices = workshop.installation.type.id, dict(workshop.installation.choices)
    exercise = Exercise("x", kind, choices, modes, complaint, seed, hazard=hazard, meter=meter)
    return workshop.bench(exercise)
