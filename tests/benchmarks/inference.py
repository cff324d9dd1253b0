"""One turn's inference, ours and an exact Bayesian-network library's, side by side.

``python -m tests.benchmarks.inference`` prints the time for a posterior and all information
gains on the shipped installation's table, in the same run and process: ours, and the library
pyagrum's in three ways, each the fastest of several calls: its two exact engines asked for the
joint of unit and test, and its tensors multiplied by hand from the posterior of the cause. The
ratio reported is to the fastest of the three. Networks and tables are built beforehand.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pyagrum

from diagnose.reasoning.belief import Belief, information
from tests.made_tables import shipped_table
from tests.oracles.bayes import Floats, NetworkOracle

Turn = Callable[[], tuple[Floats, Floats]]
gum: Any = pyagrum  # its calls carry no types


def engine_turn(oracle: NetworkOracle, kind: Any, evidence: dict[int, int]) -> Turn:
    """One of the library's engines, joint targets for all tests."""
    wanted = [k for k in range(len(oracle.tests)) if k not in evidence]

    def turn() -> tuple[Floats, Floats]:
        return oracle.turn(evidence, wanted, kind=kind)

    return turn


def tensor_turn(oracle: NetworkOracle, evidence: dict[int, int]) -> Turn:
    """The library's posterior of the cause, then its tensors multiplied test by test."""
    wanted = [k for k in range(len(oracle.tests)) if k not in evidence]

    def turn() -> tuple[Floats, Floats]:
        engine = gum.LazyPropagation(oracle.net)
        engine.setEvidence({oracle.tests[k]: o for k, o in evidence.items()})
        engine.addTarget("cause")
        engine.makeInference()
        posterior = engine.posterior("cause")
        unit = posterior * oracle.net.cpt("unit")
        of_unit = unit.sumOut(["cause"]).entropy()
        gains = []
        for k in wanted:
            joint = (unit * oracle.net.cpt(oracle.tests[k])).sumOut(["cause"])
            gains.append(of_unit + joint.sumOut(["unit"]).entropy() - joint.entropy())
        return np.asarray(posterior.toarray()), np.array(gains)

    return turn


def fastest(turn: Turn, times: int) -> tuple[float, tuple[Floats, Floats]]:
    """Seconds of the fastest call, and the result."""
    best = np.inf
    for _ in range(times):
        start = time.perf_counter()
        result = turn()
        best = min(best, time.perf_counter() - start)
    return best, result


def measure(times: int = 5) -> dict[str, Any]:
    """Times (ms), ratios and largest differences on the shipped table."""
    table = shipped_table()
    complaint = sorted(table.complaint)[0]
    start = table.prior((complaint,))
    oracle = NetworkOracle(table, np.exp(start))
    evidence = {0: 0, 1: 1, 2: 0}
    wanted = np.array([k for k in range(len(table.tests)) if k not in evidence])

    def ours() -> tuple[Floats, Floats]:
        belief = Belief(table, start)
        for k, o in evidence.items():
            belief = belief.update(table.tests[k], o)
        return belief.p, information(belief, wanted)

    own, (posterior, gains) = fastest(ours, 20 * times)
    ways = {
        "lazy propagation": engine_turn(oracle, gum.LazyPropagation, evidence),
        "Shafer-Shenoy": engine_turn(oracle, gum.ShaferShenoyInference, evidence),
        "tensors": tensor_turn(oracle, evidence),
    }
    library: dict[str, float] = {}
    difference = 0.0
    for name, turn in ways.items():
        library[name], (p, g) = fastest(turn, times)
        difference = max(difference, np.abs(p - posterior).max(), np.abs(g - gains).max())
    return {
        "cores": os.cpu_count(),
        "hypotheses": len(table.names),
        "tests": len(table.tests),
        "ours_ms": 1e3 * own,
        "library_ms": {name: 1e3 * seconds for name, seconds in library.items()},
        "ratio": min(library.values()) / own,
        "ratios": {name: seconds / own for name, seconds in library.items()},
        "largest_difference": float(difference),
    }


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args(arguments)
    json.dump(measure(), sys.stdout, indent=None if options.json else 2)
    print()
    return 0


if __name__ == "__main__":
    sys.exit(main())
