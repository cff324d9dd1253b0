"""The water's side of a day: tanks, floats, valves as they stand, and what may happen to them next.

Two things stand between the water and the controller: waves where water pours in, which move a
float's switching point up and down by their height, and the time for which an input must be
steady before it counts. A float whose own travel is less than the waves are high chatters.

Times are in min, levels in m, flows in L/min.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from diagnose.errors import fail
from diagnose.knowledge.day_records import Feed, Vessel
from diagnose.plant.balance import Affine, Balance, Hole, level_of
from diagnose.plant.day_plant import NO_FLOW, DayPlant, Settled

LOST = 1e-6
"""A tank with a hole in its floor counts as empty this far above it, m: 1 millilitre or so."""
UNCOVERED = 5e-3
"""The inlet counts as under water again this far above its edge, m."""

Action = Callable[[], None]


@dataclass
class Float:
    """A float as it is, as the controller sees it, and what it is about to see."""

    unit: str
    tank: int
    at: float
    travel: float
    up: bool
    seen: bool
    due: float = np.inf
    gate: float = 0.0


class Waters:
    """Where the water stands and what it has switched."""

    def __init__(
        self,
        plant: DayPlant,
        travel: Mapping[str, float],
        main_off: Sequence[tuple[float, float]],
    ) -> None:
        self.plant = plant
        self.plan = plan = plant.plan
        self.off = sorted(main_off)
        self.now = 0.0
        self.tanks: list[Vessel] = list(plan.tanks.values())
        self.place = {name: k for k, name in enumerate(plan.tanks)}
        self.forced = [plant.forced.get(tank.situation) for tank in self.tanks]
        self.areas = tuple(np.pi * t.diameter.nominal**2 / 4 * 1000 for t in self.tanks)
        self.levels = np.array([self._first_level(k) for k in range(len(self.tanks))])
        self.word = [self._word_at(k) for k in range(len(self.tanks))]
        self.history = "draining"
        self.covered = [
            t.inlet_at is None or bool(h > t.inlet_at.nominal)
            for t, h in zip(self.tanks, self.levels, strict=True)
        ]
        self.held = ["" for _ in self.tanks]
        self.drawing = [0.0] * len(self.tanks)
        self.feeds = [
            feed
            for feed in plan.feeds
            if plant.holds(feed.when) and self.forced[self.place[feed.tank]] is None
        ]
        self.valve = [self._valve_at(feed) for feed in self.feeds]
        self.holes = {
            leak.name: Hole.of(
                self.place[leak.tank],
                leak.bore.nominal,
                leak.discharge.nominal,
                leak.at.nominal,
            )
            for leak in plan.leaks
            if plant.holds(leak.when)
        }
        self.floats = self._floats(travel)
        loose = bool(plan.no_debounce) and plant.holds(plan.no_debounce)
        self.steady = (plan.unsteady if loose else plan.steady).nominal

    def words(self) -> dict[str, str]:
        """The situation's variables for the plant."""
        words = {"history": self.history}
        for tank, word, forced in zip(self.tanks, self.word, self.forced, strict=True):
            words[tank.situation] = forced or tank.words[word].word
        for one in self.floats:
            words[f"{one.unit}_level"] = "wet" if one.seen else "dry"
        return words

    def cut(self) -> frozenset[str]:
        """Water elements through which nothing flows out: their inlet is above the water."""
        return frozenset(
            name
            for tank, covered in zip(self.tanks, self.covered, strict=True)
            if not covered
            for name in tank.empties
        )

    def times(self) -> Iterator[float]:
        """When floats may or will act, and when the main goes off or comes back."""
        yield from (t for span in self.off for t in span if t > self.now + 1e-12)
        for one in self.floats:
            yield one.due
            if one.gate > self.now:
                yield one.gate

    def _first_level(self, tank: int) -> float:
        vessel = self.tanks[tank]
        if self.forced[tank] is None:
            return vessel.starts_at.nominal
        for word, higher in zip(vessel.words, (*vessel.words[1:], None), strict=True):
            if word.word == self.forced[tank]:
                top = (
                    higher.above.nominal if higher and higher.above else vessel.overflow_at.nominal
                )
                return (word.above.nominal if word.above else 0.0) * 0.5 + top * 0.5
        return vessel.starts_at.nominal

    def _word_at(self, tank: int) -> int:
        level, words = float(self.levels[tank]), self.tanks[tank].words
        return max(k for k, w in enumerate(words) if w.above is None or w.above.nominal <= level)

    def _valve_at(self, feed: Feed) -> str:
        if feed.shuts_at is None or feed.within is None:
            return "open"
        level = self.levels[self.place[feed.tank]]
        if level >= feed.shuts_at.nominal:
            return "shut"
        return "closing" if level > feed.shuts_at.nominal - feed.within.nominal else "open"

    def _floats(self, travel: Mapping[str, float]) -> list[Float]:
        found = []
        for plan in self.plan.floats:
            installation = self.plant.installation
            if not installation.has(plan.unit) or not installation.fits(plan.needs):
                continue
            tank = self.place[plan.tank]
            own = travel.get(plan.unit, plan.travel.nominal)
            up = bool(self.levels[tank] > plan.at.nominal - own)
            found.append(Float(plan.unit, tank, plan.at.nominal, own, up, up))
        for name in travel:
            if name not in {one.unit for one in found}:
                raise fail(
                    "unknown-id", f"'{name}' is no float here", None, [f.unit for f in found]
                )
        return found

    def balance(self, settled: Settled) -> Balance:
        count = len(self.tanks)
        flows = dict(settled.flows)
        signs: list[dict[str, float]] = [
            {**dict.fromkeys((*t.fills, *t.airs), 1.0), **dict.fromkeys(t.empties, -1.0)}
            for t in self.tanks
        ]
        for feed, valve in zip(self.feeds, self.valve, strict=True):
            tank = self.place[feed.tank]
            flows[feed.name] = self._feed(feed, valve, tank)
            signs[tank][feed.name] = 1.0
        for tank, flow in enumerate(self.drawing):
            name = f"draw:{tank}"
            flows[name] = Affine(flow, (0.0,) * count)
            signs[tank][name] = -1.0
        held = tuple(bool(h) for h in self.held)
        return Balance(self.areas, flows, tuple(signs), self.holes, held)

    def _feed(self, feed: Feed, valve: str, tank: int) -> Affine:
        flow = feed.flow.nominal
        if feed.most:
            flow = min(flow, self.plant.parameter(feed.most))
        off = any(start <= self.now + 1e-12 < end for start, end in self.off)
        if off and feed.shuts_at is not None:
            flow = 0.0
        still = Affine(flow, (0.0,) * len(self.tanks))
        if valve == "open" or feed.shuts_at is None or feed.within is None:
            return still
        if valve == "shut":
            return still * 0.0
        share = level_of(tank, len(self.tanks), -1.0, -feed.shuts_at.nominal)
        return share * (flow / feed.within.nominal)

    def watch(self, settled: Settled, balance: Balance) -> Iterator[tuple[Affine, Action]]:
        """All that may happen by the water alone: what comes to zero then, and what to do."""
        count = len(self.tanks)
        for guard in settled.guards:
            yield guard, lambda: None
        for k, tank in enumerate(self.tanks):
            yield from self._watch_ends(k, tank, balance)
            if self.forced[k] is None:
                yield from self._watch_words(k, tank)
            if tank.inlet_at is not None:
                edge = tank.inlet_at.nominal
                if self.covered[k]:
                    yield level_of(k, count, 1.0, edge), self._setting(self.covered, k, False)
                else:
                    edge += UNCOVERED
                    yield level_of(k, count, -1.0, -edge), self._setting(self.covered, k, True)
        for k, feed in enumerate(self.feeds):
            yield from self._watch_valve(k, feed)
        for one in self.floats:
            if one.gate <= self.now:
                yield self._float_moves(one, settled), self._moving(one)

    def _setting(self, states: list[bool], k: int, value: bool) -> Action:
        def act() -> None:
            states[k] = value

        return act

    def _watch_ends(
        self, k: int, tank: Vessel, balance: Balance
    ) -> Iterator[tuple[Affine, Action]]:
        """Running over, being empty, and the end of either."""

        def hold(state: str) -> Action:
            def act() -> None:
                self.held[k] = state

            return act

        lowest = LOST if any(hole.tank == k for hole in self.holes.values()) else 0.0
        count = len(self.tanks)
        if not self.held[k]:
            yield level_of(k, count, -1.0, -tank.overflow_at.nominal), hold("full")
            yield level_of(k, count, 1.0, lowest), hold("empty")
            return
        lost = sum(h.flow(float(self.levels[k])) for h in self.holes.values() if h.tank == k)
        net = balance.nets[k] + Affine(-lost, (0.0,) * count)
        yield (net + Affine(-NO_FLOW, (0.0,) * count) if self.held[k] == "full" else -net), hold("")

    def _watch_words(self, k: int, tank: Vessel) -> Iterator[tuple[Affine, Action]]:
        count, word = len(self.tanks), self.word[k]

        def turn(to: int) -> Action:
            def act() -> None:
                self.word[k] = to
                if k == 0 and to == 0:
                    self.history = "filling"
                elif k == 0 and to == len(tank.words) - 1:
                    self.history = "draining"

            return act

        above = tank.words[word].above
        if above is not None:
            low = above.nominal - tank.word_travel.nominal
            yield level_of(k, count, 1.0, low), turn(word - 1)
        if word + 1 < len(tank.words):
            higher = tank.words[word + 1].above
            assert higher is not None
            yield level_of(k, count, -1.0, -higher.nominal), turn(word + 1)

    def _watch_valve(self, k: int, feed: Feed) -> Iterator[tuple[Affine, Action]]:
        if feed.shuts_at is None or feed.within is None:
            return
        tank, count = self.place[feed.tank], len(self.tanks)
        shut, open_ = feed.shuts_at.nominal, feed.shuts_at.nominal - feed.within.nominal

        def set_to(state: str) -> Action:
            def act() -> None:
                self.valve[k] = state

            return act

        if self.valve[k] == "open":
            yield level_of(tank, count, -1.0, -open_), set_to("closing")
        elif self.valve[k] == "shut":
            yield level_of(tank, count, 1.0, shut), set_to("closing")
        else:
            yield level_of(tank, count, 1.0, open_), set_to("open")
            yield level_of(tank, count, -1.0, -shut), set_to("shut")

    def _waves(self, one: Float, settled: Settled) -> float:
        pours = one.tank == 0 and settled.is_on("fills")
        return self.plan.ripple_height.nominal if pours else 0.0

    def _float_moves(self, one: Float, settled: Settled) -> Affine:
        """What comes to zero when the float switches over."""
        wave, count = self._waves(one, settled), len(self.tanks)
        if one.up:
            return level_of(one.tank, count, 1.0, one.at - one.travel + wave)
        return level_of(one.tank, count, -1.0, -(one.at - wave))

    def _moving(self, one: Float) -> Action:
        def act() -> None:
            one.up = not one.up
            one.due = np.inf if one.up == one.seen else self.now + self.steady
            one.gate = self.now + self.plan.ripple_period.nominal / 2

        return act
