"""The guard over the whole of its state, against the order of EN 50110-1, and against the rules.

EN 50110-1 (as given in the references): disconnect, secure, prove dead, and only then work; what
is not proved dead is live. The rules of the knowledge base are a second mechanism: whatever they
permit, the guard must permit too.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import pytest

from diagnose.knowledge.rule_records import Fact
from diagnose.reasoning.guard import (
    ACTS,
    DEAD_ACTS,
    Electrical,
    Exposure,
    SafetyState,
    Skill,
    after_act,
    refuse_act,
    refuse_step,
)
from diagnose.reasoning.planner import acts_needed
from diagnose.reasoning.rules import RuleEngine
from tests.bench import shipped

STATES = [
    SafetyState(electrical, skill, hazard, rated)
    for electrical, skill, hazard, rated in product(Electrical, Skill, (False, True), (False, True))
]


@pytest.mark.parametrize("exposure", Exposure)
def test_every_state_is_decided_as_the_order_of_making_dead_asks(exposure: Exposure) -> None:
    for state in STATES:
        allowed = refuse_step(state, exposure) == ""
        qualified = state.skill is not Skill.UNQUALIFIED
        if exposure is Exposure.LOOK:
            expected = True
        elif exposure is Exposure.ENERGISED:
            expected = not state.hazard and state.electrical is Electrical.ENERGISED
        elif exposure is Exposure.LIVE:
            expected = (
                not state.hazard
                and qualified
                and state.rated_meter
                and state.electrical is Electrical.ENERGISED
            )
        else:
            expected = not state.hazard and qualified and state.electrical is Electrical.PROVED_DEAD
        assert allowed == expected, (state, exposure)


def test_licensed_steps_are_for_the_licensed() -> None:
    for state, exposure in product(STATES, Exposure):
        if state.skill is not Skill.LICENSED:
            assert refuse_step(state, exposure, licensed_only=True)
        else:
            same = refuse_step(state, exposure)
            assert refuse_step(state, exposure, licensed_only=True) == same


def test_dead_is_reached_only_through_isolating_and_proving() -> None:
    for start in Electrical:
        state = start
        for act in acts_needed(start, Exposure.DEAD):
            assert refuse_act(SafetyState(state, Skill.INSTRUCTED), act) == ""
            state = after_act(state, act)
        assert state is Electrical.PROVED_DEAD
    for start in (Electrical.UNKNOWN, Electrical.ENERGISED):
        assert acts_needed(start, Exposure.DEAD) == ("isolate", "prove_dead")


def test_acts_are_refused_where_they_may_not_be_made() -> None:
    for state, act in product(STATES, ACTS):
        refused = bool(refuse_act(state, act))
        if act == "found_on":  # a look, for everybody; it never takes the place of an isolation
            assert refused == (state.hazard or state.electrical is not Electrical.UNKNOWN)
            continue
        expected = (
            state.skill is Skill.UNQUALIFIED
            or (act == "prove_dead" and state.electrical is not Electrical.ISOLATED)
            or (act in DEAD_ACTS and state.electrical is not Electrical.PROVED_DEAD)
            or (act == "energise" and state.hazard)
        )
        assert refused == expected, (state, act)
    assert refuse_act(SafetyState(), "hope") != ""


def test_what_the_rules_permit_the_guard_permits() -> None:
    engine = RuleEngine(list(shipped().rules.values()))
    permitted = 0
    for state in STATES:
        for danger, wet in product(("yes", "no"), repeat=2):
            facts = [
                Fact.of("state", name="electrical", value=state.electrical.value),
                Fact.of("person", qualification=state.skill.value),
                Fact.of("answer", question="danger", choice=danger),
                Fact.of("answer", question="panel_wet", choice=wet),
                Fact.of(
                    "answer",
                    question="meter_category",
                    choice="cat_iii" if state.rated_meter else "cat_ii",
                ),
                Fact.of("answer", question="second_person", choice="yes"),
                Fact.of("instrument", id="multimeter"),
            ]
            inference = engine.infer(facts)
            held = replace(state, hazard=bool(inference.concluded("hold")))
            if danger == "yes" or wet == "yes":
                assert held.hazard
            for fact in inference.concluded("permit"):
                permitted += 1
                assert refuse_step(held, Exposure(fact.get("state"))) == "", (state, fact)
    assert permitted > 50
