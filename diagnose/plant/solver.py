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
from diagnose.plant.patterns import Remembered, Words, distinct, words_of

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
        self._known: Remembered | None = None
        self._same_as = np.arange(g.shape[1] if g.ndim == 2 else 0)

    def alias(self, healthy: DomainSolver) -> None:
        """Name lanes by the healthy one wherever nothing in this domain differs.

        Lane l is compared with the healthy lane of the same sample; lanes of one sample that
        are equal share their solutions, and what the healthy one has solved so far.
        """
        if self.network.branches != healthy.network.branches:
            return
        width = healthy.g_on.shape[1]
        sample = np.arange(self.g_on.shape[1]) % width
        same = np.ones(len(sample), dtype=bool)
        for ours, theirs in zip(self._numbers(), healthy._numbers(), strict=True):
            same &= (ours == theirs[:, sample]).all(axis=0)
        self._same_as[same] = -1 - sample[same]
        if healthy._known is not None and (healthy._same_as < 0).all():
            self._known = healthy._known.copy()

    def change(self, branch: int, c: Array) -> None:
        """Give one branch another constant current, (lanes,); what was solved is forgotten."""
        self.c_on[branch] = c
        self._known = None

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

    def words(self, on: Flags, lane: Indices) -> Words:
        """What tells solutions apart: the lane (by its alias) and the switch pattern."""
        return words_of(self._same_as[lane], on)

    def solve(self, on: Flags, lane: Indices) -> tuple[Array, NDArray[np.float64]]:
        """Node voltages (rows, nodes) and Thevenin resistances (rows, extra)."""
        words = self.words(on, lane)
        if self._known is None:
            blank = np.zeros((0, len(self.network.nodes)), dtype=self.g_on.dtype)
            self._known = Remembered(words.shape[1], blank, np.zeros((0, len(self.extra))))
        places = self._known.find(words)
        fresh = np.flatnonzero(places < 0)
        if len(fresh):
            first, which = distinct(words[fresh])
            rows = fresh[first]
            places[fresh] = self._known.add(words[rows], *self._fresh(on[rows], lane[rows]))[which]
        v, seen = self._known.rows(places)
        return v, seen

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
