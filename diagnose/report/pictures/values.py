"""What a picture is drawn from, beside the installation: plain values that anybody can fill in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


def percent(probability: float) -> str:
    """A probability as shown; neither certainty nor impossibility is claimed."""
    if probability > 0.994:
        return ">99%"
    return "<1%" if probability < 0.005 else f"{probability:.0%}"


@dataclass(frozen=True)
class Measured:
    """A reading on the picture of the circuit.

    `points` are its test points, `shown` the reading as it is to stand there ("4.96 V"), `title`
    what was measured, `healthy` whether a healthy installation reads like this (None: not known).
    """

    points: tuple[int, ...]
    shown: str
    title: str = ""
    healthy: bool | None = None


@dataclass(frozen=True)
class Marks:
    """What is known of an installation: units by name, readings in the order they were taken.

    `suspected` maps units to their probabilities; `failed_word` is what stands over what failed
    ("LIKELY CAUSE" as long as nothing confirmed it); `good_means` says in a few words what *good*
    rests on, for the legend.
    """

    failed: frozenset[str] = frozenset()
    good: frozenset[str] = frozenset()
    suspected: Mapping[str, float] = field(default_factory=dict)
    readings: tuple[Measured, ...] = ()
    good_means: str = "proved good"
    failed_word: str = "FAILED"


NOTHING = Marks()


@dataclass(frozen=True)
class Series:
    """One cause through the search: `values[k]` is its probability after step k, 0..1."""

    title: str
    values: tuple[float, ...]


@dataclass(frozen=True)
class Timed:
    """One probability over time: ``values[k]`` holds from ``minutes[k]`` (ascending) on.

    `end` is when the path that it belongs to was over, in minutes.
    """

    title: str
    minutes: tuple[float, ...]
    values: tuple[float, ...]
    end: float


@dataclass(frozen=True)
class OverTime:
    """Several paths through one search; `notes` are what happened at a minute, in words."""

    lines: tuple[Timed, ...]
    notes: tuple[tuple[float, str], ...] = ()


@dataclass(frozen=True)
class Suspicion:
    """How the suspicion moved: `steps` names what was learnt, first what was so before anything.

    `rest` is what all the causes that are not shown have together.
    """

    steps: tuple[str, ...]
    series: tuple[Series, ...]
    rest: tuple[float, ...] = ()


@dataclass(frozen=True)
class Band:
    """One outcome of a test: readings below `below` (None: all that are left), in base units.

    `worded`: it is no range of readings (it comes and goes), though the test has a unit.
    """

    title: str
    below: float | None
    healthy: bool = False
    worded: bool = False


@dataclass(frozen=True)
class Reading:
    """One reading against what was expected.

    `value` is in `unit`, a base unit: infinite where the instrument showed overload, None where
    the answer was given in words or as an outcome's name (`shown` then says which; `outcome` is
    its position in `bands`). `log`: the scale runs over decades.
    """

    title: str
    unit: str
    shown: str
    value: float | None
    bands: tuple[Band, ...]
    outcome: int
    points: tuple[int, ...] = ()
