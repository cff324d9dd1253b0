"""Posterior and information gain against an exact Bayesian-network library, and their laws.

The bar against the library pyagrum is 1e-9, the largest difference over all hypotheses and all
tests. The laws are those of probability (A. N. Kolmogorov) and of mutual information
(T. M. Cover, J. A. Thomas, "Elements of Information Theory", 2nd edition, section 2.4 to 2.6;
from memory).
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.reasoning.belief import (
    PRIOR_UNKNOWN,
    REPEATS,
    UNKNOWN,
    Belief,
    Hypotheses,
    information,
)
from diagnose.reasoning.wrong_answers import CARE, mixing
from tests.made_tables import ORDINARY, made_table, random_table, shipped_table
from tests.oracles.bayes import NetworkOracle, answers_of

BAR = 1e-9


def compare(table: Hypotheses, start: np.ndarray, answers: list[tuple[int, int]]) -> None:
    """Posterior and gains after each answer against the library's, within the bar.

    Gains are exact where all persons are alike.
    """
    alike = table.care == ORDINARY
    belief = Belief(table, start)
    oracle = NetworkOracle(table, np.exp(start))
    evidence: dict[int, int] = {}
    for step in range(len(answers) + 1):
        wanted = [k for k in range(len(table.tests)) if k not in evidence]
        posterior, gains = oracle.turn(evidence, wanted if alike else wanted[:1])
        assert np.abs(belief.p - posterior).max() <= BAR
        if alike:
            assert np.abs(information(belief, np.array(wanted)) - gains).max() <= BAR
        if step < len(answers):
            test, outcome = answers[step]
            evidence[test] = outcome
            belief = belief.update(table.tests[test], outcome)


def draw_answers(
    rng: np.random.Generator, table: Hypotheses, start: np.ndarray, count: int, likely: bool
) -> list[tuple[int, int]]:
    """Answers of a cause drawn by `start`, or (`likely` false) any answers at all."""
    cause = rng.choice(len(start), p=np.exp(start) / np.exp(start).sum())
    chosen = rng.permutation(len(table.tests))[:count]
    answers = []
    for k in chosen.tolist():
        size = int(table.sizes[k])
        p = answers_of(table, k)[cause] if likely else np.full(size, 1 / size)
        answers.append((k, int(rng.choice(size, p=p / p.sum()))))
    return answers


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("likely", [True, False], ids=["one cause answers", "any answers"])
def test_random_tables_against_the_library(seed: int, likely: bool) -> None:
    rng = np.random.default_rng([seed, likely])
    table = random_table(rng, hypotheses=30, tests=25, units=9)
    start = table.prior()
    compare(table, start, draw_answers(rng, table, start, 5, likely))
    persons = dataclasses.replace(table, care=CARE)
    compare(persons, start, draw_answers(rng, table, start, 5, likely))


@pytest.mark.parametrize("care", [ORDINARY, CARE], ids=["alike", "kinds of person"])
@pytest.mark.parametrize("seed", range(3))
def test_the_shipped_installation_against_the_library(
    seed: int, care: tuple[tuple[float, float], ...]
) -> None:
    table = dataclasses.replace(shipped_table(), care=care)
    rng = np.random.default_rng(seed)
    complaint = sorted(table.complaint)[seed]
    start = table.prior((complaint,))
    compare(table, start, draw_answers(rng, table, start, 2, likely=seed > 0))


def test_uncertain_answers_against_the_library() -> None:
    """An answer given as not sure is soft evidence: its likelihood to the power of its weight."""
    rng = np.random.default_rng(3)
    table = random_table(rng, hypotheses=20, tests=8, units=6)
    belief = Belief(table, table.prior()).update("t2", 1, 0.5).update("t4", 0)
    soft = answers_of(table, 2)[:, 1] ** 0.5
    oracle = NetworkOracle(table, np.exp(table.prior()))
    posterior, gains = oracle.turn({4: 0}, [0, 1, 3], softly=soft / soft.max())
    assert np.abs(belief.p - posterior).max() <= BAR
    assert np.abs(information(belief, np.array([0, 1, 3])) - gains).max() <= BAR


def test_a_careless_person_is_known_by_answers_that_fit_nothing() -> None:
    """Two answers that contradict each other make carelessness likelier, by hand.

    Two causes, two tests that each show one of them with certainty; 10 % wrong, of a careless
    person 25 %, of a careful one 6 %. Answers that agree: 0.5 (0.94^2 + 0.06^2) of the careful,
    0.5 (0.75^2 + 0.25^2) of the careless; that disagree: 2 · 0.5 · 0.94 · 0.06 and
    2 · 0.5 · 0.75 · 0.25, each times its share, 0.6 and 0.4.
    """
    clean = np.array([[[1.0, 0.0], [1.0, 0.0]], [[0.0, 1.0], [0.0, 1.0]]])
    table = made_table(clean, [2, 2], [0.1, 0.1], ["a", "b"], [1.0, 1.0])
    table = dataclasses.replace(table, care=((0.6, 0.6), (2.5, 0.4)))
    once = Belief(table, table.prior()).update("t0", 0)
    for outcome, careful, careless in ((0, 0.4436, 0.3125), (1, 0.0564, 0.1875)):
        told = once.update("t1", outcome)
        care = (np.exp(told.log_care) * told.p).sum(axis=1)
        expected = np.array([0.6 * careful, 0.4 * careless])
        np.testing.assert_allclose(care, expected / expected.sum(), atol=1e-12)
    assert told.p[0] == pytest.approx(0.5)


def test_the_comparison_sees_a_wrong_number() -> None:
    """One likelihood moved by 1e-6 is caught: the comparison can fail."""
    rng = np.random.default_rng(1)
    table = random_table(rng, hypotheses=12, tests=5, units=4)
    moved = table.clean.copy()
    moved[0, 0, 0] += 1e-6
    moved[0, 0, 1] -= 1e-6
    oracle = NetworkOracle(dataclasses.replace(table, clean=moved), np.exp(table.prior()))
    _, gains = oracle.turn({}, list(range(5)))
    assert np.abs(information(Belief(table, table.prior())) - gains).max() > BAR


seeds = st.integers(0, 2**32 - 1)


def small(seed: int) -> tuple[np.random.Generator, Hypotheses]:
    rng = np.random.default_rng(seed)
    return rng, random_table(rng, hypotheses=9, tests=6, units=4)


@given(seeds)
@settings(max_examples=60, deadline=None)
def test_posterior_sums_to_one_and_order_does_not_matter(seed: int) -> None:
    rng, table = small(seed)
    start = table.prior()
    answers = draw_answers(rng, table, start, 6, likely=False)
    forth = back = Belief(table, start)
    for k, outcome in answers:
        forth = forth.update(table.tests[k], outcome)
    for k, outcome in reversed(answers):
        back = back.update(table.tests[k], outcome)
    assert forth.p.sum() == pytest.approx(1.0, abs=1e-12)
    assert (forth.p > 0).all()
    np.testing.assert_allclose(forth.p, back.p, atol=1e-12)
    np.testing.assert_allclose(forth.unit_p.sum(), 1.0, atol=1e-12)


@given(seeds)
@settings(max_examples=60, deadline=None)
def test_expected_posterior_is_the_present_one(seed: int) -> None:
    """Averaged over a test's answers, the posterior is what it was (a martingale)."""
    _, table = small(seed)
    belief = Belief(table, table.prior())
    for k, size in enumerate(table.sizes.tolist()):
        mean = sum(
            float(belief.p @ table.likely(k, o)) * belief.update(table.tests[k], o).p
            for o in range(size)
        )
        np.testing.assert_allclose(mean, belief.p, atol=1e-12)


