"""The options of ``diagnose chart``; what it takes is imported when it runs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from diagnose.cli.options import KnowledgeOption, OverlayOption, VariantsOption


def chart(
    installation: Annotated[
        str, typer.Argument(metavar="INSTALLATION", help="A type or a ready installation.")
    ],
    complaint: Annotated[
        str, typer.Option("--complaint", metavar="ID", help="What the chart starts from.")
    ],
    variants: VariantsOption = None,
    steps: Annotated[
        int | None, typer.Option("--steps", help="Most tests on one way through the chart.")
    ] = None,
    most: Annotated[
        int | None, typer.Option("--most", help="Most steps on the chart (else 12).")
    ] = None,
    rare: Annotated[
        float | None,
        typer.Option("--rare", help="Share of callouts below which a way is not followed."),
    ] = None,
    instruments: Annotated[
        str | None, typer.Option("--instruments", metavar="A,B", help="At hand (else: all).")
    ] = None,
    qualification: Annotated[
        str, typer.Option("--qualification", help="licensed, instructed or unqualified.")
    ] = "instructed",
    meter_category: Annotated[
        str, typer.Option("--meter-category", help="cat_iii, cat_iv, cat_ii or none.")
    ] = "cat_iii",
    answers: Annotated[
        list[str] | None,
        typer.Option(
            "--answer",
            metavar="QUESTION=CHOICE",
            help="Taken as known, as in worked=years; repeatable.",
        ),
    ] = None,
    paper: Annotated[str, typer.Option("--paper", help="a4 or letter.")] = "a4",
    form: Annotated[
        str | None, typer.Option("--format", help="pdf, html or text (else: by FILE's ending).")
    ] = None,
    output: Annotated[
        Path | None, typer.Option("--output", metavar="FILE", help="Write it there.")
    ] = None,
    knowledge: KnowledgeOption = None,
    overlay: OverlayOption = None,
) -> None:
    """The fault-finding chart of one complaint, to be printed and followed by hand."""
    from diagnose.cli.chart import Request, run_chart

    run_chart(
        Request(
            installation,
            complaint,
            variants or (),
            steps,
            rare,
            most,
            instruments,
            qualification,
            meter_category,
            answers or (),
            paper,
            form,
            output,
            knowledge,
        )
    )
