"""Checks that need parts wired together, and the named installations they are made on.

An installation type composes in far too many ways to try them all. What is tried is the default
wiring, every other choice of every variant by itself, and every preset: each change that the
knowledge describes is made at least once.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from diagnose.errors import DiagnoseError, Issue, Place
from diagnose.knowledge.records import FailureMode, InstallationType, KnowledgeBase
from diagnose.plant.compose import Installation, choices_in, choose, compose, ready
from diagnose.plant.matrix import MatrixBuilder

DEFAULT = "default"


@dataclass(frozen=True)
class Named:
    """One way to build an installation, by name: ``default``, ``variant=choice`` or a preset.

    Of every type but the first, ``type:default`` and ``type:variant=choice``.
    """

    name: str
    kind: str
    choices: Mapping[str, str]
    place: Place | None = None
    preset: bool = False


def named_installations(kb: KnowledgeBase) -> list[Named]:
    """The default of every installation type, its presets, then its single changes.

    Names of other types than the first begin with the type (``type:default``).

    A choice that its conflicts forbid by itself is completed by the first other choice that
    allows it (an overload relay needs a contactor); where there is none, or a preset cannot be
    built, it is listed as it stands and `compose` says why.
    """
    found = []
    for position, kind in enumerate(kb.installations.values()):
        before = f"{kind.id}:" if position else ""
        found.append(Named(before + DEFAULT, kind.id, {}, kind.place))
        for preset in kind.presets.values():
            found.append(Named(preset.id, kind.id, preset.variants, preset.place, preset=True))
        for variant in kind.variants.values():
            for choice in variant.choices:
                if choice != variant.default:
                    wanted = _completed(kind, {variant.id: choice})
                    name = ",".join(f"{k}={v}" for k, v in wanted.items())
                    found.append(Named(before + name, kind.id, wanted, variant.place))
    return _distinct(kb, found)


def _distinct(kb: KnowledgeBase, found: list[Named]) -> list[Named]:
    """Leave out what is built like an earlier one."""
    seen: dict[tuple[str, tuple[tuple[str, str], ...]], Named] = {}
    for named in found:
        variants = kb.installations[named.kind].variants
        chosen = {v.id: named.choices.get(v.id, v.default) for v in variants.values()}
        seen.setdefault((named.kind, tuple(chosen.items())), named)
    return list(seen.values())


def _possible(kind: InstallationType, wanted: Mapping[str, str]) -> bool:
    try:
        choose(kind, wanted)
    except DiagnoseError:
        return False
    return True


def _completed(kind: InstallationType, wanted: dict[str, str]) -> dict[str, str]:
    if _possible(kind, wanted):
        return wanted
    for variant in kind.variants.values():
        for choice in variant.choices:
            more = {**wanted, variant.id: choice}
            if variant.id not in wanted and _possible(kind, more):
                return more
    return wanted


def parse_installation(kb: KnowledgeBase, text: str) -> Named:
    """Read an installation's name, or ``variant=choice,variant=choice`` (``type:variant=choice``).

    A type or a preset may stand before the choices: ``name,variant=choice``.

    Raises
    ------
    DiagnoseError
        There is no such name, or no such variant.
    """
    known = {named.name: named for named in named_installations(kb)}
    if text in known:
        return known[text]
    kind, _, rest = text.partition(":")
    first, *words = rest.split(",") if kind in kb.installations and rest else text.split(",")
    if "=" in first:
        kind = kind if rest else next(iter(kb.installations))
        return Named(text, kind, choices_in([first, *words], text))
    return Named(text, *ready(kb, text, known))


def wiring_issues(kb: KnowledgeBase, sound: bool = True) -> list[Issue]:
    """What shows only in a composed installation.

    Parameters
    ----------
    kb
        The knowledge base.
    sound
        Whether its records are free of errors. If not, only composing is tried: what a broken
        record does to the rest would be noise.
    """
    tried = _Tried(kb, sound)
    named = named_installations(kb)
    for one in named:
        tried.build(one)
    if sound and not tried.issues:
        for needs in tried.needs_unmet():
            for one in named:
                wanted = {**one.choices, **_choices_in(needs)}
                if _possible(kb.installations[one.kind], wanted):
                    tried.build(replace(one, name=needs, choices=wanted))
        return [*tried.issues.values(), *tried.never()]
    return list(tried.issues.values())


def _choices_in(needs: str) -> dict[str, str]:
    """The first choice of every ``variant=choice|choice`` that a condition asks for."""
    words = [word.strip() for word in needs.split("&") if "=" in word and "!" not in word]
    pairs = [word.partition("=") for word in words]
    return {variant.strip(): choice.split("|")[0].strip() for variant, _, choice in pairs}


class _Tried:
    """What the installations built so far have a use for, and what went wrong in building."""

    def __init__(self, kb: KnowledgeBase, sound: bool) -> None:
        self.kb = kb
        self.sound = sound
        self.issues: dict[tuple[str, Place | None, str], Issue] = {}
        self.tests: set[str] = set()
        self.modes: set[tuple[str, str]] = set()
        self.complaints: set[str] = set()
        self.built: set[str] = set()

    def build(self, named: Named) -> None:
        """Compose one installation and, of sound records, everything done on it."""
        try:
            installation = compose(self.kb, named.kind, named.choices)
            if installation.id in self.built:
                return
            self.built.add(installation.id)
            for mode in installation.modes.values():
                self.modes.add((installation.part_of(mode.unit).id, mode.mode.id))
            if self.sound:
                builder = MatrixBuilder(self.kb, installation)
                self.tests |= {test.spec.id for test in builder.tests.values()}
                self.complaints |= {complaint.id for complaint in builder.complaints}
        except DiagnoseError as problem:
            for issue in problem.issues:
                message = issue.message
                if named.choices:
                    message += f" (in '{named.name}')"
                key = (issue.code, issue.place, issue.message if issue.place else "")
                place = issue.place or named.place
                self.issues.setdefault(key, replace(issue, message=message, place=place))

    def missing_modes(self) -> list[tuple[str, FailureMode]]:
        """Failure modes, with their part, that were possible nowhere."""
        return [
            (part.id, mode)
            for part in self.kb.parts.values()
            for mode in part.failure_modes.values()
            if (part.id, mode.id) not in self.modes
        ]

    def needs_unmet(self) -> list[str]:
        """The conditions, on more than one variant perhaps, of what was possible nowhere."""
        needs = [mode.needs for _, mode in self.missing_modes()]
        needs += [test.needs for test in self.kb.tests.values() if test.id not in self.tests]
        return sorted({text for text in needs if _choices_in(text)})

    def never(self) -> Iterator[Issue]:
        """Warnings for what no installation that was built has a use for."""
        for test in self.kb.tests.values():
            if test.id not in self.tests:
                message = f"test '{test.id}' can be done on no installation"
                yield Issue("warning", "never-fits", message, test.place)
        for part, mode in self.missing_modes():
            message = f"failure mode '{part}.{mode.id}' is possible in no installation"
            yield Issue("warning", "never-fits", message, mode.place)
        for complaint in self.kb.complaints.values():
            if complaint.id not in self.complaints:
                message = (
                    f"complaint '{complaint.id}' has no alternative that suits an installation"
                )
                yield Issue("warning", "never-fits", message, complaint.place)


def compose_named(kb: KnowledgeBase, named: Named) -> Installation:
    """Wire up a named installation; see `compose` for what it raises."""
    return compose(kb, named.kind, named.choices)
