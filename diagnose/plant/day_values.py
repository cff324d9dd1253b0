"""What a simulated day is: levels, states and events over time, and figures drawn from them.

Times are in minutes from midnight of the first day, levels in m, volumes in L.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from diagnose.knowledge.day_records import DayPlan

HOUR = 60.0


@dataclass(frozen=True)
class Stretch:
    """A time in which nothing shown changes; each state is (in phase A, in phase B)."""

    start: float
    end: float
    shows: Mapping[str, tuple[bool, bool]]

    def is_on(self, name: str) -> bool:
        """Whether something is on, all the time or rattling."""
        return any(self.shows.get(name, (False, False)))

    def rattles(self, name: str) -> bool:
        """Whether something goes on and off all the time."""
        first, second = self.shows.get(name, (False, False))
        return first != second


@dataclass(frozen=True)
class Event:
    """Something that happened: `kind` for programs, `text` for people."""

    time: float
    kind: str
    text: str


@dataclass(frozen=True)
class Ledger:
    """What came into a tank and left it, L, by the name of the flow."""

    start: float
    end: float
    came: Mapping[str, float]
    left: Mapping[str, float]

    @property
    def error(self) -> float:
        """What is missing at the end: zero but for rounding."""
        return self.start + sum(self.came.values()) - sum(self.left.values()) - self.end


@dataclass(frozen=True)
class Figures:
    """What the day comes to.

    Attributes
    ----------
    starts, starts_hour
        Starts of the pump: in all, and most within any 60 minutes.
    run, dry, little, hums, rattles
        Minutes: the pump runs; without water; with little or no water arriving; hums without
        turning; relay or pump rattles.
    longest
        The longest run, min.
    pumped, returned, drawn, short, lost
        Litres: arrived in the upper tank, run back from it, drawn off, wanted but not there, leaked
        from pipes and tanks.
    overflowed, empty
        Per tank: litres run over, minutes empty.
    lowest, highest
        Per tank: levels, m.
    energy
        kWh of the motor.
    """

    starts: int
    starts_hour: int
    run: float
    dry: float
    little: float
    hums: float
    rattles: float
    longest: float
    pumped: float
    returned: float
    drawn: float
    short: float
    lost: float
    energy: float
    overflowed: Mapping[str, float]
    empty: Mapping[str, float]
    lowest: Mapping[str, float]
    highest: Mapping[str, float]


@dataclass(frozen=True)
class Day:
    """One run.

    Attributes
    ----------
    modes
        The failure modes; () for the healthy installation.
    times : (n,)
        Every minute and every event, min.
    levels : (n, tanks)
        In m.
    flows : (n, 2)
        What arrives in the upper tank (less what runs back) and what is drawn off, L/min.
    stretches
        What relay, pump and lamps do, in order and without gaps.
    switchings
        Every time at which the controller came to see a float move: (time, unit, wet).
    """

    plan: DayPlan
    kind: str
    modes: tuple[str, ...]
    minutes: float
    seed: int
    times: NDArray[np.float64]
    levels: NDArray[np.float64]
    flows: NDArray[np.float64]
    stretches: tuple[Stretch, ...]
    events: tuple[Event, ...]
    switchings: tuple[tuple[float, str, bool], ...]
    ledgers: Mapping[str, Ledger]
    figures: Figures
    floats: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    """Per float fitted: the levels at which it falls and rises, m."""

    def level_at(self, time: float) -> tuple[float, ...]:
        """The levels at a time, between the samples along a straight line, m."""
        k = self.levels.shape[1]
        return tuple(float(np.interp(time, self.times, self.levels[:, i])) for i in range(k))

    def flows_at(self, time: float) -> tuple[float, float]:
        """What arrives and what is drawn off at a time, L/min."""
        k = max(0, bisect_right(self.times, time) - 1)
        return float(self.flows[k, 0]), float(self.flows[k, 1])

    @cached_property
    def _starts(self) -> list[float]:
        return [stretch.start for stretch in self.stretches]

    def at(self, time: float) -> Stretch:
        """What goes on at a time."""
        return self.stretches[max(0, bisect_right(self._starts, time) - 1)]

    def within(self, start: float, end: float) -> Sequence[Stretch]:
        """All that goes on at some time between two."""
        first = max(0, bisect_right(self._starts, start) - 1)
        return self.stretches[first : max(first + 1, bisect_left(self._starts, end))]

    def column(self, name: str, start: float, end: float) -> str:
        """What a state is between two times: on, off, part or often (twice on, or rattling)."""
        found = self.within(start, end)
        flags = [stretch.is_on(name) for stretch in found]
        begins = sum(b and not a for a, b in pairwise(flags)) + flags[0]
        if begins > 1 or any(stretch.rattles(name) for stretch in found):
            return "often"
        if all(flags):
            return "on"
        return "part" if any(flags) else "off"

    def spans(self, kind: str) -> list[tuple[float, float]]:
        """When a tank runs over or is empty: `kind` is ``full:<tank>`` or ``empty:<tank>``."""
        found, begun = [], None
        over = f"end:{kind.partition(':')[2]}"
        for event in self.events:
            if event.kind == kind:
                begun = event.time
            elif event.kind == over and begun is not None:
                found.append((begun, event.time))
                begun = None
        return [*found, (begun, self.minutes)] if begun is not None else found


def most_within(times: Sequence[float], span: float) -> int:
    """The most of the times that lie within any span."""
    most = first = 0
    for k, time in enumerate(times):
        while times[first] <= time - span:
            first += 1
        most = max(most, k - first + 1)
    return most


def warnings(day: Day) -> list[str]:
    """What somebody who looks after the installation should hear of."""
    figures, limits = day.figures, {name: n.nominal for name, n in day.plan.limits.items()}
    said = []
    if figures.starts_hour > limits["starts"]:
        said.append(
            f"{figures.starts_hour} starts within an hour: a motor of this size is built for "
            f"{limits['starts']:.0f}."
        )
    if figures.rattles > 0:
        said.append(f"Relay or pump rattles for {minutes(figures.rattles)}: contacts weld so.")
    if figures.dry > limits["dry"]:
        said.append(f"The pump runs without water for {minutes(figures.dry)}: the seal is spoiled.")
    elif figures.little > limits["dry"]:
        said.append(f"For {minutes(figures.little)} the pump runs and little or no water arrives.")
    if figures.hums > limits["hums"]:
        said.append(f"The motor hums for {minutes(figures.hums)} without turning: it gets hot.")
    for name, litres in figures.overflowed.items():
        if litres > limits["overflow"]:
            said.append(f"The {day.plan.tanks[name].title} runs over: {litres:.0f} L are lost.")
    if figures.short > limits["overflow"]:
        said.append(f"{figures.short:.0f} L are wanted and not there.")
    return said


def minutes(time: float) -> str:
    """A time in words: "40 s", "12 min", "3.5 h"."""
    if time < 2:
        return f"{time * 60:.0f} s"
    return f"{time:.0f} min" if time < 120 else f"{time / HOUR:.1f} h"


def clock(time: float) -> str:
    """A time of the day; the second day and on with the day's number."""
    whole = int(time + 1e-6)
    day, rest = divmod(whole, 1440)
    text = f"{rest // 60:02d}:{rest % 60:02d}"
    return f"{text} (day {day + 1})" if day else text
