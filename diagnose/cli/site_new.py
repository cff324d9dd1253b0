"""``diagnose site new``: describing what is fitted at a site, question by question."""

from __future__ import annotations

import datetime
import shlex
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.casebook.sitefiles import (
    Site,
    find_site,
    read_site,
    save_site,
    site_text,
    sites_folder,
)
from diagnose.casebook.store import CaseHeader
from diagnose.casebook.stores import shown_store
from diagnose.cli.common import INTERRUPTED, load, settings
from diagnose.cli.lines import clean
from diagnose.cli.ready import ask_ready
from diagnose.cli.render import Screen
from diagnose.cli.saving import persist
from diagnose.cli.setup import Setup
from diagnose.errors import DiagnoseError, fail
from diagnose.interview.describing import VARIANT, WIRING
from diagnose.interview.events import Event, new_event
from diagnose.plant.compose import Installation, compose, ready

if TYPE_CHECKING:
    from diagnose.knowledge.records import KnowledgeBase

READY, FITTED_AS, UNITS, PHOTOGRAPHS, NOTES = "ready", "wiring", "units", "photographs", "notes"


@dataclass(frozen=True)
class Wanted:
    """Argument and options of ``site new``."""

    name: str | None
    again: bool = False
    installation: str | None = None
    variants: Sequence[str] = ()
    store: str | None = None
    knowledge: str | None = None
    no_color: bool = False


def run_new(wanted: Wanted) -> int:
    """Run the command; the exit code.

    Raises
    ------
    DiagnoseError
        The site is on file already, or an option or its file cannot be used.
    """
    screen = Screen(wanted.no_color)
    knowledge = load(wanted.knowledge)
    describing: Describing | None = None
    try:
        name = clean(wanted.name if wanted.name is not None else _name(screen))
        if not name:
            raise fail("site", "a site needs a name")
        folder = sites_folder(wanted.store)
        site = _start(folder, name, wanted, knowledge)
        describing = Describing(knowledge, screen, folder, site, input)
        describing.lead(wanted)
    except (KeyboardInterrupt, EOFError):
        screen.line()
        if describing is None or not describing.saved:
            screen.para("Stopped before anything was answered: nothing is on file.")
        else:
            screen.para("Every answer is on file. To go on:")
            screen.line(f"  {_command('new', describing.site.name, wanted)}")
        return INTERRUPTED
    screen.line()
    screen.para(f"On file at {describing.saved}. At the next callout:", hang=2)
    screen.line(f"  {_command('', describing.site.name, wanted)}")
    return 0


def _name(screen: Screen) -> str:
    """The site's name, asked for until there is one."""
    while not (name := clean(input("Name of the site > "))):
        screen.para("A site needs a name; ctrl-C ends.", 2, "red")
    return name


def _command(word: str, name: str, wanted: Wanted) -> str:
    words = ["diagnose site", word, shlex.quote(name)]
    if not word:
        words = ["diagnose callout --site", shlex.quote(name)]
    if wanted.store:
        words.append(f"--store {shlex.quote(shown_store(wanted.store))}")
    if wanted.knowledge:
        words.append(f"--knowledge {shlex.quote(wanted.knowledge)}")
    return " ".join(words)


def _start(folder: Path, name: str, wanted: Wanted, knowledge: KnowledgeBase) -> Site:
    """A new site, or the draft of one that goes on."""
    path = find_site(folder, name)
    if path is None:
        return Site(name)
    site = read_site(path, knowledge)
    if site.status == "draft":
        return site
    if not wanted.again:
        message = f"the site '{site.name}' is on file ({path}): 'diagnose site show', or --again"
        raise fail("site", message)
    return replace(site, status="draft", asked=())


