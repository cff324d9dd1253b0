"""The dependency matrix: P(outcome | failure mode, test), computed, never typed.

Every failure mode is injected, every condition that some test or complaint needs is settled,
every reading is put into its outcome; tolerances, ranges and the meter's accuracy are averaged.
"""

from __future__ import annotations

import copy
import itertools
import os
import re
import warnings
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from diagnose.knowledge.asked_records import Complaint
from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.circuit import SAMPLES, Circuit
from diagnose.plant.compose import Fault, Installation, InstalledMode
from diagnose.plant.conditions import conditions_for
from diagnose.plant.lanes import Draw, draw, nominal, patch_of
from diagnose.plant.procedures import InstalledTest, installed_tests, speaks_of
from diagnose.plant.readings import per_sample
from diagnose.plant.regimes import Regimes, gather, joined
from diagnose.plant.simulation import Simulation

HEALTHY = "healthy"
"""Name of the row that has no failure mode."""

ITSELF = re.compile(r"\b([a-z_][a-z0-9_]*)\.self ==")
"""A unit that an expression asks for by its own name."""

Regime = tuple[float, NDArray[np.float64], NDArray[np.float64]]
BATCH = 120
"""Most failure modes simulated side by side; large batches share the cost of each step."""

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class DependencyMatrix:
    """P(outcome | row, test) and P(complaint | row).

    Attributes
    ----------
    rows : tuple of str
        Installed failure modes (``unit.mode``), then `HEALTHY`.
    tests : tuple of str
        Installed tests.
    p : (rows, tests, outcomes)
        Padded with zeros beyond a test's own outcomes; each row sums to 1.
    sizes : (tests,)
        Number of outcomes of each test.
    complaints : mapping of complaint to (rows,)
        Chance that the customer would report it under each row.
    regimes : Regimes, optional
        The rows taken apart into the ways in which each shows itself.
    """

    rows: tuple[str, ...]
    tests: tuple[str, ...]
    p: NDArray[np.float64]
    sizes: NDArray[np.int_]
    complaints: Mapping[str, NDArray[np.float64]]
    regimes: Regimes | None = None

    def of(self, row: str, test: str) -> NDArray[np.float64]:
        """Distribution over the outcomes of one test under one row."""
        k = self.tests.index(test)
        return np.asarray(self.p[self.rows.index(row), k, : self.sizes[k]])

    def diluted(self, names: Collection[str], share: float) -> DependencyMatrix:
        """The matrix where some failure modes show only for a `share` of the time."""
        healthy = self.p[self.rows.index(HEALTHY)]
        some = np.array([name in names for name in self.rows])
        p = self.p.copy()
        p[some] = share * p[some] + (1 - share) * healthy
        regimes = self.regimes
        if regimes is not None:
            own = some[regimes.row]
            each = regimes.p.copy()
            each[own] = share * each[own] + (1 - share) * healthy
            regimes = replace(regimes, p=each)
        return replace(self, p=p, regimes=regimes)


_inherited: list[tuple[MatrixBuilder, Sequence[InstalledMode | None]]] = []
"""What forked children find: compiled expressions cannot be sent to them."""


def _in_child(batch: list[int]) -> list[list[Regime]]:
    builder, modes = _inherited[-1]
    return builder.batch([modes[r] for r in batch])


