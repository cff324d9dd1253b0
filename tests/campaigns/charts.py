"""The printed chart against the interview in full: every leaf, four installations, all complaints.

``python -m tests.campaigns.charts [NAME ...] [--complaint ID ...] [--steps N] [--most N] [--rare P]
[--processes N]``; a name is ``default``, a preset or ``variant=choice,variant=choice``. Each chart
is read back from its page and followed from step 1 by every printed answer, beside a session of
its own; its PDF is looked at on both papers. Exit 1 where anything differs, is lost or overflows.
"""

from __future__ import annotations

import argparse
import sys
import time
import traceback
from collections.abc import Iterator
from multiprocessing import get_context

from diagnose.cli.chart_fill import filled
from diagnose.interview.chart import compile_chart
from diagnose.interview.chart_tree import NAMED, Bounds, Given
from diagnose.interview.session import Session
from diagnose.plant.cache import matrix_for
from diagnose.plant.wiring import compose_named, parse_installation
from diagnose.report.chart_paper import chart_document
from diagnose.report.chart_picture import draw_tree
from diagnose.report.document import PAPERS
from diagnose.report.html import html
from diagnose.report.pdf import pdf
from tests import chart_walk
from tests.bench import shipped
from tests.chart_words import boxes_of, overlapping, page_faults

INSTALLATIONS = (
    "default",
    "module=active_high,inputs=pull_up,drive=contactor,overload=fitted",
    "coil_supply=separate,start=none,sump_sensor=none,residual=none",
    "roof_floats=one,inputs=pull_up,drive=contactor,brown_out=low",
)
Task = tuple[str, str, Bounds]


def session_of(name: str) -> Session:
    """A session on an installation by name."""
    knowledge = shipped()
    installation = compose_named(knowledge, parse_installation(knowledge, name))
    return Session(knowledge, installation, matrix_for(knowledge, installation))


def followed(task: Task) -> tuple[str, bool]:
    """Compile one chart, follow it, look at its pages: a line about it, and whether all is well."""
    name, complaint, bounds = task
    label = f"{name} {complaint}"
    start = time.monotonic()
    try:
        session = session_of(name)
        chart = compile_chart(session, Given(complaint), bounds)
        compiled = time.monotonic() - start
        sheet = filled(session, chart)
        paper = chart_walk.printed(html(chart_document(sheet)))
        own = session_of(name)
        events = chart_walk.opening(own, paper, chart_walk.opened(own), complaint)
        walked = chart_walk.walk(own, paper, events)
        pages = []
        for size in PAPERS:
            for svg in draw_tree(sheet, size):
                assert not overlapping(boxes_of(svg)), "texts meet in the drawing"
            content = pdf(chart_document(sheet, size))
            faults, _, count = page_faults(content, size)
            assert not faults, faults
            pages.append(count)
    except AssertionError:
        return f"{label}: {traceback.format_exc(limit=-2)}", False
    named = sum(n for letter, n in walked.leaves.items() if letter not in "TN")
    return (
        f"{label}: {len(chart.steps)} steps, deepest {walked.deepest}, "
        f"leaves {named} named {walked.leaves.get('T', 0)} T {walked.leaves['N']} N, "
        f"to a cause {chart.share(NAMED):.0%}, pages {'/'.join(map(str, pages))}, "
        f"compiled {compiled:.1f} s, all {time.monotonic() - start:.1f} s"
    ), True


def tasks(names: list[str], complaints: list[str], bounds: Bounds) -> Iterator[Task]:
    """All charts that are asked for."""
    for name in names:
        session = session_of(name)
        for complaint in session.matrix.complaints:
            if complaint in session.reports:  # a hazard: refused, nothing is searched for
                continue
            if not complaints or complaint in complaints:
                yield name, complaint, bounds


def main() -> int:
    usual = Bounds()
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("names", nargs="*", default=INSTALLATIONS)
    parser.add_argument("--complaint", action="append", default=[])
    parser.add_argument("--steps", type=int, default=usual.steps)
    parser.add_argument("--most", type=int, default=usual.most)
    parser.add_argument("--rare", type=float, default=usual.rare)
    parser.add_argument("--processes", type=int, default=1)
    given = parser.parse_args()
    bounds = Bounds(given.steps, given.rare, given.most)
    wanted = list(tasks(list(given.names), given.complaint, bounds))
    good = 0
    with get_context("spawn").Pool(given.processes) as pool:
        for line, well in pool.imap(followed, wanted):
            good += well
            print(line, flush=True)
    print(f"{good} of {len(wanted)} charts are the interview, leaf by leaf")
    return 0 if good == len(wanted) else 1


if __name__ == "__main__":
    sys.exit(main())
