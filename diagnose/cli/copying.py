"""``diagnose cases copy``, ``cases export`` and ``store upgrade``: whole stores."""

from __future__ import annotations

from collections.abc import Sequence

from diagnose.casebook.stores import chosen_store, is_address, open_store
from diagnose.cli.common import progress_bar
from diagnose.cli.render import Screen
from diagnose.errors import DiagnoseError, fail


def copy_cases(source: str | None, to: str, ids: Sequence[str], no_color: bool) -> None:
    """Copy all cases, or some.

    Raises
    ------
    DiagnoseError
        Some cannot be read, or contradict what is there; the others are copied first.
    """
    from diagnose.casebook.copying import copy_all

    screen = Screen(no_color)
    with progress_bar("Copying", screen.plain) as report:
        copied = copy_all(open_store(source), open_store(to), ids, report)
    screen.para(
        f"{copied.cases} cases with {copied.events} new events copied to "
        f"{open_store(to).name}; {copied.same} were there already."
    )
    if copied.issues:
        raise DiagnoseError(copied.issues)


def export_cases(source: str | None, to: str, anonymous: bool, no_color: bool) -> None:
    """Copy all cases without what says whose they are.

    Raises
    ------
    DiagnoseError
        Without ``--anonymous``; the place is not empty; or some cases cannot be read.
    """
    from diagnose.casebook.anonymous import export

    if not anonymous:
        raise fail("option", "export leaves names out: --anonymous; with them: diagnose cases copy")
    screen = Screen(no_color)
    with progress_bar("Exporting", screen.plain) as report:
        exported = export(open_store(source), open_store(to), report)
    screen.para(
        f"{exported.cases} cases in {open_store(to).name}: no names, addresses, own words or "
        "exact dates; ids are new."
    )
    if exported.issues:
        raise DiagnoseError(exported.issues)


def upgrade_store(store: str | None, no_color: bool) -> None:
    """Bring the tables of a database up to date.

    Raises
    ------
    DiagnoseError
        The store is no database, or its server refuses.
    """
    where = store or chosen_store()
    if not is_address(where):
        raise fail("option", f"'{where}' is a folder: there is nothing to bring up to date")
    from diagnose.casebook.connection import VERSIONS, Database

    database = Database(where)
    before = database.upgrade()
    now = VERSIONS[-1]
    said = f"was of version {before} and is of {now}" if before else f"is of version {now}"
    Screen(no_color).para(f"{database.name} {said}.")
