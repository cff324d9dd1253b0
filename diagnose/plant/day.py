"""A day in the life of an installation: water balance, floats, controller, event by event.

Nothing of a fault is scripted. The plant says what relay, pump and flows do for the floats as they
are seen and the controller's memory as it was left; the balance says when the next float moves.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from diagnose.errors import fail
from diagnose.knowledge.day_records import DayPlan
from diagnose.knowledge.names import unit_of
from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.balance import NEAR, Flight
from diagnose.plant.compose import Fault, Installation
from diagnose.plant.day_draws import Step, steps_of, tap_steps
from diagnose.plant.day_plant import DayPlant, Settled
from diagnose.plant.day_record import Recorder
from diagnose.plant.day_values import Day
from diagnose.plant.day_waters import Action, Waters
from diagnose.plant.flights import flight
from diagnose.plant.pairs import together

LONGEST_HOURS = 24.0 * 14
STUCK = 400
"""So many events without any time passing mean that the model cannot go on."""
SOON = 1e-12
"""Times this near are the same, min."""


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
            unit = unit_of(name)
            legal = [m for m in installation.modes if m.startswith(f"{unit}.")]
            raise fail(
                "unknown-id",
                f"'{name}' is not a failure mode of this installation",
                getattr(name, "place", None),
                legal or sorted({unit_of(m) for m in installation.modes}),
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
    end = hours * 60
    steps = tap_steps(plan, end, seed) if drawing is None else steps_of(plan, drawing)
    return Run(plant, Waters(plant, travel or {}, main_off), tuple(modes), end, seed, steps).whole()


class Run:
    """The state between events: the water, the controller's memory, what has stayed changed."""

    def __init__(
        self,
        plant: DayPlant,
        water: Waters,
        modes: tuple[str, ...],
        end: float,
        seed: int,
        steps: list[Step],
    ) -> None:
        self.plant = plant
        self.plan = plant.plan
        self.water = water
        self.modes = modes
        self.end = end
        self.seed = seed
        self.now = 0.0
        self.memory: Mapping[str, bool] = {}
        self.changed: dict[str, str] = {}
        self.timers: list[float | None] = [None] * len(self.plan.stays)
        self.going_back: list[tuple[float, int]] = []
        self.steps = steps
        self.record = Recorder(self.plan, water.areas, water.levels)

    def whole(self) -> Day:
        """From midnight to the end."""
        water, idle = self.water, 0
        self._due_steps()
        while self.now < self.end - SOON:
            settled = self._settle()
            self._time_stays(settled)
            step = max(min(self._scheduled(), self.end) - self.now, 0.0)
            balance = water.balance(settled)
            going = flight(balance, water.levels, max(step, NEAR))
            actions: list[Action] = []
            for what, action in water.watch(settled, balance):
                met = going.falls_below(what, step) if step > 0 else None
                if step <= 0 and what.at(water.levels) < -NEAR:
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
        water = self.water
        words = {"mode": "auto", "manual": "off", **water.words()}
        settled = self.plant.settle(words, self.memory, self.changed, water.cut(), water.levels)
        self.memory = settled.memory
        return settled

    def _scheduled(self) -> float:
        times = [self.end, *self.water.times()]
        if self.steps:
            times.append(self.steps[0][0])
        times += [
            start + stay.lasts.nominal
            for start, stay in zip(self.timers, self.plan.stays, strict=True)
            if start is not None
        ]
        times += [time for time, _ in self.going_back]
        return min(times)

    def _advance(self, going: Flight, settled: Settled, step: float) -> None:
        until = self.now + step
        self.record.stretch(self.now, until, going, settled, self.water.held, self.water.drawing)
        if step > 0:
            self.water.levels = going.levels(step)
        self.now = self.water.now = until

    def _time_stays(self, settled: Settled) -> None:
        for k, stay in enumerate(self.plan.stays):
            there = settled.lasting[k] and not any(n in self.changed for n in stay.set)
            if not there:
                self.timers[k] = None
            elif self.timers[k] is None:
                self.timers[k] = self.now

    def _due_steps(self) -> None:
        drawing = self.water.drawing
        while self.steps and self.steps[0][0] <= self.now + SOON:
            _, tank, change = self.steps.pop(0)
            left = drawing[tank] + change
            drawing[tank] = left if abs(left) > NEAR else 0.0

    def _due(self) -> None:
        """Everything whose time has come."""
        self._due_steps()
        for one in self.water.floats:
            if one.due <= self.now + SOON:
                one.seen, one.due = one.up, math.inf
                self.record.seen(self.now, one.unit, one.seen)
        for k, (start, stay) in enumerate(zip(self.timers, self.plan.stays, strict=True)):
            if start is None or start + stay.lasts.nominal > self.now + SOON:
                continue
            self.timers[k] = None
            self.changed.update(stay.set)
            self.record.say(self.now, "stays", stay.says)
            if stay.until is not None:
                self.going_back.append((self.now + stay.until.nominal, k))
        for time, k in [item for item in self.going_back if item[0] <= self.now + SOON]:
            self.going_back.remove((time, k))
            stay = self.plan.stays[k]
            for name in stay.set:
                self.changed.pop(name, None)
            self.record.say(self.now, "back", f"over: {stay.says}")
