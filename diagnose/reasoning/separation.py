"""What the tests can tell apart: ambiguity groups, undetected causes, testability figures.

Two rows of the dependency matrix are *separated* by a test when the total variation distance
between their distributions over its outcomes, half the sum of the absolute differences, reaches a
threshold. At 0.6 an answer to that test tells the two causes apart at least four times in five,
were both equally likely, since the best guess is right with probability (1 + distance) / 2.

References
----------
.. [1] IEEE Std 1522-2004, IEEE Trial-Use Standard for Testability and Diagnosability
   Characteristics and Metrics: fraction of faults detected, fraction of faults isolated to a
   group of so many replaceable units, ambiguity group size. From memory, not opened.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import networkx as nx
import numpy as np
from numpy.typing import NDArray

from diagnose.knowledge.names import unit_of
from diagnose.plant.matrix import HEALTHY, DependencyMatrix

SEPARATED = 0.6
"""Total variation distance from which a test counts as separating two causes (judgement)."""
SHOWN = 0.05
"""Chance from which a failure mode counts as showing under a complaint (judgement)."""


@dataclass(frozen=True)
class Group:
    """Failure modes that no test separates, and the replaceable units that they belong to."""

    modes: tuple[str, ...]
    units: tuple[str, ...]


@dataclass(frozen=True)
class Hanging:
    """Two failure modes of different units that one test alone separates."""

    first: str
    second: str
    test: str
    complaints: tuple[str, ...]


@dataclass(frozen=True)
class Testability:
    """Testability figures of one installation; see `testability` for their definitions."""

    __test__ = False

    failure_modes: int
    detected: float
    to_one: float
    to_two: float
    to_three: float
    mean_group: float


def distances(matrix: DependencyMatrix, test: int) -> NDArray[np.float64]:
    """Total variation distance of every pair of rows in one test, (rows, rows)."""
    total = np.zeros((len(matrix.rows), len(matrix.rows)))
    for column in matrix.p[:, test, : matrix.sizes[test]].T:
        total += np.abs(column[:, None] - column[None, :])
    return 0.5 * total


def separators(
    matrix: DependencyMatrix, threshold: float = SEPARATED, tests: Sequence[str] | None = None
) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
    """How many tests separate each pair of rows, and the last one that does.

    Parameters
    ----------
    tests
        The tests available; all by default.

    Returns
    -------
    count, last : (rows, rows)
        `last` is an index into ``matrix.tests``, -1 where no test separates the pair.
    """
    rows = len(matrix.rows)
    count = np.zeros((rows, rows), dtype=int)
    last = np.full((rows, rows), -1)
    available = range(len(matrix.tests)) if tests is None else map(matrix.tests.index, tests)
    for k in available:
        separated = distances(matrix, k) >= threshold
        count += separated
        last[separated] = k
    return count, last


def _groups(matrix: DependencyMatrix, threshold: float, tests: Sequence[str] | None) -> list[Group]:
    """All groups, those of a single failure mode included."""
    count, _ = separators(matrix, threshold, tests)
    modes = [k for k, row in enumerate(matrix.rows) if row != HEALTHY]
    graph: nx.Graph[int] = nx.Graph()
    graph.add_nodes_from(modes)
    graph.add_edges_from((a, b) for a, b in combinations(modes, 2) if count[a, b] == 0)
    groups = []
    for component in nx.connected_components(graph):
        names = tuple(matrix.rows[k] for k in sorted(component))
        groups.append(Group(names, tuple(sorted({unit_of(name) for name in names}))))
    return groups


def ambiguity_groups(
    matrix: DependencyMatrix, threshold: float = SEPARATED, tests: Sequence[str] | None = None
) -> list[Group]:
    """Groups of two or more failure modes that no available test separates, largest first.

    A group is a connected component of the graph whose edges are the pairs that no test
    separates. Such pairs do not make an equivalence (a test may just separate A from C, neither
    from B), and a component is the cautious reading: all that can be said is "in this group".

    A group within one unit is listed too: it does not matter for the repair, see `Group.units`.
    """
    groups = [g for g in _groups(matrix, threshold, tests) if len(g.modes) > 1]
    return sorted(groups, key=lambda g: (-len(g.units), -len(g.modes), g.modes))


def undetected(
    matrix: DependencyMatrix, threshold: float = SEPARATED, tests: Sequence[str] | None = None
) -> tuple[str, ...]:
    """Failure modes that no test separates from a healthy installation."""
    chosen = slice(None) if tests is None else [matrix.tests.index(t) for t in tests]
    p = matrix.p[:, chosen]
    healthy = matrix.rows.index(HEALTHY)
    away = 0.5 * np.abs(p - p[healthy]).sum(axis=2)
    shown = (away >= threshold).any(axis=1)
    return tuple(
        r for r, seen in zip(matrix.rows, shown, strict=True) if not (seen or r == HEALTHY)
    )


def useless_tests(matrix: DependencyMatrix, threshold: float = SEPARATED) -> tuple[str, ...]:
    """Tests that separate no two rows, the healthy one included."""
    return tuple(
        test for k, test in enumerate(matrix.tests) if not (distances(matrix, k) >= threshold).any()
    )


def hanging_on_one_test(matrix: DependencyMatrix, threshold: float = SEPARATED) -> list[Hanging]:
    """Pairs of failure modes of different units, under one complaint, that one test separates.

    One wrong answer to that test, and the wrong unit is replaced.
    """
    count, last = separators(matrix, threshold)
    found = []
    modes = [k for k, row in enumerate(matrix.rows) if row != HEALTHY]
    for a, b in combinations(modes, 2):
        first, second = matrix.rows[a], matrix.rows[b]
        if count[a, b] != 1 or unit_of(first) == unit_of(second):
            continue
        shared = tuple(c for c, p in matrix.complaints.items() if min(p[a], p[b]) >= SHOWN)
        if shared:
            found.append(Hanging(first, second, matrix.tests[last[a, b]], shared))
    return found


def testability(
    matrix: DependencyMatrix,
    threshold: float = SEPARATED,  # noqa: PT028 - it is no test function
    tests: Sequence[str] | None = None,  # noqa: PT028
    weights: Mapping[str, float] | None = None,  # noqa: PT028
) -> Testability:
    """Testability figures of one installation.

    - `detected`, the fraction of faults detected: failure modes that some test separates from a
      healthy installation, of all failure modes;
    - `to_one`, `to_two`, `to_three`, the fraction of faults narrowed down ("isolated" in the
      standard, a word that here means electrically only) to at most so many replaceable units:
      failure modes that are detected and whose ambiguity group holds failure modes of at most so
      many units, of the failure modes detected;
    - `mean_group`, the mean ambiguity group size: units in the ambiguity group of a failure mode,
      averaged over the failure modes detected.

    An undetected failure mode counts in the groups of others from which nothing separates it.

    Parameters
    ----------
    threshold
        See the module; `tests` are the tests available, all by default.
    weights
        Failure rate of each failure mode, to weigh by; all equal by default.

    References
    ----------
    .. [1] IEEE Std 1522-2004. From memory, not opened: definitions are those in general use.
    """
    hidden = set(undetected(matrix, threshold, tests))
    sizes = {m: len(g.units) for g in _groups(matrix, threshold, tests) for m in g.modes}
    weight = {mode: 1.0 if weights is None else weights[mode] for mode in sizes}
    seen = {mode: w for mode, w in weight.items() if mode not in hidden}
    total, found = sum(weight.values()), sum(seen.values())

    def share(most: int) -> float:
        return sum(w for m, w in seen.items() if sizes[m] <= most) / found if found else 0.0

    return Testability(
        failure_modes=len(sizes),
        detected=found / total if total else 0.0,
        to_one=share(1),
        to_two=share(2),
        to_three=share(3),
        mean_group=sum(w * sizes[m] for m, w in seen.items()) / found if found else 0.0,
    )
