"""Driving a callout: a person (real, scripted or simulated) replies, the replies become events."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

from diagnose.errors import DiagnoseError, fail
from diagnose.interview.asking import read_check, way_to_repair
from diagnose.interview.events import Event, new_event
from diagnose.interview.safety import repair_refused, reports
from diagnose.interview.session import Session, Turn
from diagnose.interview.since import stamped
from diagnose.interview.state import last_retractable, lasting
from diagnose.interview.steps import Conclusion, Step
from diagnose.knowledge.names import unit_of
from diagnose.language import gettext as _
from diagnose.language import marked
from diagnose.plant.learned import repair_minutes

SHOWN_CAUSES = 3
STOPPED = marked("stopped by the person")
"""Reason on file where nobody gave one."""


@dataclass(frozen=True)
class Reply:
    """What a person says to a step.

    Attributes
    ----------
    kind : str
        ``answer``: `text` holds option ids or a reading; ``cannot``: `text` says why;
        ``back``: take the last answer back; ``other``: `text` is the test to do instead;
        ``stop``: `text` says why; ``repaired``: `text` is the failure mode (``unit.mode``)
        that was put right; ``hazard``: `text` is what is reported (``question.choice``),
        whatever the step; ``leave``: nothing more now.
    sure : bool
        False for an answer given as *not sure*.
    ids : tuple of str
        Several complaints at once.
    typed : str
        The answer as it was typed, where that differs from `text`.
    """

    kind: str
    text: str = ""
    sure: bool = True
    ids: tuple[str, ...] = ()
    typed: str = ""


class Person(Protocol):
    """Whoever answers."""

    def reply(self, turn: Turn, step: Step) -> Reply:
        """The reply to a step."""
        ...


@dataclass(frozen=True)
class Before:
    """What is asked for before a repair, and the step at which it was said to be made."""

    repair: str
    step: Step


@dataclass
class Outcome:
    """How a driven callout stands when it ends: the last turn and the last conclusion."""

    turn: Turn
    conclusion: Conclusion | None = None
    cautions: list[str] = field(default_factory=list)


def shown(turn: Turn) -> dict[str, Any]:
    """A record of what was on the screen: the leading causes, with their probabilities."""
    leading = turn.belief.ranking()[:SHOWN_CAUSES]
    return {name: round(p, 4) for name, p in leading}


def parted(step: Step) -> dict[str, Any]:
    """How a step's minutes divide, where some of them are on the way: a record for learning."""
    if step.own in (None, step.minutes):
        return {}
    way = {"walk": step.walk, "place": step.way} if step.way else {}
    return {"own": step.own, **way}


def how_chosen(turn: Turn, step: Step) -> dict[str, Any]:
    """A record of how a test was chosen: by which search, after how many expansions."""
    choices = turn.decision.choices if turn.decision is not None else ()
    ahead = next((c.ahead for c in choices if c.candidate.test == step.id), None)
    if ahead is None:
        return {}
    return {"chosen": {"by": ahead.method, "expansions": ahead.expansions}}


def respond(
    session: Session, turn: Turn, step: Step, reply: Reply, events: Sequence[Event]
) -> Event | None:
    """The event that a reply to a step makes; None where it makes none.

    Raises
    ------
    DiagnoseError
        The answer is not legal for this step.
    """
    if reply.kind == "back":
        last = last_retractable(events)
        if last is None and any(map(lasting, events)):
            raise fail(
                "answer",
                "a reported hazard is not taken back: it stands until its cause is repaired, the "
                "insulation measured at 1 Mohm or more and the damage inspected; after a slip, "
                "begin a new callout",
            )
        if last is None:
            raise fail("answer", "there is no answer to take back")
        return new_event("withdrawn", event=last.id)
    if reply.kind == "stop":
        return new_event("stopped", reason=reply.text or STOPPED)
    if reply.kind == "repaired":
        return _repaired(session, turn, step, reply.text)
    if reply.kind == "hazard":
        question, _dot, choice = reply.text.partition(".")
        legal = [f"{q}.{c}" for q, c in reports(session)]
        if reply.text not in legal:
            raise fail("answer", f"'{reply.text}' is no hazard here", None, legal)
        return new_event("answered", question=question, choice=choice)
    if reply.kind == "cannot":
        return _cannot(step, reply.text)
    if reply.kind != "answer":
        return None
    if step.kind == "test":
        outcome = session.read_answer(step.id, reply.text)
        return new_event(
            "finding",
            test=step.id,
            raw=str(reply.typed or reply.text),
            outcome=outcome,
            sure="yes" if reply.sure else "no",
            minutes=step.minutes,
            **parted(step),
            shown=shown(turn),
            **how_chosen(turn, step),
        )
    if step.id == "complaint" and step.kind == "question":
        chosen = reply.ids or (reply.text,)
        for one in chosen:
            _legal(step, one)
        return new_event("complaint", ids=[str(c) for c in chosen])
    if step.kind == "verify" and step.unit and reply.text not in [o.id for o in step.options]:
        reply = replace(reply, text=read_check(step, reply.text), typed=str(reply.text))
    _legal(step, reply.text)
    if step.kind == "question":
        return new_event("answered", question=step.id, choice=str(reply.text))
    if step.kind == "act":
        return new_event("act", act=step.id, minutes=step.minutes, **parted(step))
    if step.kind == "verify":
        read = {"raw": reply.typed} if step.unit and reply.typed else {}
        return new_event("verified", check=step.id, result=str(reply.text), **read)
    return None


