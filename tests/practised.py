"""Practice attempts that several tests look at, each played once in a process."""

from __future__ import annotations

import contextlib
import io
from collections.abc import Iterable
from functools import lru_cache
from pathlib import Path

from diagnose.cli.practice import lead
from diagnose.cli.render import Screen
from diagnose.cli.transcripts import Transcript
from diagnose.interview.session import Session
from diagnose.practice.bench import Bench, Workshop
from diagnose.practice.debrief import Debrief, debrief
from diagnose.practice.expert import expert, safely
from diagnose.practice.play import start, step
from diagnose.practice.records import Act, Attempt, Exercise
from tests.people import standard_session

CALLOUTS = (
    ("roof_cable.damaged", "will_not_start_auto"),
    ("relay.contacts_welded", "will_not_stop"),
    ("capacitor.shorted", "trips"),
)
"""Sensing, switching and motor; on the roof, in the panel and at the pump."""


@lru_cache(maxsize=1)
def workshop() -> Workshop:
    session = standard_session()
    return Workshop(session.knowledge, session.installation)


@lru_cache(maxsize=8)
def bench_of(modes: tuple[str, ...], complaint: str, hazard: str = "") -> Bench:
    installation = standard_session().installation
    exercise = Exercise(
        f"test-{'+'.join(modes)}",
        installation.type.id,
        dict(installation.choices),
        modes,
        complaint,
        seed=5,
        hazard=hazard,
    )
    return workshop().bench(exercise)


def typed(session: Session, bench: Bench, file: Path, lines: Iterable[str]) -> str:
    """The screen of a callout driven by some lines, prompts included; it ends with them."""
    transcript = Transcript(file, bench.exercise)
    transcript.begin()
    waiting = iter(lines)

    def read(prompt: str) -> str:
        line = next(waiting, None)
        if line is None:
            raise EOFError
        print(f"{prompt}{line}")
        return line

    caught = io.StringIO()
    with contextlib.redirect_stdout(caught):
        lead(session, bench, Screen(plain=True), transcript, True, read)
    return caught.getvalue()


@lru_cache(maxsize=8)
def expert_of(mode: str, complaint: str) -> Attempt:
    return expert(standard_session(), bench_of((mode,), complaint))


@lru_cache(maxsize=1)
def clumsy() -> Attempt:
    """Unsafe once, a walk for nothing, a useless test, a wrong part, then the right one."""
    bench = bench_of((CALLOUTS[0][0],), CALLOUTS[0][1])
    attempt = step(bench, start(bench), Act("ask", {"question": "safety"}))
    attempt = step(bench, attempt, Act("state", {"function": "sensing"}))
    attempt = safely(bench, attempt, Act("test", {"test": "lamps_half_full"}))
    attempt = step(bench, attempt, Act("test", {"test": "loop_up@roof_low_float"}))
    attempt = step(bench, attempt, Act("go", {"place": "roof"}))
    attempt = step(bench, attempt, Act("go", {"place": "panel"}))
    attempt = step(bench, attempt, Act("hint", {"level": "2"}))
    attempt = safely(bench, attempt, Act("test", {"test": "insulation_motor"}))
    attempt = safely(bench, attempt, Act("swap", {"unit": "roof_low_float"}))
    attempt = safely(bench, attempt, Act("check", {"check": "gone"}))
    attempt = safely(bench, attempt, Act("swap", {"unit": "roof_cable"}))
    for check in list(bench.checks)[:3]:
        attempt = safely(bench, attempt, Act("check", {"check": check}))
    return step(bench, attempt, Act("finish", {"as": "done"}))


@lru_cache(maxsize=1)
def clumsy_debrief() -> Debrief:
    return debrief(standard_session(), bench_of((CALLOUTS[0][0],), CALLOUTS[0][1]), clumsy())
