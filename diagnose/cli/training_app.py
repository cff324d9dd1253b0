"""The commands of a curriculum: progress and exam."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from diagnose.cli.options import (
    FormatOption,
    InstallationOption,
    KnowledgeOption,
    OutputOption,
    OverlayOption,
    PaperOption,
    PlainOption,
    VariantsOption,
)


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    app.command()(progress)
    app.command()(exam)


def progress(
    trainee: Annotated[
        Path | None, typer.Option("--trainee", metavar="FILE", help="Whose progress (YAML).")
    ] = None,
    group: Annotated[
        Path | None,
        typer.Option("--group", metavar="DIR", help="For a trainer: all progress files there."),
    ] = None,
    export: Annotated[
        str, typer.Option("--export", metavar="FORM", help="Write it out whole: csv or json.")
    ] = "",
    upcoming: Annotated[
        bool, typer.Option("--next", help="Say what the next exercise would be for.")
    ] = False,
    format: FormatOption = "",  # noqa: A002
    output: OutputOption = None,
    installation: InstallationOption = None,
    variants: VariantsOption = None,
    knowledge: KnowledgeOption = None,
    no_color: PlainOption = False,
) -> None:
    """What a trainee has mastered in practice, what is due; a group's weak spots."""
    from diagnose.cli.progress import Request, run_progress

    code = run_progress(
        Request(
            trainee,
            group,
            export,
            format,
            output,
            upcoming,
            installation,
            variants or (),
            knowledge,
            no_color,
        )
    )
    if code:
        raise typer.Exit(code)


def exam(
    seed: Annotated[
        int | None, typer.Option("--seed", help="The same seed gives the same exam.")
    ] = None,
    candidate: Annotated[
        str, typer.Option("--candidate", metavar="NAME", help="Who sits it, for the sheet.")
    ] = "",
    count: Annotated[int | None, typer.Option("--count", help="Callouts (3 if not said).")] = None,
    class_set: Annotated[
        int | None,
        typer.Option(
            "--class-set",
            metavar="COUNT",
            help="So many callouts as hard as each other; without --number: list them.",
        ),
    ] = None,
    number: Annotated[
        int | None, typer.Option("--number", help="With --class-set: sit this one, from 1.")
    ] = None,
    level: Annotated[
        str | None, typer.Option("--level", help="With --class-set: easy, medium or hard.")
    ] = None,
    tolerance: Annotated[
        float | None,
        typer.Option("--tolerance", help="With --class-set: share by which they may differ."),
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Keep the transcript there.")
    ] = None,
    resume: Annotated[
        Path | None, typer.Option("--resume", metavar="FILE", help="Go on with an exam.")
    ] = None,
    replay: Annotated[
        Path | None,
        typer.Option("--replay", metavar="FILE", help="For an assessor: play a transcript again."),
    ] = None,
    format: FormatOption = "",  # noqa: A002
    output: OutputOption = None,
    paper: PaperOption = None,
    installation: InstallationOption = None,
    variants: VariantsOption = None,
    knowledge: KnowledgeOption = None,
    overlay: OverlayOption = None,
    no_color: PlainOption = False,
) -> None:
    """An exam on simulated callouts: fixed by its seed, no hints, with a result sheet."""
    from diagnose.cli.exam import Request, run_exam
    from diagnose.cli.report import Wanted

    code = run_exam(
        Request(
            seed,
            count,
            class_set,
            number,
            level,
            tolerance,
            candidate,
            out,
            resume,
            replay,
            Wanted(format, output, paper, None, no_color),
            installation,
            variants or (),
            knowledge,
        )
    )
    if code:
        raise typer.Exit(code)
