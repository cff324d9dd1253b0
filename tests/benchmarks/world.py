"""A world of callouts that never happened: the simulator behind the benchmarks.

It draws its own parameters (nominal ±20 %, ranges in full). A draw in which the healthy
installation would not work is drawn again: it would never have been handed over. So is, unless
`sound` is off, one in which a test would call a healthy part faulty (a run capacitor 20 % off its
marking, mains at 185 V): that would be a second fault. It draws its own failure rates (a factor up
to 3 either way) and its own answer errors; it shares the plant's equations with the tool, not
its numbers. So it says how the method copes with wrong numbers, not how it does in the field.
Complaints that report a hazard (a shock) are left out: nothing is searched for after them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.compose import Installation
from diagnose.plant.matrix import MatrixBuilder
from diagnose.plant.procedures import InstalledTest
from diagnose.plant.simulation import Simulation
from diagnose.practice.draws import CANDIDATES, SPREAD, Drawer, unsound

RATE_FACTOR = 3.0
DRAWS = 12


class TooFewWork(RuntimeError):
    """So far from its numbers this installation would hardly ever be handed over."""


@dataclass(frozen=True)
class Truth:
    """What one failure mode really shows: per draw, P(outcome) of every test and complaints."""

    shown: list[NDArray[np.float64]]
    complaints: NDArray[np.bool_]


@dataclass
class Callout:
    """One callout: the true cause and a person who answers, sometimes wrongly."""

    mode: str
    complaint: str
    draw: int
    truth: Truth
    tests: Mapping[str, int]
    wrong: float
    rng: np.random.Generator
    right: dict[str, int] = field(default_factory=dict)
    given: dict[str, int] = field(default_factory=dict)

    def answer(self, test: str) -> int:
        """The outcome reported; a wrong one is repeated half the time when asked again."""
        k = self.tests[test]
        row = self.truth.shown[k][self.draw]
        if test not in self.right:
            self.right[test] = int(self.rng.choice(len(row), p=row / row.sum()))
        right = self.right[test]
        before = self.given.get(test)
        if before is not None and before != right and self.rng.random() < 0.5:
            return before
        answer = right
        if self.rng.random() < self.wrong:
            others = [j for j in range(len(row)) if j != right]
            answer = int(self.rng.choice(others))
        self.given[test] = answer
        return answer


class World:
    """All failure modes of one installation under the simulator's own parameters."""

    def __init__(
        self,
        knowledge: KnowledgeBase,
        installation: Installation,
        seed: int,
        sound: bool = True,
        spread: float = SPREAD,
    ) -> None:
        self.installation = installation
        self.builder = MatrixBuilder(knowledge, installation)
        self.tests = {name: k for k, name in enumerate(self.builder.tests)}
        self.harmless = [k for k, c in enumerate(self.builder.complaints) if not c.reports]
        self.complaints = [self.builder.complaints[k].id for k in self.harmless]
        self.rng = np.random.default_rng(seed)
        self.drawer = Drawer(seed, spread)
        self.truths: dict[str, Truth] = {}
        self.rates: dict[str, float] = {}
        healthy = self.builder.simulate(None, CANDIDATES, self.drawer)
        faulty = np.array(self.builder.complaints_shown(healthy)).any(axis=0)
        if sound:
            usual = self.builder.shown(self.builder.simulate(None))
            faulty |= unsound(self.builder, healthy, usual)
        self.builder.forget()
        self.drawer.kept = kept = np.flatnonzero(~faulty)
        self.share_that_works = len(kept) / CANDIDATES
        if len(kept) < DRAWS:
            raise TooFewWork(f"only {len(kept)} of {CANDIDATES} draws work when healthy")
        names = list(installation.modes)
        modes = list(installation.modes.values())
        for batch in self.builder.batches(modes):
            simulation = self.builder.simulate([modes[r] for r in batch], DRAWS, self.drawer)
            for r, truth in zip(batch, self.truths_of(simulation), strict=True):
                self.truths[names[r]] = truth
        for name, mode in installation.modes.items():
            factor = np.exp(self.rng.uniform(-np.log(RATE_FACTOR), np.log(RATE_FACTOR)))
            self.rates[name] = mode.mode.rate.nominal * factor

    def truths_of(self, simulation: Simulation) -> list[Truth]:
        """What each fault of a simulation really shows, signs tilted."""
        tests = self.builder.tests.values()
        shown = self.builder.shown(simulation)
        complaints = np.array(self.builder.complaints_shown(simulation))[self.harmless]
        places = map(simulation.circuit.lanes.of, range(len(simulation.circuit.lanes.modes)))
        return [
            Truth(
                [self._tilted(test, p[lanes]) for test, p in zip(tests, shown, strict=True)],
                complaints[:, lanes],
            )
            for lanes in places
        ]

    def _tilted(self, test: InstalledTest, p: NDArray[np.float64]) -> NDArray[np.float64]:
        """Chances that a sign is noticed, off by up to 20 %; readings as they are."""
        if test.condition is not None:
            return p
        tilt = p[0, :-1] * self.rng.uniform(1 - SPREAD, 1 + SPREAD, p.shape[1] - 1)
        tilt = np.minimum(tilt, 0.98)
        return np.tile(np.append(tilt, max(1 - tilt.sum(), 0.01)), (len(p), 1))

    def callouts(
        self, count: int, wrong: float, complaint: str | None = None, seed: int = 0
    ) -> list[Callout]:
        """Draw callouts by rate; each has a complaint that its failure mode really causes."""
        rng = np.random.default_rng([seed, 7])
        chosen = [complaint] if complaint else self.complaints
        rows = [self.complaints.index(c) for c in chosen]
        names = list(self.truths)
        share = np.array(
            [self.rates[n] * self.truths[n].complaints[rows].any(axis=0).mean() for n in names]
        )
        if share.sum() == 0:
            return []
        found: list[Callout] = []
        for name_index in rng.choice(len(names), size=count, p=share / share.sum()):
            name = names[name_index]
            truth = self.truths[name]
            draws = np.flatnonzero(truth.complaints[rows].any(axis=0))
            draw = int(rng.choice(draws))
            said = [c for c, r in zip(chosen, rows, strict=True) if truth.complaints[r, draw]]
            child = np.random.default_rng(rng.integers(2**63))
            says = str(rng.choice(said))
            found.append(Callout(name, says, draw, truth, self.tests, wrong, child))
        return found
