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

from diagnose.cli.chart_command import chart
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

StoreOption = Annotated[
    Path | None,
    typer.Option("--store", metavar="DIR", help="Folder of the cases (else ./cases, else yours)."),
]
KnowledgeOption = Annotated[
    str | None,
    typer.Option("--knowledge", metavar="DIR", help="Folder of the knowledge base."),
]
AnswersOption = Annotated[
    Path | None,
    typer.Option("--answers", metavar="FILE", help="Take all answers from a file, ask nobody."),
]
ResultOption = Annotated[
    bool, typer.Option("--json", help="With --answers: print the result as one object.")
]
InstallationOption = Annotated[
    str | None, typer.Option("--installation", metavar="ID", help="Kind of installation.")
]
VariantsOption = Annotated[
    list[str] | None,
    typer.Option("--set", metavar="VARIANT=CHOICE", help="One variant of it; repeatable."),
]
FormatOption = Annotated[
    str, typer.Option("--format", metavar="FORMAT", help="pdf (default), html or text.")
]
OutputOption = Annotated[
    Path | None,
    typer.Option("--output", metavar="FILE", help="Write it there; - is standard output."),
]
PaperOption = Annotated[
    str | None, typer.Option("--paper", metavar="SIZE", help="a4 (default) or letter.")
]
FirmOption = Annotated[
    Path | None,
    typer.Option("--firm", metavar="FILE", help="The firm's name, logo and wording (YAML)."),
]


def _speak(tag: str | None) -> str | None:
    """Use the language of the option, of the firm's file, or of the environment."""
    from diagnose import language

    if tag is None:
        from diagnose.cli.firm import firm_at

        tag = firm_at(None).language
    language.use(language.choose([tag]))
    return tag


LanguageOption = Annotated[
    str | None,
    typer.Option(
        "--language",
        metavar="TAG",
        help="Language of questions and reports: en or hi.",
        callback=_speak,
    ),
]
PlainOption = Annotated[
    bool, typer.Option("--no-color", help="No colour (the variable NO_COLOR does the same).")
]


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
    installation: InstallationOption = None,
    variants: VariantsOption = None,
    language: LanguageOption = None,
    no_color: PlainOption = False,
) -> None:
    """Lead a callout from the complaint to a verified repair."""
    from diagnose.cli.callout import run_callout
    from diagnose.cli.request import Request

    request = Request(
        case, answers, json, resume, store, knowledge, installation, variants or [], no_color
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
    installation: InstallationOption = None,
    variants: VariantsOption = None,
    language: LanguageOption = None,
    no_color: PlainOption = False,
) -> None:
    """Before the drive: ask the customer; how urgent, what to switch off, what to load."""
    from diagnose.cli.phone import PhoneRequest, run_phone

    request = PhoneRequest(
        case, answers, json, resume, store, knowledge, installation, variants or [], no_color, share
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


cases_app = typer.Typer(help="List the cases on file, or show one.", rich_markup_mode=None)
app.add_typer(cases_app, name="cases")


@cases_app.callback(invoke_without_command=True)
def cases(context: typer.Context, store: StoreOption = None, no_color: PlainOption = False) -> None:
    """List the cases on file, one line each; `cases show ID` shows one."""
    if context.invoked_subcommand is None:
        from diagnose.cli.cases import list_cases

        list_cases(store, no_color)
    else:
        context.obj = store


@cases_app.command("show")
def show(
    context: typer.Context,
    case: Annotated[str, typer.Argument(metavar="ID", help="The case to show.")],
    store: StoreOption = None,
    no_color: PlainOption = False,
) -> None:
    """Show one case from its first event to its last."""
    from diagnose.cli.cases import show_case

    show_case(case, store or context.obj, no_color)


@app.command()
def close(
    case: Annotated[str, typer.Argument(metavar="CASE", help="The case to close.")],
    found: Annotated[
        str | None,
        typer.Option("--found", help="What it really was: UNIT.MODE, or in your own words."),
    ] = None,
    minutes: Annotated[
        float | None, typer.Option("--minutes", min=0, help="Working time in all.")
    ] = None,
    parts: Annotated[
        list[str] | None, typer.Option("--part", help="A part that was used; repeatable.")
    ] = None,
    confirmed: Annotated[
        str | None,
        typer.Option("--confirmed", help="How: verification, measured, replaced or not_confirmed."),
    ] = None,
    store: StoreOption = None,
    knowledge: KnowledgeOption = None,
    language: LanguageOption = None,
    no_color: PlainOption = False,
) -> None:
    """Close a case with what was really found; asks for what no option says."""
    from diagnose.cli.close import Closing, run_close

    given = Closing(found, minutes, parts, confirmed)
    code = run_close(case, given, store, knowledge, no_color)
    if code:
        raise typer.Exit(code)


@app.command()
def report(
    case: Annotated[str, typer.Argument(metavar="CASE", help="The case to report on.")],
    format: FormatOption = "",  # noqa: A002
    output: OutputOption = None,
    paper: PaperOption = None,
    firm: FirmOption = None,
    language: LanguageOption = None,
    store: StoreOption = None,
    knowledge: KnowledgeOption = None,
    no_color: PlainOption = False,
) -> None:
    """The service report of a case: a page for the customer, then the technician's record."""
    from diagnose.cli.report import Wanted, run_report

    code = run_report(case, Wanted(format, output, paper, firm, no_color), store, knowledge)
    if code:
        raise typer.Exit(code)


@app.command()
def handbook(
    installation: Annotated[
        str | None, typer.Argument(metavar="INSTALLATION", help="Kind of installation.")
    ] = None,
    variants: VariantsOption = None,
    format: FormatOption = "",  # noqa: A002
    output: OutputOption = None,
    paper: PaperOption = None,
    firm: FirmOption = None,
    language: LanguageOption = None,
    knowledge: KnowledgeOption = None,
    no_color: PlainOption = False,
) -> None:
    """All failure modes, signs and tests with limits and sources of one installation."""
    from diagnose.cli.handbook import run_handbook
    from diagnose.cli.report import Wanted

    wanted = Wanted(format, output, paper, firm, no_color)
    code = run_handbook(installation, variants or (), wanted, knowledge)
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
    knowledge: KnowledgeOption = None,
) -> None:
    """Check the knowledge base; exit code 1 where it has errors."""
    from diagnose.cli.check import run_check

    code = run_check(knowledge, json, installations or (), everything)
    if code:
        raise typer.Exit(code)


app.command()(chart)


def main(args: Sequence[str] | None = None) -> None:
    """Run the command line; bad input gives one line per issue on stderr and exit code 2."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            with contextlib.suppress(OSError, ValueError):
                stream.reconfigure(errors="replace")
    try:
        app(args=list(args) if args is not None else None, prog_name="diagnose")
    except DiagnoseError as error:
        for issue in error.issues:
            print(" ".join(str(issue).split()), file=sys.stderr)
        sys.exit(2)
