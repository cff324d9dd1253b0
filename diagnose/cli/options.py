"""Options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def _note_overlay(path: Path | None) -> Path | None:
    """Keep what ``--overlay`` says for whoever loads the knowledge in this command."""
    from diagnose.cli.common import chosen_overlay

    chosen_overlay.set(path)
    return path


StoreOption = Annotated[
    str | None,
    typer.Option(
        "--store",
        metavar="STORE",
        help="Where the cases are: a folder, or postgresql+psycopg://USER@HOST/DATABASE.",
    ),
]
KnowledgeOption = Annotated[
    str | None,
    typer.Option("--knowledge", metavar="DIR", help="Folder of the knowledge base."),
]
OverlayOption = Annotated[
    Path | None,
    typer.Option(
        "--overlay",
        metavar="FILE",
        help="Learned numbers (else learned.yaml beside the knowledge, or yours).",
        callback=_note_overlay,
    ),
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
PlainOption = Annotated[
    bool, typer.Option("--no-color", help="No colour (the variable NO_COLOR does the same).")
]
