"""What several commands share: the knowledge base, the matrix with its progress bar, the store."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.casebook.stores import open_store
from diagnose.errors import fail

if TYPE_CHECKING:
    from diagnose.casebook.store import CaseStore
    from diagnose.cli.render import Screen
    from diagnose.interview.session import Session
    from diagnose.knowledge.records import KnowledgeBase
    from diagnose.plant.compose import Installation
    from diagnose.plant.matrix import DependencyMatrix

INTERRUPTED = 130
"""Exit code of a command that the person broke off, as shells have it for Ctrl-C."""


chosen_overlay: ContextVar[Path | None] = ContextVar("chosen_overlay", default=None)
"""What ``--overlay`` says, for every command that loads knowledge."""


def load(folder: str | None, learned: bool = True) -> KnowledgeBase:
    """The knowledge base of a folder, or the one that comes with the program.

    Parameters
    ----------
    learned
        With the numbers of the overlay, where there is one.

    Raises
    ------
    DiagnoseError
        The folder or an overlay that was named is not there, or one of the files has issues.
    """
    from diagnose.knowledge.cache import knowledge_for
    from diagnose.knowledge.folder import find_knowledge, overlay_path

    root = find_knowledge(folder)
    path = overlay_path(root, chosen_overlay.get())
    if learned and not path.is_file() and path == chosen_overlay.get():
        raise fail("no-overlay", f"there is no overlay '{path}'")
    return knowledge_for(root, overlay=path if learned and path.is_file() else None)


def say_learned(screen: Screen, knowledge: KnowledgeBase) -> None:
    """One line where learned numbers are in use: from how much, from when, and where they lie."""
    overlay = knowledge.overlay
    if overlay is None:
        return
    screen.para(
        f"With numbers learned from {overlay.cases} confirmed cases on {overlay.learned} "
        f"({overlay.path})."
    )
    if overlay.knowledge != knowledge.digest.partition("+")[0]:
        screen.para("The knowledge base has changed since: run 'diagnose learn' again.", 2)


def store_at(named: str | None) -> CaseStore:
    """The store in a folder or a database, or the usual one."""
    return open_store(named)


def settings(
    pairs: Sequence[str], option: str = "--set", form: str = "VARIANT=CHOICE"
) -> dict[str, str]:
    """Pairs as given with ``--set variant=choice``, or with another option of this form.

    Raises
    ------
    DiagnoseError
        A text has no ``=``.
    """
    from diagnose.plant.compose import assigned  # only here: not every command composes

    return assigned(pairs, lambda pair: f"{option} '{pair}' is not {form}")


def instruments_named(knowledge: KnowledgeBase, chosen: str | None) -> tuple[str, ...] | None:
    """The instruments named with ``--instruments A,B``, or None for all.

    Raises
    ------
    DiagnoseError
        There is no such instrument.
    """
    if chosen is None:
        return None
    legal = sorted({t.instrument for t in knowledge.tests.values()})
    names = [name.strip() for name in chosen.split(",") if name.strip()]
    for name in names:
        if name not in legal:
            raise fail("option", f"--instruments: there is no '{name}'", None, legal)
    return tuple(names)


@contextmanager
def progress_bar(what: str, plain: bool = False) -> Iterator[Callable[[int, int], None]]:
    """Progress on stderr from the first report on: a bar, or plain per cents; nothing in a pipe."""
    if not sys.stderr.isatty():
        yield lambda done, total: None
    elif plain:
        yield from _per_cents(what)
    else:
        yield from _bar(what)


def _per_cents(what: str) -> Iterator[Callable[[int, int], None]]:
    tenths = -1

    def report(done: int, total: int) -> None:
        nonlocal tenths
        if tenths < 0:
            sys.stderr.write(f"{what}:")
        if 10 * done // total > tenths:
            tenths = 10 * done // total
            sys.stderr.write(f" {10 * tenths}%")
            sys.stderr.flush()

    try:
        yield report
    finally:
        if tenths >= 0:
            sys.stderr.write("\n")


def _bar(what: str) -> Iterator[Callable[[int, int], None]]:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(30), TimeRemainingColumn())
    bar = Progress(*columns, console=Console(stderr=True), transient=True)
    task = bar.add_task(what, total=None)
    started = False

    def report(done: int, total: int) -> None:
        nonlocal started
        if not started:
            bar.start()
            started = True
        bar.update(task, completed=done, total=total)

    try:
        yield report
    finally:
        if started:
            bar.stop()


def session_for(
    knowledge: KnowledgeBase, installation: Installation, plain: bool = False
) -> Session:
    """The session of one installation; its matrix from the cache or computed now."""
    from diagnose.interview.session import Session

    return Session(knowledge, installation, matrix_of(knowledge, installation, plain))


def matrix_of(
    knowledge: KnowledgeBase, installation: Installation, plain: bool = False
) -> DependencyMatrix:
    """The matrix of one installation, from the cache or computed now."""
    from diagnose.plant.cache import matrix_for

    with progress_bar("Computing what each test would show", plain) as report:
        return matrix_for(knowledge, installation, report)
