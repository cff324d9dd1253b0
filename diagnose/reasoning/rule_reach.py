"""Rules that no callout can ever fire: a condition on a fact that nothing gives or concludes.

Each pattern is judged by itself, its variables taken to hold anything, so a rule that is named
here cannot fire whatever happens; one that is not may still need two facts that never come
together.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence, Set

from diagnose.errors import Issue
from diagnose.knowledge.checks_base import error, nearest
from diagnose.knowledge.checks_tests import INSTRUMENTS
from diagnose.knowledge.family import Family
from diagnose.knowledge.records import KnowledgeBase
from diagnose.knowledge.rule_records import Pattern, Rule, literals_of
from diagnose.plant.compose import Installation
from diagnose.reasoning.guard import CLEARED_BY, Electrical, Skill
from diagnose.reasoning.rule_checks import can_conclude

BANDS = ((0.95, "certain"), (0.7, "likely"), (0.2, "possible"), (0.05, "unlikely"))
"""Words for a cause's probability from each limit on, as the rules see them (judgement)."""
METER_CATEGORIES = ("cat_ii", "cat_iii")
CIRCUIT = ("whole", "parted", "charged")
"""Whether leads are parted for an insulation test, or the cable still holds its charge."""
ENDINGS = ("concluded", "ambiguous")
"""Statuses with which the search ends and which the rules are told of before it does."""

Shape = Mapping[str, frozenset[str]]
"""The texts that each field of a given fact may hold; another field it has not."""


def given_facts(kb: KnowledgeBase) -> dict[str, list[Shape]]:
    """What an interview may tell the rules, by kind; see `diagnose.interview.facts`."""
    family = Family.all_of(kb)

    def shape(**fields: object) -> Shape:
        return {
            name: frozenset([of] if isinstance(of, str) else map(str, of))  # type: ignore[call-overload]
            for name, of in fields.items()
        }

    modes = [(unit, family.modes(unit)) for unit in family.fitted]
    findings = [
        shape(test=t.id, it=[it or "-" for it in family.instances_for(t.each)], outcome=ids)
        for t in kb.tests.values()
        for ids in [[outcome.id for outcome in t.outcomes]]
    ]
    answers = [shape(question=q.id, choice=q.choices) for q in kb.questions.values()]
    return {
        "state": [
            shape(name="electrical", value=[state.value for state in Electrical]),
            shape(name="stage", value="phone"),
            shape(name="circuit", value=CIRCUIT),
            shape(name="insulation", value="unmeasured"),
        ],
        "since_report": [shape(what=CLEARED_BY)],
        "answer": [*answers, shape(question="meter_category", choice=METER_CATEGORIES)],
        "instrument": [shape(id=INSTRUMENTS)],
        "person": [shape(qualification=[skill.value for skill in Skill])],
        "variant": [shape(name=n, choice=choices) for n, choices in family.choices.items()],
        "complaint": [shape(id=kb.complaints)],
        "finding": findings,
        "unproved": [
            shape(test=t.id, it=[it or "-" for it in family.instances_for(t.each)])
            for t in kb.tests.values()
            if t.instrument == "insulation_tester"
        ],
        "repaired": [shape(unit=unit, mode=known) for unit, known in modes],
        "suspect": [
            shape(unit=unit, part=part.id, mode=part.failure_modes, band=[w for _, w in BANDS])
            for unit in family.fitted
            for part in family.parts_of(unit)
        ],
        "ending": [
            shape(unit=unit, mode=known, status=ENDINGS, licensed=["yes", "no"])
            for unit, known in modes
        ],
    }


def fits(pattern: Pattern, shape: Shape) -> bool:
    """Whether a fact of this shape can match a positive pattern's fields."""
    for name, text in pattern.fields:
        literals = literals_of(text)
        if name not in shape or (literals is not None and shape[name].isdisjoint(literals)):
            return False
    return True


def unreachable_rules(kb: KnowledgeBase) -> Iterator[Issue]:
    """A rule with a condition that no given fact and no rule that can fire ever meets."""
    given = given_facts(kb)
    waiting: list[Rule] = list(kb.rules.values())
    firing: list[Rule] = []
    while ready := [rule for rule in waiting if _unmet(rule, given, firing) is None]:
        firing += ready
        waiting = [rule for rule in waiting if rule not in ready]
    kinds = {*given, *(fact.kind for rule in firing for fact in rule.then)}
    for rule in waiting:
        pattern = _unmet(rule, given, firing)
        assert pattern is not None
        message = f"rule '{rule.id}' can never fire: nothing gives or concludes '{pattern}'"
        yield error("rule-unreachable", message, rule, legal=_legal(pattern, given, kinds))


NAMES = {"complaint": "id", "finding": "test", "answer": "question"}
"""By the kind of a given fact: which of its fields names what must be known where it is given."""


def may_fire(rule: Rule, installation: Installation, known: Set[str]) -> bool:
    """Whether a rule's given facts can be given at this installation, by what they name.

    Parameters
    ----------
    rule
        The rule; what other rules conclude is taken to be there.
    installation
        Whose choices and failure modes count.
    known
        Ids of the complaints, tests and questions that are possible there.
    """
    for pattern in rule.positive:
        options = {k: set(literals_of(text) or ()) for k, text in pattern.fields}
        if pattern.kind == "variant":
            (name,) = options["name"]
            chosen = installation.choices.get(name)
            if chosen is None or (options["choice"] and chosen not in options["choice"]):
                return False
        named = options.get(NAMES.get(pattern.kind, ""))
        if named and not named & known:
            return False
        wanted = [options.get(key, set()) for key in ("unit", "mode", "part")]
        if pattern.kind in ("suspect", "repaired") and not any(
            all(not w or x in w for w, x in zip(wanted, of, strict=True))
            for of in (
                (fault.unit, fault.mode.id, installation.instances[fault.unit].part)
                for fault in installation.modes.values()
            )
        ):
            return False
    return True


def _unmet(
    rule: Rule, given: Mapping[str, Sequence[Shape]], firing: Sequence[Rule]
) -> Pattern | None:
    """The first condition that nothing can meet; None where each can be met."""
    for pattern in rule.positive:
        told = any(fits(pattern, shape) for shape in given.get(pattern.kind, ()))
        if not told and not any(can_conclude(f, pattern) for r in firing for f in r.then):
            return pattern
    return None


def _legal(
    pattern: Pattern, given: Mapping[str, Sequence[Shape]], kinds: set[str]
) -> tuple[str, ...]:
    """What could stand in the place of the first thing that is wrong with a pattern."""
    shapes = list(given.get(pattern.kind, ()))
    if not shapes:
        return nearest(pattern.kind, kinds)
    for name, text in pattern.fields:
        legal = {word for shape in shapes for word in shape.get(name, ())}
        if not legal:
            return nearest(name, {field for shape in shapes for field in shape})
        literals = literals_of(text)
        if literals is not None and legal.isdisjoint(literals):
            return nearest(literals[0], legal)
        shapes = [s for s in shapes if fits(Pattern.of(pattern.kind, **{name: text}), s)]
        if not shapes:
            return ()
    return ()
