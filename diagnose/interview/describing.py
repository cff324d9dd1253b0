"""Setting up a case: the next question about wiring, instruments and person, from the events.

The first answer opens the case; its ``opened`` event lists under ``asks`` what is asked next.
Each later answer is one ``described`` event, so a case that was cut off in between goes on with
the next question. A case whose ``opened`` event has no ``asks`` was described in one piece.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from diagnose.errors import DiagnoseError, Issue
from diagnose.interview.events import Event
from diagnose.interview.state import variants_of

if TYPE_CHECKING:
    from diagnose.knowledge.records import KnowledgeBase
    from diagnose.plant.compose import Installation

SITE = "site"
WIRING = "wiring"
VARIANT = "variants"
INSTRUMENTS = "instruments"
METER = "meter_category"
PERSON = "qualification"
STANDARD, DIFFERS = "standard", "differs"
"""Answers to `WIRING`: as the installation was opened, or to be asked variant by variant."""
METERS = ("multimeter", "loz", "clamp", "capacitance", "insulation_tester")
"""Instruments with leads, whose measuring category matters."""


@dataclass(frozen=True)
class Ask:
    """One question of the set-up.

    Attributes
    ----------
    id : str
        `SITE`, `WIRING`, `VARIANT`, `INSTRUMENTS`, `METER` or `PERSON`: the key of the answer in
        the event's data.
    variant, default : str
        With `VARIANT`: which one, and its choice so far.
    refused : tuple of Issue
        With the first variant asked anew: why the choices before cannot be built.
    """

    id: str
    variant: str = ""
    default: str = ""
    refused: tuple[Issue, ...] = ()


def instruments_used(knowledge: KnowledgeBase) -> set[str]:
    """The instruments that some test needs."""
    return {test.instrument for test in knowledge.tests.values()} - {"none"}


def asks_for(knowledge: KnowledgeBase, known: Sequence[str] = ()) -> list[str]:
    """What a case asks for in its set-up, in this order, without what is known already."""
    asks = [SITE, WIRING, INSTRUMENTS, METER, PERSON]
    if not instruments_used(knowledge):
        known = [*known, INSTRUMENTS, METER]
    return [name for name in asks if name not in known]


def described(ask: Ask, answer: Any) -> dict[str, Any]:
    """The data of the event that an answer makes.

    Without a meter there is no category to ask for: it is ``none``.
    """
    if ask.id == VARIANT:
        return {VARIANT: {ask.variant: answer}}
    if ask.id == INSTRUMENTS and not set(METERS) & set(answer):
        return {INSTRUMENTS: list(answer), METER: "none"}
    return {ask.id: list(answer) if ask.id == INSTRUMENTS else answer}


def left_to_ask(events: Sequence[Event]) -> list[str]:
    """What the set-up has not been told yet; of the variants, nothing is known here.

    Whoever corrects the instruments is asked for their category again.
    """
    first: list[str] = []
    asks = first
    for event in events:
        if event.kind == "opened":
            first = asks = [str(name) for name in event.data.get("asks", ())]
        elif event.kind == "described":
            if INSTRUMENTS in event.data and METER in first:
                asks = [METER, *(name for name in asks if name != METER)]
            asks = [name for name in asks if name not in event.data]
    return asks


def next_ask(
    knowledge: KnowledgeBase, standard: Installation, events: Sequence[Event]
) -> Ask | None:
    """The next question of the set-up; None where all is described.

    Parameters
    ----------
    standard
        The installation as the case was opened.
    """
    left = left_to_ask(events)
    wiring = [e.data[WIRING] for e in events if e.kind == "described" and WIRING in e.data]
    if wiring and wiring[-1] == DIFFERS:
        ask = _next_variant(knowledge, standard, events)
        if ask is not None:
            return ask
    return Ask(left[0]) if left else None


def _next_variant(
    knowledge: KnowledgeBase, standard: Installation, events: Sequence[Event]
) -> Ask | None:
    """The next variant to ask for, over and over until the choices can be built."""
    variants = standard.type.variants
    names = [name for name, variant in variants.items() if len(variant.choices) > 1]
    said: set[str] = set()
    once = False
    for event in events:
        if event.kind == "described":
            said |= event.data.get(VARIANT, {}).keys()
            if said.issuperset(names):
                said, once = set(), True
    choices = variants_of(standard.choices, events)
    refused: tuple[Issue, ...] = ()
    if once and not said:
        from diagnose.plant.compose import compose  # here, because a list of cases needs no plant

        try:
            compose(knowledge, standard.type.id, choices)
        except DiagnoseError as error:
            refused = error.issues
        else:
            return None
    for name in names:
        if name not in said:
            return Ask(VARIANT, name, choices[name], refused)
    return None
