"""Letting a circuit settle: networks, thresholds, controller logic, until nothing changes.

All operating points (condition × sample) are iterated together. What never settles is a limit
cycle (a relay that chatters, a controller that resets each time the pump starts); what hangs on
an undefined logic level is noise. Both are reported as two phases, A and B; everywhere else
the two phases are equal.

A condition may come `after` another: the settled logic of the earlier one is readable as
``held.<name>`` (the controller's run memory).
"""

from __future__ import annotations

import copy
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from diagnose.knowledge.records import DOMAINS, Domain
from diagnose.plant.circuit import Circuit
from diagnose.plant.compiled import Branch, Watched
from diagnose.plant.elements import TURNS
from diagnose.plant.phases import Condition, Flags, Frame, Indices, Phase, Values

SETTLE = 26
WATCH_FROM = 14
DIODE_ROUNDS = 10
"""Rounds in which the diodes of one domain may find their state, the switches held."""
LOW_SHARE, HIGH_SHARE = 0.3, 0.6
"""Logic thresholds as shares of the supply: ATmega328P, DS40001984A (2018), Table 32-2."""
LEAST_REFERENCE = 0.5
"""V; below this supply an input has no level worth the name."""
FLOATING_OHMS = 2e6
"""Above this Thevenin resistance an input is floating (10 MΩ meters load it visibly)."""


