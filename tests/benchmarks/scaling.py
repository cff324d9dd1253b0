"""How a turn and its memory grow with the knowledge: invented tables up to 5,000 x 2,000.

``python -m tests.benchmarks.scaling --json`` plays callouts on tables of failure modes and tests
drawn at random, each size in a process of its own, and prints the time of one turn (belief from
all answers so far, permitted tests, decision by the shipped strategy) and the most memory that
the process ever held, its dependency matrix included. The tables are as sparse as the shipped
one: a failure mode changes about every twelfth test, all others show what a healthy plant shows.
Ways, minutes, errors and stakes are drawn from those of the shipped installation. ``--shipped``
times whole turns of the real session too, with the search, without it, and by information per
minute alone. Bars: 300 ms and 1 GiB at 5,000 x 2,000; at shipped size 250 ms with the search
and 50 ms without.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from diagnose.interview.drive import drive
from diagnose.interview.events import new_event
from diagnose.plant.matrix import HEALTHY, DependencyMatrix
from diagnose.plant.procedures import InstalledTest
from diagnose.reasoning.belief import Belief, Hypotheses
from diagnose.reasoning.decision import decide
from diagnose.reasoning.lookahead import Lookahead
from diagnose.reasoning.places import PANEL
from diagnose.reasoning.planner import Costs, Equipment, Ground, Standing
from diagnose.reasoning.stakes import Stakes
from diagnose.reasoning.strategy import Greedy, Strategy
from tests.benchmarks.drive import FULLY_EQUIPPED
from tests.benchmarks.latency import SHOWN, Leaving, TimedSession, percentiles
from tests.made_tables import KIND
from tests.people import standard_session

SIZES = ((500, 200), (1000, 400), (2000, 800), (5000, 2000))
UNIT_BEARS, MODE_BEARS = 0.18, 0.5
"""Share of the tests that a unit changes, and of those that each of its modes does (shipped)."""
CERTAIN = 0.8
"""Share of the distributions that are certain (shipped)."""
COMPLAINTS, SHOWS = 13, 0.14
"""Complaints, and the share of the failure modes behind each (shipped)."""
MOST_TURNS = 25
BARS = {"turn_ms": 300.0, "memory_mib": 1024.0, "searching_ms": 250.0, "not_searching_ms": 50.0}


def made_matrix(rng: np.random.Generator, modes: int, tests: int) -> DependencyMatrix:
    """A sparse matrix of two to four outcomes a test, in units of two to eight failure modes."""
    sizes = rng.integers(2, 5, tests)
    real = np.arange(4) < sizes[:, None]

    def drawn() -> NDArray[np.float64]:
        """Distributions of every test, (tests, outcomes)."""
        spread = rng.exponential(size=(tests, 4)) * real
        spread /= spread.sum(axis=1, keepdims=True)
        one = np.eye(4)[rng.integers(0, sizes)]
        return np.where(rng.random((tests, 1)) < CERTAIN, one, spread)

    p = np.empty((modes + 1, tests, 4))
    p[:] = drawn()
    rows: list[str] = []
    while len(rows) < modes:
        unit = f"u{len(rows):04d}"
        bears = rng.random(tests) < UNIT_BEARS
        for k in range(min(int(rng.integers(2, 9)), modes - len(rows))):
            own = bears & (rng.random(tests) < MODE_BEARS)
            p[len(rows), own] = drawn()[own]
            rows.append(f"{unit}.m{k}")
    shown = (rng.random((COMPLAINTS, modes + 1)) < SHOWS).astype(float)
    shown[:, -1] = 0.0
    return DependencyMatrix(
        rows=(*rows, HEALTHY),
        tests=tuple(f"t{k}" for k in range(tests)),
        p=p,
        sizes=sizes,
        complaints={f"c{k}": column for k, column in enumerate(shown)},
    )


@dataclass(frozen=True)
class Made:
    """What a callout on an invented table needs, the matrix kept as a session keeps it."""

    matrix: DependencyMatrix
    table: Hypotheses
    tests: Mapping[str, InstalledTest]
    ground: Ground
    stakes: Stakes
    rates: Mapping[str, float]

    @staticmethod
    def of(rng: np.random.Generator, modes: int, tests: int) -> Made:
        """Draw one; tests, places and stakes borrowed from the shipped installation."""
        session = standard_session()
        matrix = made_matrix(rng, modes, tests)
        rates = dict(zip(matrix.rows[:-1], np.exp(rng.uniform(-3, 2, modes)).tolist(), strict=True))
        shipped = [t for t in session.tests.values() if t.spec.place_at != "telephone"]
        lent = {
            name: replace(shipped[int(k)], id=name)
            for name, k in zip(matrix.tests, rng.integers(0, len(shipped), tests), strict=True)
        }
        table = Hypotheses.of(matrix, rates, {name: t.error for name, t in lent.items()})
        places = rng.choice([PANEL, "roof", "sump", "pump"], len(table.unit_names)).tolist()
        repairs = dict(zip(table.unit_names, places, strict=True))
        ground = Ground(lent, Costs.of(session.knowledge), repairs)
        wrong = rng.choice(session.stakes.wrong, len(table.unit_names))
        return Made(matrix, table, lent, ground, Stakes(wrong), rates)


def callout(
    made: Made, rng: np.random.Generator, equipment: Equipment = FULLY_EQUIPPED
) -> list[dict[str, Any]]:
    """One callout; for every turn its seconds, and how many tests came to be offered and how."""
    table, strategy = made.table, Lookahead()
    complaint = f"c{rng.integers(COMPLAINTS)}"
    weight = np.array(list(made.rates.values())) * made.matrix.complaints[complaint][:-1]
    true = int(rng.choice(len(weight), p=weight / weight.sum()))
    standing = Standing()
    answers: list[tuple[str, int]] = []
    turns: list[dict[str, Any]] = []
    while len(turns) < MOST_TURNS:
        start, worked = time.perf_counter(), time.process_time()
        belief = Belief(table, table.prior((complaint,)))
        for test, outcome in answers:
            belief = belief.update(test, outcome)
        offered = made.ground.candidates(
            made.tests, table.test_index, standing, equipment, {test for test, _ in answers}
        )
        terrain = made.ground.terrain(standing)
        decision = decide(belief, offered, strategy, terrain, made.stakes)
        seconds, work = time.perf_counter() - start, time.process_time() - worked
        ahead = decision.choices[0].ahead if decision.choices else None
        turns.append(
            {
                "seconds": seconds,
                "processor": work,
                "worth_doing": len(decision.choices),
                "method": ahead.method if ahead else decision.kind,
            }
        )
        if decision.kind != "test":
            break
        chosen = decision.choices[0].candidate
        _, standing = made.ground.costs.reach(standing, made.ground.way[chosen.test])
        size = int(table.sizes[chosen.index])
        wrong = rng.random() < table.errors[chosen.index]
        p = np.full(size, 1 / size) if wrong else made.matrix.p[true, chosen.index, :size]
        answers.append((chosen.test, int(rng.choice(size, p=p))))
    return turns


def measure(modes: int, tests: int, callouts: int) -> dict[str, Any]:
    """Times and memory at one size, to be run in a process of its own."""
    rng = np.random.default_rng([modes, tests])
    start = time.perf_counter()
    made = Made.of(rng, modes, tests)
    built = time.perf_counter() - start
    played = [callout(made, np.random.default_rng(k)) for k in range(callouts)]
    turns = [turn for one in played for turn in one]
    methods = [turn["method"] for turn in turns]
    return {
        "modes": modes,
        "tests": tests,
        "units": len(made.table.unit_names),
        "build_s": built,
        "first_turn_ms": 1e3 * float(np.median([one[0]["seconds"] for one in played])),
        "turn_ms": percentiles([turn["seconds"] for turn in turns]),
        "processor_ms": percentiles([turn["processor"] for turn in turns]),
        "methods": {m: methods.count(m) for m in dict.fromkeys(methods)},
        "memory_mib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }


def shipped_turns(strategy: Strategy, callouts: int) -> dict[str, float]:
    """Whole turns of the real session that led to a test, milliseconds."""
    base = standard_session()
    session = TimedSession(base.knowledge, base.installation, base.matrix, strategy)
    session.times = []
    opened = {"qualification": "licensed", "meter_category": "cat_iii"}
    rates = np.array([base.rates[name] for name in base.matrix.rows[:-1]])
    for k, (complaint, shown) in enumerate(base.matrix.complaints.items()):
        if complaint in session.reports:
            continue
        weight = rates * np.where(shown[:-1] >= SHOWN, shown[:-1], 0.0)
        rng = np.random.default_rng(k)
        for row in rng.choice(len(weight), size=callouts, p=weight / weight.sum()):
            person = Leaving(session, base.matrix.rows[int(row)], complains=complaint)
            drive(session, [new_event("opened", installation=KIND, **opened)], person)
    return percentiles([seconds for kind, seconds in session.times if kind == "test"])


def in_own_process(size: str, callouts: int) -> dict[str, Any]:
    """`measure` in a new process, so that its peak memory is its own."""
    command = [sys.executable, "-m", "tests.benchmarks.scaling", "--one", size]
    done = subprocess.run(
        [*command, "--callouts", str(callouts)], check=True, capture_output=True, text=True
    )
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def curve(sizes: Sequence[Mapping[str, Any]]) -> str:
    """The growth as a table, with bars on a logarithmic scale and the exponent in the cells."""
    lines = ["modes x tests   first    p50     p95 ms   MiB   p95, 1 ms to 1 s"]
    for s in sizes:
        ms = s["turn_ms"]
        bar = "#" * max(1, round(13 * float(np.log10(max(ms["p95"], 1.0)))))
        size = f"{s['modes']} x {s['tests']}"
        lines.append(
            f"{size:<13}{s['first_turn_ms']:8.1f}{ms['p50']:8.1f}{ms['p95']:8.1f}"
            f"{s['memory_mib']:9.0f}   {bar}"
        )
    if len(sizes) > 1:
        cells = np.log([s["modes"] * s["tests"] for s in sizes])
        times = np.log([s["turn_ms"]["p95"] for s in sizes])
        lines.append(f"p95 grows as cells to the power of {np.polyfit(cells, times, 1)[0]:.2f}")
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", action="store_true", help="one line of JSON, no table")
    parser.add_argument("--callouts", type=int, default=4, help="per size, and per complaint")
    parser.add_argument("--sizes", nargs="*", default=[f"{m}x{t}" for m, t in SIZES])
    parser.add_argument("--shipped", action="store_true", help="the real session too")
    parser.add_argument("--one", metavar="MODESxTESTS", help="this size, in this process")
    options = parser.parse_args(arguments)
    if options.one:
        modes, tests = map(int, options.one.split("x"))
        print(json.dumps(measure(modes, tests, options.callouts)))
        return 0
    result: dict[str, Any] = {"cores": os.cpu_count(), "load": os.getloadavg()[0], "bars": BARS}
    result["sizes"] = [in_own_process(size, options.callouts) for size in options.sizes]
    if options.shipped:
        strategies: dict[str, Strategy] = {
            "search": Lookahead(),
            "no_search": Lookahead(expansions=0),
            "greedy": Greedy(),
        }
        result["shipped_turn_ms"] = {
            name: shipped_turns(strategy, options.callouts) for name, strategy in strategies.items()
        }
    if not options.json:
        print(curve(result["sizes"]))
    json.dump(result, sys.stdout, indent=None if options.json else 2)
    print()
    return 0


if __name__ == "__main__":
    sys.exit(main())
