"""Every deed in every safety state: what guard and rules allow, beside what is promised."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import combinations, product
from types import ModuleType, SimpleNamespace
from typing import Any

from diagnose.interview.steps import Step
from diagnose.knowledge.rule_records import Fact, Rule
from diagnose.reasoning.rules import RuleEngine
from tests.explored import HAZARDS
from tests.promises import (
    CLEARED,
    LASTING,
    UNSTEADY,
    World,
    _act,
    _parted,
    _state,
    _test,
    repair_broken,
)

SAFETY_FILES = ("safety.yaml", "holds.yaml")
EXPOSURES = ("any", "energised", "live", "dead")
PLACES = ("panel", "roof", "sump", "pump")
ACTS = ("isolate", "prove_dead", "energise", "part", "discharge", "rejoin")
SHOWN = [set(s) for n in range(4) for s in combinations(sorted(CLEARED), n)]
SUPPLIES = {"not known": "unknown", "on": "energised", "off": "isolated", "dead": "proved_dead"}
RESET = SimpleNamespace(spec=SimpleNamespace(instrument="none"))
TESTER = SimpleNamespace(
    spec=SimpleNamespace(instrument="insulation_tester", place_at="panel", by="technician")
)
CABLE_AND_MOTOR = (
    "insulation_from_panel",
    "insulation_cable_live",
    "insulation_cable_neutral",
    "insulation_motor",
    "insulation_outlet",
)
FITTED: tuple[tuple[str, ...], ...] = (
    CABLE_AND_MOTOR,
    ("insulation_motor", "insulation_legs", "insulation_leg_1", "insulation_leg_2"),
    (
        *("insulation_three", "insulation_cable_one", "insulation_cable_two"),
        *("insulation_motor_three", "surge_insulation"),
    ),
    ("box_insulation", "lifted_insulation_motor", "lifted_insulation_cable"),
    ("insulation_outlet", "insulation_motor", "set_lead_insulation"),
    (*CABLE_AND_MOTOR[:4], "mains_float_earth@stop_float", "mains_float_earth@start_float"),
    (
        *("turn_insulation@motor", "turn_insulation@motor_two", "hoisted_insulation@motor"),
        *("hoisted_cable_insulation@motor", "hoisted_insulation@motor_two"),
    ),
)
"""Insulation tests that are made on one installation, of each kind of wiring."""


@dataclass(frozen=True)
class Deed:
    """An act, a repair (dead | any), or a step in an exposure at a place.

    `reset`: a protective device is reset; `insulation`: by the insulation tester; `clears`: it
    shows that a reported hazard is gone; `hands`: whoever looks also touches.
    """

    exposure: str = ""
    place: str = "panel"
    by: str = "anyone"
    reset: bool = False
    act: str = ""
    repair: str = ""
    insulation: bool = False
    clears: bool = False
    hands: bool = False


DEEDS = [
    *(Deed(e, p, b) for e, p, b in product(EXPOSURES, PLACES, ("anyone", "licensed"))),
    *(Deed("any", p, hands=True) for p in PLACES),
    Deed("energised", reset=True),
    Deed("dead", insulation=True),
    Deed("dead", clears=True),
    Deed("dead", insulation=True, clears=True),
    *(Deed(repair=r, place=p) for r, p in product(("dead", "any"), PLACES)),
    *(Deed(act=a) for a in ACTS),
]


@dataclass
class Placed(World):
    """A world with the insulation tests that are made there."""

    fitted: tuple[str, ...] = CABLE_AND_MOTOR


def tests_of(world: World) -> dict[str, Any]:
    """The tests that are made there."""
    fitted = world.fitted if isinstance(world, Placed) else CABLE_AND_MOTOR
    return {
        **dict.fromkeys(fitted, TESTER),
        "reset_at_rest": RESET,
        "premises_power": RESET,
    }


def tripped() -> Iterator[World]:
    """After a trip, on each kind of wiring: every set of good tests, one of them also as bad."""
    for fitted in FITTED:
        for count in range(len(fitted) + 1):
            for good in combinations(fitted, count):
                found = [(test, "good", 0) for test in good]
                yield Placed("licensed", "cat_iii", "on", {}, ("trips",), found, fitted=fitted)
        poor = [(test, "good" if k else "poor", 0) for k, test in enumerate(fitted)]
        yield Placed("licensed", "cat_iii", "on", {}, ("trips",), poor, fitted=fitted)


def worlds() -> Iterator[World]:
    """Supply, skill and meter in full; each hazard alone; a trip, a second one, one repaired."""
    yield from tripped()
    told = [{}, *({q: c} for q, c in HAZARDS)]
    for supply, skill in product(SUPPLIES, ("licensed", "instructed", "unqualified")):
        for meter in ("cat_iii", "cat_iv", "cat_ii", "none"):
            for answers in told if meter == "cat_iii" else told[:1]:
                yield World(skill, meter, supply, dict(answers))
        for parted, charged in ((True, False), (True, True), (False, True)):
            for answers in ({}, {"tingle": "yes"}):
                stands = set(answers.items())
                world = World(skill, "cat_iii", supply, dict(answers), stands=stands)
                yield replace(world, parted=parted, charged=charged)
        for answer, shown in product(LASTING, SHOWN):
            stands = {answer}
            yield World(skill, "cat_iii", supply, dict(stands), stands=stands, shown=set(shown))
        yield World(skill, "cat_iii", supply, {"panel_wet": "storm"}, stands={("panel_wet", "yes")})
        for outcome, shown in product(("flicker", "dim", "none"), ({"repaired"}, CLEARED)):
            lights, stands = [("premises_power", outcome, 0)], {("tingle", "yes")}
            answers = {"tingle": "yes"}
            yield World(skill, "cat_iii", supply, answers, (), lights, 1, stands, set(shown))
            yield World(skill, "cat_iii", supply, {}, (), lights)
        for findings, repairs in (
            ([], 0),
            ([("insulation_from_panel", "good", 0)], 0),
            ([("insulation_from_panel", "bad", 0)], 0),
            ([("reset_at_rest", "rcd", 0)], 0),
            ([("reset_at_rest", "holds", 0)], 0),
            ([("reset_at_rest", "rcd", 0)], 1),
        ):
            yield World(skill, "cat_iii", supply, {}, ("trips",), list(findings), repairs)


def promised(world: World, deed: Deed) -> bool:
    """Whether no promise speaks against a deed."""
    if deed.act:
        return not list(_act(deed.act, world))
    if deed.repair:
        return not repair_broken(world, deed.repair == "any", deed.place)
    spec = SimpleNamespace(
        kind="sign",
        by=deed.by,
        state=deed.exposure,
        place_at=deed.place,
        id="reset_at_rest" if deed.reset else "x",
        hands=deed.hands,
    )
    test: Any = SimpleNamespace(spec=spec)
    step = Step("test", "x", "", state=deed.exposure, instrument=_tester(deed))
    parted = [] if deed.exposure == "any" else _parted(step, world)  # looking harms nobody
    fitted = tests_of(world)
    done = _state(deed.exposure, world, fitted, deed.clears)
    return not [*done, *_test(test, world, fitted), *parted]


def _tester(deed: Deed) -> str:
    return "insulation_tester" if deed.insulation else "none"


Allows = Callable[[World], Callable[[Deed], bool]]


def by_rules(rules: list[Rule]) -> Allows:
    """What the rules alone allow: permitted, and forbidden in no way."""
    engine = RuleEngine(rules)

    def of(world: World) -> Callable[[Deed], bool]:
        facts = [
            Fact.of("state", name="electrical", value=SUPPLIES[world.supply]),
            Fact.of("person", qualification=world.skill),
            Fact.of("answer", question="meter_category", choice=world.meter),
            *(Fact.of("answer", question=q, choice=c) for q, c in _told(world)),
            *(Fact.of("since_report", what=what) for what in world.shown),
            Fact.of("state", name="circuit", value=_circuit(world)),
            *_unmeasured(world),
            *(Fact.of("complaint", id=c) for c in world.complaints),
            *(_finding(t, o) for t, o, _ in world.findings),
            *_unproved(world),
            *(Fact.of("repaired", unit="motor", mode="x") for _ in range(world.repairs)),
        ]
        inference = engine.infer(facts)
        permits = {f.get("state") for f in inference.concluded("permit")}
        forbids = inference.concluded("forbid")
        allow = inference.concluded("allow")

        def denied(slot: str, value: str) -> bool:
            return any(f.get(slot) == value for f in forbids)

        def allows(deed: Deed) -> bool:
            if deed.act:  # the order of acts is the planner's and the guard's
                ordered = deed.act != "prove_dead" or world.supply == "off"
                if deed.act in ("part", "discharge", "rejoin"):
                    ordered = world.supply == "dead" and (deed.act != "rejoin" or not world.charged)
                return ordered and not denied("act", deed.act)
            if deed.repair:
                may = any(f.get("repair") == deed.repair for f in allow)
                return may and not denied("place", deed.place) and not denied("state", "any")
            if deed.exposure != "any":
                work = "insulation" if deed.insulation else "other"
                if not any(f.get("step") == work for f in allow):
                    return False
            if deed.clears and any(f.get("step") == "clears" for f in allow):
                return world.supply == "dead"  # the order of acts, again
            no = denied("state", deed.exposure) or denied("state", "any")
            no = no or denied("place", deed.place) or denied("by", deed.by)
            outside = deed.exposure == "any" and deed.place != "panel"
            no = no or (outside and denied("look", "outside"))
            no = no or (deed.hands and denied("look", "hands"))
            return deed.exposure in permits and not no and not (deed.reset and _any_reset(forbids))

        return allows

    return of


def _told(world: World) -> set[tuple[str, str]]:
    return {*world.answers.items(), *world.stands}


def _circuit(world: World) -> str:
    return "charged" if world.charged else "parted" if world.parted else "whole"


def _unmeasured(world: World) -> list[Fact]:
    fact = Fact.of("state", name="insulation", value="unmeasured")
    return [fact] if world.unmeasured(tests_of(world)) else []


def _finding(test: str, outcome: str) -> Fact:
    base, _, it = test.partition("@")
    return Fact.of("finding", test=base, it=it or "-", outcome=outcome)


def _unproved(world: World) -> list[Fact]:
    good = _good(world)
    names = [n.partition("@") for n, t in tests_of(world).items() if t is TESTER and n not in good]
    return [Fact.of("unproved", test=base, it=it or "-") for base, _, it in names]


def _good(world: World) -> set[str]:
    return {test for test, outcome, _ in world.findings if outcome == "good"}


def _any_reset(forbids: tuple[Fact, ...]) -> bool:
    return any(f.get("reset") for f in forbids)


def by_guard(guard: ModuleType) -> Allows:
    """What a guard alone allows: the module, or a mutant of it."""

    def of(world: World) -> Callable[[Deed], bool]:
        fitted = {name for name, test in tests_of(world).items() if test is TESTER}
        again = ("reset_at_rest", "rcd", world.repairs) in world.findings
        state = guard.with_reports(
            guard.SafetyState(
                guard.Electrical(SUPPLIES[world.supply]),
                guard.Skill(world.skill),
                rated_meter=world.meter in ("cat_iii", "cat_iv"),
                untested=world.unmeasured(tests_of(world)),
                parted=world.parted,
                charged=world.charged,
            ),
            _told(world),
            "trips" in world.complaints and not guard.sound(_good(world), fitted),
            again,
            world.shown,
            any((t, o) in UNSTEADY for t, o, _ in world.findings),
        )

        def allows(deed: Deed) -> bool:
            if deed.act:
                return not guard.refuse_act(state, deed.act)
            if deed.repair:
                return not guard.refuse_repair(state, guard.Exposure(deed.repair), deed.place)
            exposure, licensed = guard.Exposure(deed.exposure), deed.by == "licensed"
            more = (deed.place, deed.reset, deed.insulation, deed.clears, deed.hands)
            return not guard.refuse_step(state, exposure, licensed, *more)

        return allows

    return of


def differences(of: Allows) -> Iterator[tuple[bool, World, Deed]]:
    """Where what is allowed is not what is promised: (allowed, world, deed)."""
    for world in worlds():
        allows = of(world)
        for deed in DEEDS:
            allowed = allows(deed)
            if allowed != promised(world, deed):
                yield allowed, world, deed
