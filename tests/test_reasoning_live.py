"""A live test is left out where another one splits the same causes.

What a test would still tell after another is compared with the exact Bayesian-network library
pyagrum (its conditional mutual information); the bar is 1e-9 bits.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pyagrum
import pytest

from diagnose.reasoning.belief import Belief, information
from diagnose.reasoning.strategy import (
    DEAD_SHARE,
    LEAST,
    SURE_SHARE,
    Candidate,
    Greedy,
    dead_would_do,
    told_after,
)
from tests.made_tables import made_table, random_table

gum: Any = pyagrum  # its calls carry no types
BAR = 1e-9


@pytest.mark.parametrize("seed", range(5))
def test_what_is_left_to_tell_is_what_the_library_says(seed: int) -> None:
    table = random_table(np.random.default_rng(seed), 14, 3, 4)
    belief = Belief(table, table.prior())
    assert belief.p.min() >= LEAST
    net = gum.BayesNet()
    net.add(gum.RangeVariable("cause", "", 0, len(table.names) - 1))
    net.add(gum.RangeVariable("unit", "", 0, len(table.unit_names) - 1))
    net.addArc("cause", "unit")
    net.cpt("cause").fillWith(belief.p.tolist())
    net.cpt("unit")[:] = np.eye(len(table.unit_names))[table.unit_index]
    for k in range(3):
        net.add(gum.RangeVariable(f"t{k}", "", 0, 4))
        net.addArc("cause", f"t{k}")
        net.cpt(f"t{k}")[:] = table.clean[:, k].copy()
    engine = gum.LazyPropagation(net)
    alone, after = told_after(belief, 0, np.array([1, 2]))
    told = gum.InformationTheory(engine, ["unit"], ["t0"])
    assert alone == pytest.approx(told.mutualInformationXY(), abs=BAR)
    for k, left in zip((1, 2), after, strict=True):
        told = gum.InformationTheory(engine, ["unit"], ["t0"], [f"t{k}"])
        assert left == pytest.approx(told.mutualInformationXYgivenZ(), abs=BAR)


@pytest.mark.parametrize(
    ("dead", "error", "kept"),
    [
        ((0, 0, 1, 1), 0.05, False),  # the same causes, nearly as surely
        ((0, 0, 1, 1), 0.3, True),  # the same causes, by much less surely
        ((0, 1, 0, 1), 0.03, True),  # as much, and of other causes
    ],
)
def test_a_live_test_goes_where_a_dead_one_parts_the_same_causes(
    dead: tuple[int, ...], error: float, kept: bool
) -> None:
    clean = np.zeros((4, 2, 2))
    for k, outcome in enumerate(dead):
        clean[k, 0, int(k > 1)] = clean[k, 1, outcome] = 1.0
    table = made_table(clean, (2, 2), (0.02, error), "abcd", (1.0, 1.0, 1.0, 1.0))
    belief = Belief(table, table.prior())
    live, other = information(belief)
    assert other < DEAD_SHARE * live  # or it would go for that alone
    assert (other >= SURE_SHARE * live) == (error < 0.1)
    candidates = [Candidate("t0", 0, 1.0, live=True), Candidate("t1", 1, 9.0)]
    tests = [choice.candidate.test for choice in Greedy().rank(belief, candidates)]
    assert tests == (["t0", "t1"] if kept else ["t1"])
    assert dead_would_do(belief, 0, live, np.array([1]), np.array([other])) != kept
