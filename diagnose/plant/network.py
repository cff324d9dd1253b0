"""Nodal analysis of many small networks at once.

Every two-terminal element obeys I = g·V + c from its first to its second terminal; a switch,
a source with its inner resistance, a diode in either state and an impedance all fit. Rows are
independent operating points (condition × sample), solved by one batched LAPACK call.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
"""Real or complex numbers, by domain."""
Cross = Sequence[tuple[int, int, Array]]
LEAK = 1e-10
"""Conductance from every node to the reference, S: keeps an unconnected node solvable."""


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

    def matrix(self, g: Array, cross: Cross = ()) -> Array:
        """Nodal matrices (rows, n, n) from branch conductances (rows, branches).

        `cross`: transadmittances, each (branch, branch whose voltage drives it, S (rows,)).
        """
        n = len(self.nodes)
        columns = np.ascontiguousarray(g.T)
        flat = np.zeros((n * n, len(g)), dtype=g.dtype)
        for k, (a, b) in enumerate(self.branches):
            if a >= 0:
                flat[a * n + a] += columns[k]
            if b >= 0:
                flat[b * n + b] += columns[k]
            if a >= 0 and b >= 0:
                flat[a * n + b] -= columns[k]
                flat[b * n + a] -= columns[k]
        for k, m, y in cross:
            for node, sign in zip(self.branches[k], (1.0, -1.0), strict=True):
                for other, turned in zip(self.branches[m], (1.0, -1.0), strict=True):
                    if node >= 0 and other >= 0:
                        flat[node * n + other] += sign * turned * y
        flat[:: n + 1] += LEAK
        matrix: Array = flat.reshape(n, n, len(g)).transpose(2, 0, 1)
        return matrix

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
        solution = np.linalg.solve(self.matrix(g, cross), right)
        seen = np.zeros((len(g), len(extra)))
        for k, node in inside:
            seen[:, k] = np.abs(solution[:, node, 1 + k])
        return solution[:, :, 0], seen

    def loaded(self, g: Array, c: Array, p: int, q: int, load: float, cross: Cross = ()) -> Array:
        """Node voltages (rows, n) with a conductance `load`, in S, added between two nodes."""
        matrix = self.matrix(g, cross)
        for node, other in ((p, q), (q, p)):
            if node >= 0:
                matrix[:, node, node] += load
            if node >= 0 and other >= 0:
                matrix[:, node, other] -= load
        right = -(c @ self.incidence)[:, :, np.newaxis]
        return np.asarray(np.linalg.solve(matrix, right)[:, :, 0])

    def between(self, g: Array, p: int, q: int) -> Array:
        """Resistance (or impedance) between two nodes with every source at zero, (rows,)."""
        n = len(self.nodes)
        right = np.zeros((len(g), n, 1), dtype=g.dtype)
        if p >= 0:
            right[:, p, 0] += 1.0
        if q >= 0:
            right[:, q, 0] -= 1.0
        x = np.linalg.solve(self.matrix(g), right)[:, :, 0]
        zero = np.zeros(len(g), dtype=x.dtype)
        return np.asarray((x[:, p] if p >= 0 else zero) - (x[:, q] if q >= 0 else zero))

    def drop(self, v: Array, branch: int) -> Array:
        """Voltage across one branch, (rows,)."""
        a, b = self.branches[branch]
        zero = np.zeros(len(v), dtype=v.dtype)
        return (v[:, a] if a >= 0 else zero) - (v[:, b] if b >= 0 else zero)
