"""Conclusion: what the interview ends with, and what speaks for and against it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from diagnose.interview.explain import title_of
from diagnose.interview.safety import forbidden
from diagnose.interview.state import State
from diagnose.interview.steps import Conclusion, Evidence, Step
from diagnose.interview.verifying import verification
from diagnose.knowledge.names import unit_of
from diagnose.language import gettext as _
from diagnose.language import marked
from diagnose.plant.learned import repair_minutes
from diagnose.reasoning.belief import UNKNOWN, UNKNOWN_UNIT, Belief
from diagnose.reasoning.rules import Inference

if TYPE_CHECKING:
    from diagnose.interview.session import Session

RANKED = 12
TELLING_BITS = 0.3


def conclusion_of(
    session: Session,
    state: State,
    belief: Belief,
    inference: Inference,
    status: str,
    reasons: Sequence[str],
) -> Conclusion:
    """Everything worth saying at the end of the search.

    Where people come first, and where nobody has said what the complaint is, that is the reason
    alone: a guess at the cause would only be in the way.
    """
    if status == "stopped" and (not state.complaints or "any" in forbidden(inference, "state")):
        return Conclusion(status, "", "", "", "", 0.0, 0.0, (), reasons=tuple(reasons))
    ranking = belief.ranking()
    unit, unit_p = belief.leading_unit()
    named = [(n, p) for n, p in ranking if unit_of(n) == unit]
    name, mode_p = named[0]
    supports, against = evidence(session, belief, name)
    recommendations = [
        f"{_(f.get('what').replace('_', ' '))}: {_(f.get('why').replace('_', ' '))}"
        for f in inference.concluded("recommend")
    ] + [f.words("text") for f in inference.concluded("advise")]
    shown = tuple((n, unit_of(n), p) for n, p in ranking[:RANKED])
    if unit == UNKNOWN_UNIT:
        return Conclusion(
            status=status,
            unit="",
            unit_title="",
            failure_mode="",
            title=title_of(session, UNKNOWN),
            probability=unit_p,
            mode_probability=mode_p,
            ranking=shown,
            supports=supports,
            against=against,
            reasons=tuple(reasons),
            recommendations=tuple(recommendations),
        )
    mode = session.installation.modes[name].mode
    causes = list(mode.root_causes) + [
        f.words("cause") for f in inference.concluded("look_for") if f.get("unit") in ("", unit)
    ]
    return Conclusion(
        status=status,
        unit=unit,
        unit_title=session.installation.instances[unit].title,
        failure_mode=mode.id,
        title=title_of(session, name),
        probability=unit_p,
        mode_probability=mode_p,
        ranking=shown,
        supports=supports,
        against=against,
        remedy=mode.remedy,
        spares=mode.spares,
        root_causes=tuple(dict.fromkeys(causes)),
        prevention=mode.prevention,
        licensed=mode.licensed,
        reasons=tuple(reasons),
        recommendations=tuple(recommendations),
        cautions=session.texts(("isolate_first",)),
        checks=tuple(verification(session.installation, inference)),
        repair_minutes=repair_minutes(session.knowledge, session.installation, name),
    )


def ending_step(
    session: Session,
    state: State,
    belief: Belief,
    inference: Inference,
    status: str,
    reasons: Sequence[str],
    doubt: Sequence[str] = (),
) -> Step:
    """The step that the search ends with; `doubt` names tests that do not fit the cause."""
    if doubt:
        titles = "; ".join(_(session.tests[test].title) for test in doubt)
        reasons = [
            *reasons,
            _(
                "{count} findings do not fit this cause, asked again too ({titles}): it may be a "
                "cause that the knowledge base does not hold"
            ).format(count=len(doubt), titles=titles),
        ]
    found = conclusion_of(
        session, state, belief, inference, status, [*reasons, *still_missing(state)]
    )
    conclusion = replace(found, doubt=tuple(doubt))
    title = {
        "concluded": f"Likely cause: {conclusion.title}",
        "ambiguous": "Several causes are left",
        "stopped": "Stopped for now",
        "handed_over": "Hand over",
    }[status]
    return Step("conclusion", status, title, conclusion=conclusion)


MISSING = {
    "repaired": marked("its cause repaired"),
    "insulation": marked("the insulation measured at 1 Mohm or more"),
    "inspected": marked("the damage inspected"),
}


def still_missing(state: State) -> list[str]:
    """What must still be shown before a reported hazard counts as gone; [] where nothing."""
    missing = [_(text) for what, text in MISSING.items() if what not in state.shown]
    if not state.reported or not missing:
        return []
    return [_("before the reported hazard counts as gone: {what}").format(what=", ".join(missing))]


def evidence(
    session: Session, belief: Belief, name: str
) -> tuple[tuple[Evidence, ...], tuple[Evidence, ...]]:
    """Findings that speak for and against a cause, the strongest first.

    The weight is the log ratio of the outcome's likelihood under the cause to its mean under
    all the others, in bits.
    """
    table = belief.table
    own = table.positions(name)
    within = belief.p[own] / belief.p[own].sum()
    weights = np.exp(table.prior())
    weights[own] = 0.0
    weights = weights / weights.sum()
    found = []
    told = [(test, outcome, _(" (by telephone)")) for test, outcome, _wrong in belief.heard]
    for test, outcome, how in [*told, *((t, o, "") for t, o in belief.seen)]:
        column = table.likely(table.test_index[test], outcome)
        bits = float(np.log2((within @ column[own]) / (weights @ column)))
        record = session.tests[test]
        found.append(Evidence(test, _(record.title) + how, _(record.outcomes[outcome].title), bits))
    found = list(dict.fromkeys(found))  # asked again and answered alike: said once
    supports = sorted((e for e in found if e.bits >= TELLING_BITS), key=lambda e: -e.bits)
    against = sorted((e for e in found if e.bits <= -TELLING_BITS), key=lambda e: e.bits)
    return tuple(supports), tuple(against)
