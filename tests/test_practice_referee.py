"""The referee over all states and all deeds, against a table of its own and against the guard.

EN 50110-1 (as given in the references): disconnect, secure against reconnection, verify dead (the
tester proved before and after), only then work. Written here a second time, as how many of
these steps stand, and as what each deed needs; the rest is common practice, no source: a capacitor
is discharged before hands come near, a tripped device is reset once and after a dead test, a meter
in a fixed panel is CAT III or better (IEC 61010-2-030).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import islice, product

import pytest

from diagnose.knowledge.practice_reading import load_practice
from diagnose.practice.bench import CAPACITORS
from diagnose.practice.deeds import INTERLOCKS, PROTECTION
from diagnose.practice.records import Hazard, Proof, SafetyState
from diagnose.practice.referee import (
    IDS,
    RULES,
    Deed,
    after,
    broken,
    impossible,
    offence,
    remedy,
)
from diagnose.reasoning.guard import (
    Electrical,
    Exposure,
    Skill,
    refuse_act,
    refuse_step,
)
from diagnose.reasoning.guard import SafetyState as Guarded
from tests.bench import shipped

PROTECTS = re.compile("residual|breaker|fuse|overload|isolator")
INTERLOCKED = re.compile("float|pressure_switch|selector|manual_switch|hand_off_auto|contactor")
FLAGS = (
    *("locked", "discharged", "parted", "covers_open"),
    *("blocked", "rated", "tripped", "reset", "dead_tested"),
)
ON, OFF = Electrical.ENERGISED, Electrical.ISOLATED

# what each deed needs, in words of its own: see `needed` and `stands`
WORK = {"asked", "switched off", "secured", "measured dead with a proved tester"}
NEEDS: dict[Deed, set[str]] = {
    Deed.LOOK: set(),
    Deed.ISOLATE: set(),
    Deed.LOCK_OFF: set(),
    Deed.PROVE_TESTER: set(),
    Deed.PROVE_DEAD: {"asked", "switched off", "secured", "tester proved"},
    Deed.DISCHARGE: WORK,
    Deed.DISCONNECT: WORK,
    Deed.TOUCH: WORK,
    Deed.MEASURE: WORK,
    Deed.TOUCH_PUMP: WORK | {"discharged"},
    Deed.MEASURE_PUMP: WORK | {"discharged"},
    Deed.INSULATION: WORK | {"electronics off"},
    Deed.INSULATION_PUMP: WORK | {"discharged", "electronics off"},
    Deed.CLOSE: {"asked", "nothing open or switched off"},
    Deed.BLOCK: {"asked"},
    Deed.LEVEL: {"asked"},
    Deed.ENERGISE: {"asked", "closed", "cannot start"},
    Deed.OPERATE: {"asked", "closed"},
    Deed.RESET: {"asked", "closed", "reset allowed"},
    Deed.LIVE: {"asked", "rated"},
    Deed.LIVE_NEEDLESS: {"asked", "rated", "never"},
    Deed.BYPASS_PROTECTION: {"never"},
    Deed.BYPASS_INTERLOCK: {"never"},
}


def states() -> Iterator[SafetyState]:
    """Every state there is, whether it can be reached or not."""
    for electrical, proof, hazard in product(Electrical, Proof, Hazard):
        for flags in product((False, True), repeat=len(FLAGS)):
            named = dict(zip(FLAGS, flags, strict=True))
            yield SafetyState(electrical=electrical, proof=proof, hazard=hazard, **named)


def stands(state: SafetyState) -> set[str]:
    """What a state fulfils of `NEEDS`."""
    dead = state.electrical is Electrical.PROVED_DEAD
    off = dead or state.electrical is OFF
    nothing_open = not state.covers_open and not state.parted
    held = {
        "asked": state.hazard is Hazard.NONE,
        "switched off": off,
        "secured": state.locked,
        "tester proved": dead or state.proof is not Proof.NONE,
        "measured dead with a proved tester": dead,
        "discharged": state.discharged,
        "electronics off": state.parted,
        "closed": nothing_open,
        "nothing open or switched off": nothing_open or off,
        "cannot start": state.blocked,
        "rated": state.rated,
        "reset allowed": not state.tripped or (state.dead_tested and not state.reset),
        "never": False,
    }
    return {name for name, holds in held.items() if holds}


def test_every_deed_is_stopped_exactly_where_it_is_unsafe() -> None:
    count = 0
    for state in states():
        fulfilled = stands(state)
        for deed in Deed:
            unsafe = not NEEDS[deed] <= fulfilled
            assert bool(broken(state, deed)) == unsafe, (state, deed)
            count += 1
    assert count == 4 * 3 * 3 * 2 ** len(FLAGS) * len(Deed)


def test_each_rule_stops_something_that_no_other_rule_stops() -> None:
    assert len(IDS) >= 12
    alone: set[str] = set()
    for state in islice(states(), 0, None, 7):
        if alone == set(IDS):
            break
        for rule in RULES:
            for deed in rule.deeds if rule.id not in alone else ():
                found = {r.id for r in RULES if deed in r.deeds and r.when(state, deed)}
                if found == {rule.id}:
                    alone.add(rule.id)
                    break
    assert alone == set(IDS)


@pytest.mark.parametrize(
    ("deeds", "exposure"),
    [
        ((Deed.OPERATE,), Exposure.ENERGISED),
        ((Deed.LIVE,), Exposure.LIVE),
        ((Deed.TOUCH, Deed.TOUCH_PUMP, Deed.MEASURE, Deed.INSULATION), Exposure.DEAD),
    ],
)
def test_what_the_guard_refuses_is_stopped_or_makes_no_sense(
    deeds: tuple[Deed, ...], exposure: Exposure
) -> None:
    refused = 0
    for state in states():
        hazard = state.hazard is Hazard.KNOWN
        guarded = Guarded(state.electrical, Skill.LICENSED, hazard, state.rated)
        if refuse_step(guarded, exposure):
            refused += 1
            for deed in deeds:
                assert broken(state, deed) or impossible(state, deed), (state, deed)
    assert refused


@pytest.mark.parametrize(
    ("deed", "act"), [(Deed.PROVE_DEAD, "prove_dead"), (Deed.ENERGISE, "energise")]
)
def test_changes_of_state_that_the_guard_refuses_are_stopped(deed: Deed, act: str) -> None:
    for state in states():
        guarded = Guarded(state.electrical, Skill.LICENSED, state.hazard is Hazard.KNOWN)
        if refuse_act(guarded, act):
            assert broken(state, deed) or impossible(state, deed), (state, deed)


def reachable() -> set[SafetyState]:
    """The states that safe and sensible deeds lead to, from a callout's beginnings."""
    beginnings = [
        SafetyState(discharged=discharged, rated=rated, tripped=tripped, hazard=Hazard.NONE)
        for discharged, rated, tripped in product((False, True), repeat=3)
    ]
    found = set(beginnings)
    edge = list(found)
    while edge:
        state = edge.pop()
        for deed in Deed:
            if not broken(state, deed) and not impossible(state, deed):
                then = after(state, deed)
                if then not in found:
                    found.add(then)
                    edge.append(then)
    return found


