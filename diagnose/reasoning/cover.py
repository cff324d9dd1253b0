"""The shortest set of tests that would reveal every detectable failure mode.

A weighted set cover over the dependency matrix, with what a good order makes of walks and of
changes of state: the tests are made in rounds (covers closed, then isolated and proved dead, then
whatever cannot be done but live), by place within a round. Each place visited in a round costs the
way there and back once, a round its change of state once, a level of the water its wait once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diagnose.plant.matrix import HEALTHY, DependencyMatrix
from diagnose.plant.procedures import InstalledTest
from diagnose.reasoning.places import ANYWHERE, PANEL
from diagnose.reasoning.planner import Costs
from diagnose.reasoning.programs import Program

REVEALS = 0.8
"""A test reveals a failure mode that brings it out of its healthy outcomes with this chance."""
USUAL = 0.9
"""The healthy outcomes of a test are the fewest that a healthy installation shows this often."""
NODES = 20_000
"""Most nodes of the search; what is then still open is stated as a gap."""
ROUNDS = ("energised", "dead", "live")
PLACES = (PANEL, "pump", "sump", "roof")
LEVELS = ("", "empty", "mid", "full")


@dataclass(frozen=True)
class Stop:
    """Tests made together: one round, one level of the water ("" for any), one place."""

    round: str
    level: str
    place: str
    tests: tuple[str, ...]


@dataclass(frozen=True)
class Missed:
    """A failure mode that nothing reveals, and what comes nearest to it with which chance."""

    mode: str
    nearest: str
    chance: float


@dataclass(frozen=True)
class Cover:
    """The tests to make, stop by stop.

    Attributes
    ----------
    sole : mapping of test to failure modes
        What only this one of the chosen tests reveals.
    revealed : tuple of str
        The failure modes that the chosen tests reveal.
    minutes : float
        Tests, walks, changes of state and waits.
    test_minutes : float
        The tests alone.
    gap : float
        What the search proves: no other choice is shorter by more than this share.
    """

    stops: tuple[Stop, ...]
    sole: Mapping[str, tuple[str, ...]]
    revealed: tuple[str, ...]
    missed: tuple[Missed, ...]
    minutes: float
    test_minutes: float
    gap: float

    @property
    def tests(self) -> tuple[str, ...]:
        """The chosen tests, in order."""
        return tuple(test for stop in self.stops for test in stop.tests)


def healthy_outcomes(matrix: DependencyMatrix) -> NDArray[np.bool_]:
    """The outcomes of each test that count as healthy, (tests, outcomes)."""
    p = matrix.p[matrix.rows.index(HEALTHY)]
    order = np.argsort(-p, axis=1, kind="stable")
    before = np.cumsum(np.take_along_axis(p, order, axis=1), axis=1)
    before -= np.take_along_axis(p, order, axis=1)
    usual = np.zeros(p.shape, dtype=bool)
    np.put_along_axis(usual, order, before < USUAL - 1e-9, axis=1)
    return np.asarray(usual & (p > 0), dtype=bool)


def chances(matrix: DependencyMatrix) -> NDArray[np.float64]:
    """Chance that a test leaves its healthy outcomes under each row, (rows, tests)."""
    usual = healthy_outcomes(matrix)
    return np.asarray(1.0 - (matrix.p * usual[None, :, :]).sum(axis=2))


def way_rounds(test: InstalledTest) -> tuple[str, ...]:
    """The rounds in which a test may be made."""
    state = test.spec.state
    return ("energised", "dead") if state == "any" else (state,)


@dataclass(frozen=True)
class _Layout:
    """Variables of the program: tests, then visits, then rounds, then levels."""

    tests: tuple[str, ...]
    visits: tuple[tuple[str, str, str], ...]

    def visit(self, key: tuple[str, str, str]) -> int:
        return len(self.tests) + self.visits.index(key)

    def round(self, name: str) -> int:
        return len(self.tests) + len(self.visits) + ROUNDS.index(name)

    def level(self, name: str) -> int:
        return len(self.tests) + len(self.visits) + len(ROUNDS) + LEVELS.index(name)

    @property
    def width(self) -> int:
        return len(self.tests) + len(self.visits) + len(ROUNDS) + len(LEVELS)

    def fits(self, test: InstalledTest) -> list[int]:
        """The visits on which a test may be made."""
        place = PANEL if test.spec.place_at == ANYWHERE else test.spec.place_at
        return [
            self.visit(key)
            for key in self.visits
            if key[0] in way_rounds(test) and key[2] == place and test.level in ("", key[1])
        ]


def cover(
    matrix: DependencyMatrix,
    tests: Mapping[str, InstalledTest],
    costs: Costs,
    threshold: float = REVEALS,
    nodes: int = NODES,
) -> Cover:
    """The cheapest set of tests, each failure mode revealed by at least one of them.

    A live test counts only for what no other test reveals.

    Parameters
    ----------
    tests : id -> test
        The tests that may be made.
    threshold : float
        See `REVEALS`.

    Raises
    ------
    ValueError
        The threshold does not lie above 0 and up to 1.
    """
    if not 0 < threshold <= 1:
        raise ValueError("a threshold lies above 0 and up to 1")
    index = {name: k for k, name in enumerate(matrix.tests)}
    names = tuple(name for name in matrix.tests if name in tests)
    modes = [row for row in matrix.rows if row != HEALTHY]
    columns = [index[name] for name in names]
    chance = chances(matrix)[: len(modes)][:, columns] if names else np.zeros((len(modes), 0))
    shown = chance >= threshold - 1e-12
    live = np.array([tests[name].spec.state == "live" for name in names], dtype=bool)
    counts = shown & ~(live[None, :] & (shown & ~live).any(axis=1)[:, None])
    detectable = counts.any(axis=1)
    layout = _Layout(names, _visits(names, tests))
    program = _program(layout, tests, costs)
    for row in sorted({tuple(np.flatnonzero(r).tolist()) for r in counts[detectable]}):
        program.at_least([(k, 1.0) for k in row], 1.0)
    solution = program.solve(nodes)
    chosen = [k for k in range(len(names)) if solution.taken[k]]
    reveals = shown[:, chosen]
    sole = {
        names[k]: tuple(m for m, r in zip(modes, reveals, strict=True) if r[place] and r.sum() == 1)
        for place, k in enumerate(chosen)
    }
    missed = tuple(
        _missed(modes[r], names, chance[r]) for r in np.flatnonzero(~detectable).tolist()
    )
    return Cover(
        _stops(layout, solution.taken, tests),
        sole,
        tuple(modes[r] for r in np.flatnonzero(reveals.sum(axis=1)).tolist()),
        missed,
        solution.objective,
        sum(tests[names[k]].minutes for k in chosen),
        solution.gap,
    )


def _missed(mode: str, names: Sequence[str], chance: NDArray[np.float64]) -> Missed:
    if not len(chance) or chance.max() <= 0:
        return Missed(mode, "", 0.0)
    best = int(np.argmax(chance))
    return Missed(mode, names[best], float(chance[best]))


def _visits(
    names: Sequence[str], tests: Mapping[str, InstalledTest]
) -> tuple[tuple[str, str, str], ...]:
    """Round, level and place of every visit that some test may ask for."""
    wanted = set()
    for name in names:
        spec = tests[name].spec
        place = PANEL if spec.place_at == ANYWHERE else spec.place_at
        wanted |= {(r, tests[name].level, place) for r in way_rounds(tests[name])}
    return tuple(
        (r, level, place)
        for r in ROUNDS
        for level in LEVELS
        for place in PLACES
        if (r, level, place) in wanted
    )


def _program(layout: _Layout, tests: Mapping[str, InstalledTest], costs: Costs) -> Program:
    cost = np.zeros(layout.width)
    for k, name in enumerate(layout.tests):
        cost[k] = tests[name].minutes
    for key in layout.visits:
        cost[layout.visit(key)] = 2 * costs.move(PANEL, key[2])
    out = costs.isolate + costs.prove_dead
    cost[layout.round("dead")] = out + costs.energise
    cost[layout.round("live")] = 2 * out + 2 * costs.energise
    for level in LEVELS[1:]:
        cost[layout.level(level)] = costs.level.get(level, 0.0)
    program = Program(cost, np.ones(layout.width, dtype=bool))
    for k, name in enumerate(layout.tests):
        program.implies(k, layout.fits(tests[name]))
    for key in layout.visits:
        program.implies(layout.visit(key), [layout.round(key[0])])
        if key[1]:
            program.implies(layout.visit(key), [layout.level(key[1])])
    return program


def _stops(
    layout: _Layout, taken: NDArray[np.bool_], tests: Mapping[str, InstalledTest]
) -> tuple[Stop, ...]:
    """The chosen tests, each put to the first visit that is made anyway; looking comes first."""
    made = {
        layout.visit(key): key
        for key in layout.visits
        if taken[layout.visit(key)] or (taken[layout.round(key[0])] and key[1:] == ("", PANEL))
    }
    held: dict[tuple[str, str, str], list[str]] = {key: [] for key in made.values()}
    order = sorted(
        range(len(layout.tests)), key=lambda k: tests[layout.tests[k]].spec.state != "any"
    )
    for k in order:
        name = layout.tests[k]
        if taken[k]:
            first = next(v for v in layout.fits(tests[name]) if v in made)
            held[made[first]].append(name)
    return tuple(Stop(r, lv, place, tuple(t)) for (r, lv, place), t in held.items() if t)
