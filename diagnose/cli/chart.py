"""``diagnose chart``: the fault-finding chart of one complaint, for the wall of the workshop."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.casebook.answers import METER_CATEGORIES, QUALIFICATIONS
from diagnose.cli.common import instruments_named, load, session_for, settings
from diagnose.cli.shown import put_file
from diagnose.errors import fail

if TYPE_CHECKING:
    from diagnose.interview.chart_tree import Bounds
    from diagnose.report.document import Paper

FORMATS = ("pdf", "html", "text")
PAPERS = ("a4", "letter")
MOST_STEPS = 40
MOST_IN_ALL = 400
LEAST_RARE = 0.001
"""Below it a chart has thousands of steps."""


@dataclass(frozen=True)
class Request:
    """The command's argument and options."""

    installation: str
    complaint: str
    variants: Sequence[str] = ()
    steps: int | None = None
    rare: float | None = None
    most: int | None = None
    instruments: str | None = None
    qualification: str = "instructed"
    meter_category: str = "cat_iii"
    answers: Sequence[str] = ()
    paper: str = "a4"
    format: str | None = None
    output: Path | None = None
    knowledge: str | None = None


def run_chart(request: Request) -> None:
    """Run the command.

    Raises
    ------
    DiagnoseError
        Options that cannot be used.
    """
    form = _format(request)
    bounds = _bounds(request)
    from diagnose.cli.chart_fill import filled
    from diagnose.interview.chart import compile_chart
    from diagnose.interview.chart_tree import Given
    from diagnose.plant.compose import compose_ready

    knowledge = load(request.knowledge)
    given = Given(
        request.complaint,
        instruments_named(knowledge, request.instruments),
        request.qualification,
        request.meter_category,
        settings(request.answers, "--answer", "QUESTION=CHOICE"),
    )
    installation = compose_ready(knowledge, request.installation, settings(request.variants))
    session = session_for(knowledge, installation)
    chart = filled(session, compile_chart(session, given, bounds))
    from diagnose.report.chart_paper import chart_document

    paper: Paper = "letter" if request.paper == "letter" else "a4"
    document = chart_document(chart, paper)
    if form == "text":
        from diagnose.report.terminal import terminal

        text = terminal(document)
        if request.output is None:
            sys.stdout.write(text)  # for reading, so in the terminal's own encoding
        else:
            _put(request.output, text.encode())
    elif form == "html":
        from diagnose.report.html import html

        _put(request.output, html(document).encode())
    else:
        from diagnose.report.pdf import pdf

        _put(request.output or _named(request), pdf(document))


def _format(request: Request) -> str:
    """The form asked for, or the one that the file's name ends with."""
    endings = {".pdf": "pdf", ".html": "html", ".htm": "html", ".txt": "text"}
    form = request.format
    if form is None:
        form = "pdf" if request.output is None else endings.get(request.output.suffix.lower(), "")
        if not form:
            message = f"--output '{request.output}' has no ending that says what to write"
            raise fail("option", message, None, sorted(endings))
    _legal("--format", form, FORMATS)
    _legal("--paper", request.paper, PAPERS)
    _legal("--qualification", request.qualification, QUALIFICATIONS)
    _legal("--meter-category", request.meter_category, METER_CATEGORIES)
    return form


def _legal(option: str, word: str, legal: Sequence[str]) -> None:
    if word not in legal:
        raise fail("option", f"{option} '{word}' is not known", None, legal)


def _bounds(request: Request) -> Bounds:
    from diagnose.interview.chart_tree import Bounds

    usual = Bounds()
    steps = usual.steps if request.steps is None else request.steps
    rare = usual.rare if request.rare is None else request.rare
    if not 1 <= steps <= MOST_STEPS:
        raise fail("option", f"--steps {steps} must lie between 1 and {MOST_STEPS}")
    if not LEAST_RARE <= rare <= 0.5:
        raise fail("option", f"--rare {rare:g} must lie between {LEAST_RARE:g} and 0.5")
    most = usual.most if request.most is None else request.most
    if not 1 <= most <= MOST_IN_ALL:
        raise fail("option", f"--most {most} must lie between 1 and {MOST_IN_ALL}")
    return Bounds(steps, rare, most, usual.folded)


def _named(request: Request) -> Path:
    return Path(f"chart-{request.complaint}.pdf")


def _put(path: Path | None, content: bytes) -> None:
    put_file(path, content)
    if path is not None:
        print(f"written to {path}", file=sys.stderr)
