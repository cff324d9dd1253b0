"""How long a person waits: for a turn, for the first question, for the dependency matrix.

``python -m tests.benchmarks.latency --json`` drives simulated callouts through the interview
(each true cause answers as that regime of it does which shows the complaint; causes drawn by rate)
and prints percentiles of the time of one turn: belief, rules, strategy, veto, explanation, all
but the person. Start-up is that of a new process until the first question is known: with the
knowledge and the matrix in the cache (warm) and with an empty cache (cold). Bars: turn p95
<= 50 ms, first question <= 1.0 s warm and <= 8 s cold.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from diagnose.cache import ENVIRONMENT
from diagnose.interview.drive import Reply, drive
from diagnose.interview.events import Event, new_event
from diagnose.interview.session import Session, Turn
from diagnose.interview.steps import Step
from diagnose.knowledge.load import load_knowledge
from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.cache import matrix_for
from diagnose.plant.compose import Installation, compose
from diagnose.plant.matrix import DependencyMatrix
from tests.benchmarks.efficiency import VARIED
from tests.made_tables import KIND, ROOT
from tests.people import SimulatedPerson

SHOWN = 0.05
MOST_TURNS = 80
BARS = {"turn_p95_ms": 50.0, "first_question_warm_s": 1.0, "first_question_cold_s": 8.0}
FIRST_QUESTION = f"""
import sys
import diagnose.cli
from diagnose.cli.common import load, session_for
from diagnose.interview.events import new_event
from diagnose.plant.compose import compose
knowledge = load(None)
session = session_for(knowledge, compose(knowledge, "{KIND}", {{}}))
print(session.turn([new_event("opened", installation="{KIND}")]).step.title, flush=True)
"""
"""What `diagnose callout` does until its first question, without the terminal."""


class TimedSession(Session):
    """A session that notes how long each turn took, in seconds, by the kind of its step."""

    times: list[tuple[str, float]]

    def turn(self, events: Sequence[Event]) -> Turn:
        """See `Session.turn`."""
        start = time.perf_counter()
        result = super().turn(events)
        self.times.append((result.step.kind, time.perf_counter() - start))
        return result


class Leaving(SimulatedPerson):
    """Answers one true cause's story, and leaves at the conclusion."""

    turns = 0

    def reply(self, turn: Turn, step: Step) -> Reply:
        """See `diagnose.interview.drive.Person`."""
        self.turns += 1
        if step.kind in ("conclusion", "verify") or self.turns > MOST_TURNS:
            return Reply("leave")
        return super().reply(turn, step)


def turn_times(
    knowledge: KnowledgeBase, installation: Installation, matrix: DependencyMatrix, count: int
) -> list[tuple[str, float]]:
    """Times of all turns of `count` callouts under each complaint."""
    session = TimedSession(knowledge, installation, matrix)
    session.times = []
    opened = {"qualification": "licensed", "meter_category": "cat_iii"}
    for k, (complaint, shown) in enumerate(matrix.complaints.items()):
        rates = [installation.modes[n].mode.rate.nominal for n in matrix.rows[:-1]]
        weight = np.array(rates) * np.where(shown[:-1] >= SHOWN, shown[:-1], 0.0)
        if not weight.any() or complaint in session.reports:
            continue
        rng = np.random.default_rng(k)
        for row in rng.choice(len(weight), size=count, p=weight / weight.sum()):
            events = [new_event("opened", installation=KIND, **opened)]
            person = Leaving(session, matrix.rows[int(row)], complains=complaint)
            drive(session, events, person)
    return session.times


def percentiles(times: Sequence[float]) -> dict[str, float]:
    """Count and percentiles in milliseconds."""
    ms = 1e3 * np.array(times)
    found = {f"p{q}": float(np.percentile(ms, q)) for q in (50, 90, 95, 99)}
    return {"turns": len(ms), **found, "max": float(ms.max())}


def first_question(cache: str, folder: Path = ROOT) -> float:
    """Seconds from starting a process until it prints its first question."""
    environment = {**os.environ, ENVIRONMENT: cache}
    start = time.perf_counter()
    with subprocess.Popen(
        [sys.executable, "-c", FIRST_QUESTION],
        cwd=folder,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        line = process.stdout.readline()
        seconds = time.perf_counter() - start
        _, error = process.communicate()
    if not line.strip():
        raise RuntimeError(f"no first question: {error}")
    return seconds


def measure(callouts: int, installations: int, cold: bool) -> dict[str, Any]:
    """Everything, as plain data."""
    start = time.perf_counter()
    knowledge = load_knowledge(ROOT / "knowledge")
    result: dict[str, Any] = {"cores": os.cpu_count(), "load": os.getloadavg()[0]}
    result["read_knowledge_s"] = time.perf_counter() - start
    kinds: list[tuple[str, float]] = []
    sizes: list[Mapping[str, Any]] = []
    with tempfile.TemporaryDirectory() as made:
        for choices in VARIED[:installations]:
            installation = compose(knowledge, KIND, choices)
            start = time.perf_counter()
            folder = Path(made) if cold else None
            matrix = matrix_for(knowledge, installation, cache_dir=folder)
            build = time.perf_counter() - start
            start = time.perf_counter()
            matrix_for(knowledge, installation, cache_dir=folder)
            cached = time.perf_counter() - start
            sizes.append(
                {
                    "failure_modes": len(matrix.rows) - 1,
                    "tests": len(matrix.tests),
                    "matrix_build_s": build if cold else None,
                    "matrix_from_cache_s": cached,
                }
            )
            kinds += turn_times(knowledge, installation, matrix, callouts)
    result["installations"] = sizes
    result["turn_ms"] = percentiles([t for _, t in kinds])
    for kind in sorted({k for k, _ in kinds}):
        result[f"turn_ms_{kind}"] = percentiles([t for k, t in kinds if k == kind])
    with tempfile.TemporaryDirectory() as made:
        if cold:
            result["first_question_cold_s"] = first_question(made)
        else:
            first_question(made)
        result["first_question_warm_s"] = sorted(first_question(made) for _ in range(3))[1]
    result["bars"] = BARS
    return result


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--callouts", type=int, default=5, help="per complaint and installation")
    parser.add_argument("--installations", type=int, default=2)
    parser.add_argument("--no-cold", action="store_true", help="use the usual cache, build nothing")
    options = parser.parse_args(arguments)
    result = measure(options.callouts, options.installations, not options.no_cold)
    json.dump(result, sys.stdout, indent=None if options.json else 2)
    print()
    return 0


if __name__ == "__main__":
    sys.exit(main())
