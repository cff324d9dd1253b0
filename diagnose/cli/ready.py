"""The first question of a set-up: which ready installation, or which site on file."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from diagnose.cli.lines import by_words, clean, match, number_from
from diagnose.cli.render import Screen
from diagnose.interview.steps import Option
from diagnose.knowledge.records import KnowledgeBase
from diagnose.language import gettext as _
from diagnose.language import marked
from diagnose.plant.compose import Installation

ASK = marked("Which of these is the installation, or nearest to it?")
PROMPT = marked("number, words of a line, or the name of a site on file; Enter: 1 > ")
ALONE = marked("number, or words of a line (transmitter); Enter: 1 > ")
AGAIN = marked("Type a number from 1 to {count}, or the name of a site on file.")


@dataclass(frozen=True)
class Choice:
    """What was chosen: the name of a type or a preset, or a site's name."""

    ready: str = ""
    site: str = ""


def titles_of(knowledge: KnowledgeBase) -> dict[str, str]:
    """Each type's standard installation and its presets, by name, with their titles."""
    found = {}
    for kind in knowledge.installations.values():
        defaults = {v.id: v.default for v in kind.variants.values()}
        if not any({**defaults, **p.variants} == defaults for p in kind.presets.values()):
            found[kind.id] = kind.title
        found.update({preset.id: preset.title for preset in kind.presets.values()})
    return found


def needed(knowledge: KnowledgeBase, sites: Sequence[str]) -> bool:
    """Whether there is anything to choose from."""
    return len(titles_of(knowledge)) > 1 or bool(sites)


def title_of(installation: Installation) -> str:
    """The title of the preset that an installation is built like, else its type's."""
    return next(
        (p.title for p in installation.type.presets.values() if _like(installation, p.variants)),
        installation.type.title,
    )


def met_at(installation: Installation) -> str:
    """Where an installation that is built like a preset is met; "" for others."""
    presets = installation.type.presets.values()
    return next((p.met for p in presets if _like(installation, p.variants)), "")


def built_as(installation: Installation) -> str:
    """The ready installation that it is, or the nearest one and what differs from it."""
    kind = installation.type
    defaults = {v.id: v.default for v in kind.variants.values()}
    known = [(p.title, p.variants) for p in kind.presets.values()]
    ways = []
    for title, variants in [*known, ("", {})]:
        usual = {**defaults, **variants}
        ways.append((title, [n for n, c in installation.choices.items() if usual[n] != c]))
    title, differs = min(ways, key=lambda way: len(way[1]))
    named = _(title) if title else _("the standard installation")
    if not differs:
        return named
    changes = "; ".join(
        f"{_(kind.variants[n].title)}: {_(kind.variants[n].choices[installation.choices[n]].title)}"
        for n in differs
    )
    return _("{named}, except: {changes}").format(named=named, changes=changes)


def _like(installation: Installation, variants: Mapping[str, str]) -> bool:
    defaults = {v.id: v.default for v in installation.type.variants.values()}
    return {**defaults, **variants} == dict(installation.choices)


def ask_ready(
    screen: Screen,
    read: Callable[[str], str],
    knowledge: KnowledgeBase,
    sites: Sequence[str] = (),
) -> Choice:
    """Ask until a ready installation or a site on file is chosen."""
    titles = titles_of(knowledge)
    options = [Option(name, _(title)) for name, title in titles.items()]
    screen.line()
    screen.para(_(ASK), style="bold")
    screen.options(options)
    if sites:
        screen.para(_("Sites on file: {names}").format(names="; ".join(sites)), 2, hang=2)
    while True:
        line = clean(read(_(PROMPT) if sites else _(ALONE)))
        if not line:
            return Choice(options[0].id)
        known = {name.casefold(): name for name in sites}
        if line.casefold() in known:
            return Choice(site=known[line.casefold()])
        chosen, found = match(line, options), by_words(line, options)
        whole = line.casefold() in {n.casefold() for o in options for n in (o.id, o.title)}
        if chosen is not None and (whole or len(found) < 2):
            return Choice(chosen)
        if len(found) == 1:
            return Choice(found[0].id)
        for option in found:
            screen.para(f"{options.index(option) + 1:>2}  {option.title}", 2, hang=4)
        if not found:
            again = _(AGAIN).format(count=len(options)) if sites else number_from(len(options))
            screen.para(again, 2, "red")
