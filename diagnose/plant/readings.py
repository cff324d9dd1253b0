"""What an instrument or a person would read in a settled circuit, and in which outcome it falls."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from diagnose.knowledge.records import Domain, Outcome
from diagnose.plant.circuit import Circuit
from diagnose.plant.patterns import distinct
from diagnose.plant.phases import Phase, Values
from diagnose.plant.procedures import BRANCH_KINDS, InstalledTest

METER_OHMS = 10e6
"""Input resistance of an ordinary digital multimeter on volts (references A5)."""
LOZ_OHMS = 3e3
"""Input resistance of a low-impedance range (references A5)."""
COUNTS_ABOVE = 10.0
"""V that a multimeter needs to count the frequency (common practice)."""
DIODE_TURNS = 8
"""Rounds of solving with the meter in the circuit until its diodes keep still."""
OHMS_END = 5e7
"""Above this an ordinary meter shows overload."""
LOWEST_HEAD = -(101_325.0 - 2_339.0) / (998.2 * 9.806_65)
"""No gauge shows less head, in m: there water boils (standard atmosphere of ISO 2533 less the
vapour pressure of water at 20 °C, over its density and standard gravity; steam tables, from
memory)."""


def numeric_reading(
    circuit: Circuit, test: InstalledTest, phase: Phase, rows: NDArray[np.int_]
) -> NDArray[np.float64]:
    """The number shown, in base units, for the given rows of a phase, (len(rows),)."""
    domain = _domain_of(circuit, test)
    lanes = rows % circuit.lanes.count
    first, places = distinct(circuit.solvers[domain].words(phase.on[domain][rows], lanes))
    return _reading(circuit, test, domain, phase, rows[first])[places]


def source_ohms(
    circuit: Circuit, test: InstalledTest, phase: Phase, rows: NDArray[np.int_]
) -> NDArray[np.float64]:
    """Thevenin resistance, in ohm, of what a voltage test measures, (len(rows),)."""
    domain = _domain_of(circuit, test)
    nets = [circuit.net_of(x) for x in test.of]
    p = circuit.node[nets[0]]
    q = circuit.node[nets[1]] if len(nets) > 1 else -1
    solver, network = circuit.solvers[domain], circuit.networks[domain]
    g = solver.conductance(phase.on[domain][rows], rows % circuit.lanes.count)
    return np.asarray(np.abs(network.between(g, p, q)))


def _domain_of(circuit: Circuit, test: InstalledTest) -> Domain:
    if test.spec.kind in BRANCH_KINDS:
        return circuit.branch(test.of[0])[0]
    return circuit.installation.domain[circuit.net_of(test.of[0])]


def _reading(
    circuit: Circuit, test: InstalledTest, domain: Domain, phase: Phase, rows: NDArray[np.int_]
) -> NDArray[np.float64]:
    kind = test.spec.kind
    if kind in BRANCH_KINDS:
        index = circuit.branch(test.of[0])[1]
        solver = circuit.solvers[domain]
        on, sample = phase.on[domain][rows], rows % circuit.lanes.count
        current = solver.current(on, sample, phase.v[domain][rows], index)
        return np.asarray(np.abs(current) if kind == "amps_ac" else np.real(current))
    nets = [circuit.net_of(x) for x in test.of]
    p = circuit.node[nets[0]]
    q = circuit.node[nets[1]] if len(nets) > 1 else -1
    if kind in ("ohms", "insulation", "farads"):
        return _resistance(circuit, domain, p, q, phase, rows, kind)
    if kind == "head":
        return np.asarray(np.maximum(np.real(_across(phase.v[domain][rows], p, q)), LOWEST_HEAD))
    meter = LOZ_OHMS if kind == "volts_ac_loz" else METER_OHMS
    lifted = test.condition.lift if test.condition else frozenset()
    v = _metered(circuit, domain, p, q, meter, phase, rows, lifted)
    across = _across(v, p, q)
    if kind == "hertz":
        return np.where(
            np.abs(across) > COUNTS_ABOVE, circuit.frequency[rows % len(circuit.frequency)], 0.0
        )
    return np.real(across) if kind == "volts_dc" else np.abs(across)


def _across(v: NDArray[Any], p: int, q: int) -> NDArray[Any]:
    zero = np.zeros(len(v))
    return np.asarray((v[:, p] if p >= 0 else zero) - (v[:, q] if q >= 0 else zero))


def _metered(
    circuit: Circuit,
    domain: Domain,
    p: int,
    q: int,
    meter: float,
    phase: Phase,
    rows: NDArray[np.int_],
    lifted: frozenset[str],
) -> NDArray[Any]:
    """Node voltages with a meter's resistance between two nodes, (rows, nodes).

    The switches stay as they settled; a diode that hangs on next to no current is turned off, or
    one at the end of a floating lead turned on, by the meter itself.
    """
    solver, network = circuit.solvers[domain], circuit.networks[domain]
    lanes = rows % circuit.lanes.count
    on = phase.on[domain][rows].copy()
    diodes = [b for b in circuit.branches[domain] if b.kind == "diode" and b.name not in lifted]
    v = np.zeros((len(rows), len(network.nodes)), dtype=solver.g_on.dtype)
    unsettled = np.arange(len(rows))
    for _ in range(DIODE_TURNS):
        lane, state = lanes[unsettled], on[unsettled]
        g, c = solver.conductance(state, lane), solver.constant(state, lane)
        solved = network.loaded(g, c, p, q, 1.0 / meter, solver.cross(state, lane))
        v[unsettled] = solved
        for diode in diodes:
            conducts = np.real(network.drop(solved, diode.index)) > diode.drop[lane]
            if diode.joined is not None:
                conducts |= diode.joined[lane]
            if diode.cut is not None:
                conducts &= ~diode.cut[lane]
            state[:, diode.index] = conducts
        moved = (state != on[unsettled]).any(axis=1)
        on[unsettled] = state
        unsettled = unsettled[moved]
        if not len(unsettled):
            break
    return v


def _resistance(
    circuit: Circuit,
    domain: Domain,
    p: int,
    q: int,
    phase: Phase,
    rows: NDArray[np.int_],
    kind: str,
) -> NDArray[np.float64]:
    """Ohms (direct current) or farads between two points of a dead circuit."""
    solver, network = circuit.solvers[domain], circuit.networks[domain]
    on, sample = phase.on[domain][rows], rows % circuit.lanes.count
    g = solver.conductance(on, sample)
    if kind == "farads":
        admittance = 1.0 / network.between(g, p, q)
        return np.maximum(np.imag(admittance) / (2 * np.pi * circuit.frequency[sample]), 0.0)
    direct = np.real(1.0 / np.where(g == 0, 1e-12, g)).copy()
    for branch in circuit.branches[domain]:
        k = branch.index
        if branch.kind == "capacitor":
            direct[:, k] = np.where(np.abs(g[:, k]) > 1.0, np.abs(1.0 / g[:, k]), 1e9)
        elif branch.kind == "source":
            direct[:, k] = np.where(
                np.abs(solver.constant(on, sample)[:, k]) > 0, 1e9, direct[:, k]
            )
        elif branch.kind == "diode":
            direct[:, k] = np.where(np.abs(direct[:, k]) < 0.1, direct[:, k], 1e9)
    return np.real(network.between(1.0 / direct, p, q))


def bin_probabilities(
    values: NDArray[np.float64], outcomes: Sequence[Outcome], spread: float, floor: float
) -> NDArray[np.float64]:
    """Chance of each numeric outcome given the true values, (len(values), len(outcomes)).

    The reading is normal about the true value with standard deviation
    ``spread·|value| + floor``; outcomes are ordered by their upper limits.
    """
    result = np.zeros((len(values), len(outcomes)))
    sigma = spread * np.abs(values) + floor
    below = np.zeros(len(values))
    for k, outcome in enumerate(outcomes):
        if outcome.when:
            continue
        limit = np.inf if outcome.below is None else outcome.below
        upper = _normal_below((limit - values) / sigma)
        result[:, k] = np.maximum(upper - below, 0.0)
        below = np.maximum(upper, below)
    return result


def _normal_below(z: NDArray[np.float64]) -> NDArray[np.float64]:
    """Standard normal distribution function; importing SciPy's costs more than it takes here."""
    return np.asarray(0.5 * _erfc(-z / math.sqrt(2.0)), dtype=np.float64)


