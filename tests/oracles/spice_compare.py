"""The plant's settled circuits against ngspice: node voltages, signals, readings, outcome bins.

For every situation and test set-up under a failure mode, in both phases where the circuit does
not come to rest, each domain is solved again by `tests.oracles.spice`. Then are compared

- every node voltage (the mains side as complex numbers and as magnitudes);
- every switch with the expression that closes it, evaluated on the settled values (a settled
  state must be a fixed point);
- every signal with its threshold, applied to ngspice's voltages and currents. Between its two
  thresholds, latched, or at an undefined logic level a signal may be either way;
- every reading of every test whose reading is a number, taken with the instrument in the
  circuit, and the outcome in which it falls. A difference of bins is an *edge* where either value
  lies within the instrument's own spread of a limit between them, and counted apart.
"""

from __future__ import annotations

import cmath
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diagnose.knowledge.records import DOMAINS, Domain, Outcome
from diagnose.plant.behaviour import FLOATING_OHMS, HIGH_SHARE, LEAST_REFERENCE, LOW_SHARE
from diagnose.plant.compose import InstalledMode
from diagnose.plant.matrix import MatrixBuilder
from diagnose.plant.phases import Condition, Phase
from diagnose.plant.procedures import BRANCH_KINDS, InstalledTest
from diagnose.plant.readings import floor_of, numeric_reading, outcome_of
from diagnose.plant.simulation import Simulation
from tests.oracles.spice import (
    LOZ_OHMS,
    METER_OHMS,
    Probe,
    Question,
    Solution,
    SpiceWriter,
    solve,
)
from tests.oracles.spice_switches import switches
from tests.oracles.spice_tally import Tally

SIGNAL_EDGE = 0.01
"""A size this close to its threshold (share of it) may fall either way."""


@dataclass(frozen=True)
class State:
    """One sample of one phase of one condition, with its three circuits."""

    where: str
    condition: Condition
    phase: Phase
    row: int
    lane: int
    settled: bool
    flags: dict[Domain, NDArray[np.bool_]]
    questions: dict[Domain, Question]