def _legal(step: Step, choice: str) -> None:
    ids = [option.id for option in step.options]
    if choice not in ids:
        place = getattr(choice, "place", None)
        raise fail("answer", f"'{choice}' is not an answer to '{step.id}'", place, ids)


def _cannot(step: Step, reason: str) -> Event:
    if step.kind in ("test", "act"):
        return new_event("cannot", **{step.kind: step.id}, reason=reason)
    if step.kind == "verify":
        return new_event("verified", check=step.id, result="cannot")
    raise fail("answer", "this needs an answer")


def _repaired(session: Session, turn: Turn, step: Step, name: str) -> Event:
    unit, _dot, mode = name.partition(".")
    if name not in session.installation.modes:
        place = getattr(name, "place", None)
        names = [n for n, _p in turn.belief.ranking() if n in session.installation.modes][:12]
        raise fail("unknown-id", f"'{name}' is not a failure mode here", place, names)
    refused = repair_refused(session, turn.state, turn.inference, name)
    if refused:
        raise fail("repair", _(refused))
    minutes = repair_minutes(session.knowledge, session.installation, name)
    return new_event("repaired", unit=unit, failure_mode=mode, minutes=minutes)


def concluded(conclusion: Conclusion) -> Event:
    """The record of a conclusion as it was shown."""
    return new_event(
        "concluded",
        status=conclusion.status,
        unit=conclusion.unit,
        failure_mode=conclusion.failure_mode,
        probability=round(conclusion.probability, 6),
    )


def drive(
    session: Session,
    events: list[Event],
    person: Person,
    record: Callable[[Event], None] | None = None,
    refused: Callable[[DiagnoseError], bool] = lambda error: False,
    after: Callable[[Turn, Turn, Event], None] = lambda before, now, event: None,
) -> Outcome:
    """Ask until the case is verified, closed or left.

    Parameters
    ----------
    events : list of Event
        What happened so far; each new event is appended after it was recorded.
    record : callable, optional
        Puts an event on file. It is called before the next question is computed.
    refused : callable
        Told of an answer that is not legal; True to ask again, False to raise.
    after : callable
        Told of the turn before, the turn now and the event between them.
    """
    turn = session.turn(events)
    outcome = Outcome(turn)
    wanted = ""
    before: Before | None = None
    impossible: set[str] = set()
    """Repairs before which an act was asked for, and could not be made."""

    def add(event: Event) -> None:
        nonlocal turn
        event = stamped(session, event)
        if record is not None:
            record(event)
        events.append(event)
        last, turn = turn, session.turn(events)
        outcome.turn = turn
        after(last, turn, event)

    while turn.step.kind != "done":
        step = (session.step_for(turn, wanted) if wanted else None) or turn.step
        if before is not None:
            done = step if before.step.kind == "act" else before.step
            step = way_to_repair(session, turn.state, turn.inference, before.repair) or done
        outcome.cautions += [c for c in step.cautions if c not in outcome.cautions]
        if step.conclusion is not None:
            outcome.conclusion = step.conclusion
            new = [c for c in step.conclusion.cautions if c not in outcome.cautions]
            outcome.cautions += new
            if turn.state.concluded is None:
                add(concluded(step.conclusion))
                step = turn.step
        reply = person.reply(turn, step)
        if reply.kind == "leave":
            break
        if reply.kind == "other":
            wanted = reply.text
            continue
        try:
            event = respond(session, turn, step, reply, events)
        except DiagnoseError as error:
            named = reply.text if reply.kind == "repaired" else ""
            named = "" if named in impossible else named
            if named and way_to_repair(session, turn.state, turn.inference, named) is not None:
                before = Before(named, step)
                refused(error)
            elif not refused(error):
                raise
            continue
        if event is None:
            continue
        if before is not None and event.kind == "cannot":
            impossible.add(before.repair)
        if event.kind != "act":
            wanted, before = "", None
        add(event)
    return outcome


def summary(outcome: Outcome, events: Sequence[Event]) -> Mapping[str, Any]:
    """The result of a callout as plain data, with the keys that scripts rely on."""
    conclusion = outcome.conclusion
    state = outcome.turn.state
    gone = {str(e.data["event"]) for e in events if e.kind == "withdrawn"}
    steps = []
    for event in events:
        if event.id in gone or "test" not in event.data:
            continue
        if event.kind in ("finding", "cannot"):
            steps.append(
                {
                    "test": event.data["test"],
                    "outcome": event.data.get("outcome", "cannot"),
                    "minutes": float(event.data.get("minutes", 0.0)),
                }
            )
    result: dict[str, Any] = {
        "status": "stopped",
        "unit": None,
        "failure_mode": None,
        "probability": 0.0,
        "failure_mode_probability": 0.0,
        "ranking": [
            {"failure_mode": n, "unit": unit_of(n), "probability": p}
            for n, p in outcome.turn.belief.ranking()[:12]
        ],
        "steps": steps,
        "minutes": state.minutes,
        "cautions": list(outcome.cautions),
        "verification": dict(state.checks),
        "open_checks": [
            {"check": o.check, "title": o.title, "by": o.by} for o in outcome.turn.step.open_checks
        ],
    }
    if conclusion is not None:
        result |= {
            "status": conclusion.status,
            "unit": conclusion.unit or None,
            "failure_mode": f"{conclusion.unit}.{conclusion.failure_mode}"
            if conclusion.failure_mode
            else None,
            "probability": conclusion.probability,
            "failure_mode_probability": conclusion.mode_probability,
            "ranking": [
                {"failure_mode": n, "unit": u, "probability": p} for n, u, p in conclusion.ranking
            ],
            "reasons": list(conclusion.reasons),
        }
    return result
