"""Safety as a property: what is promised holds in every state, and on every way through a callout.

The promises are those of `tests.promises` (EN 50110-1 and IEC 60364-6 as given in the references,
and common practice); guard and rules are disabled in turn, and the other still holds them.
"""

from __future__ import annotations

from contextlib import nullcontext

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule

from diagnose.interview.verifying import verification
from diagnose.knowledge.load import find_knowledge, load_knowledge
from diagnose.reasoning import guard
from tests.campaigns import mutants
from tests.deeds import by_guard, by_rules, differences
from tests.explored import (
    HAZARDS,
    Explorer,
    Unruly,
    settled,
    twin,
    without_guard,
    without_rules,
)
from tests.people import standard_session
from tests.promises import WORDS

SUPPLIES = ("not known", "on", "off", "dead")


def test_the_guard_alone_allows_what_is_promised_and_nothing_else() -> None:
    assert not list(differences(by_guard(guard)))


def test_the_rules_alone_allow_what_is_promised_and_nothing_else() -> None:
    assert not list(differences(by_rules(mutants.safety_rules())))


@pytest.mark.parametrize("disabled", ["nothing", "rules", "guard"])
def test_every_hazard_in_every_state_with_either_mechanism_disabled(disabled: str) -> None:
    session = standard_session()
    session = without_rules(session) if disabled == "rules" else session
    tried = 0
    with without_guard() if disabled == "guard" else nullcontext():
        for supply, skill in zip(
            SUPPLIES * 3, ("licensed", "instructed", "unqualified") * 4, strict=True
        ):
            for question, choice in [*HAZARDS, ("danger", "no")]:
                told = {"skill": skill, "meter": "cat_iii", question: choice}
                complaint = "trips" if (question, choice) == ("company", "alone") else "overflows"
                explorer = settled(session, told, complaint, supply)
                # handing over and a licence are for the rules alone, of an end
                wrong = [w for w in explorer.wrong if disabled != "rules" or "conclusion" not in w]
                assert not wrong, wrong[0]
                tried += explorer.tried
    assert tried > 1000


def test_with_both_disabled_the_promises_are_broken() -> None:
    """The predicates can fail: without guard and rules they do."""
    session = twin(standard_session(), Unruly())
    told = {"skill": "unqualified", "meter": "none", "panel_wet": "yes"}
    with without_guard():
        wrong = settled(session, told, "overflows", "on").wrong
    assert any("more than looking" in w for w in wrong)


@pytest.mark.parametrize("disabled", ["nothing", "rules", "guard"])
def test_after_a_second_trip_nothing_is_reset(disabled: str) -> None:
    session = standard_session()
    session = without_rules(session) if disabled == "rules" else session
    with without_guard() if disabled == "guard" else nullcontext():
        told = {"skill": "licensed", "meter": "cat_iii"}
        explorer = settled(session, told, "trips", "on")
        before = {s.id for s in explorer.offered}
        explorer.say("finding", test="reset_at_rest", outcome="rcd", raw="rcd", sure="yes")
        explorer.say("finding", test="premises_power", outcome="none", raw="none", sure="yes")
    assert "trips_on_call" in before
    assert not explorer.wrong
    resets = {"reset_at_rest", "trips_on_call", "trips_without_pump"}
    assert not resets & {s.id for s in explorer.offered}


def test_a_hold_outlives_acts_and_a_resume() -> None:
    told = {"skill": "licensed", "meter": "cat_iii", "tingle": "yes"}
    explorer = settled(standard_session(), told, "overflows", "dead")
    for act in ("isolate", "prove_dead"):
        explorer.say("act", act=act)
    explorer.say("resumed")
    assert not explorer.wrong
    assert explorer.turn.inference.concluded("hold")
    assert explorer.step.conclusion is not None
    assert explorer.step.conclusion.status == "handed_over"


def test_insulation_is_tested_on_a_parted_dead_circuit_and_discharged() -> None:
    """Every insulation test and check of the knowledge, with the caution shown (IEC 60364-6)."""
    kb = load_knowledge(find_knowledge())
    tests = [t for t in kb.tests.values() if t.instrument == "insulation_tester"]
    assert len(tests) >= 6
    for spec in tests:
        assert (spec.state, "insulation_test_voltage" in spec.cautions) == ("dead", True), spec.id
        text = " ".join(kb.cautions[c].text for c in spec.cautions)
        assert WORDS["insulation"] in text, spec.id
        assert WORDS["discharge"] in text, spec.id


def test_no_resistance_is_measured_but_dead() -> None:
    kb = load_knowledge(find_knowledge())
    metered = [t for t in kb.tests.values() if t.kind in ("ohms", "insulation", "farads")]
    assert len(metered) > 60
    assert {t.state for t in metered} == {"dead"}


def test_no_bridge_is_left_fitted() -> None:
    """Every repair is checked for one; the caution of each test with one is a promise."""
    session = standard_session()
    explorer = settled(session, {"skill": "licensed", "meter": "cat_iii"}, "overflows", "on")
    checks = verification(session.installation, explorer.turn.inference)
    assert checks[-1].id == "left_behind"
    assert "No jumper" in checks[-1].how


def test_switching_on_warns_of_a_pump_that_starts_by_itself() -> None:
    told = {"skill": "licensed", "meter": "cat_iii"}
    explorer = settled(standard_session(), told, "will_not_start_at_all", "off")
    acts = [s for s in explorer.offered if s.kind == "act" and s.id == "energise"]
    assert acts
    assert all(any(WORDS["restart"] in text for text in s.cautions) for s in acts)


def test_a_mutant_of_the_rules_or_the_guard_is_killed() -> None:
    counts, survivors = mutants.run(every=40, offset=3)
    assert set(survivors) <= mutants.REDUNDANT
    assert sum(counts.values()) >= 5


class Callout(RuleBasedStateMachine):
    """A callout in which anything may be answered, refused, taken back or reported."""

    @initialize(
        skill=st.sampled_from(["licensed", "instructed", "unqualified"]),
        meter=st.sampled_from(["cat_iii", "cat_iv", "cat_ii", "none"]),
    )
    def arrive(self, skill: str, meter: str) -> None:
        self.explorer = Explorer(standard_session(), skill, meter)
        for _ in range(len(self.explorer.session.questions) + 1):
            if self.explorer.step.kind == "question":
                self.explorer.answer(0.5, calm=True)

    @rule(pick=st.floats(0, 0.999), calm=st.booleans())
    def answer(self, pick: float, calm: bool) -> None:
        self.explorer.answer(pick, calm)

    @rule(hazard=st.sampled_from(HAZARDS))
    def report(self, hazard: tuple[str, str]) -> None:
        self.explorer.hazard(*hazard)

    @precondition(lambda self: self.explorer.step.kind in ("test", "act"))
    @rule()
    def refuse(self) -> None:
        self.explorer.refuse()

    @rule()
    def undo(self) -> None:
        self.explorer.undo()

    @rule()
    def resume(self) -> None:
        self.explorer.say("resumed")

    def teardown(self) -> None:
        if hasattr(self, "explorer"):
            assert not self.explorer.wrong, self.explorer.wrong[0]


Callout.TestCase.settings = settings(
    max_examples=3,
    stateful_step_count=14,
    derandomize=True,
    deadline=None,
    database=None,
    suppress_health_check=list(HealthCheck),
)
test_no_way_through_a_callout_breaks_a_promise = Callout.TestCase
