"""Learning from counts: closed forms against published numbers, the fits against what is true."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats

from diagnose.casebook.counting import Counts, Tally, count
from diagnose.casebook.learning import causes_of, learn
from diagnose.casebook.rates import (
    Causes,
    Modes,
    _laplace,
    fit_rates,
)
from diagnose.casebook.shrinkage import Beta, LogTime, dirichlet_mean
from diagnose.casebook.sites import site_factors, site_weight
from diagnose.casebook.surprise import at_least, at_most, believed
from diagnose.casebook.wirings import Wiring, Wirings, history_weights
from diagnose.casebook.wrong import Answers, fit_error
from diagnose.interview.sites import site_key
from diagnose.knowledge.names import spec_of
from tests.made_cases import drawn_modes, made_outcome
from tests.people import standard_session

# ---------------------------------------------------------------------- closed forms


@pytest.mark.parametrize(
    ("prior", "seen", "of", "mean"),
    [
        # Gelman and others, Bayesian Data Analysis, section 2.4: placenta previa, 437 girls of 980
        # births, uniform prior. Mean as printed by two published reworkings of the example.
        ((1, 1), 437, 980, 0.446029),
        ((0.5, 0.5), 437, 980, 0.445973),  # Jeffreys' prior; derived
        # The succession rule and Jeffreys' prior after 0 and 3 of 10; derived from the formula.
        ((1, 1), 0, 10, 0.08333),
        ((0.5, 0.5), 0, 10, 0.04545),
        ((1, 1), 3, 10, 0.33333),
        ((0.5, 0.5), 3, 10, 0.31818),
    ],
)
def test_beta_means_as_published(
    prior: tuple[float, float], seen: int, of: int, mean: float
) -> None:
    digits = len(f"{mean}") - 2
    assert round(Beta(*prior).seen(seen, of - seen).mean, digits) == mean


def test_the_interval_of_the_placenta_previa_example_is_as_published() -> None:
    # the same example: 95 % [.415065, .477200]; standard deviation .015854 (derived; the book
    # prints .016, from memory)
    posterior = Beta(1, 1).seen(437, 980 - 437)
    found = posterior.estimate()
    assert (posterior.hits, posterior.misses) == (438, 544)
    assert round(found.low, 6) == 0.415065
    assert round(found.high, 6) == 0.477200
    assert round(posterior.sd, 6) == 0.015854


def test_a_dirichlet_mean_is_as_published() -> None:
    # Dirichlet(1, 1, 1) with counts 5, 3, 2 gives (6, 4, 3)/13; derived from the formula
    found = dirichlet_mean((1, 1, 1), (5, 3, 2))
    assert [round(x, 5) for x in found] == [0.46154, 0.30769, 0.23077]


def test_nothing_seen_of_many_bounds_a_chance_by_about_three_over_n() -> None:
    # the rule of three (from memory): 0 of n, upper 95 % end about 3/n, one-sided
    n = 300
    posterior = Beta(1, 1).seen(0, n)
    upper = stats.beta(posterior.hits, posterior.misses).ppf(0.95)
    assert upper == pytest.approx(3 / n, rel=0.02)


def test_closed_forms_agree_with_scipy() -> None:
    for hits, misses in ((0.3, 5.0), (4.2, 95.8), (31.0, 2.0)):
        posterior, exact = Beta(hits, misses), stats.beta(hits, misses)
        found = posterior.estimate()
        assert posterior.mean == pytest.approx(exact.mean(), abs=1e-9)
        assert posterior.sd == pytest.approx(exact.std(), abs=1e-9)
        assert found.low == pytest.approx(exact.ppf(0.025), abs=1e-9)
        assert found.high == pytest.approx(exact.ppf(0.975), abs=1e-9)
    mean, low, high = site_factors(np.array([4.0]), np.array([1.5]), 10.0)
    gamma = stats.gamma(14.0, scale=1 / 11.5)
    assert mean[0] == pytest.approx(gamma.mean(), abs=1e-9)
    assert low[0] == pytest.approx(gamma.ppf(0.025), abs=1e-9)
    assert high[0] == pytest.approx(gamma.ppf(0.975), abs=1e-9)
    time = LogTime(math.log(4.0), 6.0, 0.5).seen(
        Tally(3, 3 * math.log(8.0), 3 * math.log(8.0) ** 2)
    )
    log_median = stats.norm((6 * math.log(4) + 3 * math.log(8)) / 9, 0.5 / 3)
    found = time.estimate()
    assert found.value == pytest.approx(math.exp(log_median.mean()), abs=1e-9)
    assert found.low == pytest.approx(math.exp(log_median.ppf(0.025)), rel=1e-6)


def test_tails_and_their_correction_agree_with_scipy() -> None:
    for n, p, k in ((10, 0.1, 3), (40, 0.02, 5), (7, 0.9, 7)):
        assert at_least([p] * n, k) == pytest.approx(stats.binom(n, p).sf(k - 1), rel=1e-9)
        assert at_most([p] * n, k) == pytest.approx(stats.binom(n, p).cdf(k), rel=1e-9)
    chances = np.random.default_rng(2).random(12)
    drawn = np.random.default_rng(3).random((200_000, 12)) < chances
    share = float((drawn.sum(axis=1) >= 8).mean())
    assert at_least(chances.tolist(), 8) == pytest.approx(share, abs=0.005)
    values = np.random.default_rng(4).random(30) ** 3
    adjusted = stats.false_discovery_control(values, method="bh")
    assert believed(values.tolist(), 0.05) == [bool(x) for x in adjusted <= 0.05]


# ---------------------------------------------------------------------- rates


def two_modes() -> Modes:
    """Two failure modes of two parts, the first twice as common in the handbook."""
    names = (("made", "a.x"), ("made", "b.y"))
    return Modes(names, ("wear", "wear"), ("a", "b"), ("a.x", "b.y"), np.array([2.0, 1.0]))


def test_the_evidence_of_a_fit_agrees_with_numerical_integration() -> None:
    modes, counts = two_modes(), np.array([[3.0, 9.0]])
    data = Causes(counts, np.ones((1, 2)))
    spread = 0.7
    covariance = modes.covariance(spread, (0.0, 0.0, 1.0))
    evidence = _laplace(modes, data, covariance, np.zeros(2)).evidence

    def density(f: float, g: float) -> float:
        odds = 2 * math.exp(f - g)
        p = odds / (1 + odds)
        normal = math.exp(-(f * f + g * g) / (2 * spread**2)) / (2 * math.pi * spread**2)
        return normal * p**3 * (1 - p) ** 9

    exact, _ = integrate.dblquad(density, -6, 6, -6, 6)
    assert evidence == pytest.approx(math.log(exact), abs=0.02)


def test_many_cases_give_the_shares_that_were_seen() -> None:
    modes = two_modes()
    fit = fit_rates(modes, Causes(np.array([[2000.0, 8000.0]]), np.ones((1, 2))))
    rates = modes.handbook * fit.factor
    assert rates[1] / rates.sum() == pytest.approx(0.8, abs=0.005)
    assert (fit.low < fit.factor).all()
    assert (fit.factor < fit.high).all()
    assert fit.handbook < 1e-6


def test_a_handbook_that_is_right_stays() -> None:
    modes = two_modes()
    fit = fit_rates(modes, Causes(np.array([[200.0, 100.0]]), np.ones((1, 2))))
    assert fit.factor == pytest.approx([1.0, 1.0], abs=0.05)


def wirings() -> tuple[Wirings, Wiring]:
    """The standard installation with its matrix from the cache."""
    session = standard_session()
    made = Wirings(session.knowledge, lambda installation: session.matrix)
    choices = tuple(sorted(session.installation.choices.items()))
    wiring = made.of(session.installation.type.id, choices)
    assert wiring is not None
    return made, wiring


def test_three_cases_do_not_outvote_the_handbook() -> None:
    made, wiring = wirings()
    kind, variants = wiring.installation.type.id, tuple(sorted(wiring.installation.choices.items()))
    complaint = "will_not_stop"
    before = wiring.reported([complaint])
    assert before is not None
    p = before * np.array([m.mode.rate.nominal for m in wiring.installation.modes.values()])
    p /= p.sum()
    cause = wiring.modes[int(np.abs(p - 0.02).argmin())]
    counts = Counts(cases=3, causes={(kind, variants, (complaint,), cause): 3})
    tables = causes_of(counts, made)
    assert tables is not None
    fit = fit_rates(*tables)
    after = p * np.array([fit.factor[tables[0].index[kind, name]] for name in wiring.modes])
    after /= after.sum()
    own = wiring.modes.index(cause)
    assert p[own] < after[own] < 0.5


def test_what_the_history_says_does_not_count_twice() -> None:
    """Where most answers make a cause rarer, its rate must be that much higher to fit the cases."""
    made, wiring = wirings()
    kind = wiring.installation.type.id
    counts = Counts(cases=100, history={(kind, "worked", "years"): 90})
    shares = np.full(len(wiring.modes), 1 / len(wiring.modes))
    weights = dict(
        zip(wiring.modes, history_weights(wiring, counts, made.knowledge, shares), strict=True)
    )
    classes = {n: m.mode.mode_class for n, m in wiring.installation.modes.items()}
    rarer = {round(float(w), 6) for n, w in weights.items() if classes[n] == "commissioning"}
    plain = {round(float(w), 6) for n, w in weights.items() if classes[n] == "wear"}
    # `years` divides commissioning by ten and leaves wear as it is
    assert plain == {1.0}
    assert len(rarer) == 1
    assert 0.1 < rarer.pop() < 0.25


# ---------------------------------------------------------------------- wrong answers, minutes


def test_wrong_answers_are_found_where_the_cause_would_hardly_give_them() -> None:
    rng = np.random.default_rng(5)
    clean, n = 0.97, 400
    p = np.where(rng.random(n) < clean, clean, 1 - clean)  # what is there
    wrong = rng.random(n) < 0.2
    p = np.where(wrong, 1 - p, p)
    answers = Answers(p, np.ones(n), np.ones(n))
    found = fit_error(answers, Beta.around(0.04, 100.0)).estimate()
    exact = (0.04 * 100 + 0.2 * n) / (100 + n)  # had one known which were wrong
    assert found.low < exact < found.high
    few = Answers(p[:5], np.ones(5), np.ones(5))
    assert fit_error(few, Beta.around(0.04, 100.0)).mean < 0.08


def test_minutes_move_with_what_was_measured_and_a_site_keeps_its_own() -> None:
    made, wiring = wirings()
    kind, variants = wiring.installation.type.id, tuple(sorted(wiring.installation.choices.items()))
    site = site_key("tower")

    def tally(minutes: float, n: int) -> Tally:
        log = math.log(minutes)
        return Tally(n, n * log, n * log * log)

    counts = Counts(
        cases=40,
        causes={(kind, variants, ("will_not_stop",), "relay.contacts_welded"): 40},
        minutes={
            (kind, "", "test", "tap_relay"): tally(3.0, 40),
            (kind, "", "test", "relay_click"): tally(3.0, 1),
            (kind, "", "walk", "roof"): tally(4.0, 30),
            (kind, site, "walk", "roof"): tally(12.0, 10),
            (kind, site_key("other"), "walk", "roof:storeys"): tally(8.0, 1),
        },
    )
    overlay = learn(counts, made, day="2026-01-01").overlay
    found = {(k[0], k[2], k[3]): v for k, v in overlay.numbers.items() if k[0] != "rates"}
    handbook = found["test_minutes", "", "tap_relay"].handbook
    assert handbook == 1.0
    assert 2.4 < found["test_minutes", "", "tap_relay"].value < 3.0
    assert 1.0 < found["test_minutes", "", "relay_click"].value < 2.4, "one measurement says little"
    general = found["change_minutes", "", "panel_to_roof"]
    own = found["change_minutes", site, "panel_to_roof"]
    assert 4.0 < general.value < 8.0 < own.value < 12.0
    assert (general.cases, own.cases) == (40, 10)
    assert ("change_minutes", "", "roof_storeys") in found, "the way by the storeys is its own"


def test_sites_that_are_alike_count_for_nothing_of_their_own() -> None:
    rng = np.random.default_rng(6)
    expected = np.full(400, 2.0)
    assert site_weight(rng.poisson(expected).astype(float), expected) >= 100
    different = rng.poisson(expected * rng.gamma(3.0, 1 / 3.0, 400)).astype(float)
    assert site_weight(different, expected) <= 10


def test_one_more_case_changes_what_it_touches_as_if_all_were_fitted_anew() -> None:
    made, _ = wirings()
    session, rng = standard_session(), np.random.default_rng(11)
    modes = drawn_modes(session, 41, rng)
    outcomes = [made_outcome(session, k, mode, rng) for k, mode in enumerate(modes)]
    before, one = count(outcomes[:-1]), count(outcomes[-1:])
    first = learn(before, made, day="2026-01-01").overlay
    quick = learn(before + one, made, day="2026-01-01", added=(first, one)).overlay
    whole = learn(before + one, made, day="2026-01-01").overlay
    assert quick.cases == whole.cases == 41
    assert {k for k in quick.numbers if k[0] == "rates"} == {
        k for k in whole.numbers if k[0] == "rates"
    }
    asked = {spec_of(seen.test) for seen in outcomes[-1].findings}
    for key, number in whole.numbers.items():
        if key[0] == "rates":
            assert quick.numbers[key].value == pytest.approx(number.value, rel=1e-9)
        elif key[3] in asked:
            assert quick.numbers[key].value == pytest.approx(number.value, rel=0.1)
            assert quick.numbers[key].cases == number.cases
        else:
            assert quick.numbers[key] == first.numbers[key]
    changed = {k for k, n in quick.numbers.items() if k in first.numbers and n != first.numbers[k]}
    assert asked & {k[3] for k in changed}
