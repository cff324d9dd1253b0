"""The account of a case: what its events, weighed with the knowledge now loaded, say about it.

Everything is recomputed from the events. Texts are in the language in use, ids stay ids.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from diagnose.errors import DiagnoseError
from diagnose.interview.conclusions import conclusion_of, evidence
from diagnose.interview.explain import title_of
from diagnose.interview.facts import ending_fact, facts_of
from diagnose.interview.safety import STOPPED_BY, reasons
from diagnose.interview.state import NO_MORE, withdrawn_ids
from diagnose.interview.steps import Check, Conclusion, Evidence, OpenCheck
from diagnose.interview.telling import Reading, told
from diagnose.interview.verifying import verification, verify_step
from diagnose.language import gettext as _
from diagnose.reasoning.belief import UNKNOWN, UNKNOWN_UNIT, Belief
from diagnose.reasoning.rules import Inference
from diagnose.reasoning.suspects import without_excluded

if TYPE_CHECKING:
    from diagnose.interview.events import Event
    from diagnose.interview.session import Session
    from diagnose.interview.state import State

SUSPECTED = 0.01
"""A cause counts as suspected once from this probability on, after the complaint or later."""
RULED_OUT = 0.005
"""A cause once suspected counts as ruled out below this probability (never certainty)."""
MOST_RULED_OUT = 10


@dataclass(frozen=True)
class RuledOut:
    """A cause that was suspected, its probability at most and at the end, and what told most."""

    mode: str
    title: str
    most: float
    left: float
    by: tuple[Evidence, ...]


@dataclass(frozen=True)
class Moment:
    """What was suspected after one answer: failure mode → probability, the likeliest first."""

    event: str
    label: str
    ranking: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Repair:
    """One repair: what was put right, after which conclusion, and the checks that followed."""

    event: str
    at: str
    unit: str
    mode: str
    title: str
    remedy: str
    conclusion: Conclusion | None
    checks: tuple[tuple[str, str, str], ...] = ()
    """Check, its title in words, result (pass | fail | cannot); the latest result of each."""

    @property
    def held(self) -> bool | None:
        """Whether all its checks passed, None where none was made."""
        results = [result for _check, _title, result in self.checks]
        if "fail" in results:
            return False
        return True if "pass" in results else None


@dataclass(frozen=True)
class Account:
    """Everything that a report of one case may say.

    Attributes
    ----------
    conclusion
        The last one, recomputed; None where the search has not ended.
    recorded
        Data of the last ``concluded`` event: what was on the screen then.
    cannot
        Tests (titles) that could not be made, with the reason as typed.
    weighed
        "" or why the case cannot be weighed with the knowledge now loaded.
    """

    complaints: tuple[tuple[str, str], ...]
    """Title and the customer's words."""
    answers: tuple[tuple[str, str], ...]
    readings: tuple[Reading, ...]
    cannot: tuple[tuple[str, str], ...]
    acts: tuple[tuple[str, str], ...]
    """Time and what was done: isolated, proved dead, switched on."""
    conclusion: Conclusion | None
    recorded: Mapping[str, Any]
    ruled_out: tuple[RuledOut, ...]
    moments: tuple[Moment, ...]
    repairs: tuple[Repair, ...]
    open_checks: tuple[OpenCheck, ...]
    instruments: tuple[str, ...]
    cautions: tuple[str, ...]
    minutes: float
    stopped: str = ""
    hazards: tuple[str, ...] = ()
    weighed: str = ""
    called_back: tuple[tuple[str, str, str], ...] = field(default=())
    """Time, ``yes`` or ``no`` (the repair held), and the words."""


def over(event: Event) -> bool:
    """Whether an event comes when the callout is over."""
    return event.kind in NO_MORE