@given(seeds)
@settings(max_examples=60, deadline=None)
def test_the_same_whoever_the_person_is(seed: int) -> None:
    """The martingale with kinds of person, after some answers; chances of all answers make 1."""
    rng, table = small(seed)
    table = dataclasses.replace(table, care=CARE)
    belief = Belief(table, table.prior())
    for k, outcome in draw_answers(rng, table, table.prior(), 3, likely=False):
        belief = belief.update(table.tests[k], outcome)
    for k, size in enumerate(table.sizes.tolist()):
        chances = [belief.chance(table.tests[k], o) for o in range(size)]
        np.testing.assert_allclose(sum(chances), 1.0, atol=1e-12)
        mean = sum(
            float(belief.p @ chances[o]) * belief.update(table.tests[k], o).p for o in range(size)
        )
        np.testing.assert_allclose(mean, belief.p, atol=1e-12)


@given(seeds)
@settings(max_examples=60, deadline=None)
def test_information_is_the_expected_drop_of_entropy(seed: int) -> None:
    """By its other definition, H(U) - E H(U | answer), and within its bounds."""
    _, table = small(seed)
    belief = Belief(table, table.prior())

    def bits(p: np.ndarray) -> float:
        return float(-(p[p > 0] * np.log2(p[p > 0])).sum())

    gains = information(belief)
    for k, size in enumerate(table.sizes.tolist()):
        left = sum(
            float(belief.p @ table.likely(k, o)) * bits(belief.update(table.tests[k], o).unit_p)
            for o in range(size)
        )
        assert gains[k] == pytest.approx(bits(belief.unit_p) - left, abs=1e-9)
        assert 0.0 <= gains[k] <= min(bits(belief.unit_p), np.log2(size)) + 1e-9