_erfc = np.frompyfunc(math.erfc, 1, 1)


def floor_of(unit: str, outcomes: Sequence[Outcome]) -> float:
    """Smallest spread of a reading: a hundredth of the lowest limit."""
    limits = [abs(o.below) for o in outcomes if o.below]
    return 0.01 * min(limits) if limits else 1e-6


def outcome_of(value: float, outcomes: Sequence[Outcome]) -> str:
    """The outcome in which a reading falls."""
    for outcome in outcomes:
        if outcome.when:
            continue
        if outcome.below is None or value < outcome.below:
            return outcome.id
    return outcomes[-1].id


def distribution(
    circuit: Circuit, test: InstalledTest, a: Phase, b: Phase, rows: NDArray[np.int_]
) -> NDArray[np.float64]:
    """P(outcome) of a test over the samples in `rows`, (outcomes,)."""
    return np.asarray(per_sample(circuit, test, a, b, rows).mean(axis=0))


def per_sample(
    circuit: Circuit, test: InstalledTest, a: Phase, b: Phase, rows: NDArray[np.int_]
) -> NDArray[np.float64]:
    """P(outcome) of a test for each sample in `rows`, (len(rows), outcomes)."""
    outcomes = test.outcomes
    if test.spec.kind == "signal":
        return _signals(circuit, test, a, b, rows)
    one = numeric_reading(circuit, test, a, rows)
    domain = _domain_of(circuit, test)
    unlike = np.flatnonzero((a.on[domain][rows] != b.on[domain][rows]).any(axis=1))
    floor = floor_of(test.spec.unit, outcomes)
    p_one = bin_probabilities(one, outcomes, test.spread, floor)
    two, p_two = one, p_one
    if len(unlike):
        two, p_two = one.copy(), p_one.copy()
        two[unlike] = numeric_reading(circuit, test, b, rows[unlike])
        p_two[unlike] = bin_probabilities(two[unlike], outcomes, test.spread, floor)
    unsteady = next((k for k, o in enumerate(outcomes) if o.when == "changing"), None)
    result = (p_one + p_two) / 2
    if unsteady is not None:
        differs = (p_one.argmax(axis=1) != p_two.argmax(axis=1)) & (np.abs(one - two) > 2 * floor)
        result[differs] = 0.0
        result[differs, unsteady] = 1.0
    return result