def account(session: Session, events: Sequence[Event]) -> Account:
    """The account of a case on the installation of `session`."""
    kept = [e for e in events if not over(e)]
    gone = withdrawn_ids(events)
    called = tuple(
        (e.at, str(e.data.get("held", "")), str(e.data.get("text", "")))
        for e in events
        if e.kind == "called_back" and e.id not in gone
    )
    try:
        return _weighed(session, kept, gone, called)
    except DiagnoseError as error:
        readings = tuple(told(session, kept, gone))
        return Account(
            *((), (), readings, (), (), None, _recorded(kept, gone), (), (), (), (), (), ()),
            minutes=sum(_number(e.data.get("minutes")) for e in kept),
            weighed=error.issues[0].message,
            called_back=called,
        )


def _weighed(
    session: Session,
    events: Sequence[Event],
    gone: set[str],
    called: tuple[tuple[str, str, str], ...],
) -> Account:
    state = session.state_of(events)
    readings = tuple(told(session, events, gone))
    moments, beliefs = _moments(session, events, gone, {r.event: r.title for r in readings})
    ended = [
        k for k, e in enumerate(events) if e.kind in ("concluded", "stopped") and e.id not in gone
    ]
    concluded = {k: _concluded(session, events, k) for k in ended}
    inference = session.rules.infer(facts_of(session, state, session.belief(state)))
    conclusion = concluded[ended[-1]] if ended else None
    final = beliefs[ended[-1]] if ended else session.belief(state)
    known = session.knowledge
    repairs = tuple(_repairs(session, events, gone, concluded, inference))
    cautions = [c for name in state.complaints for c in known.complaints[name].cautions]
    return Account(
        complaints=tuple(
            (_(known.complaints[c].title), _(known.complaints[c].says)) for c in state.complaints
        ),
        answers=tuple(_asked(session, state)),
        readings=readings,
        cannot=tuple(
            (_(session.tests[t].title) if t in session.tests else t, reason)
            for t, reason in state.cannot.items()
        ),
        acts=tuple((e.at, str(e.data["act"])) for e in events if e.kind == "act"),
        conclusion=conclusion,
        recorded=_recorded(events, gone),
        ruled_out=tuple(
            _ruled_out(
                session, list(beliefs.values()), final, conclusion, [r.mode for r in repairs]
            )
        ),
        moments=moments,
        repairs=repairs,
        open_checks=verify_step(session, state, inference).open_checks if state.verifying else (),
        instruments=tuple(dict.fromkeys(r.instrument for r in readings if r.instrument != "none")),
        cautions=session.texts(tuple(dict.fromkeys(cautions))),
        minutes=state.minutes,
        stopped=state.stopped,
        hazards=tuple(map(_, reasons(inference, *STOPPED_BY, "hand_over"))),
        called_back=called,
    )


def _moments(
    session: Session, events: Sequence[Event], gone: set[str], titles: Mapping[str, str]
) -> tuple[tuple[Moment, ...], dict[int, Belief]]:
    """What was suspected after the complaint and after each answer, repair and failed check."""
    labels = {"complaint": _("the complaint"), "repaired": _("a repair"), "verified": _("a check")}
    moments, beliefs = [], {}
    last: Belief | None = None
    for k, event in enumerate(events):
        if event.id in gone:
            continue
        telling = event.kind in ("complaint", "finding", "repaired")
        if telling or (event.kind == "verified" and event.data.get("result") == "fail"):
            last = session.belief(session.state_of(events[: k + 1]))
            ranking = tuple((n, p) for n, p in last.ranking()[:8])
            label = titles.get(event.id) or labels.get(event.kind, event.kind)
            moments.append(Moment(event.id, label, ranking))
        if last is not None and event.kind in ("complaint", "finding", "concluded", "stopped"):
            beliefs[k] = last
    if last is None:
        for k, event in enumerate(events):
            if event.kind in ("concluded", "stopped"):
                beliefs[k] = session.belief(session.state_of(events[:k]))
    return tuple(moments), beliefs


