"""What a practice callout is made of: values only.

A trainee's attempt is the list of the acts taken; everything else (readings, minutes, what was
unsafe, the score, the debrief) is computed again from it and the exercise, so a transcript can
be played back on any machine.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

ACTS = (
    "go",
    "isolate",
    "lock_off",
    "prove_tester",
    "prove_dead",
    "discharge",
    "energise",
    "level",
    "test",
    "ask",
    "swap",
    "check",
    "look",
    "hint",
    "state",
    "finish",
)
"""Kinds of act. `test` and `ask` name an installed test, `swap` a unit, `check` a check after a
repair, `go` a place, `level` where the water of the roof tank is brought to, `look` what is
looked at (functions | circuit | parts), `state` what the trainee thinks (see `Statement`)."""


@dataclass(frozen=True)
class Exercise:
    """One callout that never happened: all that is needed to play it again.

    `variants` are those of the installation `kind`; `modes` the hidden installed failure modes
    (one, or two at once); `wording` the number of the wording of the complaint.
    """

    id: str
    kind: str
    variants: Mapping[str, str]
    modes: tuple[str, ...]
    complaint: str
    seed: int
    wording: int = 0


@dataclass(frozen=True)
class Act:
    """One thing that the trainee does: a kind of `ACTS` and its data, texts only."""

    kind: str
    data: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Statement:
    """What the trainee says of the callout before a test: the steps of the structured method."""

    function: str = ""
    expectation: str = ""
    conclusion: str = ""


@dataclass(frozen=True)
class Shown:
    """What an instrument or the eye shows: the text as displayed and the outcome it falls in."""

    text: str
    outcome: str


@dataclass(frozen=True)
class Offence:
    """An unsafe act: the rule that it breaks, why, what to do instead, and minutes it costs."""

    rule: str
    title: str
    why: str
    instead: str
    minutes: float


@dataclass(frozen=True)
class Taken:
    """One act as it went: when it began, how long it took, what it showed or why it was stopped.

    `minutes` hold the walk, the changes of state and what an offence cost; `place` and
    `electrical` are as they stand after it. An act that was stopped shows nothing.
    """

    act: Act
    began: float
    minutes: float
    place: str
    electrical: str
    shown: Shown | None = None
    offence: Offence | None = None
    text: str = ""


@dataclass(frozen=True)
class Attempt:
    """A whole attempt as played: `ended` is solved | given_up | open."""

    exercise: Exercise
    taken: tuple[Taken, ...]
    minutes: float
    ended: str
    swapped: tuple[str, ...] = ()
