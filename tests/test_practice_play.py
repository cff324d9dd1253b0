"""An attempt act by act: minutes as the planner has them, what is stopped, what it leads to."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from diagnose.practice.bench import Bench
from diagnose.practice.deeds import PROTECTION, deed_of, judge
from diagnose.practice.play import costs_of, play, prepare, start, step
from diagnose.practice.records import ACTS, Act, Attempt, Hazard
from diagnose.practice.referee import INSIDE, broken, impossible
from diagnose.reasoning.guard import Electrical
from diagnose.reasoning.places import TELEPHONE
from diagnose.reasoning.planner import Standing, way_of
from tests.people import practice_bench

ASKED = Act("ask", {"question": "safety"})
DEAD = [Act(k) for k in ("isolate", "lock_off", "prove_tester", "prove_dead", "prove_tester")]
ON = [Act(k) for k in ("close", "block", "energise")]
RIGHT = Act("swap", {"unit": "relay"})


@pytest.fixture(scope="module")
def bench() -> Bench:
    return practice_bench(("relay.contacts_welded",), "will_not_stop")


def done(bench: Bench, *acts: Act) -> Attempt:
    attempt = play(bench, bench.exercise, acts)
    assert all(t.done for t in attempt.taken), [t.text or t.offence for t in attempt.taken]
    return attempt


def test_a_callout_done_in_order_is_solved(bench: Bench) -> None:
    checks = [Act("check", {"check": c}) for c in bench.checks]
    attempt = done(bench, ASKED, *DEAD, RIGHT, *ON, *checks, Act("finish", {"as": "done"}))
    assert attempt.ended == "solved"
    assert not attempt.offences
    assert {t.shown.outcome for t in attempt.taken if t.act.kind == "check" and t.shown} == {"pass"}
    # safety 1, isolate 2, prove dead 2, refit 15, energise 2, each check 4 (scales.yaml)
    assert attempt.minutes == pytest.approx(1 + 2 + 2 + 15 + 2 + 4 * len(checks))
    assert attempt.minutes == pytest.approx(sum(t.minutes for t in attempt.taken))


def test_a_wrong_part_costs_its_time_and_leaves_the_fault(bench: Bench) -> None:
    wrong = Act("swap", {"unit": "adapter"})
    gone = Act("check", {"check": "gone"})
    attempt = done(bench, ASKED, *DEAD, wrong, *ON, gone, Act("finish", {"as": "done"}))
    assert attempt.ended == "not_solved"
    check = next(t for t in attempt.taken if t.act == gone)
    assert check.shown is not None
    assert check.shown.outcome == "fail"
    assert next(t for t in attempt.taken if t.act == wrong).minutes == pytest.approx(15)


def test_minutes_to_a_test_are_the_planners(bench: Bench) -> None:
    """Beside them: asking about safety, the capacitor, the electronics, tests before a reset."""
    costs, begun = costs_of(bench), step(bench, start(bench), ASKED)
    extra = ("discharge", "disconnect")
    count = 0
    for name, test in bench.tests.items():
        if test.spec.place_at == TELEPHONE:
            continue
        act = Act("test", {"test": name})
        first = prepare(bench, begun, act)
        assert first is not None, name
        attempt = begun
        for one in (*first, act):
            attempt = step(bench, attempt, one)
            assert attempt.taken[-1].done, (name, one)
        if any(one.kind == "test" for one in first):
            continue
        standing = Standing("panel", Electrical.ENERGISED, begun.level)
        planned = costs.reach(standing, way_of(test))[0] + test.minutes
        own = sum(t.minutes for t in attempt.taken[1:] if t.act.kind not in extra)
        walked = [t for t in attempt.taken if t.act.kind == "discharge"]
        own += sum(t.minutes - 1 for t in walked)  # the way to the pump belongs to the test
        if not (walked and test.spec.place_at == "panel"):
            assert own == pytest.approx(planned), name
        count += 1
    assert count > 250


def test_what_is_stopped_shows_nothing_changes_nothing_and_costs(bench: Bench) -> None:
    live = step(bench, start(bench), ASKED)
    ohms = next(n for n, t in bench.tests.items() if t.spec.kind == "ohms")
    begun = {
        "touch_live": (live, RIGHT),
        "ohms_on_live": (live, Act("test", {"test": ohms})),
        "hazard_not_asked": (start(bench), Act("test", {"test": "relay_click"})),
        "bypass_protection": (live, Act("bypass", {"unit": "rcd"})),
        "bypass_interlock": (live, Act("bypass", {"unit": "sump_float"})),
    }
    for rule, (before, act) in begun.items():
        after = step(bench, before, act)
        (offence,) = after.offences
        assert offence.rule == rule
        assert after.taken[-1].shown is None
        assert not after.taken[-1].done
        assert after.minutes == pytest.approx(before.minutes + offence.minutes)
        assert replace(after, taken=before.taken, minutes=before.minutes) == before


def test_every_test_and_repair_is_stopped_wherever_the_referee_says_so(bench: Bench) -> None:
    """From the acts themselves: what each comes down to, and that the attempt obeys."""
    acts = [Act("test", {"test": n}) for n in list(bench.tests)[::4]]
    acts += [Act("swap", {"unit": u}) for u in bench.installation.instances]
    standing = [start(bench), step(bench, start(bench), ASKED)]
    for act in DEAD:
        standing.append(step(bench, standing[-1], act))
    standing.append(step(bench, standing[-1], Act("discharge")))
    stopped = 0
    for attempt in standing:
        for act in acts:
            deed = deed_of(bench, act)
            verdict = judge(bench, attempt, act)
            if verdict.why:
                continue
            assert verdict.rule == broken(attempt.safety, deed)
            inside = deed in INSIDE
            dead = attempt.safety.electrical is Electrical.PROVED_DEAD
            assert not inside or dead or verdict.rule
            stopped += bool(verdict.rule)
    assert stopped > 100


def test_a_live_test_that_a_dead_one_could_replace_is_stopped_when_the_caller_says_so(
    bench: Bench,
) -> None:
    begun = step(bench, start(bench), ASKED)
    name = next(n for n, t in bench.tests.items() if t.spec.state == "live" and not t.level)
    act = Act("test", {"test": name})
    assert step(bench, begun, act).taken[-1].done
    (offence,) = step(bench, begun, act, needless=True).offences
    assert offence.rule == "live_where_dead"
    again = play(bench, bench.exercise, [ASKED, act], lambda attempt, a: a.kind == "test")
    assert [o.rule for o in again.offences] == ["live_where_dead"]


def test_with_a_small_meter_in_hand_no_live_measurement() -> None:
    bench = practice_bench(("relay.contacts_welded",), "will_not_stop", 1, "", "cat_ii")
    begun = step(bench, start(bench), ASKED)
    act = Act("test", {"test": "panel_voltage"})
    assert step(bench, begun, act).offences[0].rule == "unrated_meter"
    first = prepare(bench, begun, act)
    assert first is not None
    assert first[0] == Act("meter", {"category": "cat_iii"})


def test_a_hazard_stops_everything_but_making_safe_and_handing_over() -> None:
    bench = practice_bench(("relay.contacts_welded",), "will_not_stop", 1, "tingle")
    begun = step(bench, start(bench), ASKED)
    assert begun.safety.hazard is Hazard.KNOWN
    assert begun.taken[-1].shown is not None
    assert begun.taken[-1].shown.outcome == "tingle"
    for act in (Act("test", {"test": "relay_click"}), Act("block"), Act("level", {"level": "mid"})):
        assert step(bench, begun, act).offences[0].rule == "hazard_ignored"
    over = Act("finish", {"as": "hand_over"})
    assert not step(bench, begun, over).taken[-1].done
    safe = step(bench, step(bench, begun, Act("isolate")), Act("lock_off"))
    assert step(bench, safe, over).ended == "handed_over"
    assert not safe.offences


def test_a_tripped_device_is_reset_once_and_only_after_a_dead_test() -> None:
    bench = practice_bench(("motor.earth_fault",), "trips")
    begun = step(bench, start(bench), ASKED)
    assert begun.safety.tripped
    reset = Act("test", {"test": "reset_at_rest"})
    assert step(bench, begun, reset).offences[0].rule == "reset_before_dead_tests"
    first = prepare(bench, begun, reset)
    assert first is not None
    assert any(a.kind == "test" for a in first)
    attempt = begun
    for act in (*first, reset):
        attempt = step(bench, attempt, act)
    assert not attempt.offences
    call = step(bench, attempt, Act("test", {"test": "trips_on_call"}))
    assert call.taken[-1].shown is not None or call.offences
    again = step(bench, call, Act("test", {"test": "trips_on_call"}))
    assert again.offences[-1].rule == "second_reset"


def test_acts_that_make_no_sense_cost_nothing_and_say_why(bench: Bench) -> None:
    begun = start(bench)
    phone = next(n for n, t in bench.tests.items() if t.spec.place_at == TELEPHONE)
    for act, words in (
        (Act("lock_off"), "isolate first"),
        (Act("energise"), "on already"),
        (Act("test", {"test": phone}), "customer"),
        (Act("check", {"check": "gone"}), "Nothing was repaired"),
        (Act("finish", {"as": "done"}), "Nothing was repaired"),
        (Act("bypass", {"unit": "delivery"}), "nothing to bridge"),
    ):
        after = step(bench, begun, act)
        assert words in after.taken[-1].text, act
        assert not after.taken[-1].done
        assert replace(after, taken=begun.taken) == begun


def test_any_mixture_of_acts_keeps_its_books(bench: Bench) -> None:
    """Sixty random attempts: minutes add up, nothing is done on what may be live."""
    rng = random.Random(5)
    tests, units = list(bench.tests), list(bench.installation.instances)
    drawn = {
        "go": lambda: {"place": rng.choice(("panel", "roof", "sump", "pump"))},
        "level": lambda: {"level": rng.choice(("empty", "mid", "full"))},
        "meter": lambda: {"category": rng.choice(("cat_ii", "cat_iii"))},
        "bypass": lambda: {"unit": rng.choice(units)},
        "test": lambda: {"test": rng.choice(tests)},
        "ask": lambda: {"question": rng.choice(("safety", "worked", *tests))},
        "swap": lambda: {"unit": rng.choice(units)},
        "check": lambda: {"check": rng.choice(list(bench.checks))},
        "finish": lambda: {"as": rng.choice(("done", "hand_over", "give_up"))},
    }
    kinds = [k for k in ACTS if k != "finish"] * 4 + ["finish"]
    finished = 0
    for _ in range(60):
        attempt, acts = start(bench), []
        for _ in range(25):
            kind = rng.choice(kinds)
            act = Act(kind, drawn[kind]() if kind in drawn else {})
            before = attempt.safety
            attempt = step(bench, attempt, act)
            acts.append(act)
            last = attempt.taken[-1]
            if last.done and deed_of(bench, act) in INSIDE:
                assert before.electrical is Electrical.PROVED_DEAD
                assert before.locked
            assert last.done or last.shown is None
        assert attempt.minutes == pytest.approx(sum(t.minutes for t in attempt.taken))
        assert play(bench, bench.exercise, acts) == attempt
        finished += attempt.ended != "open"
    assert finished > 5


def test_whatever_protects_can_be_bridged_by_nobody(bench: Bench) -> None:
    for unit, instance in bench.installation.instances.items():
        if instance.part in PROTECTION:
            attempt = step(bench, start(bench), Act("bypass", {"unit": unit}))
            assert attempt.offences[0].rule == "bypass_protection"
    assert not impossible(start(bench).safety, deed_of(bench, Act("bypass", {"unit": "rcd"})))
