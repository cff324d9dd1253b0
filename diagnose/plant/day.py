"""A day in the life of an installation: water balance, floats, controller, event by event.

Nothing of a fault is scripted. The plant says what relay, pump and flows do for the floats as they
are seen and the controller's memory as it was left; the balance says when the next float moves.

Two things stand between the water and the controller: waves where water pours in, which move a
float's switching point up and down by their height, and the time for which an input must be
steady before it counts. A float whose own travel is less than the waves are high chatters.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from diagnose.errors import fail
from diagnose.knowledge.day_records import DayPlan, Feed, Vessel
from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.balance import NEAR, Affine, Balance, Flight, Hole, flight, level_of
from diagnose.plant.compose import Fault, Installation
from diagnose.plant.day_plant import NO_FLOW, DayPlant, Settled
from diagnose.plant.day_record import Recorder
from diagnose.plant.day_values import Day
from diagnose.plant.pairs import together

LONGEST_HOURS = 24.0 * 14
DAY = 1440.0
LOST = 1e-6
"""A tank with a hole in its floor counts as empty this far above it, m: 1 millilitre or so."""
UNCOVERED = 5e-3
"""The inlet counts as under water again this far above its edge, m."""
STUCK = 400
"""So many events without any time passing mean that the model cannot go on."""

Action = Callable[[], None]


@dataclass
class _Float:
    """A float as it is, as the controller sees it, and what it is about to see."""

    unit: str
    tank: int
    at: float
    travel: float
    up: bool
    seen: bool
    due: float = np.inf
    gate: float = 0.0


def plan_of(knowledge: KnowledgeBase, installation: Installation) -> DayPlan:
    """The plan of a day for an installation.

    Raises
    ------
    DiagnoseError
        Nobody has written one for this type.
    """
    kind = installation.type.id
    if kind not in knowledge.days:
        raise fail("no-day", f"no day is written for '{kind}'", None, sorted(knowledge.days))
    return knowledge.days[kind]


def fault_of(installation: Installation, modes: Sequence[str]) -> Fault | None:
    """The failure modes named, as one fault.

    Raises
    ------
    DiagnoseError
        One does not exist here, there are more than two, or the two cannot be together.
    """
    for name in modes:
        if name not in installation.modes:
            unit = name.partition(".")[0]
            legal = [m for m in installation.modes if m.startswith(f"{unit}.")]
            raise fail(
                "unknown-id",
                f"'{name}' is not a failure mode of this installation",
                getattr(name, "place", None),
                legal or sorted({m.partition(".")[0] for m in installation.modes}),
            )
    found = [installation.modes[name] for name in modes]
    if len(found) > 2:
        raise fail("impossible", "at most two failure modes can be there at once")
    if len(found) == 2:
        return together(installation, found[0], found[1])
    return found[0] if found else None


def run(
    knowledge: KnowledgeBase,
    installation: Installation,
    modes: Sequence[str] = (),
    hours: float = 24.0,
    seed: int = 0,
    travel: Mapping[str, float] | None = None,
    drawing: Sequence[tuple[float, str, float]] | None = None,
    main_off: Sequence[tuple[float, float]] = (),
) -> Day:
    """Let an installation run.

    Parameters
    ----------
    modes
        Installed failure modes, ``unit.mode``: none, one or two.
    hours
        How long, from midnight on.
    seed
        When taps are opened; except for 0 also where the parts lie in their tolerances. The same
        seed gives the same day on any machine.
    travel
        Float → its travel in m, where that is not as in the knowledge.
    drawing
        (time in min, tank, flow in L/min) in order, in place of the plan's draw-off.
    main_off
        (from, to) in min: times when nothing comes through a ball valve.

    Raises
    ------
    DiagnoseError
        No day is written for the installation, or something named does not exist.
    """
    plan = plan_of(knowledge, installation)
    if not 0 < hours <= LONGEST_HOURS:
        raise fail("option", f"{hours:g} hours: more than 0, at most {LONGEST_HOURS:g} are legal")
    fault = fault_of(installation, modes)
    plant = DayPlant(installation, plan, fault, seed)
    return _Run(plant, tuple(modes), hours * 60, seed, travel or {}, drawing, main_off).whole()


class _Run:
    """The state between events; times in minutes, levels in m."""

    def __init__(
        self,
        plant: DayPlant,
        modes: tuple[str, ...],
        end: float,
        seed: int,
        travel: Mapping[str, float],
        drawing: Sequence[tuple[float, str, float]] | None,
        main_off: Sequence[tuple[float, float]],
    ) -> None:
        self.off = sorted(main_off)
        self.plant = plant
        self.plan = plan = plant.plan
        self.end = end
        self.modes = modes
        self.seed = seed
        self.now = 0.0
        self.tanks: list[Vessel] = list(plan.tanks.values())
        self.place = {name: k for k, name in enumerate(plan.tanks)}
        self.forced = [plant.forced.get(tank.situation) for tank in self.tanks]
        self.areas = tuple(np.pi * t.diameter.nominal**2 / 4 * 1000 for t in self.tanks)
        self.levels = np.array([self._first_level(k) for k in range(len(self.tanks))])
        self.word = [self._word_at(k) for k in range(len(self.tanks))]
        self.history = "draining"
        self.covered = [
            t.inlet_at is None or h > t.inlet_at.nominal
            for t, h in zip(self.tanks, self.levels, strict=True)
        ]
        self.held = ["" for _ in self.tanks]
        self.feeds = [f for f in plan.feeds if plant.holds(f.when)]
        self.feeds = [f for f in self.feeds if self.forced[self.place[f.tank]] is None]
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
        self.memory: Mapping[str, bool] = {}
        self.changed: dict[str, str] = {}
        self.timers: list[float | None] = [None] * len(plan.stays)
        self.going_back: list[tuple[float, int]] = []
        self.draws = self._draws(drawing)
        self.drawing = [0.0] * len(self.tanks)
        self.record = Recorder(plan, self.areas, self.levels)

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

    def _floats(self, travel: Mapping[str, float]) -> list[_Float]:
        found = []
        for plan in self.plan.floats:
            installation = self.plant.installation
            if not installation.has(plan.unit) or not installation.fits(plan.needs):
                continue
            tank = self.place[plan.tank]
            up = bool(self.levels[tank] >= plan.at.nominal)
            own = travel.get(plan.unit, plan.travel.nominal)
            found.append(_Float(plan.unit, tank, plan.at.nominal, own, up, up))
        for name in travel:
            if name not in {one.unit for one in found}:
                raise fail(
                    "unknown-id", f"'{name}' is no float here", None, [f.unit for f in found]
                )
        return found

    def _draws(
        self, drawing: Sequence[tuple[float, str, float]] | None
    ) -> list[tuple[float, int, float]]:
        """(time, tank, change of the draw-off) in order: every opening and closing of a tap."""
        if drawing is not None:
            before = [0.0] * len(self.tanks)
            steps = []
            for time, tank, flow in drawing:
                k = self.place[tank]
                steps.append((time, k, flow - before[k]))
                before[k] = flow
            return steps
        found: list[tuple[float, int, float]] = []
        plan, flow = self.plan, self.plan.tap_flow.nominal
        for tank in {draw.tank: None for draw in plan.draws}:
            parts = sorted((d.start.nominal, d.flow.nominal) for d in plan.draws if d.tank == tank)
            ends = [*(start for start, _ in parts[1:]), DAY]
            for day in range(int(np.ceil(self.end / DAY))):
                for (start, mean), stop in zip(parts, ends, strict=True):
                    litres = mean * (stop - start)
                    count = max(1, round(litres / (flow * plan.tap_lasts.nominal)))
                    lasts = litres / (count * flow)
                    rng = np.random.default_rng(
                        zlib.crc32(f"{self.seed}:{tank}:{day}:{start}".encode())
                    )
                    for opened in np.sort(rng.uniform(start, stop - lasts, count)):
                        at = day * DAY + float(opened)
                        found += [
                            (at, self.place[tank], flow),
                            (at + lasts, self.place[tank], -flow),
                        ]
        return sorted(found)

    # one stretch -------------------------------------------------------------------------------

    def whole(self) -> Day:
        """From midnight to the end."""
        idle = 0
        self._due_draws()
        while self.now < self.end - 1e-12:
            settled = self._settle()
            self._time_stays(settled)
            horizon = min(self._scheduled(settled), self.end) - self.now
            going = flight(self._balance(settled), self.levels, max(horizon, 1e-9))
            step, actions = max(horizon, 0.0), list[Action]()
            for what, action in self._watch(settled, self._balance(settled)):
                met = going.falls_below(what, step) if step > 0 else None
                if step <= 0 and what.at(self.levels) < -NEAR:
                    met = 0.0
                if met is not None and met <= step:
                    actions = [*(actions if met == step else []), action]
                    step = met
            self._advance(going, settled, step)
            idle = 0 if step > 0 else idle + 1
            if idle > STUCK:
                raise fail("day", f"the balance does not get past {self.now / 60:.3f} h")
            for action in actions:
                action()
            self._due()
        return self.record.day(self)

    def _settle(self) -> Settled:
        words = {"mode": "auto", "manual": "off", "history": self.history}
        for tank, word, forced in zip(self.tanks, self.word, self.forced, strict=True):
            words[tank.situation] = forced or tank.words[word].word
        for one in self.floats:
            words[f"{one.unit}_level"] = "wet" if one.seen else "dry"
        cut = frozenset(
            name
            for tank, covered in zip(self.tanks, self.covered, strict=True)
            if not covered
            for name in tank.empties
        )
        settled = self.plant.settle(words, self.memory, self.changed, cut, self.levels)
        self.memory = settled.memory
        return settled

    def _balance(self, settled: Settled) -> Balance:
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

    def _watch(self, settled: Settled, balance: Balance) -> Iterator[tuple[Affine, Action]]:
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
        net = balance.net(k) + Affine(-lost, (0.0,) * count)
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

    def _waves(self, one: _Float, settled: Settled) -> float:
        pours = one.tank == 0 and settled.is_on("fills")
        return self.plan.ripple_height.nominal if pours else 0.0

    def _float_moves(self, one: _Float, settled: Settled) -> Affine:
        """What comes to zero when the float switches over."""
        wave, count = self._waves(one, settled), len(self.tanks)
        if one.up:
            return level_of(one.tank, count, 1.0, one.at - one.travel + wave)
        return level_of(one.tank, count, -1.0, -(one.at - wave))

    def _moving(self, one: _Float) -> Action:
        def act() -> None:
            one.up = not one.up
            one.due = np.inf if one.up == one.seen else self.now + self.steady
            one.gate = self.now + self.plan.ripple_period.nominal / 2

        return act

    # time --------------------------------------------------------------------------------------

    def _scheduled(self, settled: Settled) -> float:
        times = [self.end]
        if self.draws:
            times.append(self.draws[0][0])
        times += [t for span in self.off for t in span if t > self.now + 1e-12]
        times += [one.due for one in self.floats]
        times += [one.gate for one in self.floats if one.gate > self.now]
        times += [
            start + stay.lasts.nominal
            for start, stay in zip(self.timers, self.plan.stays, strict=True)
            if start is not None
        ]
        times += [time for time, _ in self.going_back]
        return min(times)

    def _advance(self, going: Flight, settled: Settled, step: float) -> None:
        until = self.now + step
        self.record.stretch(self.now, until, going, settled, self.held, self.drawing)
        if step > 0:
            self.levels = going.levels(step)
        self.now = until

    def _time_stays(self, settled: Settled) -> None:
        for k, stay in enumerate(self.plan.stays):
            there = settled.lasting[k] and not any(n in self.changed for n in stay.set)
            if not there:
                self.timers[k] = None
            elif self.timers[k] is None:
                self.timers[k] = self.now

    def _due_draws(self) -> None:
        while self.draws and self.draws[0][0] <= self.now + 1e-12:
            _, tank, change = self.draws.pop(0)
            left = self.drawing[tank] + change
            self.drawing[tank] = left if abs(left) > 1e-9 else 0.0

    def _due(self) -> None:
        """Everything whose time has come."""
        self._due_draws()
        for one in self.floats:
            if one.due <= self.now + 1e-12:
                one.seen, one.due = one.up, np.inf
                self.record.seen(self.now, one.unit, one.seen)
        for k, (start, stay) in enumerate(zip(self.timers, self.plan.stays, strict=True)):
            if start is None or start + stay.lasts.nominal > self.now + 1e-12:
                continue
            self.timers[k] = None
            self.changed.update(stay.set)
            self.record.say(self.now, "stays", stay.says)
            if stay.until is not None:
                self.going_back.append((self.now + stay.until.nominal, k))
        for time, k in [item for item in self.going_back if item[0] <= self.now + 1e-12]:
            self.going_back.remove((time, k))
            stay = self.plan.stays[k]
            for name in stay.set:
                self.changed.pop(name, None)
            self.record.say(self.now, "back", f"over: {stay.says}")
