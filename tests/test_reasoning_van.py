"""Loading the van: against brute force over all loads, and against one set by hand."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np
import pytest

from diagnose.reasoning.belief import Belief
from diagnose.reasoning.van import (
    ALWAYS,
    best_within,
    cheapest,
    covered_by,
    instruments_for,
    load_for,
    needs_of,
)
from tests.people import clear_modes, standard_session

CLOSE = 1e-9


def made(seed: int) -> tuple[dict[frozenset[str], float], dict[str, float]]:
    """Eight spares, nine causes that need one or two of them, and one that needs none."""
    rng = np.random.default_rng(seed)
    names = [f"spare {k}" for k in range(8)]
    prices = {name: float(rng.integers(1, 40)) for name in names}
    needs = {
        frozenset(rng.choice(names, size=int(rng.integers(1, 3)), replace=False).tolist()): float(p)
        for p in rng.dirichlet(np.ones(9))
    }
    needs[frozenset()] = 0.2
    return needs, prices


def loads(prices: dict[str, float]) -> Iterator[tuple[float, frozenset[str]]]:
    """Every load there is, with its cost."""
    for size in range(len(prices) + 1):
        for chosen in itertools.combinations(prices, size):
            yield sum(prices[name] for name in chosen), frozenset(chosen)


def covered(needs: dict[frozenset[str], float], load: frozenset[str]) -> float:
    return sum(p for spares, p in needs.items() if spares and not spares - load)


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("share", [0.5, 0.9, 1.0])
def test_no_load_is_cheaper(seed: int, share: float) -> None:
    needs, prices = made(seed)
    least = share * sum(p for spares, p in needs.items() if spares) - CLOSE
    best = min(cost for cost, load in loads(prices) if covered(needs, load) >= least)
    chosen = cheapest(needs, prices, share)
    assert covered(needs, chosen) >= least
    assert sum(prices[name] for name in chosen) == pytest.approx(best)
    assert covered_by(needs, chosen) == pytest.approx(covered(needs, chosen))


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("money", [0.0, 20.0, 60.0])
def test_no_load_for_the_money_covers_more(seed: int, money: float) -> None:
    needs, prices = made(seed)
    best = max(covered(needs, load) for cost, load in loads(prices) if cost <= money)
    chosen = best_within(needs, prices, money)
    assert sum(prices[name] for name in chosen) <= money + CLOSE
    assert covered(needs, chosen) == pytest.approx(best)


def test_a_cause_that_needs_two_spares_is_covered_by_both_only() -> None:
    needs = {frozenset({"cable", "joint"}): 0.6, frozenset({"relay"}): 0.4}
    prices = {"cable": 10.0, "joint": 1.0, "relay": 5.0}
    assert cheapest(needs, prices, 0.5) == {"cable", "joint"}
    assert best_within(needs, prices, 10.0) == {"relay"}


def test_nothing_to_cover_loads_nothing_and_a_share_is_a_share() -> None:
    assert cheapest({frozenset(): 1.0}, {}, 0.9) == frozenset()
    for share in (0.0, -0.1, 1.1):
        with pytest.raises(ValueError, match="share"):
            cheapest({frozenset({"a"}): 1.0}, {"a": 1.0}, share)


def test_the_solver_keeps_off_stdout(capfd: pytest.CaptureFixture[str]) -> None:
    for seed in range(12):
        needs, prices = made(seed)
        cheapest(needs, prices, 0.9)
    assert capfd.readouterr().out == ""


def test_the_load_of_a_belief_says_what_it_covers() -> None:
    session = standard_session()
    words = session.knowledge.scales["spare_prices"].words
    prices = {name: number.nominal for name, number in words.items()}
    belief = Belief(session.table("now"), session.table("now").prior())
    load = load_for(session.installation, prices, belief, 0.9)
    p = dict(belief.ranking())
    needs = needs_of(session.installation, p)
    names = frozenset(spare.name for spare in load.spares)
    with_spare = sum(q for spares, q in needs.items() if spares)
    assert load.covered == pytest.approx(covered(needs, names) / with_spare)
    assert load.covered >= 0.9 - CLOSE
    assert load.covered_all > load.covered
    assert load.no_spare + with_spare + load.unknown == pytest.approx(1.0)
    assert load.cost == pytest.approx(sum(prices[name] for name in names))


def test_more_is_loaded_for_a_larger_share() -> None:
    session = standard_session()
    words = session.knowledge.scales["spare_prices"].words
    prices = {name: number.nominal for name, number in words.items()}
    belief = Belief(session.table("now"), session.table("now").prior())
    costs = [load_for(session.installation, prices, belief, s).cost for s in (0.3, 0.6, 0.9, 1.0)]
    assert costs == sorted(set(costs))


def test_the_fewest_instruments_that_tell_nearly_as_much() -> None:
    session = standard_session()
    belief = Belief(session.table("now"), session.table("now").prior())
    used = {name: test.spec.instrument for name, test in session.tests.items()}
    few, most = (instruments_for(belief, used, share) for share in (0.5, 1.0))
    assert ALWAYS in few
    assert set(few) <= set(used.values()) - {"none"}
    assert len(few) <= len(most)
    only_eyes = {name: kind for name, kind in used.items() if kind == "none"}
    assert instruments_for(belief, only_eyes, 1.0) == ()


def test_a_known_cause_needs_its_own_spares_only() -> None:
    session = standard_session()
    name = next(n for n in clear_modes(session, 12) if session.installation.modes[n].mode.spares)
    needs = needs_of(session.installation, {name: 1.0})
    spares = frozenset(session.installation.modes[name].mode.spares)
    assert cheapest(needs, dict.fromkeys(spares, 1.0), 0.9) == spares