def _signals(
    circuit: Circuit, test: InstalledTest, a: Phase, b: Phase, rows: NDArray[np.int_]
) -> NDArray[np.float64]:
    outcomes = test.outcomes
    env_a, env_b = _environment(a, rows), _environment(b, rows)
    result = np.zeros((len(rows), len(outcomes)))
    left_a = np.ones(len(rows), dtype=bool)
    left_b = left_a.copy()
    changing = np.zeros(len(rows), dtype=bool)
    for k, outcome in enumerate(outcomes):
        text = outcome.when.removeprefix("changing ").strip()
        if text:
            line = circuit.compile(text, "")
            on_a = np.broadcast_to(np.asarray(line.evaluate(env_a), dtype=bool), (len(rows),))
            on_b = np.broadcast_to(np.asarray(line.evaluate(env_b), dtype=bool), (len(rows),))
        else:
            on_a = on_b = np.ones(len(rows), dtype=bool)
        if outcome.when.startswith("changing "):
            changing = on_a != on_b
            result[changing, k] = 1.0
            left_a &= ~changing
            left_b &= ~changing
            continue
        result[left_a & on_a, k] += 0.5
        result[left_b & on_b, k] += 0.5
        left_a, left_b = left_a & ~on_a, left_b & ~on_b
    return result


def _environment(phase: Phase, rows: NDArray[np.int_]) -> Values:
    class Rows(Values):
        def __missing__(self, key: str) -> Any:
            if key in phase.values:
                value = phase.values[key][rows]
                self[key] = value
                return value
            return super().__missing__(key)

    return Rows()
