"""``diagnose debrief``: a practice attempt on file, weighed beside the expert's."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.errors import fail

if TYPE_CHECKING:
    from diagnose.cli.report import Wanted


def run_debrief(path: Path, wanted: Wanted, knowledge: str | None) -> int:
    """Write the debrief of a transcript; the exit code.

    Raises
    ------
    DiagnoseError
        The transcript cannot be used, its attempt is not over, or an option is not legal.
    """
    from diagnose.cli.common import load, session_for
    from diagnose.cli.debrief_paper import debrief_document
    from diagnose.cli.firm import firm_at
    from diagnose.cli.report import write
    from diagnose.cli.transcripts import read_transcript
    from diagnose.plant.compose import compose
    from diagnose.practice.bench import Workshop
    from diagnose.practice.debrief import debrief
    from diagnose.practice.judging import needless_for
    from diagnose.practice.play import play

    if not wanted.format and wanted.output is None:
        wanted = replace(wanted, format="text")
    wanted = wanted.checked()
    transcript = read_transcript(path)
    exercise = transcript.exercise
    _refuse_open(path, transcript.acts[-1].kind if transcript.acts else "open")
    base = load(knowledge)
    installation = compose(base, exercise.kind, exercise.variants)
    session = session_for(base, installation, wanted.no_color)
    bench = Workshop(base, installation).bench(exercise)
    attempt = play(bench, exercise, transcript.acts, needless_for(session))
    _refuse_open(path, "finish" if attempt.ended != "open" else "open")
    found = debrief(session, bench, attempt)
    paper = wanted.paper_for(firm_at(wanted.firm))
    document = debrief_document(session, bench, found, paper, text=wanted.format == "text")
    write(document, wanted, f"{path.stem}-debrief")
    return 0


def _refuse_open(path: Path, last: str) -> None:
    """Refuse an attempt whose last act does not end it: its debrief would give the fault away."""
    if last != "finish":
        raise fail(
            "open",
            f"the attempt in '{path}' is not over: go on with it first "
            f"(diagnose practice --resume {path})",
        )
