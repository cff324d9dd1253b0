"""Checks that need parts wired together, and the named installations they are made on.

An installation type composes in far too many ways to try them all. What is tried is the default
wiring, every other choice of every variant by itself, and every preset: each change that the
knowledge describes is made at least once.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from diagnose.errors import DiagnoseError, Issue, Place, fail
from diagnose.knowledge.records import InstallationType, KnowledgeBase
from diagnose.plant.compose import Installation, choose, compose
from diagnose.plant.matrix import MatrixBuilder

DEFAULT = "default"


@dataclass(frozen=True)
class Named:
    """One way to build an installation, by name: ``default``, ``variant=choice`` or a preset."""

    name: str
    kind: str
    choices: Mapping[str, str]
    place: Place | None = None
    preset: bool = False


def named_installations(kb: KnowledgeBase) -> list[Named]:
    """The default of every installation type, its presets, then its single changes.

    A choice that its conflicts forbid by itself is completed by the first other choice that
    allows it (an overload relay needs a contactor); where there is none, or a preset cannot be
    built, it is listed as it stands and `compose` says why.
    """
    found = []
    for kind in kb.installations.values():
        before = f"{kind.id}:" if len(kb.installations) > 1 else ""
        found.append(Named(before + DEFAULT, kind.id, {}, kind.place))
        for name, choices in kind.presets.items():
            place = getattr(name, "place", kind.place)
            found.append(Named(before + name, kind.id, choices, place, preset=True))
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
    """Read an installation's name, or ``variant=choice,variant=choice`` on the first type.

    Raises
    ------
    DiagnoseError
        There is no such name, or no such variant.
    """
    known = {named.name: named for named in named_installations(kb)}
    if text in known:
        return known[text]
    if "=" not in text:
        raise fail("unknown-id", f"there is no installation '{text}'", None, known)
    pairs = [item.partition("=") for item in text.split(",")]
    kind = next(iter(kb.installations))
    return Named(text, kind, {name.strip(): choice.strip() for name, _, choice in pairs})


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
    issues: dict[tuple[str, Place | None, str], Issue] = {}
    tests: set[str] = set()
    modes: set[tuple[str, str]] = set()
    complaints: set[str] = set()
    for named in named_installations(kb):
        try:
            installation = compose(kb, named.kind, named.choices)
            for mode in installation.modes.values():
                modes.add((installation.part_of(mode.unit).id, mode.mode.id))
            if sound:
                builder = MatrixBuilder(kb, installation)
                tests |= {test.spec.id for test in builder.tests.values()}
                complaints |= {complaint.id for complaint in builder.complaints}
        except DiagnoseError as problem:
            for issue in problem.issues:
                message = issue.message
                if named.choices:
                    message += f" (in '{named.name}')"
                key = (issue.code, issue.place, issue.message if issue.place else "")
                place = issue.place or named.place
                issues.setdefault(key, replace(issue, message=message, place=place))
    found = list(issues.values())
    if sound and not found:
        found += _never(kb, tests, modes, complaints)
    return found


def _never(
    kb: KnowledgeBase, tests: set[str], modes: set[tuple[str, str]], complaints: set[str]
) -> Iterator[Issue]:
    """Warnings for what no installation that was tried has a use for."""
    for test in kb.tests.values():
        if test.id not in tests:
            message = f"test '{test.id}' can be done on no installation"
            yield Issue("warning", "never-fits", message, test.place)
    for part in kb.parts.values():
        for mode in part.failure_modes.values():
            if (part.id, mode.id) not in modes:
                message = f"failure mode '{part.id}.{mode.id}' is possible in no installation"
                yield Issue("warning", "never-fits", message, mode.place)
    for complaint in kb.complaints.values():
        if complaint.id not in complaints:
            message = f"complaint '{complaint.id}' has no alternative that suits an installation"
            yield Issue("warning", "never-fits", message, complaint.place)


def compose_named(kb: KnowledgeBase, named: Named) -> Installation:
    """Wire up a named installation; see `compose` for what it raises."""
    return compose(kb, named.kind, named.choices)
