"""``diagnose circuit``: the circuit of an installation or a case, as a picture or as text."""

from __future__ import annotations

import sys
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.cli.common import load, session_for, settings, store_at
from diagnose.cli.render import Screen
from diagnose.cli.shown import put_file
from diagnose.errors import fail
from diagnose.plant.compose import Installation, compose, compose_ready
from diagnose.plant.points import points_of

if TYPE_CHECKING:
    from diagnose.interview.events import Event
    from diagnose.interview.session import Session
    from diagnose.knowledge.records import KnowledgeBase
    from diagnose.report.pictures.values import Marks

STDOUT = Path("-")
PARTS = ("all", "mains", "control")


@dataclass(frozen=True)
class Wanted:
    """What the options ask for."""

    installation: str | None = None
    variants: Sequence[str] = ()
    case: str | None = None
    output: Path | None = None
    text: bool = False
    opened: bool = False
    store: str | None = None
    no_color: bool = False
    part: str = "all"

    def checked(self) -> Wanted:
        """The same, refused where the options contradict one another.

        Raises
        ------
        DiagnoseError
            They do.
        """
        if self.case is not None and (self.installation is not None or self.variants):
            raise fail("option", "--case says what is fitted: no INSTALLATION and no --set with it")
        if self.part not in PARTS:
            raise fail("option", f"'{self.part}' is not a part of the picture", None, PARTS)
        if self.text and (self.output is not None or self.opened or self.part != "all"):
            message = "--text goes to the screen, whole: no --output, --open or --part with it"
            raise fail("option", message)
        if self.opened and self.output == STDOUT:
            raise fail("option", "--open needs a file: not with --output -")
        if self.output not in (None, STDOUT) and self.output.suffix.lower() != ".svg":
            raise fail("option", f"--output '{self.output}' does not end in .svg")
        return self


def run_circuit(wanted: Wanted, folder: str | None) -> int:
    """Run the command; the exit code.

    Raises
    ------
    DiagnoseError
        Options that contradict one another, or input that cannot be used.
    """
    wanted = wanted.checked()
    knowledge = load(folder)
    installation, marks, heading, name = _matter(wanted, knowledge)
    points = points_of(knowledge, installation)
    screen = Screen(wanted.no_color)
    if wanted.text:
        from diagnose.report.pictures.text import circuit_text

        for line in circuit_text(installation, points, marks, screen.width):
            screen.line(line)
        return 0
    from diagnose.report.pictures.circuit import PARTS, circuit_svg

    caution = knowledge.cautions.get("isolate_first")
    part = next(part for part in PARTS if part == wanted.part)
    text = caution.text if caution else ""
    svg = circuit_svg(installation, points, marks, heading, text, part)
    if wanted.output == STDOUT:
        put_file(None, svg.encode())
        return 0
    path = wanted.output or Path(f"circuit-{name}{'' if part == 'all' else '-' + part}.svg")
    put_file(path, svg.encode())
    screen.para(f"The circuit, with {len(points.numbers)} test points: {path}", hang=2)
    if wanted.opened:
        _open(path, screen)
    return 0


def _matter(wanted: Wanted, knowledge: KnowledgeBase) -> tuple[Installation, Marks, str, str]:
    """What to draw, its marks, a heading, and a name for the file."""
    from diagnose.report.pictures.values import NOTHING

    if wanted.case is None:
        kind = wanted.installation or next(iter(knowledge.installations))
        return compose_ready(knowledge, kind, settings(wanted.variants)), NOTHING, "", kind
    from diagnose.cli.figures import marks_of
    from diagnose.interview.state import variants_of

    store = store_at(wanted.store)
    header, events = store.header(wanted.case), store.events(wanted.case)
    chosen = variants_of(header.variants, events)
    installation = compose(knowledge, header.installation, chosen)
    session = session_for(knowledge, installation, wanted.no_color)
    heading = ": ".join(text for text in (header.site, installation.type.title) if text)
    return installation, marks_of(session, events), heading, header.id


def _open(path: Path, screen: Screen) -> None:
    """Open a picture where there is a screen to show it on; else say where it is."""
    import os
    import webbrowser

    shown = not sys.platform.startswith("linux") or any(
        os.environ.get(name) for name in ("DISPLAY", "WAYLAND_DISPLAY")
    )
    if not (shown and webbrowser.open(path.resolve().as_uri())):
        screen.para(f"Nothing here opens it: open {path} yourself.", 2, hang=2)


def open_circuit(screen: Screen, session: Session, events: Sequence[Event]) -> None:
    """The circuit as a picture during an interview: in a file of its own, and opened."""
    import tempfile

    from diagnose.cli.figures import circuit_of, marks_of

    path = Path(tempfile.mkdtemp(prefix="diagnose-")) / "circuit.svg"
    put_file(path, circuit_of(session, marks_of(session, events)).encode())
    screen.para(f"The circuit as it stands: {path}", 2, hang=2)
    _open(path, screen)


def show_circuit(
    screen: Screen, session: Session, events: Sequence[Event], near: Collection[int] = ()
) -> None:
    """The circuit as text during an interview; `near`: only around these test points."""
    from diagnose.cli.figures import marks_of
    from diagnose.report.pictures.text import circuit_text

    marks = marks_of(session, events)
    screen.rule("The circuit" + (f" around {' and '.join(map(str, near))}" if near else ""))
    for line in circuit_text(session.installation, session.points, marks, screen.width, near):
        screen.line(line)
    if near:
        screen.para("The whole of it: circuit all; as a picture: circuit open", 2)
