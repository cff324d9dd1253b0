"""A fault-finding chart: the interview's own decision tree, compiled before the callout.

`compile_chart` asks `Session.turn` for the next step and gives it, one after another, each answer
that the step can have; what comes back is followed in the same way. The chart is therefore the
interview itself, for one installation, one complaint, one person with their instruments and one
set of answers to what is asked before the first test. It is bounded by counts and probabilities,
never by the clock (`Bounds`), and the same input gives the same chart everywhere: ids and times of
its events are made up.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from diagnose.errors import fail
from diagnose.interview.chart_tree import (
    NAMED,
    TOOL,
    Asked,
    Bounds,
    Chart,
    ChartEnd,
    Given,
    Grown,
    numbered,
    worth,
)
from diagnose.interview.events import Event
from diagnose.interview.session import Session
from diagnose.interview.steps import Option, Step
from diagnose.reasoning.belief import UNKNOWN_UNIT, Belief

SUSPECTED = 0.8
"""Where the chart ends early, the likeliest units that together hold this much are named."""
MOST_SUSPECTS = 3
LITTLE = 1e-4
"""Worth of coming to the bound on steps, against that of a named end: more than nothing."""
EQUAL = 9
"""Decimals in which probabilities must differ for one unit to be likelier than another."""
# ---------------------------------------------------------------------- before the first step


def _event(number: int, kind: str, **data: object) -> Event:
    return Event(f"chart-{number}", "1970-01-01T00:00:00+00:00", kind, data)


def _check(session: Session, given: Given) -> None:
    known = session.matrix.complaints
    if given.complaint not in known:
        message = f"'{given.complaint}' is not a complaint here"
        raise fail("unknown-id", message, None, list(known))
    for question, choice in given.answers.items():
        if question not in session.questions:
            message = f"there is no question '{question}' before the first test"
            raise fail("unknown-id", message, None, list(session.questions))
        choices = session.questions[question].choices
        if choice not in choices:
            message = f"'{choice}' is not an answer to '{question}'"
            raise fail("unknown-id", message, None, list(choices))


def opening(session: Session, given: Given) -> list[Event]:
    """The events before the first step.

    Raises
    ------
    DiagnoseError
        The complaint, a question or an answer is not known here, or after these answers nothing
        may be tested at all.
    """
    _check(session, given)
    data: dict[str, object] = {
        "installation": session.installation.type.id,
        "variants": dict(session.installation.choices),
        "qualification": given.qualification,
        "meter_category": given.meter_category,
    }
    if given.instruments is not None:
        data["instruments"] = list(given.instruments)
    events = [_event(0, "opened", **data)]
    while True:
        step = session.turn(events).step
        if step.kind != "question":
            break
        if step.id == "complaint":
            events.append(_event(len(events), "complaint", ids=[given.complaint]))
            continue
        choice = given.answers.get(step.id, session.questions[step.id].default)
        events.append(_event(len(events), "answered", question=step.id, choice=choice))
    if step.kind == "conclusion":
        reasons = "; ".join(step.conclusion.reasons) if step.conclusion else ""
        said = ", ".join(f"{q}={c}" for q, c in given.answers.items()) or "these answers"
        raise fail("option", f"with {said} nothing is tested, so there is no chart: {reasons}")
    return events


def _asked(session: Session, events: list[Event]) -> Iterator[Asked]:
    for event in events:
        if event.kind == "answered":
            name, choice = str(event.data["question"]), str(event.data["choice"])
            question = session.questions[name]
            yield Asked(name, question.kind, question.ask, choice, question.choices[choice])


# ---------------------------------------------------------------------- compiling


def compile_chart(session: Session, given: Given, bounds: Bounds | None = None) -> Chart:
    """The chart for one complaint on the session's installation.

    Raises
    ------
    DiagnoseError
        As `opening`; or the interview ends before its first step.
    """
    bounds = bounds or Bounds()
    events = opening(session, given)
    tree = _grow(session, bounds, events, 0, 1.0)
    if tree.test is None:
        conclusion = tree.end.conclusion if tree.end else None
        reasons = "; ".join(conclusion.reasons) if conclusion else ""
        raise fail("option", f"the interview ends before its first step: {reasons}")
    steps, ends = numbered(worth(tree, bounds.most))
    return Chart(given, bounds, tuple(_asked(session, events)), steps, ends)


def _grow(session: Session, bounds: Bounds, events: list[Event], done: int, reach: float) -> Grown:
    """What comes after these events, with `done` tests among them."""
    turn = session.turn(events)
    if turn.step.conclusion is not None:
        c = turn.step.conclusion
        end = ChartEnd(NAMED, c, sure=(c.probability, c.probability))
        return Grown(end, reach)
    if done and reach < bounds.rare:
        return Grown(ChartEnd(TOOL, suspects=suspects_of(turn.belief)))
    if done >= bounds.steps:
        return Grown(ChartEnd(TOOL, suspects=suspects_of(turn.belief)), LITTLE * reach)
    found = turn.belief
    acts: list[Step] = []
    while turn.step.kind == "act":
        act = turn.step
        acts.append(act)
        events = [*events, _event(len(events), "act", act=act.id, minutes=act.minutes)]
        turn = session.turn(events)
    early = ChartEnd(TOOL, suspects=suspects_of(found))
    place = Grown(early=early, acts=tuple(acts), test=turn.step)
    return _ways(session, bounds, events, place, done, reach)


def _ways(
    session: Session, bounds: Bounds, events: list[Event], place: Grown, done: int, reach: float
) -> Grown:
    """A test with all its ways."""
    test = place.test
    assert test is not None
    ways: list[tuple[Option, float, Grown]] = []
    others: list[Option] = []
    other = 0.0
    for option, chance in chances(test):
        if chance < bounds.folded:
            others.append(option)
            other += chance
            continue
        data = {"test": test.id, "outcome": option.id, "minutes": test.minutes}
        after = [*events, _event(len(events), "finding", **data)]
        ways.append((option, chance, _grow(session, bounds, after, done + 1, reach * chance)))
    return replace(place, ways=tuple(ways), others=tuple(others), other=other)


def chances(test: Step) -> tuple[tuple[Option, float], ...]:
    """How likely each answer to a test is, after all answers before it; in the test's order."""
    splits = test.why.splits if test.why is not None else ()
    likely = {split.outcome: split.probability for split in splits}
    return tuple((option, likely[option.id]) for option in test.options)


def suspects_of(belief: Belief) -> tuple[str, ...]:
    """The likeliest units that together hold `SUSPECTED`, at most `MOST_SUSPECTS` of them.

    That the knowledge base does not hold the cause is named only where nothing is likelier.
    """
    units = zip(belief.table.unit_names, belief.unit_p.tolist(), strict=True)
    ordered = sorted(units, key=lambda pair: -round(pair[1], EQUAL))
    if ordered[0][0] == UNKNOWN_UNIT:
        return (UNKNOWN_UNIT,)
    found: list[str] = []
    held = 0.0
    for unit, p in ordered:
        if unit != UNKNOWN_UNIT and held < SUSPECTED and len(found) < MOST_SUSPECTS:
            found.append(unit)
            held += p
    return tuple(found)
