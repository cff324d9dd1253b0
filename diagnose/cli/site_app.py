"""The commands on sites: describing one, showing one, listing them."""

from __future__ import annotations

from typing import Annotated

import typer

from diagnose.cli.options import (
    InstallationOption,
    KnowledgeOption,
    PlainOption,
    StoreOption,
    VariantsOption,
)

site_app = typer.Typer(
    help="Describe the installation at a site once, for every callout there.",
    rich_markup_mode=None,
    no_args_is_help=True,
)
NameArgument = Annotated[str, typer.Argument(metavar="NAME", help="The site.")]


@site_app.command("new")
def new(
    name: Annotated[
        str | None, typer.Argument(metavar="NAME", help="The site (else: it is asked for).")
    ] = None,
    again: Annotated[
        bool, typer.Option("--again", help="Describe a site anew that is on file.")
    ] = False,
    installation: InstallationOption = None,
    variants: VariantsOption = None,
    store: StoreOption = None,
    knowledge: KnowledgeOption = None,
    no_color: PlainOption = False,
) -> None:
    """Describe what is fitted at a site, question by question; saved after each answer."""
    from diagnose.cli.site_new import Wanted, run_new

    wanted = Wanted(name, again, installation, variants or (), store, knowledge, no_color)
    code = run_new(wanted)
    if code:
        raise typer.Exit(code)


@site_app.command("show")
def show(
    name: NameArgument,
    json: Annotated[bool, typer.Option("--json", help="Print one object for scripts.")] = False,
    store: StoreOption = None,
    knowledge: KnowledgeOption = None,
    no_color: PlainOption = False,
) -> None:
    """Show one site as it is on file."""
    from diagnose.cli.site_show import show_site

    show_site(name, json, store, knowledge, no_color)


@site_app.command("list")
def listed(
    store: StoreOption = None, knowledge: KnowledgeOption = None, no_color: PlainOption = False
) -> None:
    """List the sites on file; exit code 1 where a file among them cannot be used."""
    from diagnose.cli.site_show import list_sites

    code = list_sites(store, knowledge, no_color)
    if code:
        raise typer.Exit(code)
