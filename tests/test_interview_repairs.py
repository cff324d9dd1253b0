"""After a repair: findings that still stand, what a failed check tells, two faults in one visit."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from diagnose.interview.account import account
from diagnose.interview.drive import Reply, drive
from diagnose.interview.events import Event, new_event
from diagnose.interview.session import Session, Turn
from diagnose.interview.state import State, replay
from diagnose.interview.steps import Step
from diagnose.interview.verifying import checks_for
from diagnose.knowledge.names import spec_of, unit_of
from diagnose.plant.matrix import HEALTHY, MatrixBuilder
from diagnose.plant.pairs import together
from diagnose.reasoning.belief import UNKNOWN, UNKNOWN_UNIT, Belief, Hypotheses
from diagnose.reasoning.two_faults import JOINT, SECOND, SHIFTS, Answer, beside, weigh_pairs
from tests.made_tables import made_table
from tests.people import standard_session

PULL_DOWN, FUSE, WELDED = "roof_high_pull.missing", "control_fuse.blown", "relay.contacts_welded"


def finding(test: str, outcome: str) -> Event:
    return new_event("finding", test=test, outcome=outcome, minutes=1.0)


def repaired(mode: str) -> Event:
    unit, _, name = mode.partition(".")
    return new_event("repaired", unit=unit, failure_mode=name, minutes=15.0)


def checked(**results: str) -> list[Event]:
    return [new_event("verified", check=check, result=result) for check, result in results.items()]


def state_of(*events: Event) -> State:
    return replay(events, standard_session().places)


def standing(*events: Event) -> set[str]:
    return {f.test for f in standard_session().counted(state_of(*events))}


def shift(mode: str, test: str) -> float:
    """How far a failure mode alone moves a test from healthy (total variation)."""
    matrix = standard_session().matrix
    return float(0.5 * np.abs(matrix.of(mode, test) - matrix.of(HEALTHY, test)).sum())


def test_all_findings_stand_before_any_repair() -> None:
    assert standing(finding("lamps_half_full", "neither"), finding("buzzer_quiet", "silent")) == {
        "lamps_half_full",
        "buzzer_quiet",
    }


def test_what_the_repaired_cause_shows_only_beside_another_is_dropped() -> None:
    """A missing pull-down alone leaves a raised float's lamp as it is; beside an open lead not."""
    test = "lamps_high_raised"
    assert shift(PULL_DOWN, test) < SHIFTS, "by itself it does not bear on this test"
    found = [
        new_event("complaint", ids=["overflows"]),
        finding(test, "neither"),
        finding("relay_click", "clicks"),
        repaired(PULL_DOWN),
    ]
    kept = standing(*found, *checked(gone="fail"))
    assert test not in kept
    assert "relay_click" in kept


def test_what_the_repaired_cause_bears_on_is_kept_where_the_suspects_hide_it() -> None:
    """Welded contacts run the pump with the controller dark: the blown fuse changed no current."""
    test = "motor_current"
    assert shift(FUSE, test) >= SHIFTS, "alone it stops the pump"
    found = [
        new_event("complaint", ids=["will_not_stop"]),
        finding(test, "good"),
        repaired(FUSE),
        *checked(gone="fail"),
        finding("relay_contact_released", "closed"),
        finding("water_pump_off", "runs"),
    ]
    session = standard_session()
    assert session.belief(state_of(*found)).leading_unit()[0] == "relay"
    assert test in standing(*found)