class Settler:
    """Settles one circuit in many conditions; row r is condition r // lanes."""

    def __init__(self, circuit: Circuit, conditions: Sequence[Condition]) -> None:
        self.circuit = circuit
        self.conditions = conditions
        self.lanes = circuit.lanes.count
        self._solved: tuple[Domain, ...] = DOMAINS
        if all(condition.dead for condition in conditions):
            self._solved = ("water",)
        self.rows = len(conditions) * self.lanes
        self.branches = circuit.branches
        self.pins = [w for w in circuit.watched if w.kind == "pin"]
        self._tile = np.tile(np.arange(self.lanes), len(conditions))
        self._lifted = {
            branch.name: self._spread([branch.name in c.lift for c in conditions])
            for branches in self.branches.values()
            for branch in branches
            if any(branch.name in c.lift for c in conditions)
        }
        self._limits = {
            w.name: (w.on_above[self._tile], w.off_below[self._tile]) for w in circuit.watched
        }
        self._fixed = {domain: self._fixed_on(domain) for domain in DOMAINS}
        diodes = [f"on:{b.name}" for bs in self.branches.values() for b in bs if b.kind == "diode"]
        signals = [w.name for w in circuit.watched]
        self._moving = (*signals, *diodes, *(line.name for line in circuit.logic))
        modes = self._tile // circuit.lanes.samples
        changing = {mode for line in circuit.logic for mode, _ in line.changed}
        self._of_mode = {mode: modes == mode for mode in changing}

    def _spread(self, per_condition: Sequence[Any]) -> NDArray[Any]:
        return np.repeat(np.asarray(per_condition), self.lanes)

    def start(self, held: Mapping[str, NDArray[Any]]) -> Values:
        """Situation, variables and memory as arrays, every signal off."""
        circuit = self.circuit
        values = Values()
        names = {name for c in self.conditions for name in c.values}
        for name in names | circuit.lanes.forced_names():
            values[f"situation.{name}"] = np.concatenate(
                [
                    circuit.lanes.situation(name, c.values.get(name, ""), c.found)
                    for c in self.conditions
                ]
            )
        for name, constant in circuit.constants.items():
            values[name] = constant[self._tile]
        for watched in circuit.watched:
            values[watched.name] = np.zeros(self.rows, dtype=bool)
        for branches in self.branches.values():
            for branch in branches:
                if branch.kind == "diode":
                    values[f"on:{branch.name}"] = np.zeros(self.rows, dtype=bool)
        for name, memory in held.items():
            values[f"held.{name}"] = memory
        self._think(values)
        return values

    def _think(self, values: Values) -> None:
        for line in self.circuit.logic:
            result = np.asarray(line.base.evaluate(values))
            if not result.shape:
                result = np.full(self.rows, result)
            for mode, other in line.changed:
                rows = self._of_mode[mode]
                changed = np.broadcast_to(np.asarray(other.evaluate(values)), (self.rows,))
                result = np.where(rows, changed, result)
            values[line.name] = result

    def _fixed_on(self, domain: Domain) -> tuple[Flags, list[int]]:
        """Closed branches that nothing moves, (rows, branches), and which ones may move."""
        branches = self.branches[domain]
        on = np.ones((self.rows, len(branches)), dtype=bool)
        moving = []
        for k, branch in enumerate(branches):
            if branch.bridge:
                _, first, second = branch.name.split(":")
                on[:, k] = self._spread([(first, second) in c.bridge for c in self.conditions])
            elif branch.kind == "diode" or branch.closed:
                moving.append(k)
            else:
                on[:, k] = self._forced(branch, on[:, k])
        return on, moving

    def _switches(self, domain: Domain, values: Values) -> Flags:
        """Which branches are closed now, (rows, branches)."""
        fixed, moving = self._fixed[domain]
        on = fixed.copy()
        for k in moving:
            branch = self.branches[domain][k]
            if branch.kind == "diode":
                moved = values[f"on:{branch.name}"]
            else:
                assert branch.closed is not None
                moved = branch.closed.evaluate(values)
            on[:, k] = self._forced(branch, moved)
        return on

    def _forced(self, branch: Branch, on: Any) -> Any:
        """What failure modes and lifted leads make of a branch's state."""
        if branch.joined is not None:
            on = on | branch.joined[self._tile]
        if branch.cut is not None:
            on = on & ~branch.cut[self._tile]
        if branch.name in self._lifted:
            on = on & ~self._lifted[branch.name]
        return on

    def _sense(self, phase: Phase, seen: dict[str, NDArray[Any]], values: Values) -> Flags:
        """New signals from solved networks, in place; which rows changed."""
        changed = np.zeros(self.rows, dtype=bool)
        for watched in self.circuit.watched:
            before = values[watched.name]
            if watched.kind == "pin":
                now = self._level(watched, phase, seen, values)
            else:
                on_above, off_below = self._limits[watched.name]
                now = self._size(watched, phase) > np.where(before, off_below, on_above)
                if watched.latches:
                    now = now | before
            changed |= now != before
            values[watched.name] = now
        return changed

    def _size(self, watched: Watched, phase: Phase) -> NDArray[Any]:
        v = phase.v[watched.domain]
        if watched.kind == "volts":
            return np.asarray(np.abs(_voltage(v, watched.nodes[0]) - _voltage(v, watched.nodes[1])))
        if watched.kind == "share":
            pin, ground, reference = (_voltage(v, node) for node in watched.nodes)
            whole = np.maximum(np.real(reference - ground), LEAST_REFERENCE)
            return np.asarray(np.maximum(np.real(pin - ground) / whole, 0.0))
        if watched.kind == "sequence":
            return sequence(*(_voltage(v, node) for node in watched.nodes))
        solver = self.circuit.solvers[watched.domain]
        on = phase.on[watched.domain]
        flows = [solver.current(on, self._tile, v, b) for b in watched.branches]
        if watched.kind == "amps":
            return np.asarray(np.abs(flows[0]))
        if watched.kind == "residual":
            return np.asarray(np.abs(sum(flows)))
        return np.asarray(np.abs(np.imag(np.conj(flows[0]) * flows[1])))

    def _level(
        self, pin: Watched, phase: Phase, seen: dict[str, NDArray[Any]], values: Values
    ) -> NDArray[Any]:
        v = phase.v["dc"]
        ground = _voltage(v, pin.nodes[1])
        level = np.real(_voltage(v, pin.nodes[0]) - ground)
        supply = np.maximum(np.real(_voltage(v, pin.nodes[2]) - ground), LEAST_REFERENCE)
        high = level >= HIGH_SHARE * supply
        vague = (~high & (level > LOW_SHARE * supply)) | (seen[pin.name] > FLOATING_OHMS)
        if pin.noise is not None:
            noisy = np.broadcast_to(np.asarray(values[pin.noise], dtype=bool), (self.rows,))
        else:
            noisy = np.zeros(self.rows, dtype=bool)
        third = self._tile % self.circuit.lanes.samples % 3
        toggling = noisy | (vague & (third == 2))
        self._unsteady |= toggling
        guess = np.where(vague & ~noisy, third == 1, high)
        return np.where(toggling, self._phase == 1, guess)

    def settle(self, held: Mapping[str, NDArray[Any]]) -> tuple[Phase, Phase]:
        """Settle all rows; the two phases returned are equal where a row is steady."""
        self._unsteady = np.zeros(self.rows, dtype=bool)
        self._phase = 0
        start = self.start(held)
        a, b = self._run(Frame(start), 0)
        noisy = np.flatnonzero(self._unsteady)
        if len(noisy):
            some = self._narrow(noisy)
            some._phase = 1
            _, other = some._run(Frame(start).narrow(noisy), 0)
            b.put(noisy, other)
        for phase in (a, b):
            phase.values = {**start, **phase.values}
        return a, b

    def _narrow(self, rows: Indices) -> Settler:
        """A settler of some of the rows."""
        few = copy.copy(self)
        few.rows = len(rows)
        few._tile = self._tile[rows]
        few._lifted = {name: flags[rows] for name, flags in self._lifted.items()}
        few._limits = {name: (on[rows], off[rows]) for name, (on, off) in self._limits.items()}
        few._fixed = {d: (on[rows], moving) for d, (on, moving) in self._fixed.items()}
        few._of_mode = {mode: flags[rows] for mode, flags in self._of_mode.items()}
        few._unsteady = np.zeros(len(rows), dtype=bool)
        return few

    def _run(self, frame: Frame, turn: int) -> tuple[Phase, Phase]:
        """Iterate; once half of the rows have settled, go on with the others alone."""
        changed = np.flatnonzero(self._turn(frame))
        while 2 * len(changed) >= self.rows and turn < WATCH_FROM:
            turn += 1
            changed = np.flatnonzero(self._turn(frame))
        low = frame.whole(self._moving)
        high = low.copy()
        if not len(changed):
            return low, high
        if turn >= WATCH_FROM:
            return self._cycle(frame, low, high)
        few = self._narrow(changed)
        less, more = few._run(frame.narrow(changed), turn + 1)
        self._unsteady[changed] |= few._unsteady
        low.put(changed, less)
        high.put(changed, more)
        return low, high

    def _cycle(self, frame: Frame, low: Phase, high: Phase) -> tuple[Phase, Phase]:
        """Two moments of what never settles: the fewest and the most signals on.

        Where these are as many all the way round, the second is the most unlike the first.
        """
        seen, told = [low], [self._signals(frame)]
        for _ in range(WATCH_FROM, SETTLE):
            changed = self._turn(frame)
            seen.append(frame.whole(self._moving))
            told.append(self._signals(frame))
        moments = np.array(told)
        count = moments.sum(axis=2)
        fewest, most = count.argmin(axis=0), count.argmax(axis=0)
        least = moments[fewest, np.arange(self.rows)]
        unlike = (moments != least).sum(axis=2).argmax(axis=0)
        most = np.where(count.min(axis=0) == count.max(axis=0), unlike, most)
        low, high = low.copy(), high.copy()
        for chosen, phase in ((fewest, low), (most, high)):
            at = np.where(changed, chosen, len(seen) - 1)
            for k, moment in enumerate(seen):
                phase.put(np.flatnonzero(at == k), moment)
        return low, high

    def _signals(self, frame: Frame) -> Flags:
        """Every signal as it is now, (rows, signals)."""
        return np.stack([frame.values[w.name] for w in self.circuit.watched], axis=1)

    def _turn(self, frame: Frame) -> Flags:
        """Solve, sense, think once; which rows changed."""
        values = frame.values
        changed = np.zeros(self.rows, dtype=bool)
        for domain in DOMAINS:
            changed |= self._solve(domain, frame.phase, frame.seen, values)
        changed |= self._sense(frame.phase, frame.seen, values)
        before = {line.name: values[line.name] for line in self.circuit.logic}
        self._think(values)
        for name, old in before.items():
            changed |= np.asarray(values[name] != old)
        return changed

    def _solve(
        self, domain: Domain, phase: Phase, seen: dict[str, NDArray[Any]], values: Values
    ) -> Flags:
        """Solve one domain in place: its switches as they are, its diodes as they then conduct.

        Only rows whose branches moved are solved again. Returns the rows whose diodes do not
        come to rest, (rows,).
        """
        solver = self.circuit.solvers[domain]
        on = self._switches(domain, values)
        if domain not in self._solved:
            nodes = len(solver.network.nodes)
            phase.v[domain] = np.zeros((self.rows, nodes), dtype=solver.g_on.dtype)
            phase.on[domain] = on
            for pin in self.pins:
                seen.setdefault(pin.name, np.zeros(self.rows))
            return np.zeros(self.rows, dtype=bool)
        diodes = [branch for branch in self.branches[domain] if branch.kind == "diode"]
        for _ in range(DIODE_ROUNDS):
            self._solve_moved(domain, phase, seen, on)
            on = on.copy()
            for diode in diodes:
                across = solver.network.drop(phase.v[domain], diode.index)
                conducts = np.real(across) > diode.drop[self._tile]
                values[f"on:{diode.name}"] = conducts
                on[:, diode.index] = self._forced(diode, conducts)
            restless = np.asarray((on != phase.on[domain]).any(axis=1))
            if not restless.any():
                break
        return restless

    def _solve_moved(
        self, domain: Domain, phase: Phase, seen: dict[str, NDArray[Any]], on: Flags
    ) -> None:
        solver = self.circuit.solvers[domain]
        if domain not in phase.v:
            phase.v[domain], found = solver.solve(on, self._tile)
            moved = np.ones(self.rows, dtype=bool)
        else:
            moved = (on != phase.on[domain]).any(axis=1)
            if moved.any():
                phase.v[domain][moved], found = solver.solve(on[moved], self._tile[moved])
        phase.on[domain] = on
        if domain == "dc" and moved.any():
            for k, pin in enumerate(self.pins):
                column = seen.setdefault(pin.name, np.zeros(self.rows))
                column[moved] = found[:, k]


def sequence(one: NDArray[Any], two: NDArray[Any], three: NDArray[Any]) -> NDArray[np.float64]:
    """Positive less negative sequence of three voltages, V; below 0 the field turns back."""
    a = TURNS["three"]
    positive = (one + a * two + a * a * three) / 3
    negative = (one + a * a * two + a * three) / 3
    return np.asarray(np.abs(positive) - np.abs(negative))


def _voltage(v: NDArray[Any], node: int) -> NDArray[Any]:
    return v[:, node] if node >= 0 else np.zeros(len(v), dtype=v.dtype)
