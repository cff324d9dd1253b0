"""Failure modes taken apart into their regimes: the hypotheses of the belief.

A mode whose samples behave differently is several hypotheses, named ``mode``, ``mode~2`` ...
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from diagnose.plant.matrix import DependencyMatrix

MISREPORTED = 0.002
"""Chance that a complaint is reported although the model does not show it (judgement)."""
REGIME = "~"
"""Stands between a failure mode's name and the number of its regime."""

Floats = NDArray[np.float64]


def taken_apart(
    matrix: DependencyMatrix, rows: Sequence[str], rates: Mapping[str, float], room: int
) -> tuple[list[str], Floats, Floats, dict[str, Floats]]:
    """Names, distributions, rates and complaints of the regimes of `rows`, in their order.

    The distributions end with `room` rows to be filled in.
    """
    index = {name: k for k, name in enumerate(matrix.rows)}
    order = [index[r] for r in rows]
    if matrix.regimes is None:
        complaints = {c: np.maximum(v[order], MISREPORTED) for c, v in matrix.complaints.items()}
        p = _rows_of(matrix.p, order, room)
        return list(rows), p, np.array([rates[r] for r in rows]), complaints
    regimes = matrix.regimes
    of_row: dict[int, list[int]] = {}
    for position, row in enumerate(regimes.row.tolist()):
        of_row.setdefault(row, []).append(position)
    chosen = [position for row in order for position in of_row[row]]
    names = [
        name if number == 0 else f"{name}{REGIME}{number + 1}"
        for name, row in zip(rows, order, strict=True)
        for number in range(len(of_row[row]))
    ]
    rate = np.array([rates[mode_of(name)] for name in names])
    complaints = {c: np.maximum(v[chosen], MISREPORTED) for c, v in regimes.complaints.items()}
    return names, _rows_of(regimes.p, chosen, room), rate * regimes.share[chosen], complaints


def _rows_of(p: Floats, chosen: Sequence[int], room: int) -> Floats:
    """A copy of chosen rows, with `room` for more, made at once because it is large."""
    found = np.empty((len(chosen) + room, *p.shape[1:]))
    np.take(p, chosen, axis=0, out=found[: len(chosen)], mode="clip")
    return found


def mode_of(name: str) -> str:
    """The failure mode of a hypothesis."""
    return name.partition(REGIME)[0]
