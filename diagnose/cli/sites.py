"""Opening a case, at a site on file or anywhere else."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from diagnose.casebook.sitefiles import Site, load_site, read_site, site_files, sites_folder
from diagnose.cli.common import settings
from diagnose.cli.render import Screen
from diagnose.cli.request import Request
from diagnose.cli.setup import Setup
from diagnose.errors import DiagnoseError
from diagnose.interview.events import Event, new_event
from diagnose.language import gettext as _
from diagnose.plant.compose import Installation, compose

if TYPE_CHECKING:
    from pathlib import Path

    from diagnose.casebook.store import CaseHeader
    from diagnose.knowledge.records import KnowledgeBase

OFFERED = 12
"""Sites offered by name in the set-up; any other is typed, or given with ``--site``."""


def open_case(
    request: Request, screen: Screen, knowledge: KnowledgeBase
) -> tuple[CaseHeader, list[Event]]:
    """Ask the first question of a callout; the case's header and its first events.

    Raises
    ------
    DiagnoseError
        Options that cannot be used, or a site that is not on file.
    """
    from diagnose.cli.callout import header_of

    setup = Setup(knowledge, screen, input)
    folder = sites_folder(request.store)
    chosen: tuple[Site, Installation] | None = None
    known: dict[str, tuple[Site, Installation]] = {}
    if request.site is not None:
        chosen = load_site(folder, request.site, knowledge)
        opened = setup.begin(None, {}, (str(chosen[0].name), chosen[1]))
    else:
        if request.installation is None and not request.variants:
            known = {str(site.name): (site, fitted) for site, fitted in usable(folder, knowledge)}
        opened = setup.begin(
            request.installation,
            settings(request.variants),
            sites={name: fitted for name, (_site, fitted) in known.items()},
        )
        chosen = known.get(str(opened.data["site"]))
    events = [opened]
    if chosen is not None:
        events += answers_of(chosen[0])
        show_notes(screen, chosen[0])
    return header_of(opened), events


def answers_of(site: Site) -> list[Event]:
    """The questions that a site's description has answered, as events of a new case."""
    return [
        new_event("answered", question=str(question), choice=str(choice))
        for question, choice in site.answers.items()
    ]


def usable(folder: Path, knowledge: KnowledgeBase) -> Sequence[tuple[Site, Installation]]:
    """The first sites that are described to the end and can be built; see `OFFERED`."""
    found: list[tuple[Site, Installation]] = []
    for path in site_files(folder):
        if len(found) == OFFERED:
            break
        try:
            site = read_site(path, knowledge)
        except DiagnoseError:
            continue
        if site.status != "draft":
            found.append((site, compose(knowledge, site.installation, site.variants)))
    return found


def show_notes(screen: Screen, site: Site) -> None:
    """What is on file about a site, beside its wiring."""
    texts = [f"{unit}: {text}" for unit, text in site.fitted.items()]
    if site.photographs:
        texts.append(_("photographs: {names}").format(names=", ".join(site.photographs)))
    if site.notes:
        texts.append(site.notes)
    if texts:
        screen.line()
        screen.para(_("On file about this site:"), style="bold")
        for text in texts:
            screen.para(text, 4, hang=2)
