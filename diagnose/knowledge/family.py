"""What may be fitted anywhere in a family of installations, all variants taken together.

Checks ask here whether a name can mean anything at all. Whether it does in one particular
installation is for composing to find out.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from functools import cached_property

from diagnose.knowledge.records import (
    InstallationType,
    Instance,
    KnowledgeBase,
    Part,
    VariantChange,
)


def fill_in(text: str, it: str, instances: Mapping[str, Instance]) -> str:
    """Put an instance's name and roles into a text.

    Parameters
    ----------
    text
        May hold ``{it}``, ``{title}``, ``{<role>}`` and ``{<role>.title}``.
    it
        The instance that a template is filled in for; "" leaves the text as it is.
    instances
        What is fitted.
    """
    if "{" not in text or not it:
        return text
    instance = instances[it]
    text = text.replace("{it}", it).replace("{title}", instance.title)
    for role, name in instance.roles.items():
        text = text.replace("{" + role + "}", name)
        if name in instances:
            text = text.replace("{" + role + ".title}", instances[name].title)
    return text


class Family:
    """The names that one or several installation types give, over all their variants."""

    def __init__(self, knowledge: KnowledgeBase, kinds: Iterable[InstallationType]) -> None:
        self.parts = knowledge.parts
        self.kinds = tuple(kinds)
        self.fitted: dict[str, list[Instance]] = {}
        for kind in self.kinds:
            for name, instance in kind.parts.items():
                self.fitted.setdefault(name, []).append(instance)
        for change in self.changes():
            for name, instance in change.add.items():
                self.fitted.setdefault(name, []).append(instance)

    @staticmethod
    def all_of(knowledge: KnowledgeBase) -> Family:
        """Every installation type together."""
        return Family(knowledge, knowledge.installations.values())

    def changes(self) -> Iterator[VariantChange]:
        """What each choice of each variant does."""
        for kind in self.kinds:
            for variant in kind.variants.values():
                yield from variant.choices.values()

    @property
    def instances(self) -> dict[str, Instance]:
        """One instance of each name (the base installation's, where it has one)."""
        return {name: found[0] for name, found in self.fitted.items()}

    def parts_of(self, name: str) -> list[Part]:
        """The known part types of which an instance of this name may be."""
        return [self.parts[i.part] for i in self.fitted.get(name, []) if i.part in self.parts]

    @cached_property
    def unclear(self) -> frozenset[str]:
        """Instances of an unknown part: nothing else about them can be judged."""
        return frozenset(
            name
            for name, found in self.fitted.items()
            if any(i.part not in self.parts for i in found)
        )

    def units_of(self, part: str) -> list[str]:
        """The instances of a part type."""
        return [n for n, found in self.fitted.items() if any(i.part == part for i in found)]

    def instances_for(self, each: str) -> list[str]:
        """The instances that a test's template (``part|part``) is filled in for; "" for none."""
        if not each:
            return [""]
        return [unit for part in each.split("|") for unit in self.units_of(part.strip())]

    def terminals(self, name: str) -> set[str]:
        """Terminals of an instance."""
        return {t for part in self.parts_of(name) for t in part.terminals}

    def elements(self, name: str) -> set[str]:
        """Elements of an instance."""
        return {e for part in self.parts_of(name) for e in part.elements}

    def parameters(self, name: str) -> set[str]:
        """Parameters of an instance."""
        return {p for part in self.parts_of(name) for p in part.parameters}

    def signals(self, name: str) -> set[str]:
        """Signals of an instance."""
        return {s for part in self.parts_of(name) for s in part.signals}

    def logic(self, name: str) -> set[str]:
        """Lines of logic of an instance: its part's, its own, those a variant gives it."""
        lines = {line for part in self.parts_of(name) for line in part.logic}
        lines |= {line for instance in self.fitted.get(name, []) for line in instance.logic}
        return lines | {line for c in self.changes() for line in c.logic.get(name, {})}

    def variables(self, name: str) -> set[str]:
        """Variables of an instance."""
        names = {v for part in self.parts_of(name) for v in part.variables}
        names |= {v for instance in self.fitted.get(name, []) for v in instance.variables}
        return names | {v for c in self.changes() for v in c.variables.get(name, {})}

    def modes(self, name: str) -> set[str]:
        """Failure modes of an instance."""
        return {m for part in self.parts_of(name) for m in part.failure_modes}

    @cached_property
    def nets(self) -> frozenset[str]:
        """Every net's name, an unwired terminal's own net (``instance.terminal``) included."""
        nets = {net for kind in self.kinds for net in kind.references.values()}
        for name, found in self.fitted.items():
            nets |= {net for instance in found for net in instance.wires.values()}
            nets |= {f"{name}.{terminal}" for terminal in self.terminals(name)}
        for change in self.changes():
            nets |= {net for wires in change.wires.values() for net in wires.values()}
        return frozenset(nets)

    @cached_property
    def branches(self) -> frozenset[str]:
        """Every ``instance.element``."""
        return frozenset(f"{name}.{e}" for name in self.fitted for e in self.elements(name))

    @cached_property
    def situations(self) -> frozenset[str]:
        """Every situation's name."""
        return frozenset(name for kind in self.kinds for name in kind.situations)

    @cached_property
    def choices(self) -> dict[str, set[str]]:
        """Every variant with its choices."""
        result: dict[str, set[str]] = {}
        for kind in self.kinds:
            for name, variant in kind.variants.items():
                result.setdefault(name, set()).update(variant.choices)
        return result
