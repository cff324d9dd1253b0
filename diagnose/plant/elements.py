"""The law of each kind of element: how its current hangs on the voltage across it.

Every element obeys I = g·V + c. Two kinds say more. The three elements of a `rotor` couple the
phases of a three-phase machine; a `curve` (a centrifugal pump, a pipe in turbulent flow) loses
head by the square of its flow and is made linear about its flow, round after round.

References
----------
.. [1] C. L. Fortescue, Method of symmetrical co-ordinates, Trans. AIEE 37 (1918) 1027: currents of
   an unbalanced machine by positive and negative sequence (recalled, not read).
.. [2] E. Todini, S. Pilati, A gradient algorithm for the analysis of pipe networks (1988): Newton's
   method in the flows (recalled, not read).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from diagnose.knowledge.records import Element
from diagnose.plant.lanes import Samples

REFERENCE_FREQUENCY = 50.0
"""Hz; an element's reactance is what it is at this frequency, and goes with the frequency."""
TURNS: dict[str, complex] = {
    "one": 1.0,
    "two": complex(-0.5, -np.sqrt(3) / 2),
    "three": complex(-0.5, np.sqrt(3) / 2),
}
"""Phasors of L1, L2 and L3: each lags the one before by a third of a period."""
CURRENT_OHMS = 1e8
"""Across a current source that does not say otherwise: next to ideal."""
STRAIGHT = 1e-4
"""Share of a curve's loss that is in proportion to the flow: keeps it steep at no flow."""


@dataclass(frozen=True)
class Curve:
    """V = head + straight·I + square·|I|·I, per lane."""

    head: Samples
    straight: Samples
    square: Samples

    def flow(self, drop: NDArray[Any], lane: NDArray[np.int_]) -> NDArray[Any]:
        """Current at a drop, (rows,)."""
        over = np.real(drop) - self.head[lane]
        r, k = self.straight[lane], self.square[lane]
        root = np.sqrt(r * r + 4 * k * np.abs(over))
        return np.asarray(np.sign(over) * 2 * np.abs(over) / (r + root))

    def tangent(
        self, flow: NDArray[Any], lane: NDArray[np.int_]
    ) -> tuple[NDArray[Any], NDArray[Any]]:
        """Conductance and constant of the straight line through the curve at a flow [2]."""
        r, k = self.straight[lane], self.square[lane]
        g = 1.0 / (r + 2 * k * np.abs(flow))
        lost = self.head[lane] + r * flow + k * np.abs(flow) * flow
        return np.asarray(g), np.asarray(flow - g * lost)


@dataclass(frozen=True)
class Law:
    """An element's numbers, one entry per lane each.

    `cross` is the transadmittance of a rotor: its current gains cross·(V(next) - V(after)).
    """

    g: NDArray[Any]
    c: NDArray[Any]
    drop: Samples
    cross: NDArray[Any] | None = None
    curve: Curve | None = None


def law_of(element: Element, number: Callable[[str, float], Samples], frequency: Samples) -> Law:
    """What an element obeys; `number` gives a field's samples, or a default where it has none."""
    zeros = np.zeros(len(frequency))
    resistance = number("resistance", 0.01)
    turn = frequency / REFERENCE_FREQUENCY
    g: NDArray[Any] = 1.0 / resistance
    if element.kind == "source":
        return Law(g, -number("voltage", 0.0) * TURNS[element.phase or "one"] * g, zeros)
    if element.kind == "current":
        return Law(1.0 / number("resistance", CURRENT_OHMS), number("amps", 0.0), zeros)
    if element.kind == "diode":
        drop = number("drop", 0.7)
        return Law(g, -drop * g, drop)
    if element.kind == "impedance":
        return Law(1.0 / (resistance + 1j * turn * number("reactance", 0.0)), zeros, zeros)
    if element.kind == "capacitor":
        farads = np.maximum(number("capacitance", 0.0), 1e-15)
        return Law(1.0 / (resistance - 1j / (2 * np.pi * frequency * farads)), zeros, zeros)
    if (
        element.kind == "rotor"
    ):  # [1], the zero sequence as the mean of the two: a star carries none
        leakage = 1j * turn * number("reactance", 0.0)
        forward, backward = 1.0 / (resistance + leakage), 1.0 / (number("backward", 0.01) + leakage)
        cross = 1j * (forward - backward) / (2 * np.sqrt(3))
        return Law((forward + backward) / 2, zeros, zeros, cross)
    if element.kind == "curve":
        loss, at = number("loss", 1.0), number("flow", 1.0)
        curve = Curve(number("voltage", 0.0), STRAIGHT * loss / at, loss / at**2)
        g = at / loss
        return Law(g, -curve.head * g, zeros, None, curve)
    return Law(g, zeros, zeros)
