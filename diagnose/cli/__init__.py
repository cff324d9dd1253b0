"""The command line: the only room that prints and asks.

Start-up is kept light: what a command needs is imported when it runs.
"""

from __future__ import annotations

import contextlib
import gc
import io
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from diagnose.cli import papers, training_app
from diagnose.cli.casebook import cases_app, close, store_app
from diagnose.cli.chart_command import chart
from diagnose.cli.day_command import day
from diagnose.cli.learning_app import add_commands
from diagnose.cli.options import (
    AnswersOption,
    InstallationOption,
    KnowledgeOption,
    LanguageOption,
    OverlayOption,
    PlainOption,
    ResultOption,
    SiteOption,
    StoreOption,
    VariantsOption,
)
from diagnose.cli.site_app import site_app
from diagnose.errors import DiagnoseError

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
"""Thousands of tiny systems are solved, on all cores already: threads within one only wait."""
gc.set_threshold(200_000, 20, 50)
"""A command makes many small records and keeps them: collecting among them is time lost."""

app = typer.Typer(
    name="diagnose",
    help="Fault diagnosis for callouts to small water level controllers.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

app.add_typer(cases_app, name="cases")
app.add_typer(store_app, name="store")
app.add_typer(site_app, name="site")


@app.command()
def callout(
    case: Annotated[
        str | None, typer.Argument(metavar="CASE", help="With --resume: the case to go on with.")
    ] = None,
    answers: AnswersOption = None,
    json: ResultOption = False,
    resume: Annotated[
        bool, typer.Option("--resume", help="Go on with CASE, or with the latest open case.")
    ] = False,
    store: StoreOption = None,
    knowledge: KnowledgeOption = None,
    overlay: OverlayOption = None,
    installation: InstallationOption = None,
    variants: VariantsOption = None,
    site: SiteOption = None,
    language: LanguageOption = None,
    no_color: PlainOption = False,
) -> None:
    """Lead a callout from the complaint to a verified repair."""
    from diagnose.cli.callout import run_callout
    from diagnose.cli.request import Request

    request = Request(
        case, answers, json, resume, store, knowledge, installation, variants or [], no_color, site
    )
    code = run_callout(request)
    if code:
        raise typer.Exit(code)


@app.command()
def phone(
    case: Annotated[
        str | None, typer.Argument(metavar="CASE", help="With --resume: the call to go on with.")
    ] = None,
    answers: AnswersOption = None,
    json: ResultOption = False,
    resume: Annotated[
        bool, typer.Option("--resume", help="Go on with the call CASE, or with the latest case.")
    ] = False,
    share: Annotated[
        float, typer.Option("--share", help="Share of what is still likely that the van covers.")
    ] = 0.9,
    store: StoreOption = None,
    knowledge: KnowledgeOption = None,
    overlay: OverlayOption = None,
    installation: InstallationOption = None,
    variants: VariantsOption = None,
    site: SiteOption = None,
    language: LanguageOption = None,
    no_color: PlainOption = False,
) -> None:
    """Before the drive: ask the customer; how urgent, what to switch off, what to load."""
    from diagnose.cli.phone import PhoneRequest, run_phone

    request = PhoneRequest(
        case,
        answers,
        json,
        resume,
        store,
        knowledge,
        installation,
        variants or [],
        no_color,
        site,
        share=share,
    )
    code = run_phone(request)
    if code:
        raise typer.Exit(code)


@app.command()
def survey(
    installation: InstallationOption = None,
    variants: VariantsOption = None,
    instruments: Annotated[
        str | None, typer.Option("--instruments", metavar="A,B", help="At hand (else: all).")
    ] = None,
    qualification: Annotated[
        str, typer.Option("--qualification", help="licensed, instructed or unqualified.")
    ] = "instructed",
    threshold: Annotated[
        float, typer.Option("--threshold", help="Chance with which a test must reveal a fault.")
    ] = 0.8,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="Write it: .md, .txt, or .yaml to fill in."),
    ] = None,
    filled: Annotated[
        Path | None,
        typer.Option("--filled", metavar="FILE", help="Say what a filled-in list means (YAML)."),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print one object for scripts.")] = False,
    knowledge: KnowledgeOption = None,
    overlay: OverlayOption = None,
    no_color: PlainOption = False,
) -> None:
    """A visit without a complaint: the shortest checklist that reveals every detectable fault."""
    from diagnose.cli.survey import Request, run_survey

    code = run_survey(
        Request(
            installation,
            variants or (),
            instruments,
            qualification,
            threshold,
            out,
            filled,
            json,
            knowledge,
            no_color,
        )
    )
    if code:
        raise typer.Exit(code)


