"""What a practice callout is made of: values only.

A trainee's attempt is the list of the acts taken; everything else (readings, minutes, what was
unsafe, the score, the debrief) is computed again from it and the exercise, so a transcript can
be played back on any machine.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum

from diagnose.reasoning.guard import Electrical
from diagnose.reasoning.places import PANEL

LARGEST_SEED = 999_999
"""Seeds of exercises and exams are whole numbers from 0 to this."""
ACTS = (
    "go",
    "isolate",
    "lock_off",
    "prove_tester",
    "prove_dead",
    "discharge",
    "disconnect",
    "close",
    "block",
    "energise",
    "level",
    "meter",
    "bypass",
    "test",
    "ask",
    "swap",
    "check",
    "look",
    "hint",
    "state",
    "finish",
)
"""Kinds of act, with the key of their data.

`go` place; `isolate`; `lock_off`; `prove_tester` on a known source; `prove_dead` on all pairs at
the work point; `discharge` the capacitor; `disconnect` controller and electronics before an
insulation test; `close`: leads back, covers closed; `block`: mode switch to manual, pump switch
off; `energise`; `level` level: where the water of the roof tank is brought to; `meter` category
(cat_ii | cat_iii) taken in hand; `bypass` unit; `test` test;
`ask` question, ``safety`` (all safety questions) or an installed test that the customer can do;
`swap` unit; `check` check after a repair; `look` at (functions | circuit | parts); `hint` level;
`state` what the trainee thinks (the keys of `Statement`); `finish` as (done | hand_over |
give_up)."""
ENDED = ("open", "solved", "not_solved", "handed_over", "given_up")
"""How an attempt stands: `solved` is finished with no hidden failure mode left, `handed_over` is
right where the exercise holds a hazard."""


@dataclass(frozen=True)
class Exercise:
    """One callout that never happened: all that is needed to play it again.

    `variants` are those of the installation `kind`; `modes` the hidden installed failure modes
    (one, or two at once); `wording` the number of the wording of the complaint. `hazard` is the
    safety question whose answer is bad here, "" for none; `meter` the category of the meter that
    is in the trainee's hand at first (cat_ii | cat_iii).
    """

    id: str
    kind: str
    variants: Mapping[str, str]
    modes: tuple[str, ...]
    complaint: str
    seed: int
    wording: int = 0
    hazard: str = ""
    meter: str = "cat_iii"


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


class Proof(Enum):
    """How far proving dead has come: nothing, the tester proved, every pair measured dead.

    The tester proved once more makes the place proved dead (`Electrical.PROVED_DEAD`).
    """

    NONE = "none"
    TESTER = "tester"
    MEASURED = "measured"


class Hazard(Enum):
    """What is known of people and place: the safety questions were not asked, no, or yes."""

    UNASKED = "unasked"
    NONE = "none"
    KNOWN = "known"


@dataclass(frozen=True)
class SafetyState:
    """All that decides whether an act is safe; every field is enumerable.

    `discharged`: the run capacitor is empty (so from the start where none is fitted); `parted`:
    controller and electronics are disconnected; `covers_open`; `blocked`: the mode switch stands
    in manual with the pump switch off; `rated`: the meter in hand is CAT III or better; `tripped`:
    a protective device is off; `reset`: one was reset since the last repair; `dead_tested`:
    insulation or resistance was measured dead.
    """

    electrical: Electrical = Electrical.ENERGISED
    locked: bool = False
    proof: Proof = Proof.NONE
    discharged: bool = False
    parted: bool = False
    covers_open: bool = False
    blocked: bool = False
    rated: bool = True
    hazard: Hazard = Hazard.UNASKED
    tripped: bool = False
    reset: bool = False
    dead_tested: bool = False


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
    `electrical` are as they stand after it. An act that was stopped shows nothing; `done` is false
    for it and for one that made no sense as things stood, of which `text` says why.
    """

    act: Act
    began: float
    minutes: float
    place: str
    electrical: str
    shown: Shown | None = None
    offence: Offence | None = None
    text: str = ""
    done: bool = True


@dataclass(frozen=True)
class Attempt:
    """A whole attempt as played.

    `ended` is one of `ENDED`, `place` where the trainee stands, `level` where the water of the
    roof tank does, `safety` all that bears on what is safe.
    """

    exercise: Exercise
    taken: tuple[Taken, ...] = ()
    minutes: float = 0.0
    ended: str = "open"
    swapped: tuple[str, ...] = ()
    place: str = PANEL
    level: str = ""
    safety: SafetyState = SafetyState()

    @property
    def offences(self) -> tuple[Offence, ...]:
        """What was stopped because it was unsafe, in order."""
        return tuple(taken.offence for taken in self.taken if taken.offence is not None)
