"""Putting answers on file; one that could not be saved is said, shown, and tried again."""

from __future__ import annotations

import sys
from collections.abc import Callable

from diagnose.casebook.store import CaseHeader, CaseStore
from diagnose.cli.shown import say_issues, visible
from diagnose.errors import DiagnoseError
from diagnose.interview.events import Event

Read = Callable[[str], str]
NOT_SAVED = "NOT SAVED. Nothing else is lost. What could not be put on file:"


class Recorder:
    """Puts the events of one case on file.

    With `read` the person may try again as often as needed; without, the first failure ends it.
    What is not saved is shown on stderr, word for word.
    """

    def __init__(self, store: CaseStore, case_id: str, read: Read | None = None) -> None:
        self.store = store
        self.case_id = case_id
        self.read = read

    def __call__(self, event: Event) -> None:
        """Put an event on file.

        Raises
        ------
        DiagnoseError
            It is not on file, and has been shown.
        """
        insist(lambda: self.store.append(self.case_id, event), event, self.read)


def create(
    store: CaseStore, case: CaseHeader, events: list[Event], read: Read | None = None
) -> CaseHeader:
    """File a new case.

    Raises
    ------
    DiagnoseError
        It is not on file, and its first event has been shown.
    """
    made: list[CaseHeader] = []
    insist(lambda: made.append(store.create(case, events)), events[0], read)
    return made[0]


def insist(save: Callable[[], object], event: Event, read: Read | None) -> None:
    """Save, as often as the person wants; else show the event and raise what went wrong."""

    def text() -> str:
        from diagnose.casebook.text import event_text

        return event_text(event)

    persist(save, text, read)


def persist(save: Callable[[], object], text: Callable[[], str], read: Read | None) -> None:
    """Save, as often as the person wants; what could not be saved is shown first, word for word.

    Raises
    ------
    DiagnoseError
        It is not on file: nobody can be asked, or the person goes on without it.
    """
    while True:
        try:
            save()
            return
        except DiagnoseError as error:
            print(f"{NOT_SAVED}\n{visible(text())}", file=sys.stderr, flush=True)
            if read is None:
                raise
            say_issues(error)
            try:
                answer = read("Enter: try again; 'stop': leave without it > ")
            except (KeyboardInterrupt, EOFError):
                raise error from None
            if answer.strip().casefold() == "stop":
                raise
