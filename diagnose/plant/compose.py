"""Base installation plus variants: one wired whole, or a refusal that says why."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace

from diagnose.errors import fail
from diagnose.knowledge.asked_records import HERE
from diagnose.knowledge.expressions import Expression
from diagnose.knowledge.family import fill_in
from diagnose.knowledge.records import (
    Domain,
    FailureMode,
    InstallationType,
    Instance,
    KnowledgeBase,
    Part,
    VariantChange,
)


@dataclass(frozen=True)
class InstalledMode:
    """A failure mode of one fitted part: ``unit.mode``."""

    id: str
    unit: str
    mode: FailureMode

    @property
    def title(self) -> str:
        return self.mode.title

    @property
    def parts(self) -> tuple[InstalledMode, ...]:
        """The failure modes that this fault consists of: itself."""
        return (self,)


@dataclass(frozen=True)
class Pair:
    """Two failure modes at once, of different units; made by `diagnose.plant.pairs.together`."""

    parts: tuple[InstalledMode, InstalledMode]

    @property
    def id(self) -> str:
        return " + ".join(mode.id for mode in self.parts)


Fault = InstalledMode | Pair
"""What can be injected into one lane of a circuit."""


@dataclass(frozen=True, repr=False)
class Installation:
    """One wiring: the fitted parts, their nets and what can fail.

    `nets` maps ``instance.terminal`` to a net name, `domain` gives each net's network.
    """

    type: InstallationType
    choices: Mapping[str, str]
    instances: Mapping[str, Instance]
    parts: Mapping[str, Part]
    nets: Mapping[str, str]
    domain: Mapping[str, Domain]
    modes: Mapping[str, InstalledMode]
    compiled: dict[tuple[str, str], Expression] = field(
        default_factory=dict, compare=False, repr=False
    )
    """Expressions compiled so far, by text and scope (names do not hang on failure modes)."""
    words: dict[str, str] = field(default_factory=dict, compare=False, repr=False)
    """What ``{here.<word>}`` stands for in this installation's texts, by word."""

    @property
    def id(self) -> str:
        chosen = ",".join(f"{k}={v}" for k, v in sorted(self.choices.items()))
        return f"{self.type.id}({chosen})"

    def has(self, instance: str) -> bool:
        return instance in self.instances

    def part_of(self, instance: str) -> Part:
        return self.parts[self.instances[instance].part]

    def fits(self, needs: str) -> bool:
        """Whether every instance named in `needs` (``a & !b & variant=choice``) is as asked."""
        for word in (w.strip() for w in needs.split("&")):
            if not word:
                continue
            wanted = not word.startswith("!")
            word = word.removeprefix("!").strip()
            if "=" in word:
                variant, choice = (x.strip() for x in word.split("=", 1))
                present = self.choices.get(variant) in choice.split("|")
            else:
                present = word in self.instances
            if present != wanted:
                return False
        return True


def choose(kind: InstallationType, wanted: Mapping[str, str]) -> dict[str, str]:
    """All variants with their choices, defaults filled in.

    Raises
    ------
    DiagnoseError
        A variant or a choice does not exist, or the combination cannot be built.
    """
    for name, value in wanted.items():
        place = getattr(value, "place", None)
        if name not in kind.variants:
            raise fail(
                "unknown-id",
                f"'{name}' is not a variant of '{kind.id}'",
                getattr(name, "place", place),
                kind.variants,
            )
        legal = kind.variants[name].choices
        if value not in legal:
            raise fail("unknown-id", f"'{value}' is not a choice of '{name}'", place, legal)
    choices = {
        name: str(wanted.get(name, variant.default)) for name, variant in kind.variants.items()
    }
    for conflict in kind.conflicts:
        if all(choices.get(k) == v for k, v in conflict.when.items()):
            combination = ", ".join(f"{k}: {v}" for k, v in conflict.when.items())
            raise fail("impossible", f"{combination} cannot be built: {conflict.reason}")
    return choices


def _apply(instances: dict[str, Instance], change: VariantChange) -> None:
    for name in change.remove:
        instances.pop(name, None)
    instances.update(change.add)
    for name, wires in change.wires.items():
        if name in instances:
            old = instances[name]
            instances[name] = replace(old, wires={**old.wires, **wires})
    for name, logic in change.logic.items():
        if name in instances:
            old = instances[name]
            instances[name] = replace(old, logic={**old.logic, **logic})
    for name, numbers in change.set.items():
        if name in instances:
            old = instances[name]
            instances[name] = replace(old, set={**old.set, **numbers})
    for name, variables in change.variables.items():
        if name in instances:
            old = instances[name]
            instances[name] = replace(old, variables={**old.variables, **variables})


