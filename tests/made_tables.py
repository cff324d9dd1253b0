"""Tables for tests of belief and strategy: random ones, and the shipped installation's."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from diagnose.plant.cache import matrix_for
from diagnose.plant.compose import compose
from diagnose.plant.matrix import MatrixBuilder
from diagnose.reasoning.belief import Hypotheses
from diagnose.reasoning.wrong_answers import refuse_certainty
from tests.bench import shipped

ROOT = Path(__file__).resolve().parent.parent
KIND = "tank_and_sump"
ORDINARY = ((1.0, 1.0),)
"""One kind of person: then the expected information is exact too."""


def made_table(
    clean: NDArray[np.float64],
    sizes: Sequence[int],
    errors: Sequence[float],
    units: Sequence[str],
    weight: Sequence[float],
) -> Hypotheses:
    """A table from its parts, answered by ordinary persons; `units` must be sorted."""
    refuse_certainty(np.array(sizes), np.array(errors))
    starts = [k for k, unit in enumerate(units) if k == 0 or units[k - 1] != unit]
    names = tuple(f"{unit}.m{k}" for k, unit in enumerate(units))
    tests = tuple(f"t{k}" for k in range(len(sizes)))
    return Hypotheses(
        names=names,
        units=tuple(units),
        unit_names=tuple(units[k] for k in starts),
        starts=np.array(starts),
        tests=tests,
        sizes=np.array(sizes),
        clean=clean,
        complaint={},
        weight=np.array(weight),
        errors=np.array(errors),
        index={name: k for k, name in enumerate(names)},
        test_index={name: k for k, name in enumerate(tests)},
        care=ORDINARY,
    )


def random_table(rng: np.random.Generator, hypotheses: int, tests: int, units: int) -> Hypotheses:
    """A table with two to five outcomes a test, some distributions nearly certain."""
    sizes = rng.integers(2, 6, tests)
    clean = np.zeros((hypotheses, tests, 5))
    for k, size in enumerate(sizes):
        clean[:, k, :size] = rng.dirichlet([rng.choice([0.05, 0.5, 2.0])] * size, hypotheses)
    errors = rng.uniform(0.005, 0.2, tests)
    named = sorted(f"u{rng.integers(units):03d}" for _ in range(hypotheses))
    weight = np.exp(rng.uniform(-6, 2, hypotheses))
    return made_table(clean, sizes.tolist(), errors.tolist(), named, weight.tolist())


@cache
def shipped_table() -> Hypotheses:
    """The table of the shipped installation without variants chosen; its matrix is cached."""
    knowledge = shipped()
    installation = compose(knowledge, KIND, {})
    matrix = matrix_for(knowledge, installation)
    rates = {name: m.mode.rate.nominal for name, m in installation.modes.items()}
    errors = {name: t.error for name, t in MatrixBuilder(knowledge, installation).tests.items()}
    return Hypotheses.of(matrix, rates, errors)