class Comparison:
    """Compares one installation; solutions are shared between failure modes."""

    def __init__(self, builder: MatrixBuilder, samples: int = 3) -> None:
        self.builder = builder
        self.samples = samples
        self.tally = Tally()
        self._known: dict[Question, Solution] = {}
        installation = builder.installation
        self.metered = {
            f"{name}.{element}"
            for name in installation.instances
            for signal in installation.part_of(name).signals.values()
            if signal.kind not in ("volts", "pin", "share", "sequence")
            for element in signal.of
        }
        self._tests: dict[tuple[object, ...], list[InstalledTest]] = {}
        for test in builder.tests.values():
            if test.condition is None:
                continue
            self._tests.setdefault(test.condition.key, []).append(test)
            if test.spec.kind in BRANCH_KINDS:
                self.metered.update(test.of)

    def compare(self, modes: Sequence[InstalledMode | None]) -> None:
        """Compare every condition under several failure modes (None: healthy)."""
        for batch in self.builder.batches(modes):
            self._batch([modes[k] for k in batch])

    def _batch(self, modes: Sequence[InstalledMode | None]) -> None:
        simulation = self.builder.simulate(modes, self.samples)
        writer = SpiceWriter(simulation.circuit, self.metered)
        states: list[State] = []
        readings: list[tuple[State, InstalledTest, float, Probe | None, Question]] = []
        names = [mode.id if mode else "healthy" for mode in modes]
        for k, condition in enumerate(simulation.conditions):
            found = self._states(simulation, writer, k, names)
            states += found
            for test in self._tests.get(condition.key, ()):
                if test.spec.kind in ("signal", "hertz"):
                    self.tally.observations += len(found)
                    continue
                for phase in {id(state.phase): state.phase for state in found}.values():
                    inside = [state for state in found if state.phase is phase]
                    rows = np.array([state.row for state in inside])
                    values = numeric_reading(writer.circuit, test, phase, rows).tolist()
                    for state, value in zip(inside, values, strict=True):
                        readings.append(self._reading(writer, state, test, value))
        wanted = [q for state in states for q in state.questions.values()]
        wanted += [question for *_, question in readings]
        self._solve(wanted)
        floating: list[tuple[State, str, bool, Question]] = []
        for state in states:
            self._voltages(writer, state)
            if state.settled:
                floating += self._signals(writer, state)
        self._solve([question for *_, question in floating])
        for state, signal, value, question in floating:
            self._floating(writer, state, signal, value, question)
        for state, test, value, probe, question in readings:
            self._bin(writer, state, test, value, probe, question)

    def _solve(self, wanted: Sequence[Question]) -> None:
        fresh = [q for q in dict.fromkeys(wanted) if q not in self._known]
        self._known |= dict(zip(fresh, solve(fresh), strict=True))
        self.tally.circuits += len(fresh)

    def _states(
        self, simulation: Simulation, writer: SpiceWriter, k: int, names: Sequence[str]
    ) -> list[State]:
        condition = simulation.conditions[k]
        a, b, rows = simulation.phases(k)
        circuit = simulation.circuit
        setup = " ".join(f"{x}={y}" for x, y in sorted(condition.values.items()))
        setup += f" after {condition.after}" if condition.after else ""
        setup += f" lift {sorted(condition.lift)}" if condition.lift else ""
        setup += f" bridge {sorted(condition.bridge)}" if condition.bridge else ""
        signals = [w.name for w in circuit.watched]
        same = np.ones(len(rows), dtype=bool)
        for signal in signals:
            same &= a.values[signal][rows] == b.values[signal][rows]
        states = []
        for letter, phase in (("a", a), ("b", b)):
            flags, settled = switches(writer, condition, phase, rows)
            for place, row in enumerate(rows.tolist()):
                if letter == "b" and same[place]:
                    continue
                mode, sample = divmod(place, circuit.lanes.samples)
                which = f"{sample}{'' if same[place] else letter}"
                where = f"{names[mode]} [{setup}] sample {which}"
                if same[place] and not settled[place]:
                    self.tally.not_settled.append(where)
                questions = {d: writer.question(d, place, flags[d][place]) for d in DOMAINS}
                rests = bool(settled[place])
                own = {d: flags[d][place] for d in DOMAINS}
                states.append(State(where, condition, phase, row, place, rests, own, questions))
        self.tally.states += len(states)
        self.tally.moving += sum(not s.settled for s in states)
        return states

    def _reading(
        self, writer: SpiceWriter, state: State, test: InstalledTest, value: float
    ) -> tuple[State, InstalledTest, float, Probe | None, Question]:
        circuit, kind = writer.circuit, test.spec.kind
        if kind in BRANCH_KINDS:
            return state, test, value, None, state.questions[circuit.branch(test.of[0])[0]]
        nets = [circuit.net_of(x) for x in test.of]
        domain = circuit.installation.domain[nets[0]]
        other = nets[1] if len(nets) > 1 else None
        if kind == "head":
            return state, test, value, None, state.questions[domain]
        if kind in ("ohms", "insulation", "farads"):
            probe = Probe(kind, nets[0], other)  # type: ignore[arg-type]
        else:
            meter = LOZ_OHMS if kind == "volts_ac_loz" else METER_OHMS
            probe = Probe("volts", nets[0], other, meter)
        question = writer.question(domain, state.lane, state.flags[domain], probe)
        return state, test, value, probe, question

    def _voltages(self, writer: SpiceWriter, state: State) -> None:
        if not state.settled:
            return
        circuit = writer.circuit
        for domain in DOMAINS:
            solution = self._known[state.questions[domain]]
            order = [writer.nodes[domain][net] for net in circuit.networks[domain].nodes]
            if not order:
                continue
            theirs, ours = solution.v[order], state.phase.v[domain][state.row]
            self.tally.voltages += len(order)
            worst = getattr(self.tally, domain)
            gap = np.abs(theirs - ours)
            k = int(gap.argmax())
            net = circuit.networks[domain].nodes[k]
            told = f"{state.where}: {net} plant {ours[k]:.4g}, ngspice {theirs[k]:.4g}"
            worst.see(float(gap[k]), told)
            if domain == "ac":
                sizes = np.abs(np.abs(theirs) - np.abs(ours))
                k = int(sizes.argmax())
                self.tally.ac_magnitude.see(float(sizes[k]), f"{state.where}: node {k}")

    def _signals(
        self, writer: SpiceWriter, state: State
    ) -> list[tuple[State, str, bool, Question]]:
        """Compare the signals; logic levels that look wrong come back for a closer look."""
        doubtful = []
        circuit = writer.circuit
        for watched in circuit.watched:
            name, _, own = watched.name.rpartition(".")
            of = circuit.installation.part_of(name).signals[own].of
            value = bool(state.phase.values[watched.name][state.row])
            solution = self._known[state.questions[watched.domain]]
            self.tally.signals += 1
            if watched.kind == "pin":
                pin, ground, supply = (
                    writer.voltage(circuit.nets[f"{name}.{t}"], solution).real for t in of
                )
                share = (pin - ground) / max(supply - ground, 0.5)
                if LOW_SHARE < share < HIGH_SHARE:
                    self.tally.undefined += 1
                elif (share >= HIGH_SHARE) != value:
                    net = Probe(
                        "thevenin", circuit.nets[f"{name}.{of[0]}"], circuit.nets[f"{name}.{of[1]}"]
                    )
                    question = writer.question("dc", state.lane, state.flags["dc"], net)
                    doubtful.append((state, watched.name, value, question))
                continue
            if watched.kind == "share":
                pin, ground, whole = (
                    writer.voltage(circuit.nets[f"{name}.{t}"], solution).real for t in of
                )
                size = max((pin - ground) / max(whole - ground, LEAST_REFERENCE), 0.0)
            elif watched.kind == "sequence":
                size = _sequence(
                    *(writer.voltage(circuit.nets[f"{name}.{t}"], solution) for t in of)
                )
            elif watched.kind == "volts":
                ends = [writer.voltage(circuit.nets[f"{name}.{t}"], solution) for t in of]
                size = abs(ends[0] - ends[1])
            else:
                flows = [writer.amps(f"{name}.{e}", solution) for e in of]
                if watched.kind == "amps":
                    size = abs(flows[0])
                elif watched.kind == "residual":
                    size = abs(sum(flows))
                else:
                    size = abs((flows[0].conjugate() * flows[1]).imag)
            high = float(watched.on_above[state.lane])
            low = float(watched.off_below[state.lane])
            if value and (watched.latches or size > low):
                continue
            if not value and size <= high:
                continue
            limit = low if value else high
            told = f"{state.where}: {watched.name} is {value} at {size:.5g}, limit {limit:.5g}"
            near = abs(size - limit) <= SIGNAL_EDGE * limit
            (self.tally.signal_edges if near else self.tally.wrong_signals).append(told)
        return doubtful

    def _floating(
        self, writer: SpiceWriter, state: State, signal: str, value: bool, question: Question
    ) -> None:
        """A level against the voltage is right only where the input floats or is noisy."""
        circuit = writer.circuit
        name, _, own = signal.rpartition(".")
        part = circuit.installation.part_of(name)
        pin, ground = (circuit.nets[f"{name}.{t}"] for t in part.signals[own].of[:2])
        loaded, plain = self._known[question], self._known[state.questions["dc"]]
        lifted = (writer.voltage(pin, loaded) - writer.voltage(ground, loaded)) - (
            writer.voltage(pin, plain) - writer.voltage(ground, plain)
        )
        noise = state.phase.values.get(f"{signal}_noise")
        noisy = noise is not None and bool(noise[state.row])
        if noisy or abs(lifted) / 1e-9 > FLOATING_OHMS * (1 - SIGNAL_EDGE):
            self.tally.undefined += 1
        else:
            level = (writer.voltage(pin, plain) - writer.voltage(ground, plain)).real
            self.tally.wrong_signals.append(f"{state.where}: {signal} is {value} at {level:.4g} V")

    def _bin(
        self,
        writer: SpiceWriter,
        state: State,
        test: InstalledTest,
        ours: float,
        probe: Probe | None,
        question: Question,
    ) -> None:
        circuit, solution, kind = writer.circuit, self._known[question], test.spec.kind
        shown: complex
        if probe is not None:
            shown = writer.shown(probe, solution)
        elif kind == "head":
            nets = [circuit.net_of(x) for x in test.of]
            shown = writer.voltage(nets[0], solution)
            shown -= writer.voltage(nets[1], solution) if len(nets) > 1 else 0.0
        else:
            shown = writer.amps(test.of[0], solution)
        signed = kind in ("volts_dc", "amps_dc", "flow", "head", "ohms", "insulation", "farads")
        theirs = shown.real if signed else abs(shown)
        self.tally.readings += 1
        if state.settled and kind.startswith("volts"):
            worst = self.tally.read_dc if kind == "volts_dc" else self.tally.read_ac
            where = f"{state.where}: {test.id} plant {ours:.4g}, ngspice {theirs:.4g}"
            worst.see(abs(ours - theirs), where)
        first, second = outcome_of(ours, test.outcomes), outcome_of(theirs, test.outcomes)
        if first == second:
            return
        told = (
            f"{state.where}{'' if state.settled else ' (moving)'}: {test.id}"
            f" plant {ours:.5g} {first}, ngspice {theirs:.5g} {second}"
        )
        edge = _at_edge(ours, theirs, test.outcomes, test.spread, test.spec.unit)
        (self.tally.edges if edge else self.tally.bins).append(told)


def _sequence(one: complex, two: complex, three: complex) -> float:
    """Positive less negative sequence, by the textbook's operator a."""
    a = cmath.exp(2j * cmath.pi / 3)
    return abs(one + a * two + a**2 * three) / 3 - abs(one + a**2 * two + a * three) / 3


def _at_edge(
    ours: float, theirs: float, outcomes: Sequence[Outcome], spread: float, unit: str
) -> bool:
    """Whether every limit between two values lies within the instrument's spread of one."""
    floor = floor_of(unit, outcomes)
    low, high = min(ours, theirs), max(ours, theirs)
    crossed = [o.below for o in outcomes if o.below is not None and low < o.below <= high]
    return all(
        min(abs(limit - x) - (spread * abs(x) + floor) for x in (ours, theirs)) <= 0
        for limit in crossed
    )