def test_working_ahead_changes_no_belief_and_leaves_nothing_to_simulate(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    told = [
        *(finding("lamps_half_full", "neither"), finding("board_lights", "dark")),
        repaired("adapter.dead"),
    ]
    first = standard_session()
    plain = Session(first.knowledge, first.installation, first.matrix, rules=first.rules)
    ahead = Session(first.knowledge, first.installation, first.matrix, rules=first.rules)
    ahead.prepare(state_of(*told))
    failed = state_of(*told, *checked(gone="fail"))
    expected = plain.belief(failed)

    def simulate(self: MatrixBuilder, *_: object, **__: object) -> None:
        raise AssertionError("simulated in the turn")

    monkeypatch.setattr(MatrixBuilder, "simulate", simulate)
    assert np.allclose(ahead.belief(failed).p, expected.p, rtol=1e-9)


def test_a_failed_check_is_evidence_and_a_passed_one_too() -> None:
    """The sump's protection fails, all before it works: what feeds the sump input, not the pump."""
    session = standard_session()
    start = [new_event("complaint", ids=["wrong_indication"]), repaired("full_lamp.open")]
    passed = checked(gone="pass", starts_auto="pass", stops_auto="pass")
    before = session.belief(state_of(*start))
    after = session.belief(state_of(*start, *passed, *checked(dry_protection="fail")))

    def share(belief: Belief, *units: str) -> float:
        return sum(p for name, p in belief.ranking() if unit_of(name) in units)

    sump = ("sump_float", "sump_cable", "sump_pull", "dry_lamp")
    assert share(after, *sump) > 0.5 > share(before, *sump)
    assert share(after, "motor", "pump", "capacitor") < 0.02


def test_a_repaired_cause_stays_behind_the_others() -> None:
    session = standard_session()
    events = [
        new_event("complaint", ids=["will_not_stop"]),
        finding("relay_contact_released", "closed"),
    ]
    before = dict(session.belief(state_of(*events)).ranking())
    after = dict(
        session.belief(state_of(*events, repaired(WELDED), *checked(gone="fail"))).ranking()
    )
    assert before[WELDED] > 0.3
    assert after[WELDED] < 0.2 * before[WELDED]
    vain = [repaired(WELDED), *checked(gone="fail"), finding("relay_contact_released", "closed")]
    twice = session.belief(state_of(*events, *vain, *vain)).leading_unit()
    assert twice[0] != "relay", "nobody frees the same contacts three times"


def test_a_cause_that_was_put_right_is_not_told_as_ruled_out() -> None:
    """Its repair stands by itself; what is found afterwards speaks of the next fault."""
    events = [
        new_event("complaint", ids=["will_not_stop"]),
        finding("relay_contact_released", "closed"),
        repaired(WELDED),
        *checked(gone="fail"),
        *(finding("relay_contact_released", "open"), finding("relay_contact_released", "open")),
    ]
    told = account(standard_session(), events)
    assert [r.mode for r in told.repairs] == [WELDED]
    gone = [r.mode for r in told.ruled_out]
    assert gone
    assert WELDED not in gone


# ------------------------------------------------------------------ pairs against enumeration


def small_table() -> Hypotheses:
    """Four known causes in three units and the unknown one, two tests of two outcomes."""
    clean = np.array(
        [
            [[0.95, 0.05], [0.05, 0.95]],
            [[0.05, 0.95], [0.05, 0.95]],
            [[0.05, 0.95], [0.9, 0.1]],
            [[0.9, 0.1], [0.9, 0.1]],
            [[0.5, 0.5], [0.5, 0.5]],
        ]
    )
    units = ["a", "b", "b", "c", UNKNOWN_UNIT]
    table = made_table(clean, [2, 2], [0.04, 0.06], units, [3.0, 2.0, 1.0, 0.5, 0.1])
    names = (*table.names[:-1], UNKNOWN)
    index = {name: k for k, name in enumerate(names)}
    complaint = {"silent": np.array([0.9, 0.01, 0.3, 0.01, np.nan])}
    return replace(table, names=names, index=index, complaint=complaint)


def test_pairs_weigh_what_enumeration_gives() -> None:
    table = small_table()
    healthy = {"t0": np.array([0.05, 0.95]), "t1": np.array([0.05, 0.95])}
    answers = [Answer("t0", 0, 0.04), Answer("t1", 0, 0.06)]
    rate = np.log(table.weight / table.weight.sum())
    alone = Belief(table, np.array([-9.0, -9.5, -8.0, -8.5, -6.0]))
    fails = np.array([0.2, 0.7, 0.1, 0.5, 0.3])
    got = weigh_pairs(alone, rate, ["silent"], answers, healthy, [(fails, True)])
    mass = {}
    for a in range(4):
        for b in range(a + 1, 4):
            if table.units[a] == table.units[b]:
                continue
            p = SECOND * np.exp(rate[a] + rate[b])
            p *= max(table.complaint["silent"][a], table.complaint["silent"][b], JOINT)
            p *= 0.05 + 0.9 * max(fails[a], fails[b])
            for answer in answers:
                k = table.test_index[answer.test]
                shown = [table.clean[h, k] for h in (a, b)]
                moved = [0.5 * abs(s - healthy[answer.test]).sum() >= SHIFTS for s in shown]
                both = sum(shown) / 2 if moved[0] == moved[1] else shown[moved.index(True)]
                right = float(both[answer.outcome])
                p *= (1 - answer.wrong) * right + answer.wrong * (1 - right)
            mass[a, b] = p
    likelier = [sum(p for pair, p in mass.items() if h in pair) for h in range(4)]
    expected = np.exp(alone.log_p)
    for (a, b), p in mass.items():
        expected[a if likelier[a] >= likelier[b] else b] += p
    assert np.allclose(np.exp(got.log_p), expected, rtol=1e-9)
    assert not np.allclose(got.p, alone.p, rtol=1e-3)


def test_pairs_are_left_out_while_one_cause_explains_the_findings() -> None:
    table = small_table()
    healthy = {"t0": np.array([0.05, 0.95])}
    rate = np.log(table.weight / table.weight.sum())
    sure = Belief(table, np.array([-1.0, -9.5, -8.0, -8.5, -6.0]))
    assert weigh_pairs(sure, rate, [], [Answer("t0", 0, 0.04)], healthy) is sure


def test_where_one_of_two_bears_on_a_test_it_shows_what_that_one_shows() -> None:
    healthy = np.array([1.0, 0.0, 0.0])
    moved, other, still = np.array([[0, 1.0, 0], [0, 0, 1.0], [0.95, 0.05, 0]])
    assert (beside(moved, still, healthy) == moved).all()
    assert (beside(still, other, healthy) == other).all()
    assert beside(moved, other, healthy).tolist() == [0.0, 0.5, 0.5]


# ------------------------------------------------------------------ two faults, one visit


@lru_cache(maxsize=1)
def builder() -> MatrixBuilder:
    session = standard_session()
    return MatrixBuilder(session.knowledge, session.installation)


class PairPerson:
    """Answers as the plant most likely shows it with what is left of two failure modes."""

    def __init__(self, session: Session, *modes: str) -> None:
        self.session, self.left = session, set(modes)
        self.shown: dict[frozenset[str], dict[str, int]] = {}

    def outcomes(self) -> dict[str, int]:
        key = frozenset(self.left)
        if key not in self.shown:
            modes = [self.session.installation.modes[name] for name in sorted(self.left)]
            fault = together(self.session.installation, *modes) if len(modes) == 2 else None
            single = modes[0] if len(modes) == 1 else None
            lanes = builder().shown(builder().simulate(fault or single))
            self.shown[key] = {
                test: int(p.mean(axis=0).argmax())
                for test, p in zip(builder().tests, lanes, strict=True)
            }
        return self.shown[key]

    def reply(self, turn: Turn, step: Step) -> Reply:
        if step.conclusion is not None:
            unit = step.conclusion.unit
            if step.conclusion.status != "concluded" or len(turn.state.repairs) > 3:
                return Reply("leave")
            self.left = {name for name in self.left if unit_of(name) != unit}
            return Reply("repaired", f"{unit}.{step.conclusion.failure_mode}")
        if step.kind == "question" and step.id == "complaint":
            return Reply("answer", "controller_dark", ids=("controller_dark",))
        if step.kind == "question":
            return Reply("answer", self.session.knowledge.questions[step.id].default)
        if step.kind == "test":
            outcome = self.session.tests[step.id].outcomes[self.outcomes()[step.id]]
            return Reply("answer", outcome.id)
        if step.kind == "act":
            return Reply("answer", "done")
        return Reply("answer", "fail" if self.fails(step.id) else "pass")

    def fails(self, check: str) -> bool:
        if check == "gone":
            return "adapter.dead" in self.left
        return check == "stops_auto" and "roof_high_float.lead_open" in self.left


@pytest.mark.parametrize("second", ["roof_high_float.lead_open"])
def test_a_masked_second_fault_is_repaired_in_the_same_visit(second: str) -> None:
    """A dead supply hides everything on the 5 V side; the float shows only once it is repaired."""
    session = standard_session()
    person = PairPerson(session, "adapter.dead", second)
    events = [
        new_event(
            "opened",
            installation=session.installation.type.id,
            variants={},
            qualification="licensed",
            meter_category="cat_iii",
        )
    ]
    outcome = drive(session, events, person)
    assert (outcome.turn.step.kind, outcome.turn.step.id) == ("done", "verified")
    assert not person.left
    assert [unit for unit, _ in outcome.turn.state.repairs] == ["adapter", "roof_high_float"]


def test_every_check_names_tests_outcomes_and_complaints_that_exist() -> None:
    session = standard_session()
    known = session.knowledge.tests
    mapped = 0
    for check in checks_for(session.installation):
        assert set(check.complaints) <= set(session.knowledge.complaints), check.id
        for test, outcomes in check.like.items():
            spec = known[spec_of(test)]
            assert set(outcomes) <= {o.id for o in spec.outcomes}, test
            healthy = session.matrix.of(HEALTHY, test)
            passes = [session.outcome_index(test, o) for o in outcomes]
            assert healthy[passes].sum() > 0.95, f"{check.id}: {test} fails on a sound installation"
            mapped += 1
    assert mapped >= 6
