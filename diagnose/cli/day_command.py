"""The options of ``diagnose day``; what it takes is imported when it runs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from diagnose.cli.options import KnowledgeOption, PlainOption, VariantsOption


def day(
    installation: Annotated[
        str | None, typer.Argument(metavar="INSTALLATION", help="Kind of installation.")
    ] = None,
    variants: VariantsOption = None,
    modes: Annotated[
        list[str] | None,
        typer.Option("--mode", metavar="UNIT.MODE", help="A failure mode; at most two."),
    ] = None,
    hours: Annotated[float, typer.Option("--hours", help="How long, from midnight on.")] = 24.0,
    seed: Annotated[
        int, typer.Option("--seed", help="Another day: when taps open, where parts lie.")
    ] = 0,
    travel: Annotated[
        list[str] | None,
        typer.Option("--travel", metavar="FLOAT=LENGTH", help="A float's own travel, as in 2 mm."),
    ] = None,
    main_off: Annotated[
        str | None,
        typer.Option("--main-off", metavar="FROM-TO", help="Hours without water from the main."),
    ] = None,
    text: Annotated[bool, typer.Option("--text", help="Strips on the screen (the usual).")] = False,
    output: Annotated[
        Path | None,
        typer.Option("--output", "--out", metavar="FILE", help="As a picture (.svg); -: stdout."),
    ] = None,
    animate: Annotated[bool, typer.Option("--animate", help="As moving pictures.")] = False,
    speed: Annotated[
        float, typer.Option("--speed", help="With --animate: simulated minutes a second.")
    ] = 60.0,
    knowledge: KnowledgeOption = None,
    no_color: PlainOption = False,
) -> None:
    """A day in the life: levels, relay and pump over time, healthy and with a failure mode."""
    from diagnose.cli.day import Wanted, run_day

    wanted = Wanted(
        installation,
        variants or (),
        modes or (),
        hours,
        seed,
        travel or (),
        main_off,
        text,
        output,
        animate,
        speed,
        no_color,
    )
    code = run_day(wanted, knowledge)
    if code:
        raise typer.Exit(code)
