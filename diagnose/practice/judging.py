"""Whether a live measurement is needless: a test without live parts would tell as much."""

from __future__ import annotations

import numpy as np

from diagnose.interview.session import Session
from diagnose.practice.play import Needless
from diagnose.practice.records import Act, Attempt
from diagnose.reasoning.belief import information
from diagnose.reasoning.strategy import dead_would_do


def needless_for(session: Session) -> Needless:
    """The judge of one installation's live tests, by what is known at the moment."""

    def needless(attempt: Attempt, act: Act) -> bool:
        test = session.tests.get(act.data.get("test", ""))
        if act.kind != "test" or test is None or test.spec.state != "live":
            return False
        return _dead_would_do(session, attempt, test.id)

    return needless


def _dead_would_do(session: Session, attempt: Attempt, test: str) -> bool:
    """As the strategy has it when it leaves a live test out, whatever either costs."""
    from diagnose.practice.events import state_after

    state = state_after(attempt, session)
    belief = session.belief(state)
    done = {finding.test for finding in session.counted(state)}
    names = [
        name
        for name, t in session.tests.items()
        if t.spec.state == "dead" and t.spec.place_at != "telephone" and name not in done
    ]
    index = belief.table.test_index
    gains = information(belief, np.array([index[name] for name in (test, *names)]))
    others = np.array([index[name] for name in names])
    return dead_would_do(belief, index[test], float(gains[0]), others, gains[1:])
