"""Rotors and curves for ngspice: what takes more than one element to write."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from diagnose.plant.elements import STRAIGHT

REACTANCE_AT = 50.0
"""Hz at which the parts state their reactances."""


def rotor(
    e: int,
    values: Mapping[str, float],
    hertz: float,
    ends: tuple[str, str],
    others: Sequence[tuple[str, ...]],
) -> str:
    """One phase of a rotor: half of either sequence's admittance, and what the others add.

    Parameters
    ----------
    e
        The element's number, part of every name written.
    ends, others
        Nodes of this phase, and of the two others in the order of rotation.
    """
    a, b = ends
    (p, q), (r, s) = others
    henry = values["reactance"] / (2 * np.pi * REACTANCE_AT)
    ways = {"f": values["resistance"], "g": values["backward"]}
    lines = [f"e1#_{e} x1#_{e} 0 {p} {q} 1", f"e2#_{e} x2#_{e} x1#_{e} {s} {r} 1"]
    for way, ohms in ways.items():
        lines += [
            f"r{way}#_{e} {a} {way}#_{e} {2 * ohms:.17g}",
            f"l{way}#_{e} {way}#_{e} {b} {2 * henry:.17g}",
            f"vc{way}#_{e} x2#_{e} y{way}#_{e} 0",
            f"rc{way}#_{e} y{way}#_{e} z{way}#_{e} {ohms:.17g}",
            f"lc{way}#_{e} z{way}#_{e} 0 {henry:.17g}",
        ]
    lines += [
        f"f1#_{e} 0 j#_{e} vcf#_{e} 1",
        f"f2#_{e} j#_{e} 0 vcg#_{e} 1",
        f"lj#_{e} j#_{e} 0 {1 / (2 * np.pi * hertz):.17g}",
        f"g#_{e} {a} {b} j#_{e} 0 {1 / (2 * np.sqrt(3)):.17g}",
    ]
    return "\n".join(lines)


def curve(e: int, values: Mapping[str, float], a: str, b: str) -> str:
    """A source whose head falls (a pipe: rises) by the square of the flow through it."""
    straight = STRAIGHT * values["loss"] / values["flow"]
    square = values["loss"] / values["flow"] ** 2
    flow = f"i(vq#_{e})"
    head = (
        f"{values.get('voltage', 0.0):.17g}+{straight:.17g}*{flow}+{square:.17g}*abs({flow})*{flow}"
    )
    return f"vq#_{e} {a} q#_{e} 0\nb#_{e} q#_{e} {b} v={head}"
