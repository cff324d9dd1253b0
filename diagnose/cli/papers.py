"""The commands that make papers: the service report, the handbook, the debrief."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from diagnose.cli.options import (
    FirmOption,
    FormatOption,
    KnowledgeOption,
    LanguageOption,
    OutputOption,
    OverlayOption,
    PaperOption,
    PlainOption,
    StoreOption,
    VariantsOption,
)


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    app.command()(report)
    app.command()(handbook)
    app.command()(debrief)


def report(
    case: Annotated[str, typer.Argument(metavar="CASE", help="The case to report on.")],
    format: FormatOption = "",  # noqa: A002
    output: OutputOption = None,
    paper: PaperOption = None,
    firm: FirmOption = None,
    language: LanguageOption = None,
    store: StoreOption = None,
    knowledge: KnowledgeOption = None,
    overlay: OverlayOption = None,
    no_color: PlainOption = False,
) -> None:
    """The service report of a case: a page for the customer, then the technician's record."""
    from diagnose.cli.report import Wanted, run_report

    code = run_report(case, Wanted(format, output, paper, firm, no_color), store, knowledge)
    if code:
        raise typer.Exit(code)


def handbook(
    installation: Annotated[
        str | None, typer.Argument(metavar="INSTALLATION", help="A type or a ready installation.")
    ] = None,
    variants: VariantsOption = None,
    format: FormatOption = "",  # noqa: A002
    output: OutputOption = None,
    paper: PaperOption = None,
    firm: FirmOption = None,
    language: LanguageOption = None,
    knowledge: KnowledgeOption = None,
    overlay: OverlayOption = None,
    no_color: PlainOption = False,
) -> None:
    """All failure modes, signs and tests with limits and sources of one installation."""
    from diagnose.cli.handbook import run_handbook
    from diagnose.cli.report import Wanted

    wanted = Wanted(format, output, paper, firm, no_color)
    code = run_handbook(installation, variants or (), wanted, knowledge)
    if code:
        raise typer.Exit(code)


def debrief(
    transcript: Annotated[
        Path, typer.Argument(metavar="TRANSCRIPT", help="The file of a practice attempt.")
    ],
    format: Annotated[  # noqa: A002
        str, typer.Option("--format", metavar="FORMAT", help="text (default), html or pdf.")
    ] = "",
    output: OutputOption = None,
    paper: PaperOption = None,
    knowledge: KnowledgeOption = None,
    overlay: OverlayOption = None,
    no_color: PlainOption = False,
) -> None:
    """A practice attempt beside the expert's: what each step told, and the score."""
    from diagnose.cli.debrief import run_debrief
    from diagnose.cli.report import Wanted

    code = run_debrief(transcript, Wanted(format, output, paper, None, no_color), knowledge)
    if code:
        raise typer.Exit(code)
