"""Outcomes of closed cases and their counts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from diagnose.casebook.counting import Counts, Tally, count
from diagnose.casebook.outcomes import Outcome, outcome_of
from diagnose.casebook.store import CaseHeader
from diagnose.interview.events import Event
from diagnose.interview.sites import site_key

HEADER = CaseHeader(
    id="2026-03-02-north-yard",
    title="Callout",
    site="North Yard",
    installation="tank_and_sump",
    variants={"drive": "relay", "module": "active_low"},
    opened="2026-03-02T08:00:00+00:00",
    knowledge="0",
)


def case(*told: tuple[str, dict[str, Any]]) -> list[Event]:
    """Events of the kinds and data given, an hour apart; the first is ``e1``."""
    return [
        Event(f"e{k}", f"2026-03-02T{8 + k:02}:00:00+00:00", kind, data)
        for k, (kind, data) in enumerate(told, 1)
    ]


WORK: Sequence[tuple[str, dict[str, Any]]] = (
    ("opened", {"installation": "tank_and_sump", "variants": {}, "site": "North Yard"}),
    ("complaint", {"ids": ["overflows", "hums"]}),
    ("answered", {"question": "worked", "choice": "years"}),
    ("finding", {"test": "tap", "outcome": "runs", "sure": "no", "minutes": 2.0}),
    ("act", {"act": "isolate", "minutes": 2.0}),
    ("finding", {"test": "look", "outcome": "rust", "minutes": 9.0, "own": 1.0, "walk": 8.0}),
    ("repaired", {"unit": "relay", "failure_mode": "welded", "minutes": 30.0}),
    ("finding", {"test": "tap", "outcome": "stays", "minutes": 2.0}),
)
CLOSED = {"unit": "relay", "failure_mode": "welded", "confirmed": "replaced", "verified": "passed"}


def outcome(*more: tuple[str, dict[str, Any]]) -> Outcome:
    """The outcome of `WORK` and what came after it."""
    found = outcome_of(HEADER, case(*WORK, *more))
    assert found is not None
    return found


def test_an_outcome_holds_what_was_found_and_nobodys_name() -> None:
    found = outcome(("closed", CLOSED))
    assert found.complaints == ("hums", "overflows")
    assert found.answers == {"worked": "years"}
    assert (found.cause, found.words, found.confirmed) == ("relay.welded", "", True)
    assert [(s.test, s.outcome, s.sure, s.after_repairs) for s in found.findings] == [
        ("tap", "runs", False, 0),
        ("look", "rust", True, 0),
        ("tap", "stays", True, 1),
    ]
    assert found.variants == (("drive", "relay"), ("module", "active_low"))
    assert found.site == site_key("  north  YARD ") != site_key("North Yard 2")
    assert "yard" not in repr(found).replace(found.case, "").lower()


def test_a_case_counts_only_while_it_is_confirmed() -> None:
    again = ("called_back", {"held": "no", "text": "it is back"})
    well = ("called_back", {"held": "yes", "text": "fine"})
    assert outcome_of(HEADER, case(*WORK)) is None
    assert outcome_of(HEADER, case(*WORK, ("closed", CLOSED), again)) is None
    assert outcome(("closed", CLOSED), well).confirmed
    other = {**CLOSED, "unit": "motor", "failure_mode": "open"}
    assert outcome(("closed", CLOSED), again, ("closed", other)).cause == "motor.open"
    assert not outcome(("closed", {**CLOSED, "confirmed": "not_confirmed"})).confirmed
    assert not outcome(("closed", {**CLOSED, "verified": "failed"})).confirmed
    missing = {k: v for k, v in CLOSED.items() if k != "verified"}
    assert outcome(("closed", missing)).confirmed, "a missing verification was not made"


def test_minutes_are_measured_only_in_cases_in_which_somebody_corrected_some() -> None:
    assert not count([outcome(("closed", CLOSED))]).minutes
    counts = count([outcome(("closed", {**CLOSED, "took": {"e6": 18.0}}))])
    kind, site = "tank_and_sump", site_key("North Yard")
    assert counts.minutes[kind, "", "test", "look"] == Tally.of(2.0), "18 min as 9 min were split"
    assert (kind, site, "walk", "") not in counts.minutes, "no place, no walk"
    assert counts.minutes[kind, site, "act", "isolate"] == Tally.of(2.0)
    assert counts.minutes[kind, "", "repair", "relay.welded"] == Tally.of(30.0)
    twice = counts.minutes[kind, "", "test", "tap"]
    assert twice.n == 2
    assert math.isclose(twice.total, 2 * math.log(2.0))


def test_a_way_is_counted_by_how_one_gets_there() -> None:
    told = list(WORK)
    told[5] = ("finding", {**told[5][1], "place": "roof"})
    told.insert(3, ("answered", {"question": "roof_way", "choice": "storeys"}))
    events = case(*told, ("closed", {**CLOSED, "took": {"e7": 18.0}}))
    found = outcome_of(HEADER, events)
    assert found is not None
    key = ("tank_and_sump", site_key("North Yard"), "walk", "roof:storeys")
    assert count([found]).minutes[key] == Tally.of(16.0)


def test_only_first_answers_before_any_repair_are_counted() -> None:
    counts = count([outcome(("closed", CLOSED))])
    answers = {key[3:]: n for key, n in counts.findings.items()}
    assert answers == {("tap", "runs", False, False): 1, ("look", "rust", False, True): 1}
    assert {key[2] for key in counts.findings} == {"relay.welded"}
    other = {**CLOSED, "unit": "motor", "failure_mode": "open"}
    assert not count([outcome(("closed", other))]).findings, "something else was repaired too"


def test_counts_add_up_and_can_be_taken_away_again() -> None:
    took = {**CLOSED, "took": {"e4": 3.0}}
    words = {"found": "mice in the duct", "confirmed": "measured"}
    outcomes = [outcome(("closed", CLOSED)), outcome(("closed", took)), outcome(("closed", words))]
    one, two, three = (count([o]) for o in outcomes)
    assert one + two + three == count(outcomes)
    assert one + two + three - two == one + three
    assert one - one == Counts() == count([])
    assert {key[3] for key in (one + three).causes} == {"relay.welded", ""}
