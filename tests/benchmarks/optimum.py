"""Our strategy against the exact optimum where answers are certain.

``python -m tests.benchmarks.optimum`` takes noise-free problems from the shipped installations'
matrices (each row's likeliest outcome; one complaint; rows that no test tells apart merged, their
units joined; a test's minutes as they are from the panel with the supply on; live and dead tests
alike, since the optimum knows no preference), and random problems of 12 rows and 12 tests. It
prints, for each, the exact optimum, the strategies' expected minutes and the ratios; where the
search does not finish, the ratios are to what it proved that no sequence undercuts (`tolls`).
With ``--walks`` a test costs what it does from where the one before has led to: walks, isolating,
the tank's level; the way to the repair is left out, as the optimum knows none.
Certain answers are an idealisation: the figures say how good the choice of tests is, not how good
the diagnosis is. That the search stops after so many minutes makes what is left unfinished depend
on the machine, never an optimum.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from diagnose.knowledge.load import load_knowledge
from diagnose.plant.cache import matrix_for
from diagnose.plant.compose import compose
from diagnose.reasoning.exact import BUDGET, optimal
from diagnose.reasoning.lookahead import Lookahead
from diagnose.reasoning.noise_free import Problem, expected_cost
from diagnose.reasoning.planner import Standing
from diagnose.reasoning.strategy import FLAT, Candidate, Greedy, Strategy
from tests.benchmarks.drive import Bench
from tests.benchmarks.efficiency import VARIED
from tests.benchmarks.tolls import Sharpener
from tests.made_tables import KIND, ROOT

FEWEST_ROWS, FEWEST_TESTS = 30, 45
SHARES = (0.5, 0.8, 0.9, 0.93, 0.952, 0.97, 0.98, 0.99, 0.995, 1.0)
"""Of our strategy's minutes: that nothing is cheaper is proved for one after another."""


def strategies() -> list[Strategy]:
    """What is compared; each goes on until the unit is known."""
    return [Greedy(worth=0.0), Lookahead(worth=0.0, sure=1.0)]


def shipped_problems(choices: Mapping[str, str], walks: bool = False) -> dict[str, Problem]:
    """One problem per complaint of one installation; `walks`: costs hang on where one stands."""
    knowledge = load_knowledge(ROOT / "knowledge")
    installation = compose(knowledge, KIND, choices)
    bench = Bench.of(knowledge, installation, matrix_for(knowledge, installation))
    found = {}
    for complaint in bench.table.complaint:
        if knowledge.complaints[complaint].reports:  # a hazard: nothing is searched for
            continue
        standing = Standing(level=bench.levels[complaint])
        problem = bench.noise_free(complaint, standing)
        if walks:
            tests = [replace(c, live=False) for c in problem.tests]
            terrain = replace(bench.ground.terrain(standing), repair={})
        else:
            tests = [replace(c, live=False, own=c.minutes, way=0) for c in problem.tests]
            terrain = FLAT
        found[complaint] = replace(problem, tests=tuple(tests), terrain=terrain)
    return found


def random_problem(seed: int, rows: int = 12, tests: int = 12) -> Problem:
    """Two or three outcomes a test, minutes from 1 to 15, weights over three decades.

    Rows share labels here and there; rows that no test tells apart are merged.
    """
    rng = np.random.default_rng(seed)
    sizes = rng.integers(2, 4, tests)
    outcome = (rng.random((rows, tests)) * sizes).astype(int)
    made = [Candidate(f"t{k}", k, float(rng.integers(1, 16))) for k in range(tests)]
    weight = 10 ** rng.uniform(-3, 0, rows)
    labels = [f"u{rng.integers(rows)}" for _ in range(rows)]
    names = [f"r{k}" for k in range(rows)]
    return Problem.of(names, labels, weight.tolist(), made, outcome)


def compare(problem: Problem, budget: int, minutes: float) -> dict[str, Any]:
    """Optimum and each strategy's expected minutes on one problem."""
    found: dict[str, Any] = {}
    for strategy in strategies():
        start = time.perf_counter()
        found[strategy.name] = expected_cost(problem, strategy)
        found[f"{strategy.name}_seconds"] = time.perf_counter() - start
    known = min(found[strategy.name] for strategy in strategies())
    start = time.perf_counter()
    sharpener = Sharpener(problem, time.monotonic() + 60 * minutes)
    plan = optimal(problem, budget, sharpener, known, SHARES)
    for strategy in strategies():
        ratio = found[strategy.name] / plan.lower if plan.lower else 1.0
        found[f"{strategy.name}_ratio"] = ratio
    return found | {
        "rows": len(problem.rows),
        "units": len(problem.label_sets),
        "tests": len(problem.tests),
        "useful_tests": len(problem.parts),
        "optimum": plan.minutes if plan.finished else None,
        "lower": plan.lower,
        "expansions": plan.expansions,
        "programs": sharpener.programs,
        "seconds": time.perf_counter() - start,
    }


def summary(results: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """Mean and worst ratio of each strategy."""
    found: dict[str, Any] = {"problems": len(results)}
    for strategy in strategies():
        ratios = [r[f"{strategy.name}_ratio"] for r in results]
        if ratios:
            found[strategy.name] = {
                "mean": float(np.mean(ratios)),
                "worst": max(ratios),
                "exact_in": float(np.mean([r < 1 + 1e-9 for r in ratios])),
            }
    return found


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--random", type=int, default=200)
    parser.add_argument("--budget", type=int, default=BUDGET, help="sets opened per problem")
    parser.add_argument("--minutes", type=float, default=30.0, help="of search per problem")
    parser.add_argument("--walks", action="store_true", help="count them from test to test")
    parser.add_argument("--installations", type=int, default=len(VARIED))
    options = parser.parse_args(arguments)
    shipped = []
    for choices in VARIED[: options.installations]:
        for complaint, problem in shipped_problems(choices, options.walks).items():
            if len(problem.rows) > 1:
                found = compare(problem, options.budget, options.minutes)
                shipped.append({"choices": choices, "complaint": complaint, **found})
    large = [
        r
        for r in shipped
        if r["rows"] >= FEWEST_ROWS and r["tests"] >= FEWEST_TESTS and r["optimum"] is not None
    ]
    made = [
        compare(random_problem(seed), options.budget, options.minutes)
        for seed in range(options.random)
    ]
    result = {
        "cores": os.cpu_count(),
        "shipped": shipped,
        "large_enough": summary(large),
        "all_shipped": summary([r for r in shipped if r["optimum"] is not None]),
        "not_finished": [
            {k: r[k] for k in ("complaint", "rows", "lower", "greedy_ratio", "lookahead_ratio")}
            for r in shipped
            if r["optimum"] is None
        ],
        "random": summary(made),
    }
    json.dump(result, sys.stdout, indent=None if options.json else 2)
    print()
    return 0


if __name__ == "__main__":
    sys.exit(main())
