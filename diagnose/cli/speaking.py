"""Steps in the language in use: what a person reads of them; ids stay as they are."""

from __future__ import annotations

from dataclasses import replace

from diagnose.interview.steps import Conclusion, OpenCheck, Option, Split, Step, Why
from diagnose.language import ENGLISH, current
from diagnose.language import gettext as _


def spoken(step: Step) -> Step:
    """The step with its texts in the language in use."""
    if current().code == ENGLISH:
        return step
    return replace(
        step,
        title=_(step.title),
        text=_(step.text),
        options=tuple(Option(o.id, _(o.title)) for o in step.options),
        healthy=_(step.healthy),
        towards=_(step.towards),
        cautions=texts(step.cautions),
        why=_why(step.why) if step.why is not None else None,
        conclusion=_conclusion(step.conclusion) if step.conclusion is not None else None,
        open_checks=tuple(OpenCheck(o.check, _(o.title), _(o.by)) for o in step.open_checks),
    )


def texts(messages: tuple[str, ...]) -> tuple[str, ...]:
    """Messages in the language in use."""
    return tuple(_(message) for message in messages)


def _why(why: Why) -> Why:
    splits = tuple(Split(s.outcome, _(s.title), s.probability, s.leaves) for s in why.splits)
    return replace(why, splits=splits, instead=tuple((_(t), score) for t, score in why.instead))


def _conclusion(conclusion: Conclusion) -> Conclusion:
    return replace(
        conclusion,
        unit_title=_(conclusion.unit_title),
        remedy=_(conclusion.remedy),
        spares=texts(conclusion.spares),
        root_causes=texts(conclusion.root_causes),
        prevention=_(conclusion.prevention),
        reasons=texts(conclusion.reasons),
        recommendations=texts(conclusion.recommendations),
        cautions=texts(conclusion.cautions),
    )
