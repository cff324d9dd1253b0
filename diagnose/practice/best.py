"""The strategy's best step at a point of an attempt, in an attempt's own terms.

It is the interview's: the turn that `Session.turn_at` makes of what the trainee knows. A test that
nothing could make safe (one that would reset a device for the second time) counts as one that
cannot be made, as in the interview.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diagnose.interview.state import State
from diagnose.knowledge.names import unit_of
from diagnose.practice.deeds import SAFETY
from diagnose.practice.events import state_after, went
from diagnose.practice.play import prepare
from diagnose.practice.records import Act, Attempt
from diagnose.reasoning.belief import UNKNOWN_UNIT, Belief, information

if TYPE_CHECKING:
    from diagnose.interview.session import Session, Turn
    from diagnose.practice.bench import Bench

UNSAFE = "it cannot be made safely now"


@dataclass(frozen=True)
class Best:
    """The strategy's best step at a point.

    `kind` is test, swap, check, ask or finish; `bits` is what it is expected to tell, `minutes`
    its whole cost from where the trainee stood.
    """

    kind: str
    id: str
    title: str
    bits: float = 0.0
    minutes: float = 0.0

    @property
    def rate(self) -> float:
        """Bits per minute."""
        return self.bits / self.minutes if self.minutes > 0 else 0.0


@dataclass(frozen=True, repr=False)
class Advice:
    """Where an attempt stands and what the strategy would do next."""

    state: State
    turn: Turn
    best: Best


def advise(session: Session, bench: Bench, attempt: Attempt, unasked: bool = True) -> Advice:
    """The strategy's best step after an attempt so far.

    Parameters
    ----------
    unasked
        Whether questions that were not asked count as answered (see `events_of`).
    """
    state = state_after(attempt, session, unasked)
    while True:
        turn = session.turn_at(state)
        best = best_of(session, turn)
        if hazard_known(attempt):
            best = Best("finish", "hand_over", "Hand over")
        if best.kind == "check":
            best = _check(bench, attempt)
        act = Act("test", {"test": best.id})
        if best.kind != "test" or prepare(bench, attempt, act) is not None:
            return Advice(state, turn, best)
        state.cannot[best.id] = UNSAFE


def hazard_known(attempt: Attempt) -> bool:
    """Whether the trainee was told of the exercise's hazard."""
    hazard = attempt.exercise.hazard
    asked = {t.act.data["question"] for t in attempt.taken if t.act.kind == "ask" and went(t)}
    return bool(hazard) and bool(asked & {SAFETY, hazard})


def next_check(bench: Bench, attempt: Attempt) -> str:
    """The first check that was not made since the last repair; "" where all were."""
    swaps = [k for k, t in enumerate(attempt.taken) if t.act.kind == "swap" and went(t)]
    since = attempt.taken[swaps[-1] :] if swaps else ()
    made = {t.act.data["check"] for t in since if t.act.kind == "check" and t.shown is not None}
    return next((check for check in bench.checks if check not in made), "")


def _check(bench: Bench, attempt: Attempt) -> Best:
    """The next check that can be made on the bench, or the end."""
    check = next_check(bench, attempt)
    if not check:
        return Best("finish", "done", "Finish")
    return Best("check", check, f"Check: {bench.checks[check].title}")


def best_of(session: Session, turn: Turn) -> Best:
    """What the interview would do next, in the terms of an attempt."""
    step, belief = turn.step, turn.belief
    if turn.decision is not None and step.kind in ("test", "act"):
        choices = turn.decision.choices
        chosen = next((c for c in choices if c.candidate.test == step.id), choices[0])
        test = chosen.candidate
        bits = float(information(belief, np.array([test.index]))[0])
        return Best("test", test.test, session.tests[test.test].title, bits, test.minutes)
    if step.conclusion is not None and step.id == "stopped":
        return Best("finish", "hand_over", "Hand over")
    if step.conclusion is not None:
        unit = step.conclusion.unit or likeliest_unit(belief)
        return Best("swap", unit, f"Repair: {session.installation.instances[unit].title}")
    if step.kind == "question":
        return Best("ask", step.id, step.title)
    if step.kind == "done":
        return Best("finish", "done", "Finish")
    return Best("check", step.id if step.kind == "verify" else "", "Check the repair")


def likeliest_unit(belief: Belief) -> str:
    """The likeliest unit that is in the knowledge base."""
    names = (unit_of(name) for name, _ in belief.ranking())
    return next(name for name in names if name != UNKNOWN_UNIT)
