"""What the past tells: factors on the failure rates."""

from __future__ import annotations

from collections.abc import Mapping

from diagnose.knowledge.asked_records import Question
from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.compose import Installation


def questions_for(
    knowledge: KnowledgeBase, installation: Installation, *kinds: str
) -> dict[str, Question]:
    """The questions of some kinds that make sense where this is fitted, by id."""
    return {
        name: question
        for kind in kinds
        for name, question in knowledge.questions.items()
        if question.kind == kind and installation.fits(question.needs)
    }


def answered(question: Question, answers: Mapping[str, str]) -> bool:
    """Whether nobody need be asked this any more after these answers (question -> choice)."""
    said = any(answers.get(name) == choice for name, choice in question.unless.items())
    return question.id in answers or said


def rate_factors(
    knowledge: KnowledgeBase, installation: Installation, answers: Mapping[str, str]
) -> dict[str, float]:
    """Factors on the rates of failure modes, from the answers to the questions asked first."""
    factors: dict[str, float] = {}
    for question, choice in answers.items():
        record = knowledge.questions.get(question)
        for target, word in (record.factors.get(choice, {}) if record else {}).items():
            factor = knowledge.word("history_factors", word)
            for name, mode in installation.modes.items():
                part = installation.instances[mode.unit].part
                names = (mode.mode.mode_class, name, mode.unit, part, f"{part}.{mode.mode.id}")
                if target in names:
                    factors[name] = factors.get(name, 1.0) * factor
    present = answers.get("present", "now")
    if present != "now":
        for name, mode in installation.modes.items():
            if present in mode.mode.intermittent:
                more = knowledge.word("history_factors", "more")
                factors[name] = factors.get(name, 1.0) * more
    return factors
