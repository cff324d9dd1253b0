"""What all checks share: their type, and issues that say where and what would be legal."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable, Iterator

from diagnose.errors import Issue, Place
from diagnose.knowledge.family import Family
from diagnose.knowledge.records import KnowledgeBase

Check = Callable[[KnowledgeBase], Iterable[Issue]]

SHOWN = 12
"""Up to so many legal values are listed; of more, the nearest few."""
NEAREST = 5


def place_of(*candidates: object) -> Place | None:
    """The first place that is known: a text's, a record's, or a place itself."""
    for candidate in candidates:
        place = candidate if isinstance(candidate, Place) else getattr(candidate, "place", None)
        if isinstance(place, Place):
            return place
    return None


def nearest(name: str, legal: Iterable[str]) -> tuple[str, ...]:
    """The legal values, or those that look most like `name` where there are many."""
    options = sorted({str(option) for option in legal})
    if len(options) <= SHOWN:
        return tuple(options)
    close = difflib.get_close_matches(name, options, NEAREST) or options[:NEAREST]
    return (*close, f"and {len(options) - len(close)} more")


def error(code: str, message: str, *places: object, legal: Iterable[str] = ()) -> Issue:
    """An error at the first known place."""
    return Issue("error", code, message, place_of(*places), tuple(legal))


def warning(code: str, message: str, *places: object, legal: Iterable[str] = ()) -> Issue:
    """A warning at the first known place."""
    return Issue("warning", code, message, place_of(*places), tuple(legal))


def unknown(what: str, kind: str, name: str, legal: Iterable[str], *places: object) -> Issue:
    """``what: there is no <kind> 'name'``, at the name's own place where it has one."""
    message = f"{what}: there is no {kind} '{name}'"
    return error("unknown-id", message, name, *places, legal=nearest(name, legal))


def needs_issues(what: str, needs: str, family: Family, *places: object) -> Iterator[Issue]:
    """What is wrong with ``a & !b & variant=choice|choice``."""
    for written in needs.split("&"):
        word = written.strip().removeprefix("!").strip()
        if not word:
            if needs.strip():
                yield error("needs", f"{what}: '{needs}' has an empty part", needs, *places)
            continue
        if "=" not in word:
            if word not in family.fitted:
                yield unknown(what, "instance", word, family.fitted, needs, *places)
            continue
        variant, choices = (side.strip() for side in word.split("=", 1))
        if variant not in family.choices:
            yield unknown(what, "variant", variant, family.choices, needs, *places)
            continue
        for choice in (c.strip() for c in choices.split("|")):
            if choice not in family.choices[variant]:
                legal = family.choices[variant]
                yield unknown(what, f"choice of '{variant}'", choice, legal, needs, *places)
