"""Ways in which one failure mode shows itself.

A leak of 3 kΩ and one of 50 kΩ are the same failure mode and behave differently; within
one of them the readings hang together. Averaging over both would treat seven readings of one
leak as seven independent surprises. So samples that behave alike are gathered into regimes,
and the belief keeps them apart until it is asked about the mode.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
ALIKE = 0.25
"""Samples are alike where no test's distributions differ by more (total variation)."""


@dataclass(frozen=True)
class Regimes:
    """All regimes of all rows of a matrix, rows in order.

    Attributes
    ----------
    row, share : (regimes,)
        The matrix row that each belongs to, and its share of that row's samples.
    p : (regimes, tests, outcomes)
    complaints : mapping of complaint to (regimes,)
    """

    row: NDArray[np.int_]
    share: Floats
    p: Floats
    complaints: Mapping[str, Floats]


def gather(p: Floats, complaints: Floats) -> list[tuple[float, Floats, Floats]]:
    """Regimes of one failure mode: (share, (tests, outcomes), (complaints,)), largest first.

    Parameters
    ----------
    p : (samples, tests, outcomes)
    complaints : (samples, complaints)
    """
    groups: list[list[int]] = []
    for sample in range(len(p)):
        for group in groups:
            gap = 0.5 * np.abs(p[sample] - p[group[0]]).sum(axis=1).max()
            if gap <= ALIKE and (complaints[sample] == complaints[group[0]]).all():
                group.append(sample)
                break
        else:
            groups.append([sample])
    groups.sort(key=lambda group: (-len(group), group[0]))
    return [
        (len(g) / len(p), p[g].mean(axis=0), complaints[g].astype(float).mean(axis=0))
        for g in groups
    ]


def joined(
    found: Sequence[Sequence[tuple[float, Floats, Floats]]], complaints: Sequence[str]
) -> Regimes:
    """The regimes of all rows, in the order of the rows."""
    flat = [(r, *regime) for r, row in enumerate(found) for regime in row]
    reported = np.array([c for _, _, _, c in flat]).reshape(len(flat), len(complaints))
    return Regimes(
        row=np.array([r for r, *_ in flat], dtype=np.int_),
        share=np.array([s for _, s, _, _ in flat]),
        p=np.array([p for _, _, p, _ in flat]),
        complaints={name: reported[:, k] for k, name in enumerate(complaints)},
    )
