"""Practice: an attempt as events, the expert's path, the debrief and its best steps, hints."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from diagnose.interview.session import Session
from diagnose.knowledge.names import unit_of
from diagnose.practice.bench import Bench
from diagnose.practice.best import advise
from diagnose.practice.debrief import debrief
from diagnose.practice.events import events_of, state_after, until
from diagnose.practice.expert import expert, safely
from diagnose.practice.functions import groups_of
from diagnose.practice.hints import LEVELS, _Hint, hint
from diagnose.practice.judging import needless_for
from diagnose.practice.paths import of_units, path_of
from diagnose.practice.play import play, start, step
from diagnose.practice.records import Act, Attempt
from diagnose.practice.score import HINTS, score, score_of
from diagnose.reasoning.decision import decide
from diagnose.reasoning.lookahead import Lookahead
from tests.people import standard_session
from tests.practised import CALLOUTS, bench_of, clumsy, clumsy_debrief, expert_of

# ---------------------------------------------------------------------- events


def test_an_attempt_is_a_case_of_the_interview() -> None:
    session, attempt = standard_session(), clumsy()
    state = session.state_of(events_of(attempt, session))
    assert state.complaints == (attempt.exercise.complaint,)
    made = [t.act.data["test"] for t in attempt.taken if t.act.kind == "test" and t.shown]
    assert [f.test for f in state.findings] == made
    assert [unit for unit, _ in state.repairs] == ["roof_low_float", "roof_cable"]
    assert [c.result for c in state.checked] == ["fail", "pass", "pass", "pass"]
    assert state.electrical.value == attempt.taken[-1].electrical
    last = [k for k, t in enumerate(attempt.taken) if t.act.kind == "check"][-1]
    assert state.minutes == pytest.approx(until(attempt, last + 1).minutes)
    assert session.turn(events_of(attempt, session)).step.kind in ("verify", "act")


def test_what_was_stopped_leaves_no_event() -> None:
    attempt = clumsy()
    stopped = next(k for k, t in enumerate(attempt.taken) if t.offence is not None)
    session = standard_session()
    before = [(e.kind, e.data) for e in events_of(until(attempt, stopped), session)]
    after = [(e.kind, e.data) for e in events_of(until(attempt, stopped + 1), session)]
    assert after == before


def test_until_gives_what_was_played() -> None:
    bench = bench_of((CALLOUTS[0][0],), CALLOUTS[0][1])
    attempt = start(bench)
    for k, taken in enumerate(clumsy().taken):
        cut = until(clumsy(), k)
        assert (cut.taken, cut.minutes, cut.place, cut.swapped) == (
            attempt.taken,
            attempt.minutes,
            attempt.place,
            attempt.swapped,
        )
        attempt = step(bench, attempt, taken.act)


def test_questions_that_were_not_asked_shift_nothing() -> None:
    session = standard_session()
    bench = bench_of((CALLOUTS[0][0],), CALLOUTS[0][1])
    state = state_after(start(bench), session)
    table = session.table("now")
    bare = np.exp(table.prior((bench.exercise.complaint,)))
    assert session.belief(state).p == pytest.approx(bare / bare.sum())


# ---------------------------------------------------------------------- the expert


@pytest.mark.parametrize(("mode", "complaint"), CALLOUTS)
def test_the_expert_repairs_it_safely_and_step_by_step_as_the_interview_says(
    mode: str, complaint: str
) -> None:
    session, bench = standard_session(), bench_of((mode,), complaint)
    attempt = expert_of(mode, complaint)
    assert attempt.ended == "solved"
    assert attempt.swapped == (unit_of(mode),)
    assert not attempt.offences
    acts = [taken.act for taken in attempt.taken]
    assert play(bench, bench.exercise, acts, needless_for(session)) == attempt
    for k, taken in enumerate(attempt.taken):
        if taken.act.kind == "test":
            first = k
            while attempt.taken[first - 1].act.kind not in ("test", "ask", "check", "swap"):
                first -= 1
            turn = session.turn(events_of(until(attempt, first), session))
            assert turn.decision is not None
            assert turn.decision.choices[0].candidate.test == taken.act.data["test"]


def test_the_expert_hands_over_where_there_is_a_hazard() -> None:
    bench = bench_of((CALLOUTS[1][0],), CALLOUTS[1][1], "tingle")
    attempt = expert(standard_session(), bench)
    assert attempt.ended == "handed_over"
    assert not attempt.offences
    assert not attempt.swapped
    assert attempt.taken[-1].electrical == "isolated"
    found = debrief(standard_session(), bench, attempt)
    assert score(found).repair > 0
    on = safely(bench, start(bench), Act("ask", {"question": "safety"}))
    on = step(bench, on, Act("test", {"test": "pump_as_found_full"}))
    assert [o.rule for o in on.offences] == ["hazard_ignored"]


# ---------------------------------------------------------------------- the debrief


def test_the_best_step_is_the_strategys() -> None:
    """At every step of a poor attempt, against a decision made here from belief and ground."""
    session, attempt = standard_session(), clumsy()
    compared = 0
    for told in clumsy_debrief().mine.steps:
        if told.best.kind != "test":
            continue
        before = until(attempt, told.first)
        state = state_after(before, session)
        belief, ground = session.belief(state), session.ground_at(state)
        bench = bench_of((CALLOUTS[0][0],), CALLOUTS[0][1])
        turn = advise(session, bench, before).turn
        equipment = session.equipment(state, turn.inference)
        offered = session.possible(state, turn.inference, equipment)
        terrain = ground.terrain(session.standing(state))
        decision = decide(belief, offered, Lookahead(), terrain, session.stakes)
        assert told.best.id == decision.choices[0].candidate.test
        assert told.best.minutes == decision.choices[0].candidate.minutes
        compared += 1
    assert compared >= 5


def test_what_a_step_could_tell_is_its_mutual_information() -> None:
    """Against Shannon's sums as SciPy has them (scipy.stats.entropy), over units and outcomes."""
    session = standard_session()
    steps = [s for s in clumsy_debrief().mine.steps if s.kind == "test" and s.could is not None]
    assert len(steps) >= 3
    for told in steps:
        belief = session.belief(state_after(until(clumsy(), told.first), session))
        table, k = belief.table, belief.table.test_index[told.id]
        clean, size = table.clean[:, k, : table.sizes[k]], int(table.sizes[k])
        wrong = session.tests[told.id].error
        likely = (1 - wrong) * clean + wrong * (1 - clean) / (size - 1)
        joint = np.add.reduceat(belief.p[:, None] * likely, table.starts, axis=0)
        bits = (
            stats.entropy(joint.sum(axis=0), base=2)
            + stats.entropy(joint.sum(axis=1), base=2)
            - stats.entropy(joint.ravel(), base=2)
        )
        assert told.could == pytest.approx(bits, abs=1e-6)


