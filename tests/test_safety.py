"""Safety as a property: what is promised holds in every state, and on every way through a callout.

The promises are those of `tests.promises` (EN 50110-1 and IEC 60364-6 as given in the references,
and common practice); guard and rules are disabled in turn, and the other still holds them.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule

from diagnose.errors import DiagnoseError
from diagnose.interview.drive import Reply, drive, respond
from diagnose.interview.session import Session, Turn
from diagnose.interview.steps import Step
from diagnose.interview.verifying import verification
from diagnose.knowledge.rule_records import Fact
from diagnose.reasoning import guard
from diagnose.reasoning.rules import RuleEngine
from tests.bench import shipped
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
from tests.people import SimulatedPerson, standard_session
from tests.promises import LASTING, REACHED, WORDS

RESETS = {"reset_at_rest", "trips_on_call", "trips_without_pump"}
OFF = ("nothing", "rules", "guard")
SUPPLIES = ("not known", "on", "off", "dead")
HAND = re.compile(
    r"\b(lift|open|take|press|pull|push|shake|turn|tug|move|lower|knock|shut|unscrew|wipe|hold"
    r"|read the (?:settings|program|fault memory))\b",
    re.I,
)
"""Words of a test that need a hand."""
TOUCHED: tuple[tuple[str, str, dict[str, bool]], ...] = (
    ("danger", "no", {"on": True, "dead": True}),
    ("panel_wet", "yes", {"on": False, "dead": False}),
    ("burning", "now", {"on": False, "dead": False}),
    ("burning", "gas", {"on": False, "dead": False}),
    ("panel_wet", "storm", {"on": False, "dead": False}),
    ("burning", "earlier", {"on": False, "dead": True}),
    ("damage_seen", "yes", {"on": False, "dead": True}),
    ("tingle", "yes", {"on": False}),
)
"""What is answered, and by the state of the supply whether anything is touched to look at it."""


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
        assert not RESETS & {s.id for s in explorer.offered}, "insulation first"
        explorer.say("finding", test="insulation_from_panel", outcome="good", raw="200", sure="yes")
        before = {s.id for s in explorer.offered}
        explorer.say("finding", test="reset_at_rest", outcome="rcd", raw="rcd", sure="yes")
        explorer.say("finding", test="premises_power", outcome="none", raw="none", sure="yes")
    assert "trips_on_call" in before
    assert not explorer.wrong
    assert not RESETS & {s.id for s in explorer.offered}


@pytest.mark.parametrize("disabled", OFF)
def test_after_a_trip_one_good_core_opens_nothing_live(disabled: str) -> None:
    """Both cores and the motor, or all of it joined (IEC 60364-6: live conductors to earth)."""
    with disabling(disabled) as session:

        def live_after(*good: str) -> bool:
            explorer = settled(session, {"skill": "licensed", "meter": "cat_iii"}, "trips", "on")
            for test in good:
                explorer.say("finding", test=test, outcome="good", raw="200", sure="yes")
            turn = explorer.turn
            equipment = session.equipment(turn.state, turn.inference)
            possible = session.possible(turn.state, turn.inference, equipment)
            assert not explorer.wrong
            return any(session.tests[c.test].spec.state == "live" for c in possible)

        assert not live_after("insulation_cable_live", "insulation_motor", "insulation_outlet")
        assert not live_after("insulation_cable_live", "insulation_cable_neutral")
        assert live_after("insulation_cable_live", "insulation_cable_neutral", "insulation_motor")
        assert live_after("insulation_from_panel")


def test_each_insulation_test_says_what_it_reaches() -> None:
    """A new one takes its place in the promises; what is joined for it, its text says."""
    tests = {t.id: t for t in shipped().tests.values()}
    measured = {n for n, t in tests.items() if t.instrument == "insulation_tester"}
    assert measured == set(REACHED)
    for name in measured:
        several = len(set(REACHED[name]) - {"motor"}) > 1 or "both cores" in REACHED[name]
        assert several == bool(re.search(r"[Jj]oin|together", tests[name].do)), name
    assert guard.JOINED | guard.EACH | set().union(*guard.ONE_BY_ONE) <= measured


def test_where_nobody_can_measure_insulation_the_one_reset_is_open() -> None:
    told = {"skill": "licensed", "meter": "cat_iii"}
    explorer = settled(standard_session(), told, "trips", "on")
    explorer.say("cannot", act="isolate", reason="no lock")
    assert RESETS & {s.id for s in explorer.offered}
    assert not explorer.wrong


def test_a_hold_outlives_acts_and_a_resume() -> None:
    told = {"skill": "instructed", "meter": "cat_iii", "tingle": "yes"}
    explorer = settled(standard_session(), told, "overflows", "dead")
    for act in ("isolate", "prove_dead"):
        explorer.say("act", act=act)
    explorer.say("resumed")
    assert not explorer.wrong
    assert explorer.turn.inference.concluded("hold")
    assert explorer.step.conclusion is not None
    assert explorer.step.conclusion.status == "handed_over"


def test_after_a_shock_a_licensed_electrician_is_led_through_the_dead_tests() -> None:
    """Inspection, continuity of the protective conductor, insulation: the order of IEC 60364-6."""
    told = {"skill": "licensed", "meter": "cat_iii", "tingle": "yes"}
    explorer = settled(standard_session(), told, "overflows", "on")
    asked: list[str] = []
    while explorer.step.conclusion is None and len(asked) < 40:
        asked.append(explorer.step.id)
        if explorer.step.kind == "act":
            explorer.say("act", act=explorer.step.id)
        else:
            outcomes = [o.id for o in explorer.step.options]
            good = next((o for o in ("none", "closed", "good") if o in outcomes), outcomes[0])
            explorer.say("finding", test=explorer.step.id, outcome=good, raw=good, sure="yes")
        assert explorer.step.state in ("", "any", "dead")
    assert asked[:13] == [
        *("premises_power", "tingle_elsewhere", "isolate", "prove_dead"),
        *("main_earth_look", "cable_look", "motor_box_look"),
        *("main_earth_continuity", "frame_earth"),
        *("part", "insulation_from_panel", "discharge", "rejoin"),
    ]
    assert not {"energise", "found_on"} & set(asked)
    assert not explorer.wrong


@pytest.mark.parametrize("disabled", OFF)
@pytest.mark.parametrize("skill", ["licensed", "instructed", "unqualified"])
def test_after_a_shock_dead_tests_are_for_the_licensed_alone(skill: str, disabled: str) -> None:
    told = {"skill": skill, "meter": "cat_iii", "tingle": "yes"}
    with disabling(disabled) as session:
        for supply in ("on", "dead"):
            explorer = settled(session, told, "overflows", supply)
            turn = explorer.turn
            equipment = session.equipment(turn.state, turn.inference)
            possible = session.possible(turn.state, turn.inference, equipment)
            states = {session.tests[c.test].spec.state for c in possible}
            assert states == {"any", "dead"} if skill == "licensed" else states <= {"any"}
            if disabled != "rules":
                assert (turn.decision is None) == (skill != "licensed"), "others hand over"
            hands = {
                session.tests[c.test].spec.place_at
                for c in possible
                if session.tests[c.test].spec.state == "any"
            }
            assert supply == "dead" or not hands & {"roof", "sump", "pump"}, "floats, taps"
            # beside the shock another hazard: nothing but looking, whoever asks
            explorer.hazard("panel_wet", "yes")
            turn = explorer.turn
            equipment = session.equipment(turn.state, turn.inference)
            possible = session.possible(turn.state, turn.inference, equipment)
            assert {session.tests[c.test].spec.state for c in possible} <= {"any"}
            assert not explorer.wrong


@contextmanager
def disabling(disabled: str) -> Iterator[Session]:
    """A session with one of the two mechanisms disabled."""
    session = standard_session()
    with without_guard() if disabled == "guard" else nullcontext():
        yield without_rules(session) if disabled == "rules" else session


@pytest.mark.parametrize("disabled", OFF)
@pytest.mark.parametrize("missing", ["nothing", "repaired", "insulation", "inspected"])
@pytest.mark.parametrize("hazard", sorted(LASTING))
def test_a_hazard_is_gone_only_once_repaired_measured_and_inspected(
    hazard: tuple[str, str], missing: str, disabled: str
) -> None:
    """Until then nothing is measured live, whoever asks (IEC 60364-6, 1 Mohm)."""
    told = {"skill": "licensed", "meter": "cat_iii", hazard[0]: hazard[1]}
    with disabling(disabled) as session:
        explorer = settled(session, told, "overflows", "on")
        if missing != "repaired":
            explorer.say("repaired", unit="motor", failure_mode="earth_fault")
        for check in ("rule_insulation_after_hazard", "rule_damage_inspected"):
            good = missing not in check.replace("damage_", "")
            explorer.say("verified", check=check, result="pass" if good else "fail")
        if missing == "nothing":
            explorer.say("verified", check="gone", result="fail")
        explorer.say("act", act="energise")
        turn = explorer.turn
        equipment = session.equipment(turn.state, turn.inference)
        live = [
            c.test
            for c in session.possible(turn.state, turn.inference, equipment)
            if session.tests[c.test].spec.state == "live"
        ]
    assert bool(live) == (missing == "nothing")


def test_what_is_missing_is_said_and_asked_for_in_order() -> None:
    told = {"skill": "licensed", "meter": "cat_iii", "tingle": "yes"}
    explorer = settled(standard_session(), told, "overflows", "dead")
    explorer.say("stopped", reason="evening")
    assert explorer.step.conclusion is not None
    reason = explorer.step.conclusion.reasons[-1]
    for words in ("repaired", "1 Mohm or more", "inspected"):
        assert words in reason
    explorer.say("resumed")
    explorer.repair("motor.earth_fault")
    asked: list[str] = []
    while explorer.step.id != "energise" and len(asked) < 20:
        asked.append(explorer.step.id)
        explorer.answer(0.0, calm=True)
    assert asked == [
        *("isolate", "prove_dead", "rule_damage_inspected", "part", "rule_insulation_of_the_motor"),
        *("discharge", "rule_insulation_after_hazard", "discharge", "rejoin"),
    ], "inspection first, then insulation (IEC 60364-6); parted once"
    assert not explorer.turn.inference.concluded("hold")
    assert not explorer.wrong


def test_insulation_below_a_megohm_does_not_clear() -> None:
    told = {"skill": "licensed", "meter": "cat_iii", "panel_wet": "yes"}
    for typed, result in (("0.99", "fail"), ("1", "pass"), ("200 Mohm", "pass"), ("900k", "fail")):
        explorer = settled(standard_session(), told, "overflows", "dead")
        explorer.repair("motor.earth_fault")
        while explorer.step.id != "rule_insulation_after_hazard":
            explorer.answer(0.0, calm=True)
        told_it = Reply("answer", typed)
        event = respond(explorer.session, explorer.turn, explorer.step, told_it, explorer.events)
        assert event is not None
        assert event.data["result"] == result, typed


def test_a_reported_fault_is_not_taken_back_and_a_new_report_counts_anew() -> None:
    told = {"skill": "licensed", "meter": "cat_iii"}
    explorer = settled(standard_session(), told, "overflows", "dead")
    explorer.hazard("tingle", "yes")
    with pytest.raises(DiagnoseError, match="not taken back"):
        respond(explorer.session, explorer.turn, explorer.step, Reply("back"), explorer.events)
    for choice in ("no", "no"):
        explorer.hazard("tingle", choice)
    assert explorer.turn.inference.concluded("dead_only")
    explorer.say("repaired", unit="motor", failure_mode="earth_fault")
    explorer.say("verified", check="rule_insulation_after_hazard", result="pass")
    explorer.say("verified", check="rule_damage_inspected", result="pass")
    assert not explorer.turn.inference.concluded("dead_only")
    explorer.hazard("burning", "now")
    assert explorer.turn.inference.concluded("hold")
    assert not explorer.wrong


def test_an_act_that_could_not_be_made_is_asked_for_again_when_it_goes_on() -> None:
    explorer = settled(standard_session(), {"skill": "licensed", "meter": "cat_iii"}, "trips", "on")
    explorer.say("cannot", act="isolate", reason="no lock")
    assert "isolate" not in {s.id for s in explorer.offered}
    explorer.say("resumed")
    assert "isolate" in {s.id for s in explorer.offered}
    assert not explorer.wrong


def test_what_passes_is_asked_anew_when_it_goes_on() -> None:
    told = {"skill": "licensed", "meter": "cat_iii", "danger": "yes"}
    explorer = settled(standard_session(), told, "overflows", "on")
    assert explorer.step.id == "stopped"
    explorer.say("resumed")
    assert (explorer.step.kind, explorer.step.id) == ("question", "danger")
    explorer.say("answered", question="danger", choice="no")
    assert explorer.step.id == "tingle", "after an accident the shock is asked again"


@pytest.mark.parametrize("disabled", OFF)
@pytest.mark.parametrize("supply", SUPPLIES)
def test_a_repair_is_answered_only_when_isolated_and_proved_dead(
    supply: str, disabled: str
) -> None:
    with disabling(disabled) as session:
        told = {"skill": "instructed", "meter": "cat_iii"}
        explorer = settled(session, told, "overflows", supply)
        name = "relay.contacts_welded"
        said = (session, explorer.turn, explorer.step, Reply("repaired", name), explorer.events)
        if supply == "dead":
            assert respond(*said) is not None
        else:
            with pytest.raises(DiagnoseError, match="isolate and prove dead before the repair"):
                respond(*said)
        explorer.repair(name)
        assert explorer.repaired == 1
        assert not explorer.wrong


def test_a_repair_with_closed_covers_needs_no_isolation_but_no_hold() -> None:
    told = {"skill": "unqualified", "meter": "none"}
    explorer = settled(standard_session(), told, "overflows", "on")
    explorer.repair("delivery.gate_closed")
    assert explorer.repaired == 1
    for held in ({"tingle": "yes"}, {"damage_seen": "yes"}):
        explorer = settled(standard_session(), {**told, **held}, "overflows", "on")
        explorer.repair("delivery.gate_closed")
        assert explorer.repaired == 0
        assert not explorer.wrong


@pytest.mark.parametrize(
    ("told", "then"), [({}, "not_ordered_manual"), ({"tingle": "yes"}, "premises_power")]
)
def test_repaired_typed_while_live_is_refused_in_one_line_and_led_to(
    told: dict[str, str], then: str
) -> None:
    """In a driven callout: the line, isolating and proving dead, then what is asked for by then."""
    told = {"skill": "licensed", "meter": "cat_iii", **told}
    explorer = settled(standard_session(), told, "overflows", "on")
    events, lines = explorer.events, list[str]()

    class Careless(SimulatedPerson):
        def reply(self, turn: Turn, step: Step) -> Reply:
            lines.append(step.id)
            if turn.state.repairs:
                return Reply("leave")
            wayward = step.kind != "act" or len(lines) == 1
            return Reply("repaired", self.mode) if wayward else super().reply(turn, step)

    def refused(error: DiagnoseError) -> bool:
        lines.append(str(error))
        return True

    person = Careless(explorer.session, "relay.contacts_welded", repairs=True)
    drive(explorer.session, events, person, refused=refused)
    assert lines[1].count("isolate and prove dead before the repair") == 1
    assert "\n" not in lines[1]
    assert lines[2:5] == ["isolate", "prove_dead", then]
    assert [e.kind for e in events[-3:]] == ["act", "act", "repaired"]


@pytest.mark.parametrize("disabled", OFF)
def test_round_an_insulation_test_it_is_parted_discharged_and_reconnected(disabled: str) -> None:
    with disabling(disabled) as session:
        told = {"skill": "licensed", "meter": "cat_iii"}
        explorer = settled(session, told, "trips", "dead")
        test = "insulation_from_panel"

        def towards(name: str) -> str:
            step = session.step_for(explorer.turn, name)
            return step.id if step else ""

        session = explorer.session
        assert towards(test) == "part"
        explorer.say("act", act="part")
        assert towards(test) == test
        assert {s.instrument for s in explorer.offered} == {"insulation_tester"}
        explorer.say("finding", test=test, outcome="good", raw="200", sure="yes")
        assert explorer.step.id == "discharge"
        assert {s.id for s in explorer.offered} == {"discharge"}
        explorer.undo()
        assert explorer.step.id == "isolate", "an undo: discharge once it is proved dead again"
        for act in ("isolate", "prove_dead"):
            explorer.say("act", act=act)
        assert explorer.step.id == "discharge"
        explorer.say("act", act="discharge")
        kinds = {session.tests[s.id].spec.kind for s in explorer.offered if s.kind == "test"}
        assert kinds <= {"insulation"}
        explorer.say("act", act="rejoin")
        assert not explorer.turn.state.parted
        assert not explorer.wrong


def test_isolating_warns_of_what_may_start_it_until_then() -> None:
    explorer = settled(
        standard_session(), {"skill": "licensed", "meter": "cat_iii"}, "overflows", "on"
    )
    acts = [s for s in explorer.offered if s.kind == "act" and s.id == "isolate"]
    assert acts
    for step in acts:
        text = " ".join(step.cautions)
        for starter in ("float", "timer", "thermal protector", "telephone relay"):
            assert starter in text


def test_insulation_is_tested_on_a_parted_dead_circuit_and_discharged() -> None:
    """Every insulation test and check of the knowledge, with the caution shown (IEC 60364-6)."""
    kb = shipped()
    tests = [t for t in kb.tests.values() if t.instrument == "insulation_tester"]
    assert len(tests) >= 6
    for spec in tests:
        assert (spec.state, "insulation_test_voltage" in spec.cautions) == ("dead", True), spec.id
        text = " ".join(kb.cautions[c].text for c in spec.cautions)
        assert WORDS["insulation"] in text, spec.id
        assert WORDS["discharge"] in text, spec.id


def test_no_resistance_is_measured_but_dead() -> None:
    kb = shipped()
    metered = [t for t in kb.tests.values() if t.kind in ("ohms", "insulation", "farads")]
    assert len(metered) > 60
    assert {t.state for t in metered} == {"dead"}


def test_whoever_looks_and_must_touch_says_so() -> None:
    """A test in the state `any` is marked `hands` where, and only where, its words need a hand."""
    kb = shipped()
    needless = re.compile(r"\b(do not|open nothing|open no)\b[^.,]*|before you \w+", re.I)
    looks = [t for t in kb.tests.values() if t.state == "any"]
    needs = {t.id for t in looks if HAND.search(needless.sub("", t.do))}
    assert needs == {t.id for t in kb.tests.values() if t.hands}
    assert len(needs) > 15


def test_what_lies_under_the_cover_is_looked_at_dead() -> None:
    """Mains is within reach there, whatever is looked at (common practice, no source)."""
    kb = shipped()
    inside = re.compile(r"jumper|dial\b|adapter|contactor|converter", re.I)
    seen = [t for t in kb.tests.values() if t.kind == "sign" and inside.search(t.title + t.do)]
    assert {"jumper_look", "adapter_look", "overload_look", "thermal_look"} <= {t.id for t in seen}
    assert {t.state for t in seen if t.place_at == "panel"} == {"dead"}


def test_a_humming_motor_is_looked_at_before_anything_is_measured() -> None:
    kb = shipped()
    hums = RuleEngine(list(kb.rules.values())).infer([Fact.of("complaint", id="hums")])
    first = [kb.tests[f.get("test")] for f in hums.concluded("first")]
    assert len(first) == 2
    assert {(t.state, t.hands, t.instrument) for t in first} == {("any", False, "none")}


@pytest.mark.parametrize("disabled", OFF)
@pytest.mark.parametrize(("question", "choice", "touches"), TOUCHED)
def test_no_hand_is_laid_on_it_under_a_hold(
    disabled: str, question: str, choice: str, touches: dict[str, bool]
) -> None:
    session = standard_session()
    session = without_rules(session) if disabled == "rules" else session
    with without_guard() if disabled == "guard" else nullcontext():
        for supply, may in touches.items():
            told = {"skill": "licensed", "meter": "cat_iii", question: choice}
            explorer = settled(session, told, "overflows", supply)
            touched = {s.id for s in explorer.offered if s.kind == "test" and hands(session, s)}
            assert bool(touched) == may, (supply, touched)


def hands(session: Session, step: Step) -> bool:
    """Whether a step is to touch something in order to look at it."""
    return session.tests[step.id].spec.hands


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
