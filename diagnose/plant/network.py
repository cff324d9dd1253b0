"""Nodal analysis of many small networks at once.

Every two-terminal element obeys I = g·V + c from its first to its second terminal; a switch,
a source with its inner resistance, a diode in either state and an impedance all fit. Rows are
independent operating points (condition × sample), solved by one batched LAPACK call.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
"""Real or complex numbers, by domain."""
Cross = Sequence[tuple[int, int, Array]]
LEAK = 1e-10
"""Conductance from every node to the reference, S: keeps an unconnected node solvable."""
BLOCK = 128
"""Rows that are solved at once."""


@dataclass(frozen=True)
class Network:
    """Nodes and branches of one domain; node -1 is the reference."""

    nodes: tuple[str, ...]
    branches: tuple[tuple[int, int], ...]
    incidence: NDArray[np.float64]

    @staticmethod
    def of(nodes: Sequence[str], branches: Sequence[tuple[int, int]]) -> Network:
        """Build a network; `incidence` is (branches, nodes)."""
        n = len(nodes)
        incidence = np.zeros((len(branches), n))
        for k, (a, b) in enumerate(branches):
            if a >= 0:
                incidence[k, a] += 1.0
            if b >= 0:
                incidence[k, b] -= 1.0
        return Network(tuple(nodes), tuple(branches), incidence)

    @cached_property
    def _diagonal(self) -> list[tuple[list[int], list[int]]]:
        """The first branch of each node, the second, ...: nodes and their branches."""
        ends = [(node, k) for k, (a, b) in enumerate(self.branches) if a != b for node in (a, b)]
        return _by_turn([(node, k) for node, k in ends if node >= 0])

    @cached_property
    def _beside(self) -> list[tuple[list[int], list[int]]]:
        """The first branch between two nodes, the second, ...: places in a matrix and branches."""
        n = len(self.nodes)
        inside = [(a, b, k) for k, (a, b) in enumerate(self.branches) if a != b and min(a, b) >= 0]
        return _by_turn([(x * n + y, k) for a, b, k in inside for x, y in ((a, b), (b, a))])

    def matrix(self, g: Array, cross: Cross = ()) -> Array:
        """Nodal matrices (rows, n, n) from branch conductances (rows, branches).

        `cross`: transadmittances, each (branch, branch whose voltage drives it, S (rows,)).
        Each matrix lies in memory as LAPACK wants it, column by column.
        """
        n = len(self.nodes)
        columns = np.ascontiguousarray(g.T)
        diagonal = np.zeros((n, len(g)), dtype=g.dtype)
        flat = np.zeros((len(g), n * n), dtype=g.dtype)
        for nodes, branches in self._diagonal:
            diagonal[nodes] += columns[branches]
        flat[:, :: n + 1] = diagonal.T
        for places, branches in self._beside:
            flat[:, places] -= g[:, branches]
        for k, m, y in cross:
            for node, sign in zip(self.branches[k], (1.0, -1.0), strict=True):
                for other, turned in zip(self.branches[m], (1.0, -1.0), strict=True):
                    if node >= 0 and other >= 0:
                        flat[:, other * n + node] += sign * turned * y
        flat[:, :: n + 1] += LEAK
        matrix: Array = flat.reshape(len(g), n, n).transpose(0, 2, 1)
        return matrix

    def _solutions(
        self, g: Array, right: Array, cross: Cross = (), load: tuple[int, int, float] | None = None
    ) -> Array:
        """What solves the nodal matrices for the right sides, (rows, n, columns).

        `load`: a conductance, in S, added between two nodes. Rows go block by block, whose matrices
        stay in the cache of the processor.
        """
        found = np.empty_like(right)
        for start in range(0, len(g), BLOCK):
            block = slice(start, start + BLOCK)
            matrix = self.matrix(g[block], [(k, m, y[block]) for k, m, y in cross])
            if load is not None:
                p, q, extra = load
                for node, other in ((p, q), (q, p)):
                    if node >= 0:
                        matrix[:, node, node] += extra
                    if node >= 0 and other >= 0:
                        matrix[:, node, other] -= extra
            found[block] = np.linalg.solve(matrix, right[block])
        return found

    def solve(
        self, g: Array, c: Array, extra: Sequence[int] = (), cross: Cross = ()
    ) -> tuple[Array, Array]:
        """Node voltages (rows, n) and the Thevenin resistances seen from the nodes `extra`.

        Parameters
        ----------
        g, c : (rows, branches)
            Conductance in S and constant current in A of each branch.
        extra : sequence of int
            From the reference itself, -1, the resistance is zero.
        """
        n = len(self.nodes)
        right = np.zeros((len(g), n, 1 + len(extra)), dtype=np.result_type(g, c))
        right[:, :, 0] = -(c @ self.incidence)
        inside = [(k, node) for k, node in enumerate(extra) if node >= 0]
        for k, node in inside:
            right[:, node, 1 + k] = 1.0
        solution = self._solutions(g, right, cross)
        seen = np.zeros((len(g), len(extra)))
        for k, node in inside:
            seen[:, k] = np.abs(solution[:, node, 1 + k])
        return solution[:, :, 0], seen

    def loaded(self, g: Array, c: Array, p: int, q: int, load: float, cross: Cross = ()) -> Array:
        """Node voltages (rows, n) with a conductance `load`, in S, added between two nodes."""
        right = -(c @ self.incidence)[:, :, np.newaxis]
        return np.asarray(self._solutions(g, right, cross, (p, q, load))[:, :, 0])

    def between(self, g: Array, p: int, q: int) -> Array:
        """Resistance (or impedance) between two nodes with every source at zero, (rows,)."""
        n = len(self.nodes)
        right = np.zeros((len(g), n, 1), dtype=g.dtype)
        if p >= 0:
            right[:, p, 0] += 1.0
        if q >= 0:
            right[:, q, 0] -= 1.0
        x = self._solutions(g, right)[:, :, 0]
        zero = np.zeros(len(g), dtype=x.dtype)
        return np.asarray((x[:, p] if p >= 0 else zero) - (x[:, q] if q >= 0 else zero))

    def drop(self, v: Array, branch: int) -> Array:
        """Voltage across one branch, (rows,)."""
        a, b = self.branches[branch]
        zero = np.zeros(len(v), dtype=v.dtype)
        return (v[:, a] if a >= 0 else zero) - (v[:, b] if b >= 0 else zero)


def _by_turn(pairs: Sequence[tuple[int, int]]) -> list[tuple[list[int], list[int]]]:
    """Pairs (place, branch) cut so that a place occurs once in each: places and branches."""
    turns: list[tuple[list[int], list[int]]] = []
    met: Counter[int] = Counter()
    for place, branch in pairs:
        if met[place] == len(turns):
            turns.append(([], []))
        places, branches = turns[met[place]]
        places.append(place)
        branches.append(branch)
        met[place] += 1
    return turns