def test_what_a_step_told_is_the_change_of_the_truths_odds() -> None:
    session, found = standard_session(), clumsy_debrief()
    for told in found.mine.steps:
        if told.told is None:
            continue
        ends = [
            session.belief(state_after(until(clumsy(), k), session))
            for k in (told.first, told.last + 1)
        ]
        chances = [b.unit_p[b.table.unit_names.index("roof_cable")] for b in ends]
        assert told.told == pytest.approx(math.log2(chances[1] / chances[0]), abs=1e-9)


def test_steps_follow_one_another_and_hold_all_minutes() -> None:
    for path in (clumsy_debrief().mine, clumsy_debrief().expert):
        assert path.steps[0].first == 0
        assert path.steps[-1].last == len(path.attempt.taken) - 1
        for one, two in zip(path.steps, path.steps[1:], strict=False):
            assert two.first == one.last + 1
            assert two.began == pytest.approx(one.began + one.minutes)
        assert sum(s.minutes for s in path.steps) == pytest.approx(path.attempt.minutes)
        assert path.account.total == pytest.approx(path.attempt.minutes)


def test_the_minutes_are_lost_where_they_were_lost() -> None:
    found = clumsy_debrief()
    account = found.mine.account
    stopped = [t for t in clumsy().taken if t.offence is not None]
    assert account.offences == sum(t.minutes for t in stopped) > 0
    assert "Check: the complaint is gone" in [s.title for s in found.mine.steps]
    useless = [s for s in found.mine.steps if not s.pays]
    assert [s.id for s in useless if s.kind == "test"][-1] == "insulation_motor"
    assert account.useless_tests > 0
    session = standard_session()
    roof = session.ground.costs.move("panel", "roof")
    assert account.walks >= 2 * roof + 2 * roof  # for nothing, then to the float and back
    position = next(k for k, t in enumerate(clumsy().taken) if t.act.kind == "swap")
    swap = clumsy().taken[position]
    way = session.ground.costs.move(clumsy().taken[position - 1].place, "roof")
    assert way > 0
    check = next(t for t in clumsy().taken if t.act.kind == "check")
    assert account.wrong_parts == pytest.approx(swap.minutes - way + check.minutes)
    assert found.expert.account.wrong_parts == found.expert.account.offences == 0
    assert found.mine.wrong_parts == ("roof_low_float",)


