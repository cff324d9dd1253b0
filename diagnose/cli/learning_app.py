"""The commands that learn from closed cases: ``learn``, ``review``, ``score``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from diagnose.cli.options import KnowledgeOption, OverlayOption, PlainOption, StoreOption

JsonOption = Annotated[bool, typer.Option("--json", help="Print one object for scripts.")]
PictureOption = Annotated[
    Path | None, typer.Option("--picture", metavar="FILE.svg", help="Draw it as a picture too.")
]
LastOption = Annotated[
    int, typer.Option("--last", min=1, metavar="N", help="Replay the latest N cases.")
]


def learn(
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Show before and after, write nothing.")
    ] = False,
    anyway: Annotated[
        bool, typer.Option("--anyway", help="Write it though it foretells worse.")
    ] = False,
    no_ids: Annotated[
        bool,
        typer.Option("--no-ids", help="Name no case: their ids may hold the names of sites."),
    ] = False,
    picture: PictureOption = None,
    json: JsonOption = False,
    store: StoreOption = None,
    knowledge: KnowledgeOption = None,
    overlay: OverlayOption = None,
    no_color: PlainOption = False,
) -> None:
    """Learn rates, wrong answers and minutes from confirmed cases, into an overlay file."""
    from diagnose.cli.learn import LearnRequest, run_learn

    request = LearnRequest(
        store, knowledge, dry_run, anyway, picture, json, no_color, no_ids=no_ids
    )
    code = run_learn(request)
    if code:
        raise typer.Exit(code)


def review(
    last: LastOption = 2000,
    json: JsonOption = False,
    store: StoreOption = None,
    knowledge: KnowledgeOption = None,
    overlay: OverlayOption = None,
    no_color: PlainOption = False,
) -> None:
    """List what confirmed cases contradict in the knowledge base, each with its cases."""
    from diagnose.cli.review import ReviewRequest, run_review

    code = run_review(ReviewRequest(store, knowledge, last, json, no_color))
    if code:
        raise typer.Exit(code)


def score(
    last: LastOption = 2000,
    picture: PictureOption = None,
    json: JsonOption = False,
    store: StoreOption = None,
    knowledge: KnowledgeOption = None,
    no_color: PlainOption = False,
) -> None:
    """Replay closed cases, each judged by earlier ones only: handbook against learned."""
    from diagnose.cli.score import ScoreRequest, run_score

    code = run_score(ScoreRequest(store, knowledge, last, picture, json, no_color))
    if code:
        raise typer.Exit(code)


def add_commands(app: typer.Typer) -> None:
    """Add them to the command line."""
    for command in (learn, review, score):
        app.command()(command)