def _concluded(session: Session, events: Sequence[Event], k: int) -> Conclusion:
    """The conclusion that the event at `k` records, recomputed."""
    event, before = events[k], list(events[:k])
    state = session.state_of(before)
    belief = session.belief(state)
    status = str(event.data.get("status", "stopped"))
    facts = facts_of(session, state, belief)
    inference = session.rules.infer(facts)
    belief = without_excluded(belief, inference)
    if status != "stopped" and belief.leading_unit()[0] != UNKNOWN_UNIT:
        ending = "ambiguous" if status == "ambiguous" else "concluded"
        inference = session.rules.infer([*facts, ending_fact(session.installation, belief, ending)])
    return conclusion_of(session, state, belief, inference, status, _reasons(inference, status))


def _reasons(inference: Inference, status: str) -> list[str]:
    handed = ("hand_over",) if status in ("handed_over", "stopped") else ()
    return [_(why) for why in reasons(inference, *STOPPED_BY, *handed)]


def _asked(session: Session, state: State) -> Iterable[tuple[str, str]]:
    for question, choice in state.answers.items():
        record = session.knowledge.questions.get(question)
        if record is not None:
            yield _(record.ask), _(record.choices.get(choice, choice))
        else:
            yield question, choice


def _ruled_out(
    session: Session,
    beliefs: Sequence[Belief],
    final: Belief,
    conclusion: Conclusion | None,
    put_right: Iterable[str],
) -> Iterable[RuledOut]:
    """Causes that were suspected once and are not any more, those suspected most first.

    What was repaired was not ruled out by what was found.
    """
    if not beliefs:
        return
    table = final.table
    most = np.max([table.by_mode(b.p) for b in beliefs], axis=0)
    left = table.by_mode(final.p)
    named = {UNKNOWN, *put_right}
    if conclusion:
        named.add(f"{conclusion.unit}.{conclusion.failure_mode}")
    gone = [
        k
        for k, name in enumerate(table.mode_names)
        if most[k] >= SUSPECTED and left[k] < RULED_OUT and name not in named
    ]
    for k in sorted(gone, key=lambda k: (-most[k], table.mode_names[k]))[:MOST_RULED_OUT]:
        name = table.mode_names[k]
        _for, against = evidence(session, final, name)
        by = tuple({e.test: e for e in reversed(against)}.values())[::-1][:2]
        yield RuledOut(name, title_of(session, name), most[k], left[k], by)


def _repairs(
    session: Session,
    events: Sequence[Event],
    gone: set[str],
    concluded: Mapping[int, Conclusion],
    inference: Inference,
) -> Iterable[Repair]:
    asked: dict[str, Check] = {c.id: c for c in verification(session.installation, inference)}
    last: Conclusion | None = None
    places = [k for k, e in enumerate(events) if e.kind == "repaired" and e.id not in gone]
    for k, event in enumerate(events):
        last = concluded.get(k, last)
        if k not in places:
            continue
        end = next((p for p in places if p > k), len(events))
        results: dict[str, str] = {}
        for after in events[k:end]:
            if after.kind == "verified" and after.id not in gone:
                check = str(after.data.get("check", ""))
                results.pop(check, None)
                results[check] = str(after.data.get("result", ""))
        name = f"{event.data['unit']}.{event.data['failure_mode']}"
        mode = session.installation.modes.get(name)
        words = {c: _(asked[c].title) if c in asked else _said(c) for c in results}
        yield Repair(
            event=event.id,
            at=event.at,
            unit=str(event.data["unit"]),
            mode=name,
            title=title_of(session, name) if mode else name,
            remedy=_(mode.mode.remedy) if mode else "",
            conclusion=last,
            checks=tuple((check, words[check], result) for check, result in results.items()),
        )


def _said(check: str) -> str:
    return _(check.removeprefix("rule_").replace("_", " ").capitalize())


def _recorded(events: Iterable[Event], gone: set[str]) -> Mapping[str, Any]:
    found: Mapping[str, Any] = {}
    for event in events:
        if event.kind == "concluded" and event.id not in gone:
            found = event.data
    return found


def _number(value: Any) -> float:
    try:
        return float(value or 0.0)
    except (TypeError, ValueError):
        return 0.0