def test_the_steps_diverge_most_where_most_is_lost() -> None:
    found = clumsy_debrief()
    assert found.worst is not None
    lost = [step.lost for step in found.mine.steps]
    assert lost[found.worst] == max(lost) > 0
    assert all(x >= 0 for x in lost)
    assert [s.lost for s in found.expert.steps] == [0.0] * len(found.expert.steps)
    assert all(s.as_best for s in found.expert.steps if s.kind in ("test", "swap"))


def test_a_sound_part_swapped_early_loses_what_its_repair_in_vain_takes() -> None:
    session = standard_session()
    told = next(s for s in clumsy_debrief().mine.steps if s.kind == "swap")
    assert told.held is not None
    k = session.table("now").unit_names.index(told.id)
    trust = session.knowledge.word("trust", "repair_in_vain")
    vain = (1 - told.held) * (session.stakes.wrong[k] - trust)
    assert told.lost == pytest.approx(vain - told.best.minutes)


def test_the_suspicion_ends_with_the_right_repair() -> None:
    for path in (clumsy_debrief().mine, clumsy_debrief().expert):
        swap = [s for s in path.steps if s.kind == "swap"][-1]
        assert path.moments[-1].minutes == pytest.approx(swap.began + swap.minutes)
        assert all(0 <= m.truth <= m.leading + 1e-12 <= 1 + 1e-9 for m in path.moments)
        times = [m.minutes for m in path.moments]
        assert times == sorted(times)


def test_the_score_of_a_debrief_is_that_of_the_attempt() -> None:
    bench, found = bench_of((CALLOUTS[0][0],), CALLOUTS[0][1]), clumsy_debrief()
    assert score(found) == score_of(bench, clumsy(), found.expert.minutes)
    assert score(found).hints == HINTS[2]
    assert score(found).verification == pytest.approx(10 * 3 / len(bench.checks))
    best = score_of(bench, found.expert.attempt, found.expert.minutes)
    assert best.total > 80 > 30 > score(found).total


def test_of_two_faults_the_one_that_is_left_is_followed() -> None:
    session = standard_session()
    bench = bench_of(("control_fuse.blown", "roof_low_float.stuck_up"), "will_not_start_at_all")
    attempt = safely(bench, start(bench), Act("ask", {"question": "safety"}))
    for unit in ("control_fuse", "roof_low_float"):
        attempt = safely(bench, attempt, Act("swap", {"unit": unit}))
    attempt = safely(bench, attempt, Act("check", {"check": "gone"}))
    attempt = step(bench, attempt, Act("finish", {"as": "done"}))
    assert attempt.ended == "solved"
    path = path_of(session, bench, attempt)
    assert path.wrong_parts == ()
    assert path.account.wrong_parts == 0
    first, second = (s for s in path.steps if s.kind == "swap")
    both = of_units(session.belief(state_after(until(attempt, 1), session)), set(attempt.swapped))
    assert path.moments[0].truth == pytest.approx(both)
    one = of_units(session.belief(state_after(until(attempt, second.first), session)), {second.id})
    assert [m.truth for m in path.moments if m.minutes > first.began][1] == pytest.approx(one)


