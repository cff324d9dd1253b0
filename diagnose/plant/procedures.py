"""Tests as they can be done on one installation.

A template (`each: float_switch`) becomes one test per fitted part of that type. A test whose
points, elements or needs are not there is left out, and so is one that looks for signs that no
failure mode leaves here, or watches units of which none is fitted.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace

from diagnose.errors import fail
from diagnose.knowledge.records import KnowledgeBase, Outcome, TestSpec
from diagnose.plant.circuit import Circuit
from diagnose.plant.compose import Installation, fill
from diagnose.plant.phases import Condition

NODE_KINDS = (
    "volts_dc",
    "volts_ac",
    "volts_ac_loz",
    "hertz",
    "ohms",
    "insulation",
    "farads",
    "head",
)
BRANCH_KINDS = ("amps_ac", "amps_dc", "flow")
NAMED = re.compile(r"\b([a-z_][a-z0-9_]*)\.[a-z_]")
"""Whose name stands before a dot in an expression."""
ISOLATED: Mapping[str, str] = {"supply": "off"}


@dataclass(frozen=True)
class InstalledTest:
    """One test on one installation; `of` holds resolved addresses or an expression."""

    id: str
    spec: TestSpec
    it: str
    title: str
    do: str
    of: tuple[str, ...]
    condition: Condition | None
    minutes: float
    error: float
    spread: float
    outcomes: tuple[Outcome, ...]
    level: str = ""
    """Where the water of the roof tank must really stand; "" where it does not matter."""
    kind: str = ""
    """The installation type."""


def situation_condition(installation: Installation, name: str) -> Condition:
    """The condition of a situation of the installation type.

    Raises
    ------
    DiagnoseError
        There is no such situation.
    """
    situations = installation.type.situations
    if name not in situations:
        raise fail(
            "unknown-id",
            f"there is no situation '{name}'",
            getattr(name, "place", None),
            situations,
        )
    situation = situations[name]
    return Condition(values=situation.values, after=situation.after, found=situation.found)


def level_needed(installation: Installation, spec: TestSpec) -> str:
    """Where the water must really stand: as the test says, or as its situation does."""
    if "roof" in spec.values:
        return spec.values["roof"]
    situation = installation.type.situations.get(spec.situation)
    return situation.values["roof"] if situation is not None and situation.real_level else ""


def installed_tests(
    knowledge: KnowledgeBase, installation: Installation, circuit: Circuit
) -> dict[str, InstalledTest]:
    """Every test that can be done here, by id (``test`` or ``test@instance``)."""
    tests: dict[str, InstalledTest] = {}
    shown = frozenset(s for m in installation.modes.values() for s in m.mode.signs)
    for spec in knowledge.tests.values():
        if spec.each:
            fitted = [
                n for n, i in installation.instances.items() if i.part in spec.each.split("|")
            ]
        else:
            fitted = [""]
        for it in fitted:
            test = _install(knowledge, installation, circuit, spec, it, shown)
            if test is not None:
                tests[test.id] = test
    return tests


def outcomes_here(installation: Installation, spec: TestSpec, it: str) -> tuple[Outcome, ...]:
    """A test's outcomes with names filled in; no relay trips where none is fitted."""
    filled = (
        replace(o, title=fill(o.title, installation, it), when=fill(o.when, installation, it))
        for o in spec.outcomes
    )
    return tuple(o for o in filled if spec.kind != "signal" or speaks_of(installation, [o.when]))


def phone_error(knowledge: KnowledgeBase, test: InstalledTest) -> float:
    """Chance that a customer's answer to this test, given by telephone, is wrong."""
    handbook = knowledge.word("phone_errors", test.spec.answering)
    overlay = knowledge.overlay
    if overlay is None:
        return handbook
    return overlay.value("wrong_by_phone", test.kind, test.spec.id, handbook)


def speaks_of(installation: Installation, conditions: list[str]) -> bool:
    """Whether some unit that these conditions speak of is fitted."""
    names = {name for text in conditions for name in NAMED.findall(text)}
    return not names or any(installation.has(name) for name in names)


def _install(
    knowledge: KnowledgeBase,
    installation: Installation,
    circuit: Circuit,
    spec: TestSpec,
    it: str,
    shown: frozenset[str],
) -> InstalledTest | None:
    def filled(text: str) -> str:
        return fill(text, installation, it)

    if not installation.fits(filled(spec.needs)):
        return None
    if spec.situation and spec.situation not in installation.type.situations:
        return None
    of = tuple(filled(x) for x in spec.of)
    if any("{" in x for x in of):
        return None
    if spec.kind in NODE_KINDS and not all(circuit.has_net(x) for x in of):
        return None
    if spec.kind in BRANCH_KINDS and not all(circuit.has_branch(x) for x in of):
        return None
    lift = frozenset(filled(x) for x in spec.lift)
    bridge = tuple(filled(x) for x in spec.bridge)
    if any(not circuit.has_branch(x) for x in lift) or any(not circuit.has_net(x) for x in bridge):
        return None
    if spec.kind == "sign" and not any(sign in shown for sign in of):
        return None
    if spec.kind == "signal" and not speaks_of(
        installation, [filled(o.when) for o in spec.outcomes]
    ):
        return None
    condition: Condition | None = None
    if spec.situation:
        base = situation_condition(installation, spec.situation)
        values = {**base.values, **{k: filled(v) for k, v in spec.values.items()}}
        pairs = frozenset(zip(bridge[::2], bridge[1::2], strict=True))
        condition = replace(base, values=values, lift=lift, bridge=pairs)
    minutes = knowledge.word("minutes", spec.minutes)
    wrong = knowledge.word("answer_errors", spec.answering)
    kind, overlay = installation.type.id, knowledge.overlay
    if overlay is not None:
        minutes = overlay.value("test_minutes", kind, spec.id, minutes)
        wrong = overlay.value("wrong_answers", kind, spec.id, wrong)
    return InstalledTest(
        id=f"{spec.id}@{it}" if it else spec.id,
        spec=spec,
        it=it,
        title=filled(spec.title),
        do=filled(spec.do),
        of=of,
        condition=condition,
        minutes=minutes,
        error=wrong,
        spread=knowledge.word("accuracy", spec.accuracy),
        outcomes=outcomes_here(installation, spec, it),
        level=level_needed(installation, spec),
        kind=kind,
    )
