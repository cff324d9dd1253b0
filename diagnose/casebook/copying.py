"""Copying cases from one store to another: nothing is lost, and twice is as once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from diagnose.casebook.store import CaseStore
from diagnose.errors import DiagnoseError, Issue


@dataclass
class Copied:
    """Cases that were copied or added to, events added, cases that were there, what went wrong."""

    cases: int = 0
    events: int = 0
    same: int = 0
    issues: list[Issue] = field(default_factory=list)


def copy_all(
    source: CaseStore,
    to: CaseStore,
    ids: Sequence[str] = (),
    report: Callable[[int, int], None] = lambda done, total: None,
) -> Copied:
    """Copy cases (all, or those named), or add the events that the other store lacks.

    A case that cannot be read, or that contradicts the one under its id, is an issue and does
    not keep the others.

    Raises
    ------
    DiagnoseError
        A store cannot be reached or written to.
    """
    copied = Copied()
    wanted = list(ids)
    if not wanted:
        listing = source.listing()
        copied.issues += listing.issues
        wanted = [case.id for case in listing.cases]
    for number, case_id in enumerate(wanted):
        report(number, len(wanted))
        try:
            added = to.put(source.header(case_id), source.events(case_id))
        except DiagnoseError as error:
            if any(
                issue.code in ("unreachable", "unwritable", "version") for issue in error.issues
            ):
                raise
            copied.issues += error.issues
            continue
        copied.events += added
        copied.cases += added > 0
        copied.same += added == 0
    return copied