# ---------------------------------------------------------------------- hints


def moments_of_play(session: Session, bench: Bench) -> list[Attempt]:
    """Before the first act, after the safety questions, after a test, after the repair."""
    attempt = expert_of(*CALLOUTS[0])
    kinds = [t.act.kind for t in attempt.taken]
    return [until(attempt, k) for k in (kinds.index("test"), kinds.index("swap"))] + [
        until(attempt, kinds.index("swap") + 1)
    ]


@pytest.mark.parametrize("level", LEVELS)
def test_a_hint_hangs_on_what_is_known_alone(level: int) -> None:
    session, bench = standard_session(), bench_of((CALLOUTS[0][0],), CALLOUTS[0][1])
    other = bench_of((CALLOUTS[2][0],), CALLOUTS[2][1])
    for attempt in (start(bench), *moments_of_play(session, bench)):
        hidden = replace(attempt.exercise, modes=other.exercise.modes, seed=99)
        said = hint(session, bench, attempt, level)
        assert said
        assert hint(session, bench, replace(attempt, exercise=hidden), level) == said
        assert hint(session, other, attempt, level) == said


def test_the_first_hint_asks_where_half_would_be() -> None:
    session, bench = standard_session(), bench_of(("control_fuse.blown",), "will_not_start_at_all")
    attempt = step(bench, start(bench), Act("ask", {"question": "safety"}))
    said = hint(session, bench, attempt, 1)
    belief = session.belief(state_after(attempt, session))
    groups = groups_of(bench.practice, session.installation)
    names = list(belief.table.unit_names)
    shares = [sum(float(belief.unit_p[names.index(u)]) for u in g.units) for g in groups]
    known = sum(shares)
    assert max(shares) < 0.75 * known
    gaps = [abs(sum(shares[: k + 1]) / known - 0.5) for k in range(len(shares) - 1)]
    k = gaps.index(min(gaps))
    here, there = groups[k].function.title.lower(), groups[k + 1].function.title.lower()
    assert f"border between {here} and {there}" in said
    assert said.endswith("?")


def test_hints_say_more_level_by_level_and_name_the_step_last() -> None:
    session, bench = standard_session(), bench_of((CALLOUTS[0][0],), CALLOUTS[0][1])
    attempt = moments_of_play(session, bench)[0]
    best = advise(session, bench, attempt).best
    one, two, three, four = (hint(session, bench, attempt, level) for level in LEVELS)
    assert best.kind == "test"
    assert best.title not in one + two
    assert best.title in three
    assert f"{best.bits:.2f} bits" in three
    assert session.tests[best.id].do in four
    assert session.tests[best.id].spec.place_at in two


def test_a_hint_never_says_to_switch_what_stands_isolated() -> None:
    """A level in a casing is looked at on a dead pump: nothing is switched for it."""
    session, bench = standard_session(), bench_of((CALLOUTS[0][0],), CALLOUTS[0][1])
    attempt = moments_of_play(session, bench)[0]
    advice = advise(session, bench, attempt)
    said = {}
    for name, test in session.tests.items():
        best = replace(advice.best, kind="test", id=name)
        said[test.spec.kind, test.spec.state] = _Hint(
            session, replace(advice, best=best), bench.practice
        ).at(2)
    assert "try it by hand, isolated and proved dead" in said["signal", "dead"]
    assert "switch, look and listen, with the supply on" in said["signal", "energised"]
    assert not any("switch, look" in s for (_, state), s in said.items() if state == "dead")


def test_a_hint_before_the_safety_questions_is_about_safety() -> None:
    session, bench = standard_session(), bench_of((CALLOUTS[0][0],), CALLOUTS[0][1])
    assert "ask safety" in hint(session, bench, start(bench), 4)
