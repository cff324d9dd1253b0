"""Which elements of a settled circuit are closed, from what closes them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from diagnose.knowledge.records import DOMAINS, Domain
from diagnose.plant.phases import Condition, Phase, Values
from tests.oracles.spice import SpiceWriter


def switches(
    writer: SpiceWriter, condition: Condition, phase: Phase, rows: NDArray[np.int_]
) -> tuple[dict[Domain, NDArray[np.bool_]], NDArray[np.bool_]]:
    """Which elements are closed, (rows, elements) by domain, and which rows are at rest.

    Of a diode: whether it is there at all. A row is at rest where the settled values close the
    very switches with which the plant solved its networks.
    """
    circuit, lanes = writer.circuit, writer.circuit.lanes.count
    env = _Rows(phase, rows)
    settled = np.ones(len(rows), dtype=bool)
    flags: dict[Domain, NDArray[np.bool_]] = {}
    for domain in DOMAINS:
        names = writer.names[domain]
        flags[domain] = np.zeros((len(rows), len(names)), dtype=bool)
        for k, full in enumerate(names):
            on = phase.on[domain][rows, circuit.branch(full)[1]]
            meant = _meant(writer, condition, full, env, rows)
            diode = np.zeros(len(rows), dtype=bool)
            if writer.kind(full) == "diode":
                diode = np.array([not writer.joined(full, row % lanes) for row in rows.tolist()])
                settled &= ~diode | (on == (meant & phase.values[f"on:{full}"][rows]))
            settled &= diode | (on == meant)
            flags[domain][:, k] = np.where(diode, meant, on)
    return flags, settled


class _Rows(Values):
    """Settled values of some rows, looked up when an expression asks for them."""

    def __init__(self, phase: Phase, rows: NDArray[np.int_]) -> None:
        super().__init__()
        self.phase, self.rows = phase, rows

    def __missing__(self, key: str) -> object:
        if key in self.phase.values:
            self[key] = np.asarray(self.phase.values[key])[self.rows]
            return self[key]
        return super().__missing__(key)


def _meant(
    writer: SpiceWriter, condition: Condition, full: str, env: Values, rows: NDArray[np.int_]
) -> NDArray[np.bool_]:
    """Whether an element ought to be closed (a diode: ought to be there)."""
    count, lanes = len(rows), writer.circuit.lanes.count
    if full.startswith("bridge:"):
        _, first, second = full.split(":")
        return np.full(count, (first, second) in condition.bridge)
    if full in condition.lift:
        return np.zeros(count, dtype=bool)
    closed = writer.closed(full)
    given = True if closed is None else closed.evaluate(env)
    ought = np.broadcast_to(np.asarray(given, dtype=bool), (count,))
    if full in writer.patched:
        joined = np.array([writer.joined(full, row % lanes) for row in rows.tolist()])
        cut = np.array([writer.cut(full, row % lanes) for row in rows.tolist()])
        ought = (ought | joined) & ~cut
    return ought
