"""Every deed in every safety state: what guard and rules allow, beside what is promised."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import product
from types import ModuleType, SimpleNamespace
from typing import Any

from diagnose.knowledge.rule_records import Fact, Rule
from diagnose.reasoning.rules import RuleEngine
from tests.explored import HAZARDS
from tests.promises import World, _act, _state, _test

SAFETY_FILES = ("safety.yaml", "holds.yaml")
EXPOSURES = ("any", "energised", "live", "dead")
PLACES = ("panel", "roof", "sump", "pump")
ACTS = ("isolate", "prove_dead", "energise")
SUPPLIES = {"not known": "unknown", "on": "energised", "off": "isolated", "dead": "proved_dead"}
TESTS: dict[str, Any] = {
    "insulation_motor": SimpleNamespace(spec=SimpleNamespace(instrument="insulation_tester")),
    "reset_at_rest": SimpleNamespace(spec=SimpleNamespace(instrument="none")),
}


@dataclass(frozen=True)
class Deed:
    """An act, or a step in an exposure at a place; `reset`: a protective device is reset."""

    exposure: str = ""
    place: str = "panel"
    by: str = "anyone"
    reset: bool = False
    act: str = ""


DEEDS = [
    *(Deed(e, p, b) for e, p, b in product(EXPOSURES, PLACES, ("anyone", "licensed"))),
    Deed("energised", reset=True),
    *(Deed(act=a) for a in ACTS),
]


def worlds() -> Iterator[World]:
    """Supply, skill and meter in full; each hazard alone; a trip, a second one, one repaired."""
    told = [{}, *({q: c} for q, c in HAZARDS)]
    for supply, skill in product(SUPPLIES, ("licensed", "instructed", "unqualified")):
        for meter in ("cat_iii", "cat_iv", "cat_ii", "none"):
            for answers in told if meter == "cat_iii" else told[:1]:
                yield World(skill, meter, supply, dict(answers))
        for findings, repairs in (
            ([], 0),
            ([("insulation_motor", "good", 0)], 0),
            ([("insulation_motor", "bad", 0)], 0),
            ([("reset_at_rest", "rcd", 0)], 0),
            ([("reset_at_rest", "holds", 0)], 0),
            ([("reset_at_rest", "rcd", 0)], 1),
        ):
            yield World(skill, "cat_iii", supply, {}, ("trips",), list(findings), repairs)


def promised(world: World, deed: Deed) -> bool:
    """Whether no promise speaks against a deed."""
    if deed.act:
        return not list(_act(deed.act, world))
    spec = SimpleNamespace(
        kind="sign",
        by=deed.by,
        place_at=deed.place,
        id="reset_at_rest" if deed.reset else "x",
    )
    test: Any = SimpleNamespace(spec=spec)
    return not [*_state(deed.exposure, world, TESTS), *_test(test, world)]


Allows = Callable[[World], Callable[[Deed], bool]]


def by_rules(rules: list[Rule]) -> Allows:
    """What the rules alone allow: permitted, and forbidden in no way."""
    engine = RuleEngine(rules)

    def of(world: World) -> Callable[[Deed], bool]:
        facts = [
            Fact.of("state", name="electrical", value=SUPPLIES[world.supply]),
            Fact.of("person", qualification=world.skill),
            Fact.of("answer", question="meter_category", choice=world.meter),
            *(Fact.of("answer", question=q, choice=c) for q, c in world.answers.items()),
            *(Fact.of("complaint", id=c) for c in world.complaints),
            *(Fact.of("finding", test=t, it="-", outcome=o) for t, o, _ in world.findings),
            *(Fact.of("repaired", unit="motor", mode="x") for _ in range(world.repairs)),
        ]
        inference = engine.infer(facts)
        permits = {f.get("state") for f in inference.concluded("permit")}
        forbids = inference.concluded("forbid")

        def denied(slot: str, value: str) -> bool:
            return any(f.get(slot) == value for f in forbids)

        def allows(deed: Deed) -> bool:
            if deed.act:  # the order of acts is the planner's and the guard's
                ordered = deed.act != "prove_dead" or world.supply == "off"
                return ordered and not denied("act", deed.act)
            no = denied("state", deed.exposure) or denied("state", "any")
            no = no or denied("place", deed.place) or denied("by", deed.by)
            return deed.exposure in permits and not no and not (deed.reset and _any_reset(forbids))

        return allows

    return of


def _any_reset(forbids: tuple[Fact, ...]) -> bool:
    return any(f.get("reset") for f in forbids)


def by_guard(guard: ModuleType) -> Allows:
    """What a guard alone allows: the module, or a mutant of it."""

    def of(world: World) -> Callable[[Deed], bool]:
        good = ("insulation_motor", "good", 0) in world.findings
        again = ("reset_at_rest", "rcd", world.repairs) in world.findings
        state = guard.with_reports(
            guard.SafetyState(
                guard.Electrical(SUPPLIES[world.supply]),
                guard.Skill(world.skill),
                rated_meter=world.meter in ("cat_iii", "cat_iv"),
            ),
            world.answers,
            "trips" in world.complaints and not good,
            again,
        )

        def allows(deed: Deed) -> bool:
            if deed.act:
                return not guard.refuse_act(state, deed.act)
            exposure, licensed = guard.Exposure(deed.exposure), deed.by == "licensed"
            return not guard.refuse_step(state, exposure, licensed, deed.place, deed.reset)

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
