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
    str | None,
    typer.Option("--installation", metavar="NAME", help="A type or a ready installation."),
]
VariantsOption = Annotated[
    list[str] | None,
    typer.Option("--set", metavar="VARIANT=CHOICE", help="One variant of it; repeatable."),
]
SiteOption = Annotated[
    str | None,
    typer.Option("--site", metavar="NAME", help="A site on file (diagnose site new)."),
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


SeedOption = Annotated[
    int | None, typer.Option("--seed", help="The same seed gives the same callouts.")
]
KeptOption = Annotated[
    Path | None, typer.Option("--out", metavar="FILE", help="Keep what is done there (YAML).")
]
ResumeOption = Annotated[
    Path | None, typer.Option("--resume", metavar="FILE", help="Go on with what is kept there.")
]
TraineeOption = Annotated[
    Path | None, typer.Option("--trainee", metavar="FILE", help="Whose progress, a file (YAML).")
]
UpcomingOption = Annotated[
    bool, typer.Option("--next", help="What your progress says is weak or due.")
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
