"""How long a picture takes, warm: the circuit, its text, the suspicion, expected against measured.

``python -m tests.benchmarks.pictures --json`` draws the circuit of the standard installation, of
one with most fitted and of every single change, bare and with a reading of every test; and all
three pictures of the worked cases. Each is drawn once unmeasured, then several times; the median
counts. Bar: 300 ms a picture.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import sys
import time
from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

from diagnose.casebook.answers import Scripted, read_answers
from diagnose.cli.common import session_for
from diagnose.cli.figures import circuit_of, marks_of, readings_of, suspicion_of
from diagnose.interview.drive import drive
from diagnose.interview.events import Event
from diagnose.interview.session import Session
from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.compose import compose
from diagnose.plant.points import points_of
from diagnose.plant.wiring import named_installations
from diagnose.report.pictures.circuit import circuit_svg
from diagnose.report.pictures.ranges import ranges_svg
from diagnose.report.pictures.suspicion import suspicion_svg
from diagnose.report.pictures.text import circuit_text
from tests.bench import shipped
from tests.benchmarks.field_cases import answers_files
from tests.pictured import marked

BAR_MS = 300.0
MOST = {
    "drive": "contactor",
    "overload": "fitted",
    "coil_supply": "separate",
    "module": "active_high",
    "inputs": "pull_up",
}
Times = dict[str, list[float]]
DRAWN: dict[str, Callable[[Session, list[Event]], str]] = {
    "case_circuit": lambda session, events: circuit_of(session, marks_of(session, events)),
    "case_suspicion": lambda session, events: suspicion_svg(suspicion_of(session, events)),
    "case_ranges": lambda session, events: ranges_svg(readings_of(session, events)),
}
"""The pictures of a case, each from its session and its events."""


def timed(draw: Callable[[], object], repeats: int) -> float:
    """Median time of drawing something once more, in ms."""
    draw()
    found = []
    for _ in range(repeats):
        start = time.perf_counter()
        draw()
        found.append(1e3 * (time.perf_counter() - start))
    return statistics.median(found)


def circuits(knowledge: KnowledgeBase, repeats: int, times: Times) -> None:
    """The circuit and its text on many installations, bare and with everything measured."""
    named = [(one.kind, dict(one.choices)) for one in named_installations(knowledge)]
    for kind, choices in [*named, (next(iter(knowledge.installations)), MOST)]:
        it = compose(knowledge, kind, choices)
        points = points_of(knowledge, it)
        full = marked(knowledge, it, 1.0)
        drawn: dict[str, Callable[[], object]] = {
            "circuit_bare": partial(circuit_svg, it, points),
            "circuit_all_readings": partial(circuit_svg, it, points, full),
            "circuit_text": partial(circuit_text, it, points, full),
            "test_points": partial(points_of, knowledge, it),
        }
        for name, draw in drawn.items():
            times.setdefault(name, []).append(timed(draw, repeats))


def cases(knowledge: KnowledgeBase, repeats: int, times: Times) -> None:
    """The pictures of the worked cases, from their events."""
    for path in answers_files("own"):
        answers = read_answers(path, knowledge)
        session = session_for(knowledge, answers.installation)
        events = [answers.opened(knowledge)]
        drive(session, events, Scripted(answers, knowledge))
        for name, draw in DRAWN.items():
            times.setdefault(name, []).append(timed(partial(draw, session, events), repeats))


def measure(repeats: int) -> dict[str, Any]:
    """All times in ms, with the machine's cores."""
    knowledge = shipped()
    times: Times = {}
    circuits(knowledge, repeats, times)
    cases(knowledge, repeats, times)
    result: dict[str, Any] = {"cores": os.cpu_count(), "bar_ms": BAR_MS}
    for name, found in times.items():
        result[name] = {
            "pictures": len(found),
            "median_ms": round(statistics.median(found), 2),
            "worst_ms": round(max(found), 2),
        }
    return result


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--repeats", type=int, default=3)
    options = parser.parse_args(arguments)
    result = measure(options.repeats)
    json.dump(result, sys.stdout, indent=None if options.json else 2)
    print()
    return 0


if __name__ == "__main__":
    sys.exit(main())
