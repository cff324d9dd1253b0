"""Why this test: what it would tell, outcome by outcome."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from diagnose.interview.steps import Split, Why
from diagnose.language import gettext as _
from diagnose.plant.matrix import HEALTHY
from diagnose.reasoning.belief import UNKNOWN, Belief
from diagnose.reasoning.decision import Decision
from diagnose.reasoning.explain import explain_test
from diagnose.reasoning.strategy import Choice

if TYPE_CHECKING:
    from diagnose.interview.session import Session

SHOWN_OTHERS = 4


def title_of(session: Session, name: str) -> str:
    """A failure mode in words, with its unit where several units share the words."""
    if name == UNKNOWN:
        return _("a cause that is not in the knowledge base")
    mode = session.installation.modes[name]
    unit, title = _(session.installation.instances[mode.unit].title), _(mode.title)
    return f"{unit}: {title[0].lower()}{title[1:]}"


def healthy_outcome(session: Session, test: str) -> str:
    """What a healthy installation would show."""
    p = session.matrix.of(HEALTHY, test)
    return session.tests[test].outcomes[int(np.argmax(p))].title


def splits_of(session: Session, belief: Belief, test: str) -> tuple[Split, ...]:
    """Each outcome of a test with its probability and the units it would leave in front."""
    outcomes = session.tests[test].outcomes
    return tuple(
        Split(
            outcomes[leaves.outcome].id,
            outcomes[leaves.outcome].title,
            leaves.probability,
            tuple((title_of(session, s.mode), s.probability, s.of_mode) for s in leaves.leading),
        )
        for leaves in explain_test(belief, test).outcomes
    )


def why(session: Session, belief: Belief, choice: Choice, decision: Decision) -> Why:
    """The explanation shown with a test."""
    rivals = [c for c in decision.choices if c.candidate.test != choice.candidate.test]
    others = tuple((session.tests[c.candidate.test].title, c.score) for c in rivals[:SHOWN_OTHERS])
    ahead = choice.ahead
    return Why(
        gain=choice.gain,
        minutes=choice.candidate.minutes,
        splits=splits_of(session, belief, choice.candidate.test),
        instead=others,
        method=ahead.method if ahead else "",
        margin=ahead.margin if ahead else 0.0,
        saves=choice.saves,
    )
