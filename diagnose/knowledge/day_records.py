"""Records of a day's plan: the vessels of an installation, what flows in and out, what lasts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from diagnose.errors import Place

if TYPE_CHECKING:
    from diagnose.knowledge.records import Number


@dataclass(frozen=True)
class Word:
    """A word of the situation for a level, from where on it holds; None for the lowest."""

    word: str
    above: Number | None = None


@dataclass(frozen=True)
class Vessel:
    """A tank with upright walls.

    `head` is the source element whose head follows the level, given for the level `head_at`;
    `head_falls`: its head is less the higher the water stands (a lift). Flows through `fills` come
    in, those through `empties` go out; below `inlet_at` nothing goes out through them. What an open
    casing lets out through `airs` runs down into the tank; what it lets in is air and no water.
    """

    id: str
    title: str
    diameter: Number
    overflow_at: Number
    starts_at: Number
    head: str
    head_falls: bool
    head_at: Number
    fills: tuple[str, ...]
    empties: tuple[str, ...]
    airs: tuple[str, ...]
    inlet_at: Number | None
    situation: str
    words: tuple[Word, ...]
    word_travel: Number
    place: Place | None = None


@dataclass(frozen=True)
class FloatPlan:
    """Where a float switches: rising at `at`, falling `travel` below that."""

    unit: str
    tank: str
    needs: str
    at: Number
    travel: Number
    place: Place | None = None


@dataclass(frozen=True)
class Feed:
    """What flows in from elsewhere; `shuts_at`: a ball valve shut there, open `within` below.

    `most` names a parameter that bounds the flow.
    """

    name: str
    tank: str
    when: str
    flow: Number
    shuts_at: Number | None
    within: Number | None
    most: str
    place: Place | None = None


@dataclass(frozen=True)
class Leak:
    """A hole at a height: the flow goes with the root of the water above it."""

    name: str
    tank: str
    when: str
    bore: Number
    at: Number
    discharge: Number
    place: Place | None = None


@dataclass(frozen=True)
class Draw:
    """The mean draw-off from a time of the day on, until the next one."""

    tank: str
    start: Number
    flow: Number


@dataclass(frozen=True)
class Stay:
    """What stays changed once a state has lasted; after `until` it goes back by itself."""

    when: str
    lasts: Number
    set: Mapping[str, str]
    until: Number | None
    says: str
    place: Place | None = None


@dataclass(frozen=True)
class DayPlan:
    """All that a day of one installation type needs beside its wiring."""

    id: str
    title: str
    tanks: Mapping[str, Vessel]
    floats: tuple[FloatPlan, ...]
    logic: Mapping[str, str]
    ripple_height: Number
    ripple_period: Number
    steady: Number
    unsteady: Number
    no_debounce: str
    feeds: tuple[Feed, ...]
    leaks: tuple[Leak, ...]
    draws: tuple[Draw, ...]
    tap_flow: Number
    tap_lasts: Number
    stays: tuple[Stay, ...]
    shows: Mapping[str, str]
    power: tuple[str, ...]
    limits: Mapping[str, Number]
    place: Place | None = None
