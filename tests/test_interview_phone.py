"""The call before the drive: what may be asked of a customer, and what the call leads to."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pyagrum
import pytest

from diagnose.interview.advice import LEVELS, advice_of, first_inference
from diagnose.interview.drive import Reply, drive
from diagnose.interview.events import Event, new_event
from diagnose.interview.history import rate_factors
from diagnose.interview.phone import (
    BEARS,
    PhoneSession,
    for_customers,
    phone_result,
    phone_tests,
)
from diagnose.interview.session import Session, Turn
from diagnose.interview.steps import Step
from diagnose.knowledge.checks_phone import URGENCIES
from diagnose.knowledge.names import unit_of
from diagnose.knowledge.records import TestSpec
from diagnose.knowledge.rule_records import Fact
from diagnose.plant.procedures import phone_error
from diagnose.reasoning.belief import Belief
from diagnose.reasoning.guard import Electrical
from diagnose.reasoning.rules import RuleEngine, rules_at
from tests.made_tables import ORDINARY
from tests.people import SimulatedPerson, clear_modes, standard_session

gum: Any = pyagrum  # its calls carry no types
HAZARDS = {
    "danger": "yes",
    "tingle": "yes",
    "panel_wet": "yes",
    "burning": "now",
    "damage_seen": "yes",
}
RUNS = ("manual_on", "auto_empty", "auto_filling")
"""Situations in which a test by telephone would let the pump run."""


@lru_cache(maxsize=1)
def phone() -> PhoneSession:
    session = standard_session()
    return PhoneSession(session.knowledge, session.installation, session.matrix)


def start(**data: Any) -> list[Event]:
    installation = phone().installation
    return [new_event("opened", installation=installation.type.id, stage="phone", **data)]


class Customer(SimulatedPerson):
    """Answers as a failure mode would show; some questions otherwise. Keeps what was asked."""

    def __init__(self, session: Session, mode: str, **answers: str) -> None:
        super().__init__(session, mode)
        self.answers = answers
        self.steps: list[Step] = []

    def reply(self, turn: Turn, step: Step) -> Reply:
        self.steps.append(step)
        if step.id in self.answers:
            return Reply("answer", self.answers[step.id], ids=(self.answers[step.id],))
        return super().reply(turn, step)


@lru_cache(maxsize=1)
def calls() -> list[tuple[str, list[Event], list[Step]]]:
    found = []
    for mode in clear_modes(phone(), 8):
        events, person = start(), Customer(phone(), mode)
        drive(phone(), events, person)
        found.append((mode, events, person.steps))
    return found


# ---------------------------------------------------------------------- the knowledge


def test_every_test_for_customers_is_safe_by_telephone() -> None:
    tests = [t for t in phone().knowledge.tests.values() if t.customer]
    assert len(tests) > 20
    for test in tests:
        assert for_customers(test), test.id
        assert test.instrument == "none", test.id
        assert test.state in ("any", "energised"), test.id
        assert test.place_at not in ("roof", "sump"), test.id
        assert not test.lift, test.id
        assert not test.bridge, test.id
        assert "hand" not in test.values, test.id


CAREFUL = r"without touching|touch nothing|touching nothing|Before you touch"
FORBIDDEN = r"unscrew|ladder|climb|lift|lean|reach|screwdriver|measure|remove|tap the|lid|meter"


def test_no_customer_is_told_to_open_climb_or_touch() -> None:
    # common practice, no source: whoever reads out a sentence must be able to mean it literally
    for test in phone().knowledge.tests.values():
        if not test.customer:
            continue
        for sentence in re.split(r"[.:?!] ", test.by_phone + " "):
            negative = re.match(r"(Do not|without|Only|Open and touch nothing)", sentence)
            assert not re.search(FORBIDDEN, sentence, re.I), (test.id, sentence)
            if re.search(r"\btouch", sentence, re.I):
                assert negative or re.search(CAREFUL, sentence)
            if re.search(r"\bopen", sentence, re.I) and not negative:
                assert re.search(r"tap|that is, open", sentence), (test.id, sentence)
        if re.search(r"\bplug|switch the panel off", test.by_phone) and test.state == "energised":
            assert re.search(r"\bdry\b", test.by_phone), test.id


def test_a_customer_at_roof_or_sump_is_refused_whatever_the_flag_says() -> None:
    spec = next(t for t in phone().knowledge.tests.values() if for_customers(t))
    for change in (
        {"place_at": "roof"},
        {"place_at": "sump"},
        {"instrument": "multimeter"},
        {"state": "live"},
        {"state": "dead"},
        {"by": "licensed"},
        {"lift": ("relay.coil",)},
        {"cautions": ("work_at_height",)},
        {"customer": False},
        {"by_phone": ""},
    ):
        assert not for_customers(replace(spec, **change)), change


def test_all_urgencies_are_ordered() -> None:
    assert set(LEVELS) == set(URGENCIES)


# ---------------------------------------------------------------------- the call


def test_a_call_asks_nothing_but_what_customers_can_do() -> None:
    asked = phone_tests(phone().tests)
    count = 0
    for mode, _, steps in calls():
        for step in steps:
            assert step.kind in ("question", "test"), (mode, step.kind)
            if step.kind == "test":
                count += 1
                assert step.id in asked
                assert step.instrument == "none"
                assert step.place not in ("roof", "sump")
                assert step.why is not None
                offered = {choice.candidate.test for choice in self_choices(mode, step)}
                assert offered <= set(asked)
    assert count > 20


def self_choices(mode: str, step: Step) -> Any:
    """The choices of the turn at which a step was asked."""
    events = start()
    person = Customer(phone(), mode)

    class Until(Customer):
        def reply(self, turn: Turn, now: Step) -> Reply:
            if now.id == step.id:
                return Reply("leave")
            return person.reply(turn, now)

    turn = drive(phone(), events, Until(phone(), mode)).turn
    return turn.decision.choices if turn.decision else ()


def test_safety_comes_first_then_the_complaint_then_the_rest() -> None:
    for _, _, steps in calls():
        kinds = []
        for step in steps:
            question = phone().knowledge.questions.get(step.id)
            kinds.append(question.kind if question else step.id if step.kind == "question" else "t")
        order = [k for k, before in zip(kinds, ["", *kinds], strict=False) if k != before]
        assert order[:4] == ["safety", "complaint", "phone", "history"]
        assert set(order[4:]) <= {"t"}
        assert "company" not in [step.id for step in steps]


@pytest.mark.parametrize("hazard", HAZARDS)
def test_a_hazard_ends_all_tests_and_keeps_off_the_panel(hazard: str) -> None:
    mode = clear_modes(phone(), 3)[0]
    events, person = start(), Customer(phone(), mode, **{hazard: HAZARDS[hazard]})
    turn = drive(phone(), events, person).turn
    asked = [step.id for step in person.steps if step.kind == "test"]
    assert asked == (["premises_power", "tingle_elsewhere"] if hazard == "tingle" else [])
    plan = phone().plan(turn)
    assert LEVELS.index(plan.urgency) <= LEVELS.index("today")
    assert plan.reasons
    assert "panel" in [advice.what for advice in plan.keep_off]
    (off,) = plan.switch_off
    assert "dry" in off.how
    assert "keep away" in off.how
    if hazard in ("danger", "burning"):
        assert plan.urgency == LEVELS[0]
        assert plan.load is None
        assert person.steps[-1].id == hazard


@pytest.mark.parametrize("complaint", ["hums", "trips"])
def test_nothing_that_hums_or_trips_is_started_by_telephone(complaint: str) -> None:
    session = phone()
    rows = session.matrix.complaints[complaint]
    mode = session.matrix.rows[int(np.argmax(rows))]
    events, person = start(), Customer(session, mode, complaint=complaint)
    turn = drive(session, events, person).turn
    asked = [step.id for step in person.steps if step.kind == "test"]
    assert asked
    for name in asked:
        assert session.tests[name].spec.situation not in RUNS, name
    # IEC 60364-6: insulation is measured before what tripped is switched on again
    assert ("insulation_tester" in session.plan(turn).instruments) >= (complaint == "trips")


STARTING = ("manual_on", "auto_empty", "set_running", "set_little", "set_filled")
AS_FOUND = ("found_empty", "found_full", "auto_filling")


def run_by(test: TestSpec, situations: Sequence[str]) -> bool:
    """Whether a test for customers lets a pump run in one of these situations."""
    looks = test.state == "any"
    return for_customers(test) and not looks and test.situation in situations


def test_every_test_that_runs_the_pump_is_ruled_out_where_it_must_not_run() -> None:
    # a new test for customers that starts the pump must join the lists in rules/phone.yaml,
    # whatever the installation: one at a pressure set as one at a tank
    knowledge = phone().knowledge
    starting = {t.id for t in knowledge.tests.values() if run_by(t, STARTING)} | {"restart"}
    as_found = {t.id for t in knowledge.tests.values() if run_by(t, AS_FOUND)}
    assert {"set_taps_open", "pump_heard_on"} <= starting
    assert {"pump_as_found_low", "runs_through"} <= as_found
    told = ("phone_hums_not_run", "phone_flood_not_run")  # the pump is switched off at once
    for rule in (*told, "phone_trips_not_run", "phone_tripped_found_not_run"):
        named = {fact.get("test") for fact in knowledge.rules[rule].then}
        assert starting <= named, (rule, starting - named)
        assert rule not in told or as_found <= named, (rule, as_found - named)


def test_nothing_is_asked_as_found_once_a_switch_was_worked() -> None:
    """Common practice, no source: what was set to manual by telephone is not as it was found."""
    session = phone()
    knowledge = session.knowledge
    worked = {
        t.id
        for t in knowledge.tests.values()
        if for_customers(t)
        and re.search(r"[Mm]ode switch|pump switch|phone_o|off, wait", t.by_phone)
    } - {"selector_position"}
    rule = knowledge.rules["phone_no_longer_as_found"]
    named = {x for p in rule.when for k, text in p.fields if k == "test" for x in text.split("|")}
    assert worked <= named, worked - named
    spoilt = {fact.get("test") for fact in rule.then}
    for mode, _, steps in calls():
        asked = [step.id for step in steps if step.kind == "test"]
        first = next((k for k, name in enumerate(asked) if name in named), len(asked))
        assert not spoilt & {name.partition("@")[0] for name in asked[first:]}, (mode, asked)


def test_a_shock_is_looked_for_with_an_insulation_tester_and_dead_tests_only() -> None:
    mode = clear_modes(phone(), 3)[0]
    events, person = start(), Customer(phone(), mode, tingle="yes")
    plan = phone().plan(drive(phone(), events, person).turn)
    assert {"insulation_tester", "multimeter"} <= set(plan.instruments)
    assert not {"history"} & {
        phone().knowledge.questions[s.id].kind
        for s in person.steps
        if s.id in phone().knowledge.questions
    }


def test_nothing_is_loaded_for_causes_that_nobody_would_complain_of_like_this() -> None:
    session = phone()
    events = [*start(), new_event("complaint", ids=["shock"])]
    load = session.plan(session.turn(events)).load
    assert load is not None
    shown = session.matrix.complaints["shock"]
    needed = {
        str(spare)
        for k, name in enumerate(session.matrix.rows[:-1])
        if shown[k] > 0
        for spare in session.installation.modes[name].mode.spares
    }
    assert {spare.name for spare in load.spares} <= needed


def test_a_question_is_asked_only_where_an_answer_would_change_something() -> None:
    """The answer that moves most of the belief, against `rate_factors` applied one by one."""
    session = phone()
    for complaint in session.matrix.complaints:
        turn = session.turn([*start(), new_event("complaint", ids=[complaint])])
        p = dict(turn.belief.ranking())
        for question in session.questions.values():
            if not question.factors:
                continue
            moved = []
            for choice in question.choices:
                factors = rate_factors(
                    session.knowledge, session.installation, {question.id: choice}
                )
                after = {n: q * factors.get(n, 1.0) for n, q in p.items()}
                total = sum(after.values())
                moved.append(0.5 * sum(abs(after[n] / total - p[n]) for n in p))
            if abs(max(moved) - BEARS) > 1e-6:
                assert session._bears(question, turn.belief) == (max(moved) > BEARS)
    asked = {"overflows": False, "hums": True}
    for complaint, shared in asked.items():
        belief = session.turn([*start(), new_event("complaint", ids=[complaint])]).belief
        assert session._bears(session.questions["supply_shared"], belief) == shared


def test_the_first_advice_is_in_the_words_of_what_is_fitted() -> None:
    knowledge, installation = phone().knowledge, phone().installation
    rule = replace(
        knowledge.rules["phone_shock"],
        then=(Fact.of("keep_off", what="x", why="{here.stop}"),),
    )
    raw = replace(knowledge, rules={"phone_shock": rule})
    rules = RuleEngine(rules_at(raw, installation))
    (advice,) = advice_of(first_inference(rules, {"tingle": "yes"}, {})).keep_off
    assert "mode switch to manual" in advice.how
    assert "{here." not in advice.how


@pytest.mark.parametrize(
    ("question", "choice", "kept"),
    [("burning", "gas", "sump and well"), ("panel_wet", "storm", "pump, pipes and whatever")],
)
def test_what_passes_keeps_everybody_off_too(question: str, choice: str, kept: str) -> None:
    events, person = start(), Customer(phone(), clear_modes(phone(), 3)[0], **{question: choice})
    turn = drive(phone(), events, person).turn
    assert any(advice.what.startswith(kept) for advice in phone().plan(turn).keep_off)
    assert not [s for s in person.steps if s.kind == "test" and s.place in ("pump", "roof", "sump")]


def test_a_burnt_smell_ends_the_tests() -> None:
    events = start()
    person = Customer(phone(), clear_modes(phone(), 3)[0])

    class UntilTests(Customer):
        def reply(self, turn: Turn, step: Step) -> Reply:
            return Reply("leave") if step.kind == "test" else person.reply(turn, step)

    before = drive(phone(), events, UntilTests(phone(), person.mode)).turn
    assert before.step.kind == "test"
    for outcome, kind in (("none", "test"), ("burnt", "done")):
        found = new_event("finding", test="smell_at_panel", outcome=outcome)
        turn = phone().turn([*events, found])
        assert turn.step.kind == kind
    assert phone().plan(turn).urgency == "now"


def test_who_depends_on_the_water_comes_first() -> None:
    mode = clear_modes(phone(), 3)[1]
    urgency = {}
    for water, depends in (("days", "no"), ("hours", "no"), ("none", "yes")):
        person = Customer(phone(), mode, water_left=water, depends=depends)
        turn = drive(phone(), start(), person).turn
        urgency[water] = LEVELS.index(phone().plan(turn).urgency)
    assert urgency["none"] == LEVELS.index("now")
    assert urgency["none"] < urgency["hours"] <= urgency["days"]


def test_the_result_holds_what_scripts_rely_on() -> None:
    events, person = start(), Customer(phone(), clear_modes(phone(), 3)[0])
    result = phone_result(phone(), drive(phone(), events, person), events)
    keys = {"status", "ranking", "steps", "urgency", "van", "instruments", "switch_off"}
    assert keys <= set(result)
    assert result["status"] == "prepared"
    assert result["covered"] >= 0.9
    assert result["van_cost"] == pytest.approx(sum(v["cost"] for v in result["van"]))


# ---------------------------------------------------------------------- on site


def test_on_site_goes_on_with_the_same_belief_and_asks_safety_again() -> None:
    site = standard_session()
    for mode, events, _ in calls():
        told = phone().turn(events)
        arrived = [*events, new_event("resumed"), new_event("described", qualification="licensed")]
        turn = site.turn(arrived)
        assert np.allclose(told.belief.p, turn.belief.p, atol=1e-12), mode
        first = next(n for n, q in site.questions.items() if q.kind == "safety")
        assert (turn.step.kind, turn.step.id) == ("question", first)
        assert turn.state.electrical is Electrical.UNKNOWN
        assert turn.state.place == "panel"
        assert turn.state.answers["worked"] == told.state.answers["worked"]
        assert turn.state.opened["qualification"] == "licensed"


def test_on_site_the_callout_ends_at_the_right_unit() -> None:
    site = standard_session()
    for mode, events, _ in calls()[:4]:
        arrived = [*events, new_event("phoned", status="prepared"), new_event("resumed")]
        arrived.append(new_event("described", qualification="licensed", meter_category="cat_iii"))
        outcome = drive(site, arrived, SimulatedPerson(site, mode))
        assert outcome.conclusion is not None
        assert outcome.conclusion.unit == unit_of(mode)
        assert "concluded" in [event.kind for event in arrived]


def test_what_a_customer_could_not_do_is_offered_on_site() -> None:
    site = standard_session()
    events = calls()[0][1]
    test = next(n for n, t in phone_tests(site.tests).items() if t.spec.place_at == "panel")
    more = [*events, new_event("cannot", test=test, reason="")]
    assert test in phone().state_of(more).cannot
    assert test not in site.state_of([*more, new_event("resumed")]).cannot
    on_the_phone = [*more, new_event("resumed", stage="phone")]
    assert test in phone().state_of(on_the_phone).cannot


def test_an_answer_by_telephone_weighs_less() -> None:
    site = standard_session()
    events = calls()[0][1]
    table = site.table("now")
    for name, test in phone_tests(site.tests).items():
        assert phone_error(site.knowledge, test) > test.error, name
        prior = Belief(table, table.prior())
        for k in range(len(test.outcomes)):
            heard = prior.hear(name, k, phone_error(site.knowledge, test))
            spread = np.ptp(heard.log_p - prior.log_p)
            assert spread <= np.ptp(prior.update(name, k).log_p - prior.log_p) + 1e-12
    assert events


def test_two_persons_look_at_one_thing() -> None:
    """The customer's and the technician's answer, against exact inference in a network.

    The network has a node for what there is to be seen, with two answers hanging on it, each with
    its own error (pyagrum, exact inference).
    """
    site = standard_session()
    table = dataclasses.replace(site.table("now"), care=ORDINARY)
    name = "smell_at_panel"
    k = table.test_index[name]
    size = int(table.sizes[k])
    prior = np.exp(table.prior())
    net = gum.BayesNet("two persons")
    net.add(gum.RangeVariable("cause", "", 0, len(prior) - 1))
    net.cpt("cause").fillWith((prior / prior.sum()).tolist())
    net.add(gum.RangeVariable("truth", "", 0, size - 1))
    net.addArc("cause", "truth")
    net.cpt("truth")[:] = np.ascontiguousarray(table.clean[:, k, :size])
    for person, error in (("customer", 0.1), ("technician", site.errors[name])):
        net.add(gum.RangeVariable(person, "", 0, size - 1))
        net.addArc("truth", person)
        wrong = np.full((size, size), error / (size - 1))
        np.fill_diagonal(wrong, 1 - error)
        net.cpt(person)[:] = wrong
    for said in range(size):
        for seen in range(size):
            engine = gum.LazyPropagation(net)
            engine.setEvidence({"customer": said, "technician": seen})
            engine.makeInference()
            want = np.array(engine.posterior("cause").tolist())
            belief = Belief(table, table.prior()).hear(name, said, 0.1).update(name, seen)
            assert np.abs(belief.p - want).max() < 1e-9