def test_safe_deeds_never_lead_into_a_state_that_contradicts_itself() -> None:
    found = reachable()
    assert len(found) > 100
    for state in found:
        dead = state.electrical is Electrical.PROVED_DEAD
        assert state.electrical is not Electrical.UNKNOWN
        assert not dead or state.locked
        assert not (state.electrical is ON and (state.locked or state.covers_open or state.parted))
        assert state.proof is Proof.MEASURED or not dead


def test_what_is_stopped_can_be_put_right_step_by_step() -> None:
    """From every state of a callout every deed becomes safe, but for those that never are."""
    never = {Deed.BYPASS_PROTECTION, Deed.BYPASS_INTERLOCK, Deed.LIVE_NEEDLESS}
    never |= {Deed.RESET, Deed.LIVE}  # another repair, another meter: not for the state alone
    for start in reachable():
        for deed in set(Deed) - never:
            state, wanted = start, [deed]
            for _ in range(40):
                now = wanted[-1]
                if not broken(state, now) and not impossible(state, now):
                    state = after(state, now)
                    wanted.pop()
                    if not wanted:
                        break
                    continue
                first = remedy(state, now)
                if first is None:  # it is so already
                    assert impossible(state, now)
                    wanted.pop()
                    if not wanted:
                        break
                    continue
                wanted.append(first)
            assert not wanted, (start, deed, wanted)


def test_every_rule_is_explained_with_what_to_do_instead_and_costs() -> None:
    words = load_practice(shipped()).unsafe
    assert set(words) == set(IDS)
    for rule in IDS:
        said = offence(rule, words)
        assert said.rule == rule
        assert said.minutes >= 5
        assert len(said.why) > 30
        assert len(said.instead) > 20
        assert said.title


def test_every_part_that_protects_interlocks_or_keeps_a_charge_is_known_to_the_referee() -> None:
    """By the names of the part types: a new drive brings its own breaker and overload relay."""
    parts = shipped().parts
    for known, names in ((PROTECTION, PROTECTS), (INTERLOCKS, INTERLOCKED)):
        assert {name for name in parts if names.search(name)} <= set(known)
        assert set(known) <= set(parts)
    assert {name for name in parts if name.endswith("capacitor")} == set(CAPACITORS)
