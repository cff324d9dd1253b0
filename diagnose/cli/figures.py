"""From a session and the events of a case to what the pictures are drawn from, and the pictures.

What is *proved good* rests on healthy readings alone, not on one suspect having outrun the others:
for each unit, over what could fail in it (weighed by how well that explains the complaint), the
mean of the product, over all tests that read as healthy, of the chance of that reading with the
failure over that without. Where it is at most `GOOD_BELOW`, nine in ten of the unit's faults would
have shown, wrong answers allowed for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diagnose.interview.asking import typed_unit
from diagnose.interview.events import Event
from diagnose.interview.explain import title_of
from diagnose.interview.state import Finding, State, withdrawn_ids
from diagnose.plant.matrix import HEALTHY
from diagnose.quantities import QuantityError, format_quantity, parse_reading
from diagnose.reasoning.belief import UNKNOWN_UNIT, Belief
from diagnose.reasoning.wrong_answers import with_error
from diagnose.report.pictures.values import (
    Band,
    Marks,
    Measured,
    Reading,
    Series,
    Suspicion,
)

if TYPE_CHECKING:
    from diagnose.interview.session import Session
    from diagnose.report.pictures.circuit import Part

GOOD_BELOW = 0.1
"""Share of a unit's faults that healthy readings leave possible, at most, where it counts as good
(judgement)."""
GOOD_MEANS = "proved good: 9 in 10 of its faults would have shown in the healthy readings"
HEALTHY_FROM = 0.2
"""An outcome that healthy installations show at least this often counts as healthy."""
SUSPECTED_FROM, MOST_SUSPECTED = 0.05, 5
MOST_LINES = 7
"""Causes drawn in the picture of the suspicion."""
WORTH_A_LINE = 0.03
FAILED, LIKELY = "FAILED", "LIKELY CAUSE"
FIRST = "The complaint and what was asked first"


@dataclass(frozen=True)
class Figures:
    """The three pictures as SVG, and the circuit as text of at most 80 columns.

    `circuit` fills a page upright; `circuit_parts`, mains side and control side, a page across
    each, with larger letters.
    """

    circuit: str
    circuit_parts: tuple[str, str]
    suspicion: str
    ranges: str
    text: tuple[str, ...]


def figures_of(session: Session, events: Sequence[Event], width: int = 80) -> Figures:
    """Draw all pictures of a case.

    Parameters
    ----------
    session
        The session of the case's installation.
    events
        Its events so far.
    width
        Columns of the circuit as text.
    """
    from diagnose.report.pictures.ranges import ranges_svg
    from diagnose.report.pictures.suspicion import suspicion_svg
    from diagnose.report.pictures.text import circuit_text

    marks = marks_of(session, events)
    points = session.points
    return Figures(
        circuit=circuit_of(session, marks),
        circuit_parts=(
            circuit_of(session, marks, part="mains"),
            circuit_of(session, marks, part="control"),
        ),
        suspicion=suspicion_svg(suspicion_of(session, events)),
        ranges=ranges_svg(readings_of(session, events)),
        text=tuple(circuit_text(session.installation, points, marks, width)),
    )


def circuit_of(session: Session, marks: Marks, heading: str = "", part: Part = "all") -> str:
    """The picture of the circuit with these marks, as SVG."""
    from diagnose.report.pictures.circuit import circuit_svg

    points = session.points
    caution = session.knowledge.cautions.get("isolate_first")
    text = caution.text if caution is not None else ""
    return circuit_svg(session.installation, points, marks, heading, text, part)


# ---------------------------------------------------------------------- what stood when


def standing(events: Sequence[Event]) -> list[Event]:
    """The events without what was taken back."""
    gone = withdrawn_ids(events)
    return [e for e in events if e.id not in gone and e.kind != "withdrawn"]


def failed_unit(events: Sequence[Event]) -> str:
    """What failed: as the closing says, else what was repaired, else what was concluded.

    A repair after which a check failed does not count, nor does a conclusion before the last
    repair, nor one that names no likely cause. "" where nothing is known to have failed.
    """
    kept = standing(events)
    for event in reversed(kept):
        unit = str(event.data.get("unit", ""))
        if event.kind == "closed" and unit:
            return unit
        if event.kind == "concluded" and event.data.get("status") == "concluded" and unit:
            return unit
        if event.kind == "repaired":
            return "" if in_vain(kept) else unit
    return ""


def confirmed(events: Sequence[Event]) -> bool:
    """Whether more than a conclusion says what failed: a repair, or the closing of the case."""
    return any(e.kind in ("repaired", "closed") for e in standing(events)) and not in_vain(
        standing(events)
    )


def in_vain(events: Sequence[Event]) -> bool:
    """Whether a check has failed since the last repair."""
    repairs = [k for k, e in enumerate(events) if e.kind == "repaired"]
    return bool(repairs) and any(
        e.kind == "verified" and e.data.get("result") == "fail" for e in events[repairs[-1] :]
    )


def searched(events: Sequence[Event]) -> list[Event]:
    """The events of the search: all, or all before the repair that put it right."""
    kept = standing(events)
    repairs = [k for k, e in enumerate(kept) if e.kind == "repaired"]
    return kept[: repairs[-1]] if repairs and not in_vain(kept) else kept


# ---------------------------------------------------------------------- the circuit


def marks_of(session: Session, events: Sequence[Event]) -> Marks:
    """Marks on the circuit: what failed, what is proved good, what is suspected, what was read."""
    before = searched(events)
    state = session.state_of(before)
    failed = failed_unit(events)
    known = session.installation.instances
    marked = frozenset({failed} & set(known))
    good = proved_good(session, state) - marked
    suspected: dict[str, float] = {}
    if not marked and state.complaints:
        table = session.belief(state)
        pairs = zip(table.table.unit_names, table.unit_p.tolist(), strict=True)
        ranked = sorted(pairs, key=lambda pair: -pair[1])
        suspected = {
            unit: p
            for unit, p in ranked[: MOST_SUSPECTED + 1]
            if p >= SUSPECTED_FROM and unit in known
        }
    good -= suspected.keys()
    points = session.points
    findings = session.state_of(standing(events)).findings
    readings = []
    for finding in findings:
        test = session.tests.get(finding.test)
        numbers = points.of(test) if test is not None else ()
        if test is not None and numbers:
            shown = shown_of(session, finding)
            readings.append(
                Measured(numbers, shown, _sentence(test.title), is_healthy(session, finding))
            )
    word = FAILED if confirmed(events) else LIKELY
    return Marks(marked, frozenset(good), suspected, tuple(readings), GOOD_MEANS, word)


def proved_good(session: Session, state: State) -> set[str]:
    """Units of which healthy readings cover nearly all that can fail; see the module."""
    table = session.table(state.answers.get("present", "now"))
    known = [c for c in state.complaints if c in table.complaint]
    weight = np.exp(table.prior(known))
    left = np.ones(len(table.names))
    for test in dict.fromkeys(f.test for f in state.findings if f.sure and not f.by_phone):
        finding = [f for f in state.findings if f.test == test][-1]
        if test not in table.test_index or not is_healthy(session, finding):
            continue
        k, o = table.test_index[test], session.outcome_index(test, finding.outcome)
        size, wrong = int(table.sizes[k]), float(table.errors[k])
        usual = with_error(session.matrix.of(HEALTHY, test), size, wrong)[o]
        left *= np.minimum(1.0, table.likely(k, o) / usual)
    share = table.by_unit(weight * left) / np.maximum(table.by_unit(weight), 1e-300)
    names = zip(table.unit_names, share.tolist(), strict=True)
    return {unit for unit, rest in names if rest <= GOOD_BELOW and unit != UNKNOWN_UNIT}


def is_healthy(session: Session, finding: Finding) -> bool:
    """Whether a healthy installation shows this outcome."""
    p = session.matrix.of(HEALTHY, finding.test)
    return bool(p[session.outcome_index(finding.test, finding.outcome)] >= HEALTHY_FROM)


def value_of(session: Session, finding: Finding) -> float | None:
    """The number that was read, in base units; None where the answer was not a number."""
    test = session.tests[finding.test]
    if not test.spec.unit or finding.raw == finding.outcome:
        return None
    try:
        return parse_reading(finding.raw, typed_unit(test))
    except QuantityError:
        return None


def shown_of(session: Session, finding: Finding) -> str:
    """A reading as it is shown: the number with its unit, else what was said."""
    value = value_of(session, finding)
    test = session.tests[finding.test]
    if value is not None:
        return format_quantity(value, test.spec.unit)
    title = test.outcomes[session.outcome_index(finding.test, finding.outcome)].title
    return title


# ---------------------------------------------------------------------- expected and measured


def readings_of(session: Session, events: Sequence[Event]) -> tuple[Reading, ...]:
    """Every finding against what a healthy installation shows, in the order they were taken."""
    points = session.points
    found = []
    for finding in session.state_of(standing(events)).findings:
        test = session.tests.get(finding.test)
        if test is None:
            continue
        healthy = session.matrix.of(HEALTHY, finding.test)
        bands = tuple(
            Band(
                o.title,
                o.below if not o.when else None,
                bool(healthy[k] >= HEALTHY_FROM),
                bool(o.when),
            )
            for k, o in enumerate(test.outcomes)
        )
        found.append(
            Reading(
                title=_sentence(test.title),
                unit=test.spec.unit,
                shown=shown_of(session, finding),
                value=value_of(session, finding),
                bands=bands,
                outcome=session.outcome_index(finding.test, finding.outcome),
                points=points.of(test),
            )
        )
    return tuple(found)


# ---------------------------------------------------------------------- the suspicion


def suspicion_of(session: Session, events: Sequence[Event]) -> Suspicion:
    """How the units' probabilities moved: after the complaint and history, then step by step.

    The repair that put it right is left out: it is no answer.
    """
    kept = searched(events)
    steps: list[str] = []
    beliefs: list[Belief] = []
    for k, event in enumerate(kept):
        if event.kind not in ("finding", "repaired"):
            continue
        if not steps:
            steps.append(FIRST)
            beliefs.append(session.belief(session.state_of(kept[:k])))
        state = session.state_of(kept[: k + 1])
        beliefs.append(session.belief(state))
        steps.append(_step(session, event, state))
    if not steps:
        steps.append(FIRST)
        beliefs.append(session.belief(session.state_of(kept)))
    names = beliefs[-1].table.unit_names
    table = np.array([belief.unit_p for belief in beliefs])
    order = sorted(range(len(names)), key=lambda u: (-table[-1, u], -table[:, u].max(), u))
    peaks = sorted(range(len(names)), key=lambda u: (-table[:, u].max(), u))
    chosen = [u for u in order if table[-1, u] >= WORTH_A_LINE][:MOST_LINES]
    chosen += [u for u in peaks if u not in chosen and table[:, u].max() >= WORTH_A_LINE]
    chosen = chosen[:MOST_LINES]
    series = tuple(
        Series(_unit_title(session, names[u]), tuple(float(p) for p in table[:, u])) for u in chosen
    )
    rest = tuple(float(p) for p in np.clip(1.0 - table[:, chosen].sum(axis=1), 0.0, 1.0))
    return Suspicion(tuple(steps), series, rest)


def _unit_title(session: Session, unit: str) -> str:
    if unit == UNKNOWN_UNIT:
        return "not in the knowledge base"
    return session.installation.instances[unit].title


def _step(session: Session, event: Event, state: State) -> str:
    if event.kind == "repaired":
        name = f"{event.data['unit']}.{event.data['failure_mode']}"
        return (
            f"repaired: {title_of(session, name) if name in session.installation.modes else name}"
        )
    finding = state.findings[-1]
    test = session.tests[finding.test]
    return f"{_sentence(test.title)}: {shown_of(session, finding)}"


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]
