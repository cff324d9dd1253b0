"""Conclusion and verification: what the interview ends with, and what proves the repair."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from diagnose.interview.explain import title_of
from diagnose.interview.state import State
from diagnose.interview.steps import Check, Conclusion, Evidence
from diagnose.plant.compose import Installation
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
    """Everything worth saying at the end of the search."""
    ranking = belief.ranking()
    unit, unit_p = belief.leading_unit()
    named = [(n, p) for n, p in ranking if n.partition(".")[0] == unit]
    name, mode_p = named[0]
    supports, against = evidence(session, belief, name)
    recommendations = [
        f"{f.get('what').replace('_', ' ')}: {f.get('why').replace('_', ' ')}"
        for f in inference.concluded("recommend")
    ] + [f.get("text").replace("_", " ") for f in inference.concluded("advise")]
    shown = tuple((n, n.partition(".")[0], p) for n, p in ranking[:RANKED])
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
        f.get("cause").replace("_", " ")
        for f in inference.concluded("look_for")
        if f.get("unit") in ("", unit)
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
        checks=tuple(verification(session, state, inference)),
        repair_minutes=session.knowledge.word("repair_minutes", mode.repair),
    )


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
    told = [(test, outcome, " (by telephone)") for test, outcome, _ in belief.heard]
    for test, outcome, how in [*told, *((t, o, "") for t, o in belief.seen)]:
        column = table.likely(table.test_index[test], outcome)
        bits = float(np.log2((within @ column[own]) / (weights @ column)))
        record = session.tests[test]
        found.append(Evidence(test, record.title + how, record.outcomes[outcome].title, bits))
    supports = sorted((e for e in found if e.bits >= TELLING_BITS), key=lambda e: -e.bits)
    against = sorted((e for e in found if e.bits <= -TELLING_BITS), key=lambda e: e.bits)
    return tuple(supports), tuple(against)


def checks_for(installation: Installation) -> list[Check]:
    """Each start and stop that this variant provides, and what the repair must leave behind."""
    has = installation.has
    two = has("roof_low_float")
    start = "both roof floats hang down" if two else "the roof float hang down"
    stop = "the high float" if two else "the roof float"
    checks = [
        Check(
            "gone",
            "The complaint is gone",
            "Still isolated: refit every lifted lead, take tools and jumpers out, close the "
            "covers. Warn everybody, switch on. Then let the installation do what the customer "
            "complained of, long enough to be sure.",
            ("rotating_shaft",),
        ),
        Check(
            "starts_auto",
            "Starts by itself",
            f"Automatic mode, sump with water: let {start} by hand. The pump must start.",
            ("work_at_height",),
            ("will_not_start_auto", "will_not_start_at_all"),
        ),
        Check(
            "stops_auto",
            "Stops when full",
            f"While it runs, lift {stop} by hand. The pump must stop.",
            ("work_at_height",),
            like={"high_float_stops": ("rests",), "pump_as_found_full": ("rests",)},
        ),
    ]
    if has("sump_float"):
        checks.append(
            Check(
                "dry_protection",
                "Stops when the sump is dry",
                "While it runs, lift the sump float out by its lead, from outside, and let it "
                "hang. The pump must stop and the sump-dry lamp must light.",
                ("confined_sump",),
                like={
                    "sump_float_stops": ("rests",),
                    "dry_output": ("high",),
                    "lamp_fed@dry_lamp": ("lit",),
                },
            )
        )
    checks += [
        Check(
            "manual",
            "Starts and stops by hand",
            "Manual mode: switch the pump on and off. It must follow each time. Put the switch "
            "back to automatic.",
            like={"motor_by_hand_call": ("turns",), "pump_heard_off": ("silent",)},
        ),
        Check(
            "water",
            "Water arrives",
            "Look at the inlet of the roof tank while the pump runs.",
            ("work_at_height",),
            like={"flow_bucket": ("good",)},
        ),
        Check(
            "current",
            "Running current within the nameplate",
            "Isolate, open the panel, put the clamp round the line core to the pump alone, close "
            "the panel as far as it goes, switch on. Compare with the nameplate while it pumps. "
            "Isolate before the clamp comes off. By a qualified person.",
            ("mains_live", "meter_category"),
            like={"motor_current": ("light", "good")},
        ),
    ]
    if has("rcd"):
        checks.append(
            Check(
                "rcd_button",
                "Residual-current device trips on its test button",
                "Press the test button: it must trip. Switch it on again.",
            )
        )
    checks.append(
        Check(
            "left_behind",
            "Nothing left behind",
            "No jumper, no lifted lead, no forced mode; covers closed; drawing corrected.",
        )
    )
    return checks


def verification(session: Session, state: State, inference: Inference) -> list[Check]:
    """The checks of this installation and those that the rules ask for."""
    asked = [
        Check(
            f"rule_{f.get('what')}",
            f.get("what").replace("_", " ").capitalize(),
            f.get("how").replace("_", " "),
        )
        for f in inference.concluded("verify")
    ]
    checks = checks_for(session.installation)
    return [*checks[:-1], *asked, checks[-1]]
