"""The baseline's checklists name existing tests, once each, for every complaint."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import yaml

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
