"""Keeping what a day brings, stretch by stretch: samples, states, events, litres, minutes."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from diagnose.knowledge.day_records import DayPlan
from diagnose.plant.balance import Flight, Levels
from diagnose.plant.day_plant import Settled
from diagnose.plant.day_values import HOUR, Day, Event, Figures, Ledger, Stretch, most_within

if TYPE_CHECKING:
    from diagnose.plant.day import Run

GRID = 1.0
"""Levels are kept at least so often, min."""
SAID = {
    "pump": ("the pump starts", "the pump stops"),
    "dry": ("the pump runs without water", "the pump no longer runs without water"),
    "hums": ("the motor hums and does not turn", "the motor no longer hums"),
}


class Recorder:
    """What was there so far."""

    def __init__(self, plan: DayPlan, areas: Sequence[float], start: Levels) -> None:
        self.plan = plan
        self.areas = areas
        self.start = start.copy()
        self.times: list[float] = [0.0]
        self.levels: list[Levels] = [start.copy()]
        self.flows: list[tuple[float, float]] = []
        self.stretches: list[Stretch] = []
        self.events: list[Event] = []
        self.switchings: list[tuple[float, str, bool]] = []
        self.litres: dict[str, float] = defaultdict(float)
        self.minutes: dict[str, float] = defaultdict(float)
        self.starts: list[float] = []
        self.energy = 0.0
        self._held = [""] * len(plan.tanks)

    def say(self, time: float, kind: str, text: str) -> None:
        """Note an event."""
        self.events.append(Event(time, kind, text))

    def seen(self, time: float, unit: str, wet: bool) -> None:
        """Note that the controller sees a float move."""
        self.switchings.append((time, unit, wet))

    def stretch(
        self,
        start: float,
        end: float,
        going: Flight,
        settled: Settled,
        held: Sequence[str],
        drawing: Sequence[float],
    ) -> None:
        """Note what goes on from `start` to `end`, both in min."""
        self._states(start, end, settled)
        self._ends(start, held)
        if end <= start:
            return
        first = math.floor(start / GRID + 1e-9) + 1
        for k in range(first, math.ceil(end / GRID - 1e-9)):
            self._sample(k * GRID, going.levels(k * GRID - start), settled, drawing)
        self._sample(end, going.levels(end - start), settled, drawing)
        found = going.litres(end - start)
        for name, litres in found.items():
            self.litres[name] += litres
        for k, state in enumerate(held):
            surplus = found.get(f"surplus:{k}", 0.0)
            if state == "full":
                self.litres[f"over:{k}"] += surplus
            elif state == "empty":
                self.litres[f"short:{k}"] -= surplus
                self.minutes[f"empty:{k}"] += end - start
        for name, sides in settled.shows.items():
            self.minutes[name] += (end - start) * sum(sides) / 2
        if settled.rattles("relay") or settled.rattles("pump"):
            self.minutes["rattles"] += end - start
        self.energy += settled.watts * (end - start) / HOUR / 1000

    def _sample(
        self, time: float, levels: Levels, settled: Settled, drawing: Sequence[float]
    ) -> None:
        """Levels at a time, and what flowed until then."""
        self.times.append(time)
        self.levels.append(levels)
        top = next(iter(self.plan.tanks.values()))
        arrives = sum(settled.flows[name].at(levels) for name in top.fills)
        arrives -= sum(settled.flows[name].at(levels) for name in top.empties)
        self.flows.append((arrives, sum(drawing)))

    def _states(self, start: float, end: float, settled: Settled) -> None:
        last = self.stretches[-1] if self.stretches else None
        for name, (begins, ends) in SAID.items():
            before = last is not None and last.is_on(name)
            if settled.is_on(name) != before:
                self.say(start, name, begins if settled.is_on(name) else ends)
                if name == "pump" and settled.is_on(name):
                    self.starts.append(start)
        rattling = settled.rattles("relay") or settled.rattles("pump")
        before = last is not None and (last.rattles("relay") or last.rattles("pump"))
        if rattling != before:
            text = "relay or pump begins to rattle" if rattling else "the rattling ends"
            self.say(start, "rattles", text)
        if last is not None and last.shows == settled.shows:
            self.stretches[-1] = Stretch(last.start, end, last.shows)
        elif last is not None and last.start == last.end == start:
            self.stretches[-1] = Stretch(start, end, settled.shows)
        else:
            self.stretches.append(Stretch(start, end, settled.shows))

    def _ends(self, time: float, held: Sequence[str]) -> None:
        for k, tank in enumerate(self.plan.tanks.values()):
            if held[k] != self._held[k]:
                words = {"full": "runs over", "empty": "is empty"}
                if held[k]:
                    self.say(time, f"{held[k]}:{tank.id}", f"the {tank.title} {words[held[k]]}")
                else:
                    old = {"full": "no longer runs over", "empty": "is no longer empty"}
                    self.say(time, f"end:{tank.id}", f"the {tank.title} {old[self._held[k]]}")
                self._held[k] = held[k]

    def _longest(self) -> float:
        longest = begun = 0.0
        running = False
        for stretch in self.stretches:
            if stretch.is_on("pump") and not running:
                begun = stretch.start
            running = stretch.is_on("pump")
            if running:
                longest = max(longest, stretch.end - begun)
        return longest

    def _ledger(self, run: Run, k: int) -> Ledger:
        tank, litres = run.water.tanks[k], self.litres
        come = {name: litres[name] for name in (*tank.fills, *tank.airs)}
        come |= {feed.name: litres[feed.name] for feed in run.water.feeds if feed.tank == tank.id}
        left = {name: litres[name] for name in tank.empties}
        left |= {name: litres[name] for name, hole in run.water.holes.items() if hole.tank == k}
        left["drawn"] = litres[f"draw:{k}"] - litres[f"short:{k}"]
        left["run over"] = litres[f"over:{k}"]
        return Ledger(
            float(self.start[k] * self.areas[k]),
            float(run.water.levels[k] * self.areas[k]),
            come,
            left,
        )

    def day(self, run: Run) -> Day:
        """The whole of it."""
        names = list(self.plan.tanks)
        levels = np.array(self.levels)
        minutes, litres = self.minutes, self.litres
        top, rest = run.water.tanks[0], run.water.tanks[1:]
        taken = sum(litres[name] for tank in rest for name in tank.empties)
        taken -= sum(litres[name] for tank in rest for name in tank.airs)
        pumped = sum(litres[name] for name in top.fills)
        returned = sum(litres[name] for name in top.empties)
        figures = Figures(
            starts=len(self.starts),
            starts_hour=most_within(self.starts, HOUR),
            run=minutes["pump"],
            dry=minutes["dry"],
            little=minutes["little"],
            hums=minutes["hums"],
            rattles=minutes["rattles"],
            longest=self._longest(),
            pumped=pumped,
            returned=returned,
            drawn=sum(litres[f"draw:{k}"] - litres[f"short:{k}"] for k in range(len(names))),
            short=sum(litres[f"short:{k}"] for k in range(len(names))),
            lost=taken - (pumped - returned) + sum(litres[name] for name in run.water.holes),
            energy=self.energy,
            overflowed={name: litres[f"over:{k}"] for k, name in enumerate(names)},
            empty={name: minutes[f"empty:{k}"] for k, name in enumerate(names)},
            lowest={name: float(levels[:, k].min()) for k, name in enumerate(names)},
            highest={name: float(levels[:, k].max()) for k, name in enumerate(names)},
        )
        return Day(
            plan=self.plan,
            kind=run.plant.installation.type.id,
            modes=run.modes,
            minutes=run.end,
            seed=run.seed,
            times=np.array(self.times),
            levels=levels,
            flows=np.array([*self.flows, self.flows[-1]]),
            stretches=tuple(self.stretches),
            events=tuple(self.events),
            switchings=tuple(self.switchings),
            ledgers={name: self._ledger(run, k) for k, name in enumerate(names)},
            figures=figures,
            floats={f.unit: (f.at - f.travel, f.at) for f in run.water.floats},
        )
