"""The baseline's checklists name existing tests, once each, for every complaint."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from scipy.stats import bootstrap

from tests.benchmarks.efficiency import ratio

ROOT = Path(__file__).resolve().parent.parent
KNOWLEDGE = ROOT / "knowledge"
SHORTEST, LONGEST = 25, 60
"""Tests in a list: enough to be a fair opponent, few enough to be a list."""


def entries(path: Path, kind: str) -> list[dict[str, Any]]:
    """The entries of one knowledge file."""
    found: list[dict[str, Any]] = yaml.safe_load(path.read_text(encoding="utf-8"))[kind]
    return found


CHECKLISTS: dict[str, list[str]] = yaml.safe_load(
    (ROOT / "tests" / "benchmarks" / "checklists.yaml").read_text(encoding="utf-8")
)
COMPLAINTS = [
    c["id"] for c in entries(KNOWLEDGE / "complaints.yaml", "complaints") if "reports" not in c
]
TESTS = {t["id"] for path in (KNOWLEDGE / "tests").glob("*.yaml") for t in entries(path, "tests")}


def test_every_complaint_has_a_list() -> None:
    """One list per complaint after which is searched, and none that does not exist."""
    assert sorted(CHECKLISTS) == sorted(COMPLAINTS)


@pytest.mark.parametrize("complaint", sorted(CHECKLISTS))
def test_list_names_existing_tests_once(complaint: str) -> None:
    """Every id exists, none stands twice, and the list has the length it should have."""
    order = CHECKLISTS[complaint]
    assert [test for test in order if test not in TESTS] == []
    assert sorted(test for test in set(order) if order.count(test) > 1) == []
    assert SHORTEST <= len(order) <= LONGEST


def test_the_interval_of_a_ratio_to_the_checklist_is_about_a_bootstraps() -> None:
    """Minutes paired by callout, skewed as they are; against `scipy.stats.bootstrap`."""
    rng = np.random.default_rng(3)
    theirs = rng.gamma(2.0, 20.0, 200)
    ours = 0.3 * theirs + rng.gamma(2.0, 4.0, 200)
    found, half = ratio(ours.tolist(), theirs.tolist())
    low, high = bootstrap(
        (ours, theirs),
        lambda a, b, axis: a.mean(axis=axis) / b.mean(axis=axis),
        paired=True,
        n_resamples=4000,
        method="percentile",
        random_state=rng,
    ).confidence_interval
    assert (found - half, found + half) == pytest.approx((low, high), abs=0.006)
    assert half > 0.02
