"""A small share of ``tests.benchmarks.learning``, with looser bars: that learning still learns."""

from __future__ import annotations

from tests.benchmarks.learning import WRONG, rate_figures


def test_a_firms_cases_close_the_gap_to_its_true_rates() -> None:
    found = rate_figures(2, (100, 200, 500), (("makes", 0.0), ("makes", WRONG), ("handbook", 0.0)))
    firm = found["makes"]
    assert firm["oracle"] < firm["handbook"] - 0.2, "there is something to learn"
    assert firm["closed_100"] > 0.4
    assert firm["closed_500"] > 0.75
    wrongly = found["makes, 10% closed wrongly"]
    assert wrongly["closed_200"] > 0
    assert wrongly["closed_500"] > 0
    right = found["handbook"]
    assert all(right[f"worse_{n}"] < 0.02 for n in (100, 200, 500))
