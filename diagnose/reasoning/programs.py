"""Mixed integer programs, solved to proven optimality by HiGHS (through SciPy)."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_matrix, csr_matrix

Floats = NDArray[np.float64]
Terms = Sequence[tuple[int, float]]
"""One row of constraints: columns and coefficients."""


@dataclass(frozen=True)
class Solution:
    """The best choice found, whether each variable is taken, and the proven relative gap."""

    taken: NDArray[np.bool_]
    objective: float
    gap: float


class Program:
    """Minimise a linear objective over variables between 0 and 1.

    Parameters
    ----------
    cost : (variables,)
    whole : (variables,)
        Whether a variable must be 0 or 1.
    """

    def __init__(self, cost: Floats, whole: NDArray[np.bool_]) -> None:
        self.cost = cost
        self.whole = whole
        self._rows: list[Terms] = []
        self._least: list[float] = []

    def at_least(self, terms: Terms, limit: float) -> None:
        """Ask that the sum of the terms reaches a limit."""
        self._rows.append(terms)
        self._least.append(limit)

    def at_most(self, terms: Terms, limit: float) -> None:
        """Ask that the sum of the terms stays within a limit."""
        self.at_least([(column, -factor) for column, factor in terms], -limit)

    def implies(self, one: int, others: Sequence[int]) -> None:
        """Ask that a variable is taken only where one of the others is."""
        self.at_least([*((other, 1.0) for other in others), (one, -1.0)], 0.0)

    def _matrix(self) -> csr_matrix:
        rows = [r for r, terms in enumerate(self._rows) for _ in terms]
        columns = [c for terms in self._rows for c, _ in terms]
        factors = [f for terms in self._rows for _, f in terms]
        return coo_matrix((factors, (rows, columns)), (len(self._rows), len(self.cost))).tocsr()

    def solve(self, nodes: int = 0) -> Solution:
        """The cheapest choice; with a limit of nodes, the best one found until then.

        Raises
        ------
        ValueError
            Nothing satisfies all the constraints, or nothing was found within the limit.
        """
        limits = [LinearConstraint(self._matrix(), self._least, np.inf)] if self._rows else []
        options: dict[str, float] = {"mip_rel_gap": 0.0}
        if nodes:
            options["node_limit"] = nodes
        with _silent():
            found = milp(
                self.cost,
                constraints=limits,
                integrality=self.whole.astype(int),
                bounds=Bounds(0, 1),
                options=options,
            )
        if found.x is None:
            raise ValueError(f"nothing satisfies these constraints: {found.message}")
        return Solution(found.x > 0.5, float(found.fun), float(found.mip_gap or 0.0))


@contextmanager
def _silent() -> Iterator[None]:
    """Keep off stdout what the solver's library writes there for its own debugging."""
    sys.stdout.flush()
    try:
        kept = os.dup(1)
    except OSError:  # no stdout at all
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 1)
        yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)
        os.close(nowhere)
