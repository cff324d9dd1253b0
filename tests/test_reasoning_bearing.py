"""The joint of unit and outcome kept only where a unit bears on a test, against the whole of it.

The whole is written out from its definition: every hypothesis' answers with errors, times its
probability, summed over its unit (mutual information: T. M. Cover, J. A. Thomas, "Elements of
Information Theory", 2nd edition, section 2.4; from memory).
"""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.reasoning.belief import Belief, Hypotheses, information
from diagnose.reasoning.lookahead import Lookahead
from diagnose.reasoning.stakes import Stakes
from diagnose.reasoning.strategy import Candidate
from tests.made_tables import made_table, random_table, shipped_table
from tests.oracles.bayes import answers_of

BAR = 1e-9


def sparse_table(
    rng: np.random.Generator, hypotheses: int, tests: int, share: float
) -> tuple[Hypotheses, np.ndarray]:
    """Everything shows what the others show but a share of (hypothesis, test); and which do."""
    sizes = rng.integers(2, 5, tests)
    real = np.arange(4) < sizes[:, None]
    usual = rng.dirichlet(np.ones(4), tests) * real
    usual /= usual.sum(axis=1, keepdims=True)
    own = rng.dirichlet(np.full(4, 0.3), (hypotheses, tests)) * real + 1e-3 * real
    own /= own.sum(axis=2, keepdims=True)
    differs = rng.random((hypotheses, tests)) < share
    clean = np.where(differs[:, :, None], own, usual)
    units = sorted(f"u{rng.integers(max(hypotheses // 5, 1)):03d}" for _ in range(hypotheses))
    errors = rng.uniform(0.01, 0.1, tests).tolist()
    weight = np.exp(rng.uniform(-6, 2, hypotheses)).tolist()
    return made_table(clean, sizes.tolist(), errors, units, weight), differs


def whole(belief: Belief) -> np.ndarray:
    """P(unit, outcome) of every test, (units, tests, outcomes), by its definition."""
    table = belief.table
    found = np.zeros((len(table.unit_names), *table.clean.shape[1:]))
    for k, size in enumerate(table.sizes.tolist()):
        name = table.tests[k]
        asked = name in {test for test, _ in belief.seen}
        answers = (
            np.stack([belief.factor(name, o) for o in range(size)], axis=1)
            if asked
            else answers_of(table, k)
        )
        for h, unit in enumerate(table.units):
            found[table.unit_names.index(unit), k, :size] += belief.p[h] * answers[h]
    return found


def bits(p: np.ndarray) -> float:
    return float(-(p[p > 0] * np.log2(p[p > 0])).sum())


def gains_of(joint: np.ndarray) -> np.ndarray:
    units = bits(joint[:, 0].sum(axis=1))
    return np.array(
        [units + bits(joint[:, k].sum(axis=0)) - bits(joint[:, k]) for k in range(joint.shape[1])]
    )


def compare(belief: Belief) -> None:
    every = np.arange(len(belief.table.tests))
    joint = whole(belief)
    assert np.abs(belief.joint(every) - joint).max() <= BAR
    assert np.abs(information(belief) - gains_of(joint)).max() <= BAR
    some = every[::-2]
    assert np.abs(belief.joint(some) - joint[:, some]).max() <= BAR


@pytest.mark.parametrize("share", [0.0, 0.05, 0.3, 1.0])
@pytest.mark.parametrize("hypotheses", [1, 40, 250])
def test_joint_and_information_are_those_of_the_whole(hypotheses: int, share: float) -> None:
    rng = np.random.default_rng([hypotheses, round(100 * share)])
    table, _ = sparse_table(rng, hypotheses, 17, share)
    belief = Belief(table, table.prior())
    compare(belief)
    for k in rng.permutation(17)[:5].tolist():
        belief = belief.update(table.tests[k], int(rng.integers(table.sizes[k])))
        compare(belief)


def test_hypotheses_with_nothing_in_common() -> None:
    table = random_table(np.random.default_rng(4), 30, 12, 9)
    assert len(table.bearing.test) == 12 * len(table.unit_names)
    compare(Belief(table, table.prior()).update("t3", 0))


def test_the_shipped_installation() -> None:
    table = shipped_table()
    compare(Belief(table, table.prior((sorted(table.complaint)[0],))))


def test_only_what_differs_is_kept() -> None:
    table, differs = sparse_table(np.random.default_rng(8), 120, 60, 0.06)
    units = np.array(table.units)
    wanted = {
        (u, k)
        for u, name in enumerate(table.unit_names)
        for k in np.flatnonzero(differs[units == name].any(axis=0)).tolist()
    }
    bearing = table.bearing
    assert set(zip(bearing.unit.tolist(), bearing.test.tolist(), strict=True)) == wanted
    assert 0 < len(wanted) < 0.5 * 60 * len(table.unit_names)


def test_what_a_test_saves_is_the_expected_drop_of_the_loss() -> None:
    """By its other definition: loss now, less the loss expected once the answer is known."""
    rng = np.random.default_rng(5)
    table, _ = sparse_table(rng, 30, 9, 0.3)
    belief = Belief(table, table.prior()).update("t1", 0)
    stakes = Stakes(rng.uniform(20, 120, len(table.unit_names)))
    chosen = np.array([7, 0, 4])
    wanted = []
    for k in chosen.tolist():
        left = 0.0
        for o in range(int(table.sizes[k])):
            after = belief.update(table.tests[k], o)
            left += float(belief.p @ belief.factor(table.tests[k], o)) * stakes.loss(after)
        wanted.append(stakes.loss(belief) - left)
    np.testing.assert_allclose(stakes.saved(belief, chosen), wanted, atol=1e-9)
    assert max(wanted) > 0.1
    gains = information(belief, chosen)
    cheap = stakes.pays(belief, gains, np.array(wanted) - 1e-6, chosen)
    dear = stakes.pays(belief, gains, np.full(3, 1e6), chosen)
    assert cheap.all()
    assert not dear.any()


def test_looking_ahead_at_some_of_many_tests_keeps_all_on_offer(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rng = np.random.default_rng(11)
    table, _ = sparse_table(rng, 60, 40, 0.3)
    belief = Belief(table, table.prior())
    offered = [Candidate(t, k, float(rng.uniform(4, 5))) for k, t in enumerate(table.tests)]
    every = Lookahead().rank(belief, offered)
    monkeypatch.setattr("diagnose.reasoning.lookahead.TESTS", 10)
    some = Lookahead().rank(belief, offered)
    assert {c.candidate.test for c in some} == {c.candidate.test for c in every}
    assert some[0].ahead is not None
