"""The commands of training: practice, progress and exam."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from diagnose.cli.options import (
    FormatOption,
    InstallationOption,
    KeptOption,
    KnowledgeOption,
    OutputOption,
    OverlayOption,
    PaperOption,
    PlainOption,
    ResumeOption,
    SeedOption,
    TraineeOption,
    UpcomingOption,
    VariantsOption,
)


def add_to(app: typer.Typer) -> None:
    """Add the commands."""
    app.command()(practice)
    app.command()(progress)
    app.command()(exam)


def practice(
    complaint: Annotated[
        str | None, typer.Option("--complaint", metavar="ID", help="Of this complaint.")
    ] = None,
    mode: Annotated[
        list[str] | None,
        typer.Option("--mode", metavar="UNIT.MODE", help="For a trainer: what is hidden; twice."),
    ] = None,
    seed: SeedOption = None,
    out: KeptOption = None,
    resume: ResumeOption = None,
    hints: Annotated[bool, typer.Option("--hints/--no-hints", help="Hints on request.")] = True,
    trainee: TraineeOption = None,
    upcoming: UpcomingOption = False,
    two_faults: Annotated[
        bool, typer.Option("--two-faults", help="Two faults at once, of two units.")
    ] = False,
    installation: InstallationOption = None,
    variants: VariantsOption = None,
    knowledge: KnowledgeOption = None,
    overlay: OverlayOption = None,
    no_color: PlainOption = False,
) -> None:
    """Practise on a callout that never happened: free choice of tests, safety first."""
    from diagnose.cli.practice import Request, run_practice

    code = run_practice(
        Request(
            installation,
            variants or (),
            complaint,
            mode or (),
            seed,
            out,
            resume,
            hints,
            knowledge,
            no_color,
            trainee,
            upcoming,
            two_faults,
        )
    )
    if code:
        raise typer.Exit(code)


def progress(
    trainee: TraineeOption = None,
    group: Annotated[
        Path | None,
        typer.Option("--group", metavar="DIR", help="For a trainer: all progress files there."),
    ] = None,
    export: Annotated[
        str, typer.Option("--export", metavar="FORM", help="Write it out whole: csv or json.")
    ] = "",
    upcoming: UpcomingOption = False,
    format: FormatOption = "",  # noqa: A002
    output: OutputOption = None,
    installation: InstallationOption = None,
    variants: VariantsOption = None,
    knowledge: KnowledgeOption = None,
    overlay: OverlayOption = None,
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
    seed: SeedOption = None,
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
    out: KeptOption = None,
    resume: ResumeOption = None,
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
