"""A fault-finding chart as a value.

Where a chart comes from is not known here. Steps have numbers from 1, and every reference to a step
points forward; ends have letters.
"""

from __future__ import annotations

from dataclasses import dataclass

NAMED, TOOL, NONE = "named", "tool", "none"
"""Kinds of end: a cause or a hand-over with its own letter; the chart ends early; nothing fits."""


@dataclass(frozen=True)
class Answer:
    """What may be found at a step and where it leads.

    `to` is a step's number or an end's letter; `note` names what is suspected there.
    """

    text: str
    to: str
    note: str = ""

    @property
    def step(self) -> int:
        """The number of the step that it leads to; 0 where it leads to an end."""
        return int(self.to) if self.to.isdigit() else 0


@dataclass(frozen=True)
class Change:
    """A change of the electrical state; steps refer to it by its title."""

    title: str
    text: str
    cautions: tuple[int, ...] = ()


@dataclass(frozen=True)
class ChartStep:
    """One step.

    Attributes
    ----------
    first : tuple of str
        Titles of the changes of state that come before it.
    state : str
        The electrical state in which it is done, in words; "" where any will do.
    facts : tuple of str
        Where, with what.
    answers : tuple of Answer
        In the order of the test; the last one is what is found else.
    """

    number: int
    title: str
    do: str
    answers: tuple[Answer, ...]
    first: tuple[str, ...] = ()
    state: str = ""
    live: bool = False
    facts: tuple[str, ...] = ()
    cautions: tuple[int, ...] = ()


@dataclass(frozen=True)
class ChartEnd:
    """Where a way ends: its letter, what it is (short, for the drawing: `brief`), what to do."""

    letter: str
    kind: str
    title: str
    brief: str
    lines: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class FaultChart:
    """All that is on the paper.

    Attributes
    ----------
    holds_for : (label, text)
        Installation, person, instruments.
    after : (title, how, cautions)
        Checks after the repair.
    about : (label, text)
        What is taken as known besides, how far the chart goes.
    questions : (question, answer)
        Safety questions, each with the only answer for which the chart holds.
    stop : str
        What to do at any other answer.
    numbered : tuple of str
        Cautions that steps and changes of state refer to: C1, C2, ...; a step gives the first
        sentence.
    """

    title: str
    subtitle: str
    holds_for: tuple[tuple[str, str], ...]
    stop: str
    questions: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    numbered: tuple[str, ...]
    use: tuple[str, ...]
    changes: tuple[Change, ...]
    steps: tuple[ChartStep, ...]
    ends: tuple[ChartEnd, ...]
    repair_cautions: tuple[str, ...] = ()
    advice: tuple[str, ...] = ()
    after: tuple[tuple[str, str, tuple[int, ...]], ...] = ()
    about: tuple[tuple[str, str], ...] = ()
    footer: str = ""


def first_text(step: ChartStep) -> str:
    """The changes of state before a step, in one line."""
    return ", then ".join(t[:1].lower() + t[1:] for t in step.first)


def target_text(answer: Answer) -> str:
    """Where an answer leads, in words."""
    return f"go to {answer.to}" if answer.step else f"end {answer.to}"
