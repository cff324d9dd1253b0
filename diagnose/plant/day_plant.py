"""One installation as it behaves through a day: settled for what the water does at the moment.

What was settled once is kept, by the words for the levels, the memory of the controller and what
has stayed changed; it holds as long as no valve of the water network would turn over and no flow
would pass a threshold at the present levels.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from diagnose.errors import fail
from diagnose.knowledge.day_records import DayPlan
from diagnose.knowledge.expressions import Expression, code
from diagnose.knowledge.names import unit_of
from diagnose.knowledge.records import Number
from diagnose.plant.balance import NEAR, Affine, Levels
from diagnose.plant.behaviour import Settler
from diagnose.plant.circuit import Circuit
from diagnose.plant.compose import Fault, Installation
from diagnose.plant.lanes import Draw, Samples, nominal, patch_of
from diagnose.plant.phases import Condition, Phase, Values

LANES = 3
"""Samples of one draw: an undefined logic level is taken as low, high and toggling in turn."""
SLACK = 2e-6
"""A valve of the water network turns over so many m, a threshold so many L/min, late."""
NO_FLOW = 1e-3
"""Less than so many L/min is what the model's open elements let through: nothing."""


def drawn(seed: int) -> Draw:
    """How parts are drawn from their tolerances: as written for 0, else by the seed and name."""
    if seed == 0:
        return nominal

    def draw(name: str, number: Number, count: int) -> Samples:
        u = np.random.default_rng(zlib.crc32(f"{seed}:{name}".encode())).uniform()
        if number.log and number.low > 0:
            return np.full(count, number.low * (number.high / number.low) ** u)
        return np.full(count, number.low + u * (number.high - number.low))

    return draw


@dataclass(frozen=True)
class Settled:
    """What the installation does until something switches.

    Attributes
    ----------
    shows
        Name → (in phase A, in phase B); they differ where something rattles.
    lasting
        For each entry of the plan's `stays`, whether its state is there.
    flows
        Water elements of the plan → flow, L/min, as the levels have it.
    guards
        What must stay above zero for all this to hold: a valve gives way `SLACK` beyond its
        balance, so that it does not flutter there.
    watts
        Power of the motor's circuit.
    memory
        The controller's memory for what comes next.
    """

    shows: Mapping[str, tuple[bool, bool]]
    lasting: tuple[bool, ...]
    flows: Mapping[str, Affine]
    guards: tuple[Affine, ...]
    watts: float
    memory: Mapping[str, bool]

    def holds_at(self, levels: Levels) -> bool:
        """Whether nothing is about to turn over at these levels."""
        return all(guard.at(levels) > NEAR for guard in self.guards)

    def is_on(self, name: str) -> bool:
        """Whether something shown is on, all the time or rattling."""
        return any(self.shows.get(name, (False, False)))

    def rattles(self, name: str) -> bool:
        """Whether something shown goes on and off all the time."""
        first, second = self.shows.get(name, (False, False))
        return first != second


def fitted(installation: Installation, plan: DayPlan) -> Installation:
    """The installation with floats that answer to a level of their own, ``<unit>_level``."""
    instances = dict(installation.instances)

    def put(unit: str, line: str, text: str) -> None:
        if unit in instances:
            old = instances[unit]
            instances[unit] = replace(old, logic={**old.logic, line: text})

    for plan_float in plan.floats:
        put(plan_float.unit, "wet", f"{plan_float.unit}_level == 'wet'")
    for full, text in plan.logic.items():
        unit, _, line = full.partition(".")
        put(unit, line, text)
    return replace(installation, instances=instances, compiled={})


