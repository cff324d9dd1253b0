"""What a telephone call leads to: how urgent it is, what to switch off, keep away from and take."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from diagnose.interview.state import PHONE
from diagnose.knowledge.asked_records import Question
from diagnose.knowledge.records import KnowledgeBase, TestSpec
from diagnose.knowledge.rule_records import Fact
from diagnose.reasoning.guard import Skill
from diagnose.reasoning.rules import Inference, RuleEngine
from diagnose.reasoning.van import Load

LEVELS = ("emergency", "now", "today", "soon", "planned")
"""How urgent a callout is, the most urgent first; in an emergency the call ends at once."""


@dataclass(frozen=True)
class Advice:
    """Something to switch off (`how`), to keep away from or to take along (`how` says why).

    `at_once`: it is read out as soon as it follows, not at the end of the call.
    """

    what: str
    how: str
    at_once: bool = False


@dataclass(frozen=True)
class Plan:
    """What a call led to.

    Attributes
    ----------
    urgency : str
        One of `LEVELS`.
    reasons : tuple of str
        Why it is so urgent.
    take : tuple of Advice
        What goes along beside spares and instruments.
    load : Load or None
        Spares for the van; None where nobody has said yet what is wrong.
    """

    urgency: str
    reasons: tuple[str, ...]
    switch_off: tuple[Advice, ...]
    keep_off: tuple[Advice, ...]
    take: tuple[Advice, ...] = ()
    load: Load | None = None
    instruments: tuple[str, ...] = ()


def first_questions(knowledge: KnowledgeBase) -> list[Question]:
    """The safety questions of a call, in order."""
    asked = knowledge.questions.values()
    return [question for question in asked if question.kind == "safety" and question.by_phone]


def first_inference(
    rules: RuleEngine, answers: Mapping[str, str], found: Mapping[str, str]
) -> Inference:
    """What the rules conclude from the safety questions alone, before anything else is known.

    Parameters
    ----------
    rules
        In the words of what is fitted (`diagnose.reasoning.rules.rules_at`).
    answers : question -> choice
    found : test -> outcome
        What the rules wanted to be told first.
    """
    facts = [
        Fact.of("state", name="stage", value=PHONE),
        Fact.of("person", qualification=Skill.UNQUALIFIED.value),
        *(Fact.of("answer", question=q, choice=c) for q, c in answers.items()),
        *(Fact.of("finding", test=t, it="-", outcome=o) for t, o in found.items()),
    ]
    return rules.infer(facts)


def first_tests(
    knowledge: KnowledgeBase, inference: Inference, tried: Iterable[str]
) -> list[TestSpec]:
    """The tests that the rules want before any other and that nobody has tried yet."""
    wanted = {f.get("test") for f in inference.concluded("first")} - set(tried)
    return [test for name, test in knowledge.tests.items() if name in wanted]


def advice_of(inference: Inference) -> Plan:
    """What the rules say about urgency and about what to switch off."""
    level, reasons = urgency_of(inference)
    what = [f for f in inference.concluded("take") if f.get("what")]
    return Plan(
        level,
        reasons,
        _advice(inference.concluded("switch_off"), "how"),
        _advice(inference.concluded("keep_off"), "why", at_once=True),
        _advice(what, "why"),
    )


def urgency_of(inference: Inference) -> tuple[str, tuple[str, ...]]:
    """The highest urgency that a rule concludes, and the reasons that ask for it."""
    found = [(f.get("level"), f.get("why")) for f in inference.concluded("urgency")]
    level = min((level for level, _ in found), key=LEVELS.index, default=LEVELS[-1])
    return level, tuple(why for own, why in found if own == level)


def _advice(facts: Iterable[Fact], how: str, at_once: bool = False) -> tuple[Advice, ...]:
    return tuple(
        dict.fromkeys(
            Advice(f.get("what"), f.get(how), at_once or f.get("at") == "once") for f in facts
        )
    )
