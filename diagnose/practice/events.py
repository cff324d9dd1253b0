"""An attempt as the events of a case, so that the interview can be asked about it at any step.

What a trainee was shown is a finding, a part swapped is a repair, a check its result; an act that
was stopped leaves nothing. What has no place among the events (a walk, the water's level) is put
into the state that the interview's turn starts from (`state_after`).
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from diagnose.interview.events import Event
from diagnose.interview.state import State
from diagnose.knowledge.names import unit_of
from diagnose.practice.customer import BAD
from diagnose.practice.deeds import SAFETY
from diagnose.practice.records import Attempt, Taken
from diagnose.reasoning.guard import Electrical

if TYPE_CHECKING:
    from diagnose.interview.session import Session

OPENED = {"qualification": "licensed", "meter_category": "cat_iii"}
"""The trainee plays a licensed electrician, every instrument at hand."""
_ACTS = {
    Electrical.ISOLATED.value: ("isolate",),
    Electrical.PROVED_DEAD.value: ("isolate", "prove_dead"),
    Electrical.ENERGISED.value: ("energise",),
}


def went(taken: Taken) -> bool:
    """Whether an act was done, not stopped."""
    return taken.offence is None


def telling(attempt: Attempt, k: int) -> bool:
    """Whether an act shows something, repairs, or ends the attempt; or was stopped at it."""
    taken = attempt.taken[k]
    if taken.act.kind in ("test", "ask", "check", "swap"):
        return taken.shown is not None or not went(taken) or taken.act.kind == "swap"
    return taken.act.kind == "finish" and k == len(attempt.taken) - 1


def made(taken: Taken) -> str:
    """The installed test that an act made, be it by asking the customer; "" where it made none."""
    if not went(taken) or taken.shown is None or taken.act.kind not in ("test", "ask"):
        return ""
    key = "test" if taken.act.kind == "test" else "question"
    return taken.act.data[key]


def until(attempt: Attempt, step: int) -> Attempt:
    """The attempt as it stood before its act number `step`, from 0.

    `safety` is left as it is at the end: only the referee hangs on it.
    """
    taken = attempt.taken[:step]
    done = [t for t in taken if went(t)]
    levels = [t.act.data["level"] for t in done if t.act.kind == "level"]
    last = taken[-1] if taken else None
    return replace(
        attempt,
        taken=taken,
        minutes=last.began + last.minutes if last else 0.0,
        ended="open" if step < len(attempt.taken) else attempt.ended,
        swapped=tuple(t.act.data["unit"] for t in done if t.act.kind == "swap"),
        place=last.place if last else Attempt(attempt.exercise).place,
        level=levels[-1] if levels else "",
    )


def events_of(attempt: Attempt, session: Session, unasked: bool = True) -> list[Event]:
    """The events of a case that went as the attempt did; ids and times follow from the attempt.

    Parameters
    ----------
    session
        The session of the exercise's installation.
    unasked
        Whether questions that were not asked count as answered with the default: nothing known, no
        hazard. Else the interview still wants to ask them.
    """
    return _Events(attempt, session, unasked).all()


def state_after(attempt: Attempt, session: Session, unasked: bool = True) -> State:
    """Where the callout stands: as the events say, with place and level as they really are.

    What the customer was asked to try counts as heard from the customer.
    """
    builder = _Events(attempt, session, unasked)
    state = session.state_of(builder.all())
    state.findings = [
        replace(f, by_phone=True) if f.event in builder.heard else f for f in state.findings
    ]
    state.place = attempt.place
    state.level = attempt.level or state.level
    return state


class _Events:
    """The events while they are made."""

    def __init__(self, attempt: Attempt, session: Session, unasked: bool) -> None:
        self.attempt = attempt
        self.session = session
        self.unasked = unasked
        self.events: list[Event] = []
        self.heard: set[str] = set()
        self.waiting = 0.0
        self.electrical = Electrical.ENERGISED.value

    def all(self) -> list[Event]:
        exercise = self.attempt.exercise
        variants = dict(exercise.variants)
        self.add(0.0, "opened", installation=exercise.kind, variants=variants, **OPENED)
        self.add(0.0, "complaint", ids=[exercise.complaint])
        asked = self._asked()
        for name, question in self.session.questions.items():
            if name not in asked and self.unasked:
                self.add(0.0, "answered", question=name, choice=question.default)
        for taken in self.attempt.taken:
            self.waiting += taken.minutes
            if went(taken):
                self._done(taken)
            self._as_it_stands(taken)
        return self.events

    def add(self, at: float, kind: str, **data: Any) -> Event:
        name = self.attempt.exercise.id
        number = len(self.events) + 1
        event = Event(f"{name}-{number}", f"{name} +{at:.1f} min", kind, data)
        self.events.append(event)
        return event

    def _asked(self) -> set[str]:
        named: set[str] = set()
        for taken in self.attempt.taken:
            if went(taken) and taken.act.kind == "ask":
                named.update(self._questions(taken.act.data["question"]))
        return named

    def _questions(self, asked: str) -> list[str]:
        """The interview's questions behind one that was asked."""
        known = self.session.questions
        if asked == SAFETY:
            return [name for name, question in known.items() if question.kind == SAFETY]
        return [asked] if asked in known else []

    def _done(self, taken: Taken) -> None:
        act, at = taken.act, taken.began + taken.minutes
        test = made(taken)
        if act.kind == "ask" and self._questions(act.data["question"]):
            self._answered(taken, at)
        elif test in self.session.tests and taken.shown is not None:
            event = self.add(
                at,
                "finding",
                test=test,
                raw=taken.shown.text,
                outcome=taken.shown.outcome,
                minutes=self._minutes(),
            )
            if act.kind == "ask":
                self.heard.add(event.id)
        elif act.kind == "swap":
            unit = act.data["unit"]
            mode = self._likeliest(unit)
            self.add(at, "repaired", unit=unit, failure_mode=mode, minutes=self._minutes())
            self.electrical = Electrical.UNKNOWN.value
        elif act.kind == "check" and taken.shown is not None:
            result = taken.shown.outcome
            minutes = self._minutes()
            self.add(at, "verified", check=act.data["check"], result=result, minutes=minutes)

    def _answered(self, taken: Taken, at: float) -> None:
        asked = taken.act.data["question"]
        if asked != SAFETY:
            choice = taken.shown.outcome if taken.shown else ""
            self.add(at, "answered", question=asked, choice=choice, minutes=self._minutes())
            return
        for name in self._questions(SAFETY):
            choice = self.session.questions[name].default
            if name == self.attempt.exercise.hazard:
                choice = BAD[name]
            self.add(at, "answered", question=name, choice=choice)

    def _as_it_stands(self, taken: Taken) -> None:
        """Acts until the events have the electrical state that the attempt has."""
        if taken.electrical == self.electrical:
            return
        acts = _ACTS.get(taken.electrical, ())
        if self.electrical == Electrical.ISOLATED.value and len(acts) == 2:
            acts = acts[1:]
        for act in acts:
            self.add(taken.began + taken.minutes, "act", act=act, minutes=self._minutes())
        self.electrical = taken.electrical

    def _minutes(self) -> float:
        """What passed since the last event."""
        passed, self.waiting = self.waiting, 0.0
        return passed

    def _likeliest(self, unit: str) -> str:
        """The failure mode of a unit that is likeliest so far; it is what the swap put right."""
        belief = self.session.belief(self.session.state_of(self.events))
        names = [name for name, _ in belief.ranking() if unit_of(name) == unit]
        return names[0].partition(".")[2] if names else ""