class DayPlant:
    """The installation under one fault, with parts drawn by a seed."""

    def __init__(
        self, installation: Installation, plan: DayPlan, fault: Fault | None, seed: int
    ) -> None:
        self.plan = plan
        self.installation = fitted(installation, plan)
        self.circuit = Circuit(self.installation, [fault], samples=LANES, draw=drawn(seed))
        self.row = seed % LANES
        self.forced = {**patch_of(fault).always}
        self.tanks = tuple(plan.tanks.values())
        circuit = self.circuit
        self._constants = circuit.constants
        self._remembered = sorted(
            {n.removeprefix("held.") for x in circuit.logic for n in x.names if n[:5] == "held."}
        )
        self._shows = {n: self._compile(t) for n, t in plan.shows.items() if self._fits(t)}
        self._stays = [self._compile(stay.when) for stay in plan.stays]
        self.water = circuit.solvers["water"]
        self._heads = [circuit.branch(tank.head)[1] for tank in self.tanks]
        self._given = [self.water.c_on[head].copy() for head in self._heads]
        self._elements = {
            name: circuit.branch(name)[1]
            for tank in self.tanks
            for name in (*tank.fills, *tank.empties, *tank.airs)
        }
        self._diodes = [
            b for b in circuit.branches["water"] if b.kind == "diode" and b.joined is None
        ]
        self._known: dict[object, list[Settled]] = {}
        self.settlings = 0

    def _fits(self, text: str) -> bool:
        names = self._compile(text).names
        return any(not name.startswith("absent.") for name in names)

    def _compile(self, text: str) -> Expression:
        return self.circuit.compile(text, "", getattr(text, "place", None))

    def parameter(self, name: str) -> float:
        """A parameter as drawn, in base units.

        Raises
        ------
        DiagnoseError
            No fitted part has it.
        """
        if name not in self.circuit.parameters:
            raise fail("unknown-id", f"'{name}' is not a parameter", getattr(name, "place", None))
        return float(self.circuit.parameters[name][self.row])

    def holds(self, text: str) -> bool:
        """Whether an expression over variables of parts alone holds from the start; "" does."""
        if not text:
            return True
        line = self._compile(text)
        env = Values({name: self._constants[name] for name in line.names & self._constants.keys()})
        return bool(np.broadcast_to(line.evaluate(env), (LANES,))[self.row])

    def settle(
        self,
        words: Mapping[str, str],
        memory: Mapping[str, bool],
        changed: Mapping[str, str],
        cut: frozenset[str],
        levels: Levels,
    ) -> Settled:
        """What the installation does now.

        Parameters
        ----------
        words
            The situation's variables.
        changed
            Variables of parts that have stayed changed.
        cut
            Water elements through which nothing can flow.
        levels : (tanks,)
            Present levels, m.
        """
        held = tuple(bool(memory.get(name)) for name in self._remembered)
        key = (tuple(sorted(words.items())), held, tuple(sorted(changed.items())), cut)
        known = self._known.setdefault(key, [])
        for settled in known:
            if settled.holds_at(levels):
                return settled
        settled = self._settle(Condition(words, lift=cut), held, changed, levels)
        known.append(settled)
        return settled

    def _settle(
        self,
        condition: Condition,
        held: Sequence[bool],
        changed: Mapping[str, str],
        levels: Levels,
    ) -> Settled:
        self.settlings += 1
        circuit = self.circuit
        for tank, head, given, level in zip(
            self.tanks, self._heads, self._given, levels, strict=True
        ):
            rise = (level - tank.head_at.nominal) * (-1.0 if tank.head_falls else 1.0)
            self.water.change(head, given - rise * self.water.g_on[head])
        circuit.constants = {
            **self._constants,
            **{name: np.full(LANES, code(word)) for name, word in changed.items()},
        }
        memory = {
            name: np.full(LANES, value) for name, value in zip(self._remembered, held, strict=True)
        }
        phases = Settler(circuit, [condition]).settle(memory)
        flows: dict[str, Affine] = {}
        guards: list[Affine] = []
        watts = 0.0
        for phase in phases:
            found, limits = self._water(phase, levels, condition.lift)
            for name, flow in found.items():
                flows[name] = flows[name] + flow * 0.5 if name in flows else flow * 0.5
            guards += [limit for limit in limits if limit not in guards]
            watts += self._watts(phase) / 2
        return Settled(
            {name: self._both(line, phases) for name, line in self._shows.items()},
            tuple(all(self._both(line, phases)) for line in self._stays),
            flows,
            tuple(guards),
            watts,
            {name: bool(phases[0].values[name][self.row]) for name in self._remembered},
        )

    def _both(self, line: Expression, phases: tuple[Phase, Phase]) -> tuple[bool, bool]:
        sides = []
        for phase in phases:
            env = Values({n: phase.values[n] for n in line.names if n in phase.values})
            sides.append(bool(np.broadcast_to(line.evaluate(env), (LANES,))[self.row]))
        return sides[0], sides[1]

    def _water(
        self, phase: Phase, levels: Levels, cut: frozenset[str]
    ) -> tuple[dict[str, Affine], list[Affine]]:
        """Flows of the plan's elements and what bounds them, from the valves as they stand."""
        on = phase.on["water"][self.row : self.row + 1]
        lane = np.array([self.row])
        g, c = self.water.conductance(on, lane), self.water.constant(on, lane)
        rows = np.repeat(c, 1 + len(levels), axis=0)
        for k, (tank, head) in enumerate(zip(self.tanks, self._heads, strict=True)):
            if on[0, head]:
                sign = -1.0 if tank.head_falls else 1.0
                rows[1 + k, head] -= sign * g[0, head]
        network = self.water.network
        v, _ = network.solve(np.repeat(g, len(rows), axis=0), rows)

        def affine(values: Samples, less: float = 0.0) -> Affine:
            """From the values at the present levels and with each level one metre higher."""
            now, slope = float(values[0]), tuple(float(x) for x in values[1:] - values[0])
            there = sum(s * h for s, h in zip(slope, levels, strict=True))
            return Affine(float(now - there - less), slope)

        def current(branch: int) -> Samples:
            return np.asarray(g[0, branch] * network.drop(v, branch) + rows[:, branch])

        nothing = Affine(0.0, (0.0,) * len(levels))
        flows = {}
        for name, branch in self._elements.items():
            flow = affine(current(branch))
            idle = max(abs(flow.at(levels)), *map(abs, flow.slope)) < NO_FLOW
            flows[name] = nothing if idle else flow
        guards = []
        for diode in self._diodes:
            if diode.name in cut or (diode.cut is not None and diode.cut[self.row]):
                continue
            over = affine(network.drop(v, diode.index), float(diode.drop[self.row]))
            guards.append(over if on[0, diode.index] else -over)
        guards += self._thresholds(phase, current, affine)
        loose = [Affine(guard.const + SLACK, guard.slope) for guard in guards]
        return flows, [
            guard
            for guard in loose
            if any(abs(s) > NEAR for s in guard.slope) and guard.at(levels) >= -NEAR
        ]

    def _thresholds(
        self,
        phase: Phase,
        current: Callable[[int], Samples],
        affine: Callable[[Samples, float], Affine],
    ) -> Iterator[Affine]:
        """What keeps each flow on its side of the threshold of a signal."""
        for watched in self.circuit.watched:
            if watched.domain != "water" or watched.kind != "amps":
                continue
            flow = current(watched.branches[0])
            above = bool(phase.values[watched.name][self.row])
            limit = (watched.off_below if above else watched.on_above)[self.row]
            over = affine(flow * (1.0 if flow[0] >= 0 else -1.0), float(limit))
            yield over if above else -over

    def _watts(self, phase: Phase) -> float:
        """Real power of the units that the plan names, W."""
        solver = self.circuit.solvers["ac"]
        on, v = phase.on["ac"][self.row : self.row + 1], phase.v["ac"][self.row : self.row + 1]
        lane = np.array([self.row])
        total = 0.0
        for branch in self.circuit.branches["ac"]:
            if unit_of(branch.name) in self.plan.power:
                drop = solver.network.drop(v, branch.index)[0]
                current = solver.current(on, lane, v, branch.index)[0]
                total += float(np.real(drop * np.conj(current)))
        return max(total, 0.0)
