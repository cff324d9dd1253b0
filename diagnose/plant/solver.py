"""Solving one domain of a circuit for many switch patterns, each distinct one only once.

A row's solution hangs only on its sample and on which branches are closed. Conditions share
most of their patterns, and failure modes that leave a domain alone share its solutions with the
healthy circuit, so distinct (sample, pattern) pairs are remembered.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diagnose.plant.elements import Curve
from diagnose.plant.network import Array, Network

Flags = NDArray[np.bool_]
Indices = NDArray[np.int_]


ROUNDS = 60
"""Rounds in which the flows through curves come to rest."""
AT_REST = 1e-7
"""L/min by which a flow may still move when it counts as at rest."""


@dataclass(frozen=True)
class Coupling:
    """The current of branch `own` gains y·V(`other`) while both are closed; y: (lanes,)."""

    own: int
    other: int
    y: Array


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
    couplings : sequence of Coupling
        What the branches of a rotor add to one another.
    curves : mapping of int to Curve
        Branches whose loss goes by the square of their flow.
    """

    def __init__(
        self,
        network: Network,
        g: Array,
        c: Array,
        open_ohms: float,
        extra: Sequence[int],
        couplings: Sequence[Coupling] = (),
        curves: Mapping[int, Curve] | None = None,
    ) -> None:
        self.network = network
        self.g_on = g
        self.c_on = c
        self.g_off = 1.0 / open_ohms
        self.extra = tuple(extra)
        self.couplings = tuple(couplings)
        self.curves = dict(curves or {})
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
        ours, theirs = self._numbers(), healthy._numbers()
        for lane in range(self.g_on.shape[1]):
            sample = lane % width
            if all(
                np.array_equal(a[:, lane], b[:, sample]) for a, b in zip(ours, theirs, strict=True)
            ):
                self._same_as[lane] = -1 - sample

    def change(self, branch: int, c: Array) -> None:
        """Give one branch another constant current, (lanes,); what was solved is forgotten."""
        self.c_on[branch] = c
        self._found.clear()
        self._v, self._seen = self._v[:0], self._seen[:0]

    def _numbers(self) -> list[Array]:
        """All that shapes a solution, each (anything, lanes)."""
        found = [self.g_on, self.c_on]
        found += [coupling.y[np.newaxis] for coupling in self.couplings]
        found += [np.stack([x.head, x.straight, x.square]) for x in self.curves.values()]
        return found

    def cross(self, on: Flags, sample: Indices) -> list[tuple[int, int, Array]]:
        """Transadmittances in force: branch, branch whose voltage drives it, S (rows,)."""
        return [
            (x.own, x.other, np.where(on[:, x.own] & on[:, x.other], x.y[sample], 0.0))
            for x in self.couplings
        ]

    def conductance(self, on: Flags, sample: Indices) -> Array:
        """Branch conductances (rows, branches)."""
        return np.asarray(np.where(on, self.g_on[:, sample].T, self.g_off))

    def constant(self, on: Flags, sample: Indices) -> Array:
        """Constant branch currents (rows, branches)."""
        return np.asarray(np.where(on, self.c_on[:, sample].T, 0.0))

    def current(self, on: Flags, sample: Indices, v: Array, branch: int) -> Array:
        """Current through one branch, (rows,)."""
        closed = on[:, branch]
        drop = self.network.drop(v, branch)
        if branch in self.curves:
            flow = self.curves[branch].flow(drop, sample)
            return np.asarray(np.where(closed, flow, self.g_off * drop))
        g = np.where(closed, self.g_on[branch, sample], self.g_off)
        c = np.where(closed, self.c_on[branch, sample], 0.0)
        current = g * drop + c
        for x in self.couplings:
            if x.own == branch:
                both = closed & on[:, x.other]
                gained = x.y[sample] * self.network.drop(v, x.other)
                current = current + np.where(both, gained, 0.0)
        return np.asarray(current)

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
            v, seen = self._fresh(on[rows], lane[rows])
            start = len(self._v)
            self._v = np.concatenate([self._v, v])
            self._seen = np.concatenate([self._seen, seen])
            for k, key in enumerate(fresh):
                self._found[key] = start + k
        places = np.fromiter((self._found[key] for key in keys), dtype=np.int_, count=len(keys))
        return self._v[places], self._seen[places]

    def _fresh(self, on: Flags, lane: Indices) -> tuple[Array, Array]:
        """Solve each row; where there are curves, until their flows stay what they are."""
        g, c, cross = self.conductance(on, lane), self.constant(on, lane), self.cross(on, lane)
        v, seen = self.network.solve(g, c, self.extra, cross)
        flows = {k: g[:, k] * self.network.drop(v, k) + c[:, k] for k in self.curves}
        for _ in range(ROUNDS if self.curves else 0):
            for k, curve in self.curves.items():
                closed = on[:, k]
                tangent, constant = curve.tangent(flows[k], lane)
                g[:, k] = np.where(closed, tangent, self.g_off)
                c[:, k] = np.where(closed, constant, 0.0)
            v, seen = self.network.solve(g, c, self.extra, cross)
            now = {k: g[:, k] * self.network.drop(v, k) + c[:, k] for k in self.curves}
            moved = max(float(np.abs(now[k] - flows[k]).max()) for k in self.curves)
            flows = now
            if moved < AT_REST:
                break
        return v, seen
