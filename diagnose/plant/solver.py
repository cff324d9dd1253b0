"""Solving one domain of a circuit for many switch patterns, each distinct one only once.

A row's solution hangs only on its sample and on which branches are closed. Conditions share
most of their patterns, and failure modes that leave a domain alone share its solutions with the
healthy circuit, so distinct (sample, pattern) pairs are remembered.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from diagnose.plant.network import Array, Network

Flags = NDArray[np.bool_]
Indices = NDArray[np.int_]


class DomainSolver:
    """One network with the conductances of its branches, per lane.

    Parameters
    ----------
    g, c : (branches, lanes)
        Conductance and constant current of each branch when closed.
    open_ohms : float
        Resistance of a branch that is not closed.
    extra : sequence of int
        Nodes from which the Thevenin resistance is wanted.
    """

    def __init__(
        self, network: Network, g: Array, c: Array, open_ohms: float, extra: Sequence[int]
    ) -> None:
        self.network = network
        self.g_on = g
        self.c_on = c
        self.g_off = 1.0 / open_ohms
        self.extra = tuple(extra)
        self._found: dict[bytes, int] = {}
        self._v: Array = np.zeros((0, len(network.nodes)), dtype=g.dtype)
        self._seen: NDArray[np.float64] = np.zeros((0, len(self.extra)))
        self._same_as = np.arange(g.shape[1] if g.ndim == 2 else 0)

    def alias(self, healthy: DomainSolver) -> None:
        """Name lanes by the healthy one wherever nothing in this domain differs.

        Lane l is compared with the healthy lane of the same sample; lanes of one sample that
        are equal share their solutions.
        """
        if self.network.branches != healthy.network.branches:
            return
        width = healthy.g_on.shape[1]
        for lane in range(self.g_on.shape[1]):
            sample = lane % width
            same = np.array_equal(self.g_on[:, lane], healthy.g_on[:, sample])
            if same and np.array_equal(self.c_on[:, lane], healthy.c_on[:, sample]):
                self._same_as[lane] = -1 - sample

    def change(self, branch: int, c: Array) -> None:
        """Give one branch another constant current, (lanes,); what was solved is forgotten."""
        self.c_on[branch] = c
        self._found.clear()
        self._v, self._seen = self._v[:0], self._seen[:0]

    def conductance(self, on: Flags, sample: Indices) -> Array:
        """Branch conductances (rows, branches)."""
        return np.asarray(np.where(on, self.g_on[:, sample].T, self.g_off))

    def constant(self, on: Flags, sample: Indices) -> Array:
        """Constant branch currents (rows, branches)."""
        return np.asarray(np.where(on, self.c_on[:, sample].T, 0.0))

    def current(self, on: Flags, sample: Indices, v: Array, branch: int) -> Array:
        """Current through one branch, (rows,)."""
        closed = on[:, branch]
        g = np.where(closed, self.g_on[branch, sample], self.g_off)
        c = np.where(closed, self.c_on[branch, sample], 0.0)
        return np.asarray(g * self.network.drop(v, branch) + c)

    def keys(self, on: Flags, lane: Indices) -> list[bytes]:
        """What tells solutions apart: the lane (by its alias) and the switch pattern."""
        names = self._same_as[lane].astype(np.int32)
        packed = np.concatenate(
            [names.view(np.uint8).reshape(-1, 4), np.packbits(on, axis=1)], axis=1
        )
        width = packed.shape[1]
        whole = packed.tobytes()
        return [whole[k : k + width] for k in range(0, len(whole), width)]

    def distinct(self, on: Flags, lane: Indices) -> tuple[Indices, Indices]:
        """Rows that stand for all the others, and for each row its place among them."""
        first: dict[bytes, int] = {}
        rows: list[int] = []
        places = np.empty(len(lane), dtype=np.int_)
        for row, key in enumerate(self.keys(on, lane)):
            if key not in first:
                first[key] = len(rows)
                rows.append(row)
            places[row] = first[key]
        return np.array(rows, dtype=np.int_), places

    def solve(self, on: Flags, lane: Indices) -> tuple[Array, NDArray[np.float64]]:
        """Node voltages (rows, nodes) and Thevenin resistances (rows, extra)."""
        keys = self.keys(on, lane)
        fresh: dict[bytes, int] = {}
        for row, key in enumerate(keys):
            if key not in self._found and key not in fresh:
                fresh[key] = row
        if fresh:
            rows = np.fromiter(fresh.values(), dtype=np.int_, count=len(fresh))
            v, seen = self.network.solve(
                self.conductance(on[rows], lane[rows]),
                self.constant(on[rows], lane[rows]),
                self.extra,
            )
            start = len(self._v)
            self._v = np.concatenate([self._v, v])
            self._seen = np.concatenate([self._seen, seen])
            for k, key in enumerate(fresh):
                self._found[key] = start + k
        places = np.fromiter((self._found[key] for key in keys), dtype=np.int_, count=len(keys))
        return self._v[places], self._seen[places]