@given(seeds)
@settings(max_examples=60, deadline=None)
def test_answers_with_errors_are_distributions_and_refuse_certainty(seed: int) -> None:
    rng, table = small(seed)
    certain = np.zeros((9, 6, 5))
    for k, size in enumerate(table.sizes.tolist()):
        certain[np.arange(9), k, rng.integers(0, size, 9)] = 1.0
    for clean in (certain, table.clean):
        errors = rng.uniform(1e-3, 0.3, 6)
        keep, gain = mixing(table.sizes, errors, 5)
        mixed = keep * clean + gain
        np.testing.assert_allclose(mixed.sum(axis=2), 1.0, atol=1e-12)
        for k, size in enumerate(table.sizes.tolist()):
            assert (mixed[:, k, :size] > 0).all()
            assert (mixed[:, k, :size] < 1).all()
            assert (mixed[:, k, size:] == 0).all()


@pytest.mark.parametrize("error", [0.0, 1.0, -0.1, float("nan")])
def test_an_infallible_answer_is_refused(error: float) -> None:
    clean = np.array([[[1.0, 0.0]], [[0.0, 1.0]]])
    with pytest.raises(ValueError, match="fallible"):
        made_table(clean, [2], [error], ["a", "b"], [1.0, 1.0])


@given(seeds)
@settings(max_examples=60, deadline=None)
def test_a_repeated_question_stays_a_distribution(seed: int) -> None:
    rng, table = small(seed)
    k = int(rng.integers(6))
    size = int(table.sizes[k])
    belief = Belief(table, table.prior()).update(table.tests[k], int(rng.integers(size)))
    total = sum(belief.factor(table.tests[k], o) for o in range(size))
    np.testing.assert_allclose(total, 1.0, atol=1e-12)


@given(seeds)
@settings(max_examples=60, deadline=None)
def test_a_repeated_question_is_new_where_answers_are_independent(
    seed: int,
) -> None:
    """Without repetition of errors the second answer counts like a first one."""
    rng, table = small(seed)
    k = int(rng.integers(6))
    first, second = rng.integers(0, table.sizes[k], 2).tolist()
    name = table.tests[k]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("diagnose.reasoning.belief.REPEATS", 0.0)
        belief = Belief(table, table.prior()).update(name, first)
        np.testing.assert_allclose(belief.factor(name, second), table.likely(k, second), atol=1e-12)


def test_the_same_wrong_answer_again_says_little() -> None:
    """Asked again, the same answer moves the odds less than the first time, another one back."""
    clean = np.array([[[1.0, 0.0]], [[0.0, 1.0]]])
    table = made_table(clean, [2], [0.1], ["a", "b"], [1.0, 1.0])
    once = Belief(table, table.prior()).update("t0", 0)
    same = once.update("t0", 0)
    other = once.update("t0", 1)
    first = np.log(once.p[0] / once.p[1])
    assert first == pytest.approx(np.log(9.0))
    assert 0 < np.log(same.p[0] / same.p[1]) - first < first
    # by hand: under b the first answer was wrong, so it comes again with REPEATS
    again = REPEATS + (1 - REPEATS) * 0.1
    assert same.p[0] / same.p[1] == pytest.approx(9.0 * 0.9 / again)
    assert other.p[0] / other.p[1] == pytest.approx(9.0 * 0.1 / (1 - again))


def test_unknown_keeps_its_share_under_every_complaint() -> None:
    table = shipped_table()
    for complaint in table.complaint:
        p = np.exp(table.prior((complaint,)))
        assert p.sum() == pytest.approx(1.0, abs=1e-12)
        assert p[table.index[UNKNOWN]] == pytest.approx(PRIOR_UNKNOWN, abs=1e-12)


def test_history_and_repairs_move_the_odds_by_their_factor() -> None:
    _, table = small(5)
    plain = np.exp(table.prior())
    name, other = table.names[0], table.names[3]
    more = np.exp(table.prior((), {name: 3.0}))
    assert more[0] / more[3] == pytest.approx(3 * plain[0] / plain[3])
    repaired = Belief(table, table.prior()).scale({other: 0.02})
    assert repaired.p[3] / repaired.p[0] == pytest.approx(0.02 * plain[3] / plain[0])
