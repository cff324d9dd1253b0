"""The commands on the casebook: the cases on file, closing one, the store itself."""

from __future__ import annotations

from typing import Annotated

import typer

from diagnose.cli.options import (
    KnowledgeOption,
    LanguageOption,
    OverlayOption,
    PlainOption,
    StoreOption,
)

cases_app = typer.Typer(
    help="List the cases on file, show one, copy or export them.", rich_markup_mode=None
)
store_app = typer.Typer(
    help="The database that cases are kept in.", rich_markup_mode=None, no_args_is_help=True
)
ToOption = Annotated[str, typer.Option("--to", metavar="STORE", help="Where they are copied to.")]


@cases_app.callback(invoke_without_command=True)
def cases(
    context: typer.Context,
    due: Annotated[
        bool, typer.Option("--due", help="Only cases whose customer is to be called back.")
    ] = False,
    on: Annotated[
        str | None, typer.Option("--on", metavar="DATE", help="With --due: by this day, not today.")
    ] = None,
    store: StoreOption = None,
    no_color: PlainOption = False,
) -> None:
    """List the cases on file, one line each; `cases show ID` shows one."""
    if context.invoked_subcommand is None:
        from diagnose.cli.cases import list_cases, list_due

        if due or on is not None:
            list_due(store, on, no_color)
        else:
            list_cases(store, no_color)
    else:
        context.obj = store


@cases_app.command("show")
def show(
    context: typer.Context,
    case: Annotated[str, typer.Argument(metavar="ID", help="The case to show.")],
    store: StoreOption = None,
    no_color: PlainOption = False,
) -> None:
    """Show one case from its first event to its last."""
    from diagnose.cli.cases import show_case

    show_case(case, store or context.obj, no_color)


@cases_app.command("copy")
def copy(
    context: typer.Context,
    to: ToOption,
    ids: Annotated[
        list[str] | None, typer.Argument(metavar="[ID]...", help="Only these cases.")
    ] = None,
    source: Annotated[
        str | None, typer.Option("--from", metavar="STORE", help="Where they are (else --store).")
    ] = None,
    no_color: PlainOption = False,
) -> None:
    """Copy cases to another store; what is there already is not copied again."""
    from diagnose.cli.copying import copy_cases

    copy_cases(source or context.obj, to, ids or (), no_color)


@cases_app.command("export")
def export(
    context: typer.Context,
    to: Annotated[str, typer.Argument(metavar="STORE", help="A new folder or empty database.")],
    anonymous: Annotated[
        bool,
        typer.Option(
            "--anonymous", help="Without names, addresses, free text and exact dates (needed)."
        ),
    ] = False,
    store: StoreOption = None,
    no_color: PlainOption = False,
) -> None:
    """Copy all cases for others to learn from, without what says whose they are."""
    from diagnose.cli.copying import export_cases

    export_cases(store or context.obj, to, anonymous, no_color)


@store_app.command("upgrade")
def upgrade(store: StoreOption = None, no_color: PlainOption = False) -> None:
    """Make the tables of a database, or bring those of an older program up to date."""
    from diagnose.cli.copying import upgrade_store

    upgrade_store(store, no_color)


def close(
    case: Annotated[str, typer.Argument(metavar="CASE", help="The case to close.")],
    found: Annotated[
        str | None,
        typer.Option("--found", help="What it really was: UNIT.MODE, or in your own words."),
    ] = None,
    minutes: Annotated[
        float | None, typer.Option("--minutes", min=0, help="Working time in all.")
    ] = None,
    took: Annotated[
        list[str] | None,
        typer.Option(
            "--took",
            metavar="STEP=MIN",
            help="What a step really took: its number, its id or that of its test; repeatable.",
        ),
    ] = None,
    parts: Annotated[
        list[str] | None, typer.Option("--part", help="A part that was used; repeatable.")
    ] = None,
    confirmed: Annotated[
        str | None,
        typer.Option("--confirmed", help="How: verification, measured, replaced or not_confirmed."),
    ] = None,
    verified: Annotated[
        str | None, typer.Option("--verified", help="Passed, failed or not_made (else the checks).")
    ] = None,
    call_back: Annotated[
        str | None,
        typer.Option(
            "--call-back", metavar="WHEN", help="When to ask the customer: a date, or in DAYS."
        ),
    ] = None,
    called_back: Annotated[
        str | None,
        typer.Option(
            "--called-back", metavar="HELD", help="Later: held or not-held; not-held opens it."
        ),
    ] = None,
    text: Annotated[
        str | None, typer.Option("--text", help="With --called-back: what the customer said.")
    ] = None,
    store: StoreOption = None,
    knowledge: KnowledgeOption = None,
    overlay: OverlayOption = None,
    language: LanguageOption = None,
    no_color: PlainOption = False,
) -> None:
    """Close a case with what was really found; asks for what no option says."""
    from diagnose.cli.close import Closing, run_called_back, run_close

    if called_back is not None:
        code = run_called_back(case, called_back, text or "", minutes, store, no_color)
    else:
        given = Closing(found, minutes, took, parts, confirmed, verified, call_back)
        code = run_close(case, given, store, knowledge, no_color)
    if code:
        raise typer.Exit(code)
