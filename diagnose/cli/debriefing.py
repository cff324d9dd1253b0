"""The debrief on the screen, at the end of a practice callout."""

from __future__ import annotations

from diagnose.cli.debrief_paper import debrief_document
from diagnose.cli.render import Screen
from diagnose.interview.session import Session
from diagnose.practice.bench import Bench
from diagnose.practice.debrief import debrief
from diagnose.practice.records import Attempt
from diagnose.report.terminal import WIDTH, terminal


def show_debrief(screen: Screen, session: Session, bench: Bench, attempt: Attempt) -> None:
    """Print the debrief of an attempt that is over."""
    screen.para("Looking at your path beside the expert's: this takes some seconds.", 2)
    found = debrief(session, bench, attempt)
    document = debrief_document(session, bench, found, text=True)
    coloured = screen.console.is_terminal and not screen.plain
    width = min(WIDTH, screen.width)
    print()
    print(terminal(document, coloured, width), end="")
