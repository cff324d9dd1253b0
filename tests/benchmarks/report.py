"""How long a report takes: from the events of a case to the bytes of a file.

Cases of our own invention; the session is there already (in the program it is read from the cache).
``cold`` is the first PDF of the process: fonts and template are read then. ``processor`` leaves out
the waiting for other programs. Absolute times belong to the machine that they were measured on.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import time
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import Any

from diagnose import language
from diagnose.cli.firm import Firm
from diagnose.cli.handbook import handbook
from diagnose.cli.service_report import service_report
from diagnose.interview.events import Event
from diagnose.interview.session import Session
from diagnose.report.document import Document
from diagnose.report.html import html
from diagnose.report.pdf import pdf
from diagnose.report.terminal import terminal
from tests.reporting import closed, matter, repaired_in_vain, scripted

CASES = (
    "own-tank-overflows-welded-contact",
    "own-trips-earth-fault-in-cable",
    "own-pump-hums-weak-capacitor",
)
RENDERERS: dict[str, Callable[[Document], Any]] = {"pdf": pdf, "html": html, "text": terminal}
BAR = 1.0
"""Seconds that a PDF may take warm."""


def timed(work: Callable[[], Any], clock: Callable[[], float] = time.perf_counter) -> float:
    """Seconds that something takes."""
    start = clock()
    work()
    return clock() - start


def made(session: Session, events: Sequence[Event]) -> Document:
    """The report of a case, its pictures included."""
    return service_report(matter(session, events))


def rendered(make: Callable[[], Document], render: Callable[[Document], Any]) -> Any:
    """A document, made and rendered."""
    return render(make())


def documents() -> Iterator[tuple[str, str, Callable[[], Document]]]:
    """Name, language and what makes the document, pictures included."""
    for name in CASES:
        session, events = scripted(name)
        end = closed(events)
        yield name, "en", partial(made, session, end)
    session, events = repaired_in_vain(2)
    yield "two repairs in vain", "en", partial(made, session, events)
    session, events = scripted(CASES[0])
    yield f"{CASES[0]} in Hindi", "hi", partial(made, session, events)


def measure(rounds: int) -> dict[str, Any]:
    """Times of all cases, in seconds."""
    found: dict[str, Any] = {"cores": os.cpu_count(), "cases": {}}
    for name, tag, make in documents():
        with language.using(tag):
            if "cold" not in found:
                found["cold"] = timed(partial(rendered, make, pdf))
            entry: dict[str, Any] = {}
            for kind, render in RENDERERS.items():
                work = partial(rendered, make, render)
                times = [timed(work) for _round in range(rounds)]
                entry[kind] = {"median": statistics.median(times), "worst": max(times)}
            entry["processor"] = timed(partial(rendered, make, pdf), time.process_time)
            entry["bytes"] = len(pdf(make()))
            found["cases"][name] = entry
    session, _events = scripted(CASES[0])
    base, installation, matrix = session.knowledge, session.installation, session.matrix
    found["handbook"] = timed(lambda: pdf(handbook(base, installation, matrix, Firm())))
    worst = max(entry["pdf"]["worst"] for entry in found["cases"].values())
    return found | {"worst_pdf": worst, "bar": BAR, "within": worst <= BAR}


def main() -> None:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", action="store_true", help="print one object")
    parser.add_argument("--rounds", type=int, default=5)
    options = parser.parse_args()
    found = measure(options.rounds)
    if options.json:
        print(json.dumps(found, indent=2))
        return
    print(f"{'case':<46} {'pdf':>7} {'worst':>7} {'html':>7} {'text':>7} {'cpu':>7}   seconds")
    for name, entry in found["cases"].items():
        numbers = (entry["pdf"]["median"], entry["pdf"]["worst"])
        rest = (entry["html"]["median"], entry["text"]["median"], entry["processor"])
        print(f"{name:<46}", *(f"{seconds:>7.3f}" for seconds in (*numbers, *rest)))
    print(f"first PDF of the process {found['cold']:.3f} s, handbook {found['handbook']:.3f} s")


if __name__ == "__main__":
    main()
