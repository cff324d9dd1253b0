"""Test points: one number for every place where some test puts a probe, clamp or gauge.

The numbers hang on the wiring and on the tests of the knowledge base alone, so the interview, the
report, the picture of the circuit and the printed chart all show the same ones.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from diagnose.knowledge.records import KnowledgeBase, TestSpec
from diagnose.plant.compose import Installation, fill
from diagnose.plant.procedures import BRANCH_KINDS, NODE_KINDS, InstalledTest


@dataclass(frozen=True)
class Points:
    """The numbered test points of one installation.

    `numbers` maps a place to its number, from 1: a net (a probe, a pressure gauge), or
    ``unit.element`` (a clamp around a conductor, a bucket under an outlet).
    """

    numbers: Mapping[str, int]
    nets: Mapping[str, str]

    def place(self, address: str) -> str:
        """The place behind ``unit.terminal``, a net's own name or ``unit.element``."""
        return self.nets.get(address, address)

    def of(self, test: InstalledTest) -> tuple[int, ...]:
        """Numbers of the test points of a test, in the order of its probes; () where it has none.

        A test that measures at one point against the reference of its network has one number.
        """
        if test.spec.kind not in (*NODE_KINDS, *BRANCH_KINDS):
            return ()
        return tuple(self.numbers[self.place(address)] for address in test.of)

    def where(self, number: int) -> str:
        """The place that has a number.

        Raises
        ------
        KeyError
            No place has it.
        """
        for place, known in self.numbers.items():
            if known == number:
                return place
        raise KeyError(number)


def points_of(knowledge: KnowledgeBase, installation: Installation) -> Points:
    """Number the test points of an installation, in the order of its parts from the supply on.

    Numbered is every net on which a test of the knowledge base that fits here puts a probe, a
    jumper or a gauge, and every element around which it puts a clamp. The order is that of the
    installation type's `path`, then of its other parts; within a part that of its terminals, then
    of its elements.
    """
    wanted = set(_probed(knowledge, installation))
    order = [name for name in installation.type.path if name in installation.instances]
    order += [name for name in installation.instances if name not in order]
    places: dict[str, None] = {}
    for unit in order:
        part = installation.part_of(unit)
        for terminal in part.terminals:
            places.setdefault(installation.nets[f"{unit}.{terminal}"])
        for element in part.elements:
            places.setdefault(f"{unit}.{element}")
    found = [place for place in places if place in wanted]
    numbers = {place: number for number, place in enumerate(found, 1)}
    return Points(numbers, installation.nets)


def _probed(knowledge: KnowledgeBase, installation: Installation) -> Iterator[str]:
    for spec in knowledge.tests.values():
        if spec.kind not in (*NODE_KINDS, *BRANCH_KINDS) and not spec.bridge:
            continue
        for it in _fitted(spec, installation):
            if installation.fits(fill(spec.needs, installation, it)):
                addresses = (*spec.of, *spec.bridge) if spec.kind != "signal" else spec.bridge
                for address in addresses:
                    full = fill(address, installation, it)
                    yield installation.nets.get(full, full)


def _fitted(spec: TestSpec, installation: Installation) -> list[str]:
    if not spec.each:
        return [""]
    parts = spec.each.split("|")
    return [name for name, instance in installation.instances.items() if instance.part in parts]
