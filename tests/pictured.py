"""Installations for tests of pictures: every pair of choices of two variants is built once."""

from __future__ import annotations

import random
from collections.abc import Mapping

from diagnose.errors import DiagnoseError
from diagnose.knowledge.records import InstallationType, KnowledgeBase
from diagnose.plant.compose import Installation, choose, compose
from diagnose.plant.matrix import MatrixBuilder
from diagnose.plant.points import points_of
from diagnose.plant.procedures import InstalledTest, installed_tests
from diagnose.report.pictures.values import Marks, Measured
from tests.campaigns.variants import covering_array

SHOWN = ("4.96 V", "OL", "66.6 ohm", "> 500 kohm", "12.19 uF", "closed: below 20 ohm", "16.2 A")


def _legal(kind: InstallationType, choices: Mapping[str, str]) -> bool:
    try:
        choose(kind, choices)
    except DiagnoseError:
        return False
    return True


def pictured(knowledge: KnowledgeBase) -> list[Installation]:
    """Every installation type as it comes, with each single choice that is legal, and paired."""
    found: dict[str, Installation] = {}
    for kind in knowledge.installations.values():
        single = [{v: c} for v, d in kind.variants.items() for c in d.choices]
        for choices in [{}, *single, *covering_array(kind)]:
            if _legal(kind, choices):
                installation = compose(knowledge, kind.id, choices)
                found.setdefault(installation.id, installation)
    return list(found.values())


def fitting_tests(knowledge: KnowledgeBase, installation: Installation) -> dict[str, InstalledTest]:
    """The tests that can be done on an installation."""
    circuit = MatrixBuilder.circuit_of(installation)
    return installed_tests(knowledge, installation, circuit)


def marked(
    knowledge: KnowledgeBase, installation: Installation, share: float, seed: int = 7
) -> Marks:
    """Marks of all kinds, and a reading of a share of all tests that have test points."""
    chance = random.Random(seed)
    points = points_of(knowledge, installation)
    readings = tuple(
        Measured(points.of(t), chance.choice(SHOWN), t.title, chance.choice((True, False, None)))
        for t in fitting_tests(knowledge, installation).values()
        if points.of(t) and chance.random() <= share
    )
    units = list(installation.instances)
    chance.shuffle(units)
    failed, good, suspected = units[:2], units[2:14], units[14:18]
    return Marks(
        frozenset(failed), frozenset(good), {u: chance.random() for u in suspected}, readings
    )