def compose(
    knowledge: KnowledgeBase, kind: str, wanted: Mapping[str, str] | None = None
) -> Installation:
    """Wire up one installation.

    Raises
    ------
    DiagnoseError
        Unknown installation, variant or choice; a combination that cannot be built.
    """
    if kind not in knowledge.installations:
        place = getattr(kind, "place", None)
        raise fail(
            "unknown-id", f"there is no installation '{kind}'", place, knowledge.installations
        )
    base = knowledge.installations[kind]
    choices = choose(base, wanted or {})
    instances = dict(base.parts)
    for name, choice in choices.items():
        _apply(instances, base.variants[name].choices[choice])
    nets: dict[str, str] = {}
    domain: dict[str, Domain] = {}
    modes: dict[str, InstalledMode] = {}
    for name, instance in instances.items():
        part = knowledge.parts.get(instance.part)
        if part is None:
            raise fail(
                "unknown-id",
                f"instance '{name}': there is no part '{instance.part}'",
                instance.place,
                knowledge.parts,
            )
        for terminal, made_for in part.terminals.items():
            where = instance.domain or made_for
            net = instance.wires.get(terminal, f"{name}.{terminal}")
            nets[f"{name}.{terminal}"] = net
            if domain.setdefault(net, where) != where:
                raise fail(
                    "wiring",
                    f"net '{net}' joins {domain[net]} and {where} at '{name}.{terminal}'",
                    instance.place,
                )
        for terminal in instance.wires:
            if terminal not in part.terminals:
                raise fail(
                    "unknown-id",
                    f"part '{part.id}' has no terminal '{terminal}'",
                    instance.place,
                    part.terminals,
                )
    installation = Installation(base, choices, instances, knowledge.parts, nets, domain, modes)
    for name, instance in instances.items():
        for mode in knowledge.parts[instance.part].failure_modes.values():
            if installation.fits(fill(mode.needs, installation, name)):
                full = f"{name}.{mode.id}"
                modes[full] = InstalledMode(full, name, mode)
    for word in knowledge.words.values():
        said = next((text for needs, text in word.ways if installation.fits(needs)), None)
        if said is not None:
            installation.words[word.id] = said
    return installation


def ready(
    kb: KnowledgeBase, name: str | None, known: Iterable[str] = ()
) -> tuple[str, Mapping[str, str]]:
    """The installation type and the choices that a name stands for.

    Parameters
    ----------
    name
        A type, a preset, or None for the first type; choices may follow:
        ``name,variant=choice,variant=choice``.
    known
        Further names to mention where this one is unknown.

    Raises
    ------
    DiagnoseError
        There is no such type or preset, or what follows is no choice.
    """
    if name is None:
        return next(iter(kb.installations)), {}
    first, *words = name.split(",")
    more = choices_in(words, name)
    first = first.strip()
    if first in kb.installations:
        return first, more
    for kind in kb.installations.values():
        if first in kind.presets:
            return kind.id, {**kind.presets[first].variants, **more}
    legal = dict.fromkeys([*known, *kb.installations, *preset_names(kb)])
    raise fail(
        "unknown-id", f"there is no installation '{first}'", getattr(name, "place", None), legal
    )


def choices_in(words: Iterable[str], text: str) -> dict[str, str]:
    """Variants with their choices from ``variant=choice`` each; `text` is all that was typed.

    Raises
    ------
    DiagnoseError
        A word is not of this form.
    """
    return assigned(words, lambda word: f"'{word.strip()}' in '{text}' is not VARIANT=CHOICE")


def assigned(pairs: Iterable[str], wrong: Callable[[str], str]) -> dict[str, str]:
    """What stands before and behind the ``=`` of each pair.

    Raises
    ------
    DiagnoseError
        A pair has no ``=``; `wrong` says what it should be.
    """
    found = {}
    for pair in pairs:
        name, equals, value = pair.partition("=")
        if not equals:
            raise fail("option", wrong(pair))
        found[name.strip()] = value.strip()
    return found


def preset_names(kb: KnowledgeBase) -> list[str]:
    """Every ready installation's name."""
    return [name for kind in kb.installations.values() for name in kind.presets]


def compose_ready(
    kb: KnowledgeBase, name: str | None, more: Mapping[str, str] | None = None
) -> Installation:
    """Wire up a type or a preset, some of its choices changed; see `ready` and `compose`."""
    kind, choices = ready(kb, name)
    return compose(kb, kind, {**choices, **(more or {})})


def fill(text: str, installation: Installation, it: str) -> str:
    """Put an instance's name and roles into a text: ``{it}``, ``{cable}``, ``{title}``.

    ``{here.<word>}`` becomes what the word stands for where this is fitted.
    """
    return fill_in(here(text, installation), it, installation.instances)


def here(text: str, installation: Installation) -> str:
    """Put what is said where this is fitted for each ``{here.<word>}`` of a text."""
    if "{here." not in text:
        return text
    return HERE.sub(lambda word: installation.words.get(word[1], word[0]), text)