app.command()(close)


@app.command()
def circuit(
    installation: Annotated[
        str | None, typer.Argument(metavar="INSTALLATION", help="A type or a ready installation.")
    ] = None,
    variants: VariantsOption = None,
    case: Annotated[
        str | None,
        typer.Option("--case", metavar="ID", help="A case: what failed, what was read."),
    ] = None,
    output: Annotated[
        Path | None,
        typer.Option("--output", metavar="FILE", help="Where the picture goes (.svg); -: stdout."),
    ] = None,
    part: Annotated[
        str, typer.Option("--part", help="all, or for larger letters: mains, control.")
    ] = "all",
    text: Annotated[bool, typer.Option("--text", help="As text on the screen instead.")] = False,
    opened: Annotated[
        bool, typer.Option("--open", help="Open the picture when it is written.")
    ] = False,
    store: StoreOption = None,
    knowledge: KnowledgeOption = None,
    overlay: OverlayOption = None,
    no_color: PlainOption = False,
) -> None:
    """The circuit as a picture (SVG) or as text, with numbered test points."""
    from diagnose.cli.circuit import Wanted, run_circuit

    wanted = Wanted(installation, variants or (), case, output, text, opened, store, no_color, part)
    code = run_circuit(wanted, knowledge)
    if code:
        raise typer.Exit(code)


@app.command()
def check(
    json: Annotated[bool, typer.Option("--json", help="Print one object for scripts.")] = False,
    installations: Annotated[
        list[str] | None,
        typer.Option(
            "--installation",
            metavar="NAME",
            help="default, a preset, or VARIANT=CHOICE,...; repeatable.",
        ),
    ] = None,
    everything: Annotated[
        bool, typer.Option("--all", help="Examine all installations with a name.")
    ] = False,
    mode: Annotated[
        str | None,
        typer.Option("--mode", metavar="UNIT.MODE", help="What tells it best; all: of every one."),
    ] = None,
    against: Annotated[
        str | None,
        typer.Option("--against", metavar="REV|DIR", help="Beside an earlier state, in a table."),
    ] = None,
    knowledge: KnowledgeOption = None,
) -> None:
    """Check the knowledge base; exit code 1 where it has errors."""
    from diagnose.cli.check import Asked, run_check

    code = run_check(knowledge, json, installations or (), everything, Asked(mode, against))
    if code:
        raise typer.Exit(code)


add_commands(app)
papers.add_to(app)
training_app.add_to(app)
app.command()(chart)
app.command()(day)


USAGE: type[Exception] = typer.BadParameter.__mro__[1]
"""The error of the option parser, whichever copy of it typer brings."""


def main(args: Sequence[str] | None = None) -> None:
    """Run the command line; bad input gives one line per issue on stderr and exit code 2."""
    if sys.stdin is None:  # closed by whoever started it: an end of input, as at a pipe
        sys.stdin = io.StringIO()
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            with contextlib.suppress(OSError, ValueError):
                stream.reconfigure(errors="replace")
    words = list(args) if args is not None else None
    try:
        code = app(args=words, prog_name="diagnose", standalone_mode=False)
    except DiagnoseError as error:
        from diagnose.cli.shown import say_issues

        say_issues(error)
        sys.exit(2)
    except USAGE as error:
        from diagnose.cli.shown import say_usage

        say_usage(error)
        sys.exit(2)
    except typer.Abort:
        from diagnose.cli.common import INTERRUPTED

        sys.exit(INTERRUPTED)
    sys.exit(code if isinstance(code, int) else 0)
