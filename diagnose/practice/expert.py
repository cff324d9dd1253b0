"""The expert's path: the interview's own steps on the same callout, played like any attempt.

Every step is the one that `Session.turn_at` gives after what the bench has shown so far; what must
come before it to be safe (`play.prepare`) is done first. So minutes are those that a trainee who
does the same would need.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from diagnose.practice.best import advise
from diagnose.practice.deeds import SAFETY
from diagnose.practice.play import prepare, start, step
from diagnose.practice.records import Act, Attempt

if TYPE_CHECKING:
    from diagnose.interview.session import Session
    from diagnose.practice.bench import Bench

MOST_ACTS = 400
"""Acts after which even an expert gives up."""
MOST_REPAIRS = 5
"""Repairs after which one gives up: a specialist is called."""


def expert(session: Session, bench: Bench) -> Attempt:
    """The expert's attempt at the bench's exercise, to the verified repair or the hand-over."""
    return played(bench, lambda attempt: next_act(session, bench, attempt))


def played(bench: Bench, choose: Callable[[Attempt], Act]) -> Attempt:
    """The attempt of whoever chooses the acts and works safely, to its end."""
    attempt = start(bench)
    while attempt.ended == "open":
        act = choose(attempt)
        if len(attempt.taken) > MOST_ACTS or len(attempt.swapped) > MOST_REPAIRS:
            act = Act("finish", {"as": "give_up"})
        attempt = safely(bench, attempt, act)
    return attempt


def next_act(session: Session, bench: Bench, attempt: Attempt) -> Act:
    """What the expert does next; what makes it safe is not counted."""
    best = advise(session, bench, attempt, unasked=False).best
    if best.kind == "ask":
        safety = session.questions[best.id].kind == SAFETY
        return Act("ask", {"question": SAFETY if safety else best.id})
    if best.kind == "test":
        return Act("test", {"test": best.id})
    if best.kind == "swap":
        return Act("swap", {"unit": best.id})
    if best.kind == "check":
        return Act("check", {"check": best.id})
    return Act("finish", {"as": best.id})


def safely(bench: Bench, attempt: Attempt, act: Act) -> Attempt:
    """The attempt after an act and all that must come before it to be safe."""
    before = prepare(bench, attempt, act)
    if act.kind == "finish" and act.data["as"] == "hand_over":
        before = [Act("isolate"), Act("lock_off")] if _on(attempt) else []
    for one in (*(before or ()), act):
        attempt = step(bench, attempt, one)
    return attempt


def _on(attempt: Attempt) -> bool:
    return attempt.safety.electrical.value in ("energised", "unknown")