class Describing:
    """The questions about one site; each answer is on file before the next question."""

    def __init__(
        self,
        knowledge: KnowledgeBase,
        screen: Screen,
        folder: Path,
        site: Site,
        read: Callable[[str], str] = input,
    ) -> None:
        self.knowledge = knowledge
        self.screen = screen
        self.folder = folder
        self.site = site
        self.read = read
        self.saved: Path | None = None
        self.setup = Setup(knowledge, screen, read)

    def lead(self, wanted: Wanted) -> None:
        """Ask what is not answered yet; the site is described then.

        Raises
        ------
        DiagnoseError
            The options name what there is not, or cannot be built.
        """
        self.screen.rule(f"The site {self.site.name}")
        chosen = settings(wanted.variants)
        if wanted.installation is not None or chosen:
            self._take(wanted.installation, chosen)
        steps = (
            (READY, self._ready),
            (FITTED_AS, self._wiring),
            *((name, self._question) for name in self._lasting()),
            (UNITS, self._units),
            (PHOTOGRAPHS, self._photographs),
            (NOTES, self._notes),
        )
        for name, step in steps:
            if name not in self.site.asked and self._applies(name):
                step(name)
        today = datetime.date.today().isoformat()
        self._save(replace(self.site, status="described", described=today, asked=()))

    def _save(self, site: Site) -> None:
        def save() -> None:
            self.saved = save_site(self.folder, site)

        persist(save, lambda: site_text(site), self.read)
        self.site = site

    def _lasting(self) -> list[str]:
        """Questions whose answer is the same at every callout: those that say how long ways are."""
        return [name for name, question in self.knowledge.questions.items() if question.minutes]

    def _applies(self, name: str) -> bool:
        """Whether a step makes sense where this is fitted, as far as that is described."""
        question = self.knowledge.questions.get(name)
        return question is None or self._fitted().fits(question.needs)

    def _fitted(self) -> Installation:
        return compose(self.knowledge, self.site.installation, self.site.variants)

    def _take(self, name: str | None, chosen: dict[str, str]) -> None:
        kind, choices = ready(self.knowledge, name)
        fitted = compose(self.knowledge, kind, {**choices, **chosen})
        preset = name if name in fitted.type.presets else ""
        site = replace(self.site, preset=str(preset or ""))
        site = self._built(site, fitted).with_asked(READY)
        self._save(site.with_asked(FITTED_AS))

    @staticmethod
    def _built(site: Site, fitted: Installation) -> Site:
        units = {u: t for u, t in site.fitted.items() if u in fitted.instances}
        return replace(
            site,
            installation=str(fitted.type.id),
            variants={str(k): str(v) for k, v in fitted.choices.items()},
            fitted=units,
        )

    def _ready(self, name: str) -> None:
        """Which ready installation is nearest."""
        chosen = ask_ready(self.screen, self.read, self.knowledge).ready
        kind, choices = ready(self.knowledge, chosen)
        preset = "" if chosen == kind else str(chosen)
        site = replace(self.site, preset=preset)
        fitted = compose(self.knowledge, kind, choices)
        self._save(self._built(site, fitted).with_asked(name))

    def _wiring(self, name: str) -> None:
        """In which single choices it differs; the same questions as at a callout."""
        try:
            standard = self._fitted()
        except DiagnoseError:  # broken off where the choices so far exclude one another
            kind, choices = ready(self.knowledge, self.site.preset or self.site.installation)
            standard = compose(self.knowledge, kind, choices)
        opened = new_event(
            "opened",
            installation=standard.type.id,
            variants=dict(standard.choices),
            asks=[WIRING],
        )
        header = CaseHeader(
            id="",
            title="",
            site=self.site.name,
            installation=standard.type.id,
            variants=dict(standard.choices),
            opened=opened.at,
            knowledge=self.knowledge.digest,
        )

        def keep(event: Event) -> None:
            choices = event.data.get(VARIANT, {})
            self._save(replace(self.site, variants={**self.site.variants, **choices}))

        fitted = self.setup.go_on(header, [opened], keep, (WIRING, VARIANT))
        self._save(self._built(self.site, fitted).with_asked(name))

    def _question(self, name: str) -> None:
        question = self.knowledge.questions[name]
        before = self.site.answers.get(name, question.default)
        answer = self.setup.one(question.ask, question.choices, before)
        self._save(self.site.with_asked(name, answers={**self.site.answers, name: answer}))

    def _units(self, name: str) -> None:
        """Make, rating or marking of units, in the person's own words."""
        instances = self._fitted().instances
        self.screen.line()
        self.screen.para("What is written on the parts? One line each, as in:", style="bold")
        self.screen.para("motor: 0.55 kW, 230 V, 3.6 A", 4)
        shown = ", ".join(n for n, i in instances.items() if i.shown)
        self.screen.para(f"Units: {shown}", 2, hang=2)
        while True:
            line = clean(self.read("unit: text; Enter: no more > "))
            if not line:
                break
            unit, colon, text = (part.strip() for part in line.partition(":"))
            if not colon or not text or unit not in instances:
                self.screen.para("Type a unit of the list, a colon, and what it says.", 2, "red")
                continue
            self._save(replace(self.site, fitted={**self.site.fitted, unit: text}))
        self._save(self.site.with_asked(name))

    def _photographs(self, name: str) -> None:
        self.screen.line()
        self.screen.para("Photographs of the site: the names of their files.", style="bold")
        line = clean(self.read("names, with commas; Enter: none > "))
        names = tuple(part.strip() for part in line.split(",") if part.strip())
        self._save(self.site.with_asked(name, photographs=names or self.site.photographs))

    def _notes(self, name: str) -> None:
        self.screen.line()
        self.screen.para("Notes for whoever comes next (access, keys, dogs).", style="bold")
        line = clean(self.read("one line; Enter: none > "))
        self._save(self.site.with_asked(name, notes=line or self.site.notes))
