"""A compiled chart in words: what the interview's values say on paper."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TypeVar

from diagnose.cli.render import INSTRUMENTS, STATES, name_of
from diagnose.cli.setup import CATEGORY_TEXTS, PERSON_TEXTS
from diagnose.interview.asking import ACT_CAUTIONS, ACT_TEXTS
from diagnose.interview.chart_tree import (
    NAMED,
    NONE,
    TOOL,
    Chart,
    ChartEnd,
    ChartStep,
    Way,
    left_over,
)
from diagnose.interview.explain import title_of
from diagnose.interview.limits import outcome_text
from diagnose.interview.session import Session
from diagnose.interview.steps import Conclusion
from diagnose.plant.points import Points, points_of
from diagnose.reasoning.belief import UNKNOWN_UNIT
from diagnose.reasoning.guard import Skill
from diagnose.report import chart as paper
from diagnose.report.pictures.values import percent

T = TypeVar("T")
LETTERS = "ABCDEFGHJKLMPQRSUVWXYZ"
"""Letters of the named ends: without I and O, which look like numbers, and without `T` and `N`."""
LETTER = {TOOL: "T", NONE: "N"}
STOP = (
    "Anyone hurt, smoke, water near mains, or any answer but those below: STOP. Touch nothing, "
    "have the supply switched off from a dry place, call for help. The chart does not hold then."
)
ALWAYS = (
    "Mains and water can kill. Local codes and the limits of your licence come first. Nothing is "
    "touched before it is isolated, locked off and proved dead with a proved two-pole tester."
)
ELSE = "anything else"
WHO = {"unqualified": "person without qualification: looks, listens and operates only"}


def filled(session: Session, chart: Chart) -> paper.FaultChart:
    """The chart as it is printed."""
    complaint = session.knowledge.complaints[chart.given.complaint]
    letters = _letters(chart)
    ends = [(letters[k], end) for k, end in enumerate(chart.ends) if end.kind == NAMED]
    numbered = _numbered(session, chart)
    advice = _common(end for _, end in ends)
    points = points_of(session.knowledge, session.installation)
    return paper.FaultChart(
        title=f"Fault-finding chart: {complaint.title}",
        subtitle=complaint.says,
        holds_for=tuple(_holds_for(session, chart)),
        stop=STOP,
        questions=tuple((a.ask, a.title) for a in chart.asked if a.kind == "safety"),
        cautions=(ALWAYS, *session.texts(complaint.cautions)),
        numbered=numbered,
        use=tuple(_use(chart)),
        changes=tuple(_changes(session, chart, numbered)),
        steps=tuple(_step(session, chart, step, letters, numbered, points) for step in chart.steps),
        ends=(*(_end(session, letter, end, advice) for letter, end in ends), *_unnamed(chart)),
        advice=tuple(map(sentence, advice)),
        repair_cautions=_distinct(
            c for _, e in ends if e.conclusion for c in e.conclusion.cautions
        ),
        after=_distinct(
            (check.title, check.how, _numbers(session.texts(check.cautions), numbered))
            for _, end in ends
            if end.conclusion
            for check in end.conclusion.checks
        ),
        about=tuple(_about(chart)),
        footer=f"Compiled by diagnose; knowledge {session.knowledge.digest[:12]}",
    )


def _distinct(items: Iterable[T]) -> tuple[T, ...]:
    return tuple(dict.fromkeys(items))


def _letters(chart: Chart) -> list[str]:
    """The letter of each end: A, B, ... Z, AA, AB, ... for named ones."""
    found = []
    named = 0
    for end in chart.ends:
        if end.kind != NAMED:
            found.append(LETTER[end.kind])
            continue
        first, last = divmod(named, len(LETTERS))
        found.append((LETTERS[first - 1] if first else "") + LETTERS[last])
        named += 1
    return found


# ---------------------------------------------------------------------- the first page


def _holds_for(session: Session, chart: Chart) -> Iterator[tuple[str, str]]:
    kind, given = session.installation.type, chart.given
    yield "Installation", kind.title
    wiring = (
        f"{variant.title}: {variant.choices[session.installation.choices[name]].title}"
        for name, variant in kind.variants.items()
    )
    yield "Wired as", "; ".join(wiring)
    yield "Done by", WHO.get(given.qualification, PERSON_TEXTS[given.qualification])
    at_hand = given.instruments
    if at_hand is not None:
        names = ", ".join(name_of(i, INSTRUMENTS) for i in at_hand if i != "none") or "none"
        yield "Instruments at hand", names
    used = _distinct(s.test.instrument for s in chart.steps if s.test.instrument != "none")
    needed = [name_of(i, INSTRUMENTS) for i in used]
    if given.qualification != Skill.UNQUALIFIED.value:
        needed = ["two-pole voltage tester", *needed]
    yield "You need", ", ".join(needed) or name_of("none", INSTRUMENTS)
    yield "Meter marked", CATEGORY_TEXTS[given.meter_category]


def _about(chart: Chart) -> Iterator[tuple[str, str]]:
    known = (f"{a.ask} {a.title}" for a in chart.asked if a.kind == "history")
    yield "Taken as known", " ".join(f"{text}." for text in known)
    yield "How far it goes", _bounds_text(chart)


def _bounds_text(chart: Chart) -> str:
    b = chart.bounds
    named, tool, none = (f"{100 * chart.share(kind):.0f}" for kind in (NAMED, TOOL, NONE))
    return (
        f"At most {b.steps} tests on one way; ways that fewer than {percent(b.rare)} of the "
        f"callouts take are not followed. Shown are the steps, at most {b.most}, that bring most "
        "callouts to a lettered cause; elsewhere the way ends at T. "
        f"Answers that fewer than {percent(b.folded)} would give at a step count as '{ELSE}'. Of "
        f"100 such callouts about {named} come to a lettered cause, {tool} to T, {none} to N: "
        "computed from the knowledge base, wrong answers among them, not counted in the field."
    )


def _use(chart: Chart) -> Iterator[str]:
    yield (
        "Start at step 1, the installation as it was found: supply on, covers closed. Do what the "
        "step says, compare, go to the number; a letter is an end. Numbers only lead forward."
    )
    yield (
        "A reading exactly at a limit belongs to the range above it. Test points are numbered as "
        "in the drawing of 'diagnose circuit'."
    )
    if any(step.acts for step in chart.steps):
        yield (
            "FIRST: change the electrical state as described below, in that order. It "
            "stays so until a step says FIRST again."
        )
    if chart.given.qualification == Skill.UNQUALIFIED.value:
        yield "Opening, isolating and repairing belong to an instructed or licensed person."
    yield (
        "If a step cannot be done, or you are not sure of an answer after a second try: stop here; "
        "go on with 'diagnose callout', or hand over."
    )


# ---------------------------------------------------------------------- steps


def _numbered(session: Session, chart: Chart) -> tuple[str, ...]:
    """The cautions that steps refer to, in the order in which they come up."""
    acts = (c for step in chart.steps for a in step.acts for c in session.texts(ACT_CAUTIONS[a.id]))
    steps = (c for step in chart.steps for c in step.test.cautions)
    found = [end.conclusion for end in chart.ends if end.conclusion]
    checks = (c for one in found for check in one.checks for c in session.texts(check.cautions))
    return _distinct((*acts, *steps, *checks))


def _numbers(texts: Iterable[str], numbered: tuple[str, ...]) -> tuple[int, ...]:
    return tuple(numbered.index(text) + 1 for text in texts)


def _common(ends: Iterable[ChartEnd]) -> tuple[str, ...]:
    """The advice that every end gives."""
    said = [end.conclusion.recommendations for end in ends if end.conclusion]
    return tuple(text for text in (said[0] if said else ()) if all(text in one for one in said))


def _changes(session: Session, chart: Chart, numbered: tuple[str, ...]) -> Iterator[paper.Change]:
    for act in _distinct(act.id for step in chart.steps for act in step.acts):
        title, text = ACT_TEXTS[act]
        yield paper.Change(title, text, _numbers(session.texts(ACT_CAUTIONS[act]), numbered))


def _step(
    session: Session,
    chart: Chart,
    step: ChartStep,
    letters: list[str],
    numbered: tuple[str, ...],
    points: Points,
) -> paper.ChartStep:
    test, installed = step.test, session.tests[step.test.id]
    outcomes = {outcome.id: outcome for outcome in installed.outcomes}
    answers = [
        paper.Answer(
            outcome_text(installed, outcomes[way.outcome]),
            str(way.step or letters[way.end]),
            _note(session, chart, way),
        )
        for way in step.ways
    ]
    folded = ", ".join(outcome_text(installed, outcomes[o.id]) for o in step.others)
    other = f"{ELSE} ({folded})" if folded else ELSE
    title = sentence(test.title)
    state = STATES[test.state]
    facts = [name_of(test.place)] if test.place != "anywhere" else []
    if test.instrument != "none":
        facts.append(name_of(test.instrument, INSTRUMENTS))
    at = points.of(installed)
    if at:
        facts.append(f"test point{'s' if len(at) > 1 else ''} {' and '.join(map(str, at))}")
    return paper.ChartStep(
        number=step.number,
        title=f"Once more: {title}" if test.again else title,
        do=test.text,
        answers=(*answers, paper.Answer(other, LETTER[NONE])),
        first=tuple(ACT_TEXTS[act.id][0] for act in step.acts),
        state="" if test.state == "any" else state,
        live=test.state == "live",
        facts=tuple(facts),
        cautions=_numbers(test.cautions, numbered),
    )


def sentence(text: str) -> str:
    """The text with a capital letter in front."""
    return text[:1].upper() + text[1:]


def _note(session: Session, chart: Chart, way: Way) -> str:
    """What is suspected where the chart ends early."""
    if way.step or chart.ends[way.end].kind != TOOL:
        return ""
    return "suspect " + ", ".join(_unit(session, unit) for unit in chart.ends[way.end].suspects)


def _unit(session: Session, unit: str) -> str:
    if unit == UNKNOWN_UNIT:
        return "a cause not in the knowledge base"
    return session.installation.instances[unit].title


# ---------------------------------------------------------------------- ends


def _end(session: Session, letter: str, end: ChartEnd, advice: tuple[str, ...]) -> paper.ChartEnd:
    c = end.conclusion
    assert c is not None
    title = c.title if c.unit else "No cause in the knowledge base explains this"
    brief = c.unit_title or "unknown cause"
    low, high = (percent(p) for p in end.sure)
    sure = f" ({low if low == high else f'{low} to {high}'})" if c.unit else ""
    if c.status == "ambiguous":
        left = "; ".join(title_of(session, name) for name in left_over(c))
        title, brief, sure = (
            f"Several causes are left, the likeliest first: {left}",
            "several left",
            "",
        )
    elif c.status != "concluded":
        word = "hand over" if c.status == "handed_over" else "stop"
        title, brief = f"{word}; likeliest: {title}", f"{word}: {brief}"
    lines = tuple(_lines(c, advice))
    return paper.ChartEnd(letter, paper.NAMED, sentence(title) + sure, brief, lines)


def _lines(c: Conclusion, advice: tuple[str, ...]) -> Iterator[tuple[str, str]]:
    if c.reasons:
        yield "Because", "; ".join(c.reasons)
    if c.licensed and not any("licensed" in reason for reason in c.reasons):
        yield "By", "a licensed electrician only"
    if c.remedy:
        yield "If it is the first" if c.status == "ambiguous" else "Repair", c.remedy
    if c.spares:
        yield "Spares", ", ".join(c.spares)
    if c.root_causes:
        yield "Look for", "; ".join(c.root_causes)
    for text in c.recommendations:
        if text not in advice:
            yield "Advice", sentence(text)


def _unnamed(chart: Chart) -> Iterator[paper.ChartEnd]:
    """The ends that every chart has: it ends early, nothing fits."""
    if any(end.kind == TOOL for end in chart.ends):
        advice = (
            "Go on with 'diagnose callout' and the answers found so far. Without it, hand over, "
            "with what was found in writing. Change no part on suspicion alone."
        )
        title = "The chart ends here; suspected are the parts named beside the T"
        yield paper.ChartEnd(LETTER[TOOL], paper.TOOL, title, "", (("Next", advice),))
    advice = (
        "Repeat the step once. If the answer stays, go on with 'diagnose callout', which weighs "
        "it, or hand over: the cause may be one that the knowledge base does not hold."
    )
    yield paper.ChartEnd(LETTER[NONE], paper.NONE, "None of these", "", (("Next", advice),))