class MatrixBuilder:
    """Builds the matrix of one installation; `simulate` is also what practice and checks use."""

    def __init__(self, knowledge: KnowledgeBase, installation: Installation) -> None:
        self.knowledge = knowledge
        self.installation = installation
        self.tests = installed_tests(knowledge, installation, self.circuit_of(installation))
        fitting = [_fitting(complaint, installation) for complaint in knowledge.complaints.values()]
        self.complaints = [c for c in fitting if c.when]
        self._prepare()

    def only(self, tests: Collection[str], complaints: Collection[str]) -> MatrixBuilder:
        """A builder of some tests and complaints alone: it settles only what they need."""
        few = copy.copy(self)
        few.tests = {name: test for name, test in self.tests.items() if name in tests}
        few.complaints = [c for c in self.complaints if c.id in complaints]
        few._prepare()
        return few

    def _prepare(self) -> None:
        """The conditions that the tests and complaints need."""
        installation = self.installation
        self.conditions, self.named = conditions_for(installation, self.tests, self.complaints)
        self.index = {condition.key: k for k, condition in enumerate(self.conditions)}
        self.bridges = sorted({pair for c in self.conditions for pair in c.bridge})
        self._shared: dict[object, Circuit] = {}

    @staticmethod
    def circuit_of(installation: Installation) -> Circuit:
        """The healthy circuit, for looking up points and elements only: one nominal sample."""
        return Circuit(installation, samples=1, draw=nominal)

    def simulate(
        self,
        modes: Fault | Sequence[Fault | None] | None,
        samples: int = SAMPLES,
        draw: Draw = draw,
    ) -> Simulation:
        """Settle every condition under one or several failure modes (None: healthy)."""
        circuit = Circuit(self.installation, modes, self.bridges, samples, draw)
        key = (samples, draw, *self.bridges)
        if key not in self._shared:
            self._shared[key] = Circuit(self.installation, None, self.bridges, samples, draw)
        circuit.share(self._shared[key])
        simulation = Simulation(circuit, self.conditions, self.named)
        if modes is None:
            self._shared[key] = circuit  # now it knows what it solved
        return simulation

    def forget(self) -> None:
        """Drop what was solved for the healthy circuit (its draws are about to change)."""
        self._shared.clear()

    def shown(self, simulation: Simulation) -> list[NDArray[np.float64]]:
        """Per test, P(outcome) in every lane, (lanes, outcomes); signs repeat per sample."""
        lanes = simulation.circuit.lanes
        result = []
        for test in self.tests.values():
            if test.condition is None:
                result.append(np.repeat(self._signs_of(test, lanes.modes), lanes.samples, axis=0))
                continue
            a, b, rows = simulation.phases(self.index[test.condition.key])
            result.append(per_sample(simulation.circuit, test, a, b, rows))
        return result

    def complaints_shown(self, simulation: Simulation) -> list[NDArray[np.bool_]]:
        """Per complaint and lane, whether the customer would report it, (lanes,) each."""
        reported = []
        for complaint in self.complaints:
            any_way = np.zeros(simulation.lanes, dtype=bool)
            for alternative in complaint.when:
                whole = np.ones(simulation.lanes, dtype=bool)
                for name, text in alternative.items():
                    whole &= simulation.holds(self.named[name], text)
                any_way |= whole
            reported.append(any_way)
        return reported

    def _signs_of(self, test: InstalledTest, faults: Sequence[Fault | None]) -> NDArray[np.float64]:
        """Observation of signs under each fault, (faults, outcomes)."""
        result = np.tile(self.signs(test, None), (len(faults), 1))
        for k, fault in enumerate(faults):
            if fault and any(sign in part.mode.signs for part in fault.parts for sign in test.of):
                result[k] = self.signs(test, fault)
        return result

    def signs(self, test: InstalledTest, fault: Fault | None) -> NDArray[np.float64]:
        """Observation of signs: each named outcome, then 'none of them'.

        Of two failure modes that leave the same sign, the one that leaves it more surely counts.
        """
        chances = []
        for sign in test.of:
            words = [
                part.mode.signs[sign]
                for part in (fault.parts if fault else ())
                if (not test.it or part.unit == test.it) and sign in part.mode.signs
            ]
            words = words or [self.knowledge.signs[sign].background]
            chances.append(max(self.knowledge.word("how_sure", word) for word in words))
        seen = np.array(chances)
        if seen.sum() > 0.98:
            seen = seen * (0.98 / seen.sum())
        return np.append(seen, 1.0 - seen.sum())

    @staticmethod
    def batches(faults: Sequence[Fault | None]) -> list[list[int]]:
        """Positions of the faults that can be simulated side by side: the same wiring."""
        groups: dict[object, list[int]] = {}
        for r, fault in enumerate(faults):
            groups.setdefault(patch_of(fault).swap, []).append(r)
        return [part for group in groups.values() for part in _equal_parts(group)]

    def batch(self, modes: Sequence[Fault | None]) -> list[list[Regime]]:
        """The regimes of each fault: share, P(outcome) (tests, outcomes), complaints."""
        simulation = self.simulate(modes)
        shape = (len(modes), SAMPLES)
        widest = max(len(t.outcomes) for t in self.tests.values())
        p = np.zeros((*shape, len(self.tests), widest))
        for k, lanes in enumerate(self.shown(simulation)):
            p[:, :, k, : lanes.shape[1]] = lanes.reshape(*shape, -1)
        reported = [x.reshape(shape) for x in self.complaints_shown(simulation)]
        complaints = np.stack(reported, axis=2)
        return [gather(p[m], complaints[m]) for m in range(len(modes))]

    def _work(
        self, modes: Sequence[InstalledMode | None]
    ) -> Iterator[tuple[list[int], list[list[Regime]]]]:
        """The batches as they are done, on all cores where processes can be forked."""
        # only here: with a warm cache nothing is built, and these take a while to import
        import multiprocessing
        from concurrent.futures import ProcessPoolExecutor, as_completed

        self.simulate(None)  # what it solves, no batch solves again
        batches = self.batches(modes)
        workers = min(os.cpu_count() or 1, len(batches))
        if workers < 2 or "fork" not in multiprocessing.get_all_start_methods():
            for batch in batches:
                yield batch, self.batch([modes[r] for r in batch])
            return
        _inherited.append((self, modes))
        try:
            with warnings.catch_warnings():
                # Python >= 3.12 warns of forking beside threads; the children only compute.
                warnings.simplefilter("ignore", DeprecationWarning)
                context = multiprocessing.get_context("fork")
                with ProcessPoolExecutor(workers, mp_context=context) as pool:
                    jobs = {pool.submit(_in_child, batch): batch for batch in batches}
                    for job in as_completed(jobs):
                        yield jobs[job], job.result()
        finally:
            _inherited.pop()

    def build(self, progress: Progress | None = None) -> DependencyMatrix:
        """Every row, healthy last."""
        modes: list[InstalledMode | None] = [*self.installation.modes.values(), None]
        found: list[list[Regime]] = [[] for _ in modes]
        done = 0
        progress = progress or (lambda done, rows: None)
        progress(done, len(modes))
        for batch, regimes in self._work(modes):
            for r, regime in zip(batch, regimes, strict=True):
                found[r] = regime
            done += len(batch)
            progress(done, len(modes))
        p = np.array([sum(share * x for share, x, _ in row) for row in found])
        complaints = np.array([sum(share * x for share, _, x in row) for row in found])
        return DependencyMatrix(
            rows=(*self.installation.modes, HEALTHY),
            tests=tuple(self.tests),
            p=p,
            sizes=np.array([len(t.outcomes) for t in self.tests.values()]),
            complaints={c.id: complaints[:, k] for k, c in enumerate(self.complaints)},
            regimes=joined(found, [c.id for c in self.complaints]),
        )


def _equal_parts(group: list[int]) -> list[list[int]]:
    """A group cut into the fewest parts that are no larger than `BATCH`, as equal as can be."""
    parts = -(-len(group) // BATCH)
    cuts = [len(group) * k // parts for k in range(parts + 1)]
    return [group[a:b] for a, b in itertools.pairwise(cuts)]


def _fitting(complaint: Complaint, installation: Installation) -> Complaint:
    """The alternatives that can show here: their situations and the units they hang on are here.

    ``x.self`` asks for x itself; of the other units at least one must be fitted.
    """
    situations = installation.type.situations

    def possible(alternative: Mapping[str, str]) -> bool:
        conditions = list(alternative.values())
        asked = [unit for text in conditions for unit in ITSELF.findall(text)]
        watched = all(speaks_of(installation, [text]) for text in conditions)
        return watched and all(map(installation.has, asked)) and set(alternative) <= set(situations)

    kept = tuple(a for a in complaint.when if possible(a))
    return replace(complaint, when=kept)
