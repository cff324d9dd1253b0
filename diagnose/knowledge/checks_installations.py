"""Checks on installation types: instances, variants, conflicts, presets, situations."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from diagnose.errors import Issue
from diagnose.knowledge.checks_base import error, needs_issues, unknown, warning
from diagnose.knowledge.family import Family
from diagnose.knowledge.records import (
    DOMAINS,
    Instance,
    KnowledgeBase,
    Number,
    VariantChange,
)


def instances_fit(kb: KnowledgeBase) -> Iterator[Issue]:
    """An instance of an unknown part, or with terminals, parameters or roles it cannot have."""
    for kind in kb.installations.values():
        family = Family(kb, [kind])
        for name, found in family.fitted.items():
            for instance in found:
                yield from _instance_issues(kb, family, name, instance)


def _instance_issues(
    kb: KnowledgeBase, family: Family, name: str, instance: Instance
) -> Iterator[Issue]:
    what = f"instance '{name}'"
    part = kb.parts.get(instance.part)
    if part is None:
        yield unknown(what, "part", instance.part, kb.parts, instance)
        return
    for terminal in instance.wires:
        if terminal not in part.terminals:
            yield unknown(what, "terminal", terminal, part.terminals, instance)
    yield from _number_issues(what, instance.set, part.parameters, instance)
    for variable in instance.variables:
        if variable not in part.variables:
            yield unknown(what, "variable", variable, part.variables, instance)
    fragments = {member for unit in family.fitted for member in _members(family, unit)}
    fragments |= {member.partition("_")[0] for member in fragments}
    for role, target in instance.roles.items():
        owner, _, rest = target.partition(".")
        known = target in family.fitted or target in family.nets or target in fragments
        if known or owner in family.unclear or (rest and rest in _members(family, owner)):
            continue
        legal = _members(family, owner) if owner in family.fitted and rest else family.fitted
        yield unknown(f"{what}: role '{role}'", "instance, net or member", target, legal, instance)


def _members(family: Family, name: str) -> set[str]:
    groups = (family.terminals, family.elements, family.signals, family.logic, family.variables)
    return {member for group in groups for member in group(name)}


def _number_issues(
    what: str, numbers: Mapping[str, Number], known: Mapping[str, Number], place: object
) -> Iterator[Issue]:
    for name, number in numbers.items():
        if name not in known:
            yield unknown(what, "parameter", name, known, place)
        elif number.unit != known[name].unit:
            message = f"{what}: '{name}' is in '{known[name].unit}', not in '{number.unit}'"
            yield error("wrong-unit", message, number, legal=(known[name].unit,))


def variants_fit(kb: KnowledgeBase) -> Iterator[Issue]:
    """A variant that changes what is not there."""
    for kind in kb.installations.values():
        family = Family(kb, [kind])
        for variant in kind.variants.values():
            for choice, change in variant.choices.items():
                what = f"variant '{variant.id}={choice}'"
                yield from _change_issues(family, what, change, variant)


def _change_issues(
    family: Family, what: str, change: VariantChange, place: object
) -> Iterator[Issue]:
    place = getattr(change.title, "place", place)
    clear = set(family.fitted) - family.unclear
    groups: tuple[Iterable[str], ...] = (
        change.remove,
        change.wires,
        change.logic,
        change.set,
        change.variables,
    )
    for name in (n for group in groups for n in group):
        if name not in family.fitted:
            yield unknown(what, "instance", name, family.fitted, place)
    for name, wires in change.wires.items():
        for terminal in wires:
            if name in clear and terminal not in family.terminals(name):
                yield unknown(
                    what, f"terminal of '{name}'", terminal, family.terminals(name), place
                )
    for name, numbers in change.set.items():
        if name not in family.fitted:
            continue
        known: dict[str, Number] = {}
        for part in family.parts_of(name):  # any of the parts that it may be has the parameter
            known = {**part.parameters, **known}
        yield from _number_issues(f"{what}: {name}", numbers, known, place)
    for name, variables in change.variables.items():
        legal = {v for part in family.parts_of(name) for v in part.variables}
        for variable in variables:
            if name in clear and variable not in legal:
                yield unknown(what, f"variable of '{name}'", variable, legal, place)


def choices_exist(kb: KnowledgeBase) -> Iterator[Issue]:
    """A conflict or a preset that names a variant or a choice that does not exist."""
    for kind in kb.installations.values():
        named: list[tuple[str, Mapping[str, str], object]] = [
            (f"conflict of '{kind.id}'", c.when, c.reason) for c in kind.conflicts
        ]
        named += [(f"preset '{p.id}'", p.variants, p.place) for p in kind.presets.values()]
        for what, wanted, place in named:
            if what.startswith("conflict") and len(wanted) < 2:
                message = f"{what} needs two choices that exclude each other"
                yield error("conflict", message, place, kind)
            for variant, choice in wanted.items():
                if variant not in kind.variants:
                    yield unknown(what, "variant", variant, kind.variants, kind)
                elif choice not in kind.variants[variant].choices:
                    legal = kind.variants[variant].choices
                    yield unknown(what, f"choice of '{variant}'", choice, legal, variant, kind)


def references_exist(kb: KnowledgeBase) -> Iterator[Issue]:
    """A domain without its reference net, or a path through instances that do not exist."""
    for kind in kb.installations.values():
        what = f"installation '{kind.id}'"
        family = Family(kb, [kind])
        wired = {
            net for name, found in family.fitted.items() for i in found for net in i.wires.values()
        }
        wired |= {
            net for c in family.changes() for wires in c.wires.values() for net in wires.values()
        }
        used = {
            d for name in family.fitted for p in family.parts_of(name) for d in p.terminals.values()
        }
        for domain, net in kind.references.items():
            if domain not in DOMAINS:
                yield unknown(what, "domain", domain, DOMAINS, kind)
            elif net not in wired:
                yield unknown(f"{what}: reference of {domain}", "net", net, wired, kind)
        for domain in sorted(used - set(kind.references)):
            message = f"{what}: the domain '{domain}' has no reference net"
            yield error("no-reference", message, kind)
        for name in kind.path:
            if name not in family.fitted:
                yield unknown(f"{what}: path", "instance", name, family.fitted, kind)


def situations_follow(kb: KnowledgeBase) -> Iterator[Issue]:
    """A situation after one that does not exist, or after itself."""
    for kind in kb.installations.values():
        for situation in kind.situations.values():
            what = f"situation '{situation.id}'"
            seen = [situation.id]
            after = situation.after
            if after and after not in kind.situations:
                yield unknown(what, "situation", after, kind.situations, situation)
            while after in kind.situations:
                if after in seen:
                    if after == situation.id:
                        message = f"{what} comes after itself: {' after '.join([*seen, after])}"
                        yield error("situation-loop", message, situation.after, situation)
                    break
                seen.append(after)
                after = kind.situations[after].after


def titles_keep_to_themselves(kb: KnowledgeBase) -> Iterator[Issue]:
    """A title into which a key has slipped (``after: rest`` inside the quotes)."""
    for kind in kb.installations.values():
        for situation in kind.situations.values():
            for key in ("after:", "as_found:", "values:"):
                if key in situation.title:
                    message = f"situation '{situation.id}': its title holds '{key}' as text"
                    yield warning("key-in-title", message, situation.title, situation)


def presets_are_named(kb: KnowledgeBase) -> Iterator[Issue]:
    """A ready installation whose name stands for something else already."""
    standard = [kind for kind in kb.installations.values() if kind.standard]
    for kind in standard[1:]:
        message = f"'{standard[0].id}' and '{kind.id}' are both the standard type"
        yield error("repeated-id", message, kind)
    taken = {kind.id: "an installation type" for kind in kb.installations.values()}
    taken["default"] = "the standard installation"
    for kind in kb.installations.values():
        for preset in kind.presets.values():
            if preset.id in taken:
                message = f"preset '{preset.id}': the name stands for {taken[preset.id]} already"
                yield error("repeated-id", message, preset.id, preset)
            taken[preset.id] = "another preset"


def designed_has_meaning(kb: KnowledgeBase) -> Iterator[Issue]:
    """A statement of what is designed in a situation that is not there, or with odd needs."""
    for kind in kb.installations.values():
        family = Family(kb, [kind])
        for line in kind.designed:
            what = f"designed of '{kind.id}': {line.does}"
            if line.situation not in kind.situations:
                yield unknown(what, "situation", line.situation, kind.situations, line)
            if line.needs:
                yield from needs_issues(what, line.needs, family, line)
        does = {line.does for line in kind.designed}
        for word in ("starts", "stops"):
            if does and word not in does:
                message = f"designed of '{kind.id}': nothing says when it {word}"
                yield warning("designed", message, kind.designed[0])


CHECKS = (
    presets_are_named,
    designed_has_meaning,
    instances_fit,
    variants_fit,
    choices_exist,
    references_exist,
    situations_follow,
    titles_keep_to_themselves,
)
