"""Installations for tests of pictures: every pair of choices of two variants is built once."""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping
from itertools import combinations, product

from diagnose.errors import DiagnoseError
from diagnose.knowledge.records import InstallationType, KnowledgeBase
from diagnose.plant.compose import Installation, choose, compose
from diagnose.plant.matrix import MatrixBuilder
from diagnose.plant.points import points_of
from diagnose.plant.procedures import InstalledTest, installed_tests
from diagnose.report.pictures.values import Marks, Measured

TRIES = 60
SHOWN = ("4.96 V", "OL", "66.6 ohm", "> 500 kohm", "12.19 uF", "closed: below 20 ohm", "16.2 A")


def _pairs(choices: Mapping[str, str]) -> set[tuple[tuple[str, str], tuple[str, str]]]:
    return set(combinations(sorted(choices.items()), 2))


def _legal(kind: InstallationType, choices: Mapping[str, str]) -> bool:
    try:
        choose(kind, choices)
    except DiagnoseError:
        return False
    return True


def pairwise_choices(kind: InstallationType) -> Iterator[dict[str, str]]:
    """Choices such that every two choices that can be combined are combined at least once.

    Greedy, with a fixed seed: among some random completions of an open pair the one that covers
    most open pairs.
    """
    chance = random.Random(60617)
    variants = kind.variants
    wanted = set()
    for a, b in combinations(sorted(variants), 2):
        for x, y in product(variants[a].choices, variants[b].choices):
            rest = {v: d.default for v, d in variants.items()}
            if any(_legal(kind, {**rest, **more, a: x, b: y}) for more in _others(kind)):
                wanted.add(((a, x), (b, y)))
    while wanted:
        first = dict(min(wanted))
        tried = [_completed(kind, first, chance) for _ in range(TRIES)]
        best = max(tried, key=lambda c: len(_pairs(c) & wanted))
        wanted -= _pairs(best)
        yield best


def _completed(
    kind: InstallationType, pair: Mapping[str, str], chance: random.Random
) -> dict[str, str]:
    """A pair with other choices drawn at random, one after another, as far as they can be built."""
    rest = {v: d.default for v, d in kind.variants.items()}
    found = next(c for more in _others(kind) if _legal(kind, c := {**rest, **more, **pair}))
    names = [name for name in kind.variants if name not in pair]
    chance.shuffle(names)
    for name in names:
        drawn = {**found, name: chance.choice(list(kind.variants[name].choices))}
        found = drawn if _legal(kind, drawn) else found
    return found


def _others(kind: InstallationType) -> Iterator[dict[str, str]]:
    """Nothing, and each single choice: what may make a pair legal."""
    yield {}
    for name, variant in kind.variants.items():
        for choice in variant.choices:
            yield {name: choice}


def pictured(knowledge: KnowledgeBase) -> list[Installation]:
    """Every installation type as it comes, with each single choice that is legal, and paired."""
    found: dict[str, Installation] = {}
    for kind in knowledge.installations.values():
        single = [{v: c} for v, d in kind.variants.items() for c in d.choices]
        for choices in [{}, *single, *pairwise_choices(kind)]:
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
