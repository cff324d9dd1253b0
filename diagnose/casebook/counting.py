"""Counts of confirmed cases: all that learning needs, and small however many cases there are.

Counts add up: those of a store are the sum over its cases, and one more case adds its own. A
PostgreSQL store counts in SQL and must give the same.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from diagnose.casebook.outcomes import Outcome, Variants


@dataclass(frozen=True)
class Tally:
    """How often, the sum and the sum of squares of natural logarithms of minutes."""

    n: int = 0
    total: float = 0.0
    squares: float = 0.0

    @staticmethod
    def of(minutes: float) -> Tally:
        """One measurement, in minutes above 0."""
        log = math.log(minutes)
        return Tally(1, log, log * log)

    def plus(self, other: Tally, sign: int = 1) -> Tally:
        """The sum, or with ``sign=-1`` the difference."""
        n = self.n + sign * other.n
        if n == 0:
            return Tally()
        total = self.total + sign * other.total
        return Tally(n, total, max(self.squares + sign * other.squares, 0.0))


Causes = Mapping[tuple[str, Variants, tuple[str, ...], str], int]
Findings = Mapping[tuple[str, Variants, str, str, str, bool, bool], int]


@dataclass(frozen=True)
class Counts:
    """Confirmed cases, counted.

    Attributes
    ----------
    cases : int
    causes : (installation, variants, complaints, cause) -> cases
        The cause is ``unit.mode``, or "" where it is not in the knowledge base.
    sites : (installation, site, cause) -> cases
        Where a site was named and the cause is in the knowledge base.
    history : (installation, question, choice) -> cases
        What was answered before the first test (safety questions too; nobody needs them).
    findings : (installation, variants, cause, test, outcome, by phone, sure) -> cases
        The first answer to each test, by telephone and on site apart, before any repair, of
        cases with one fault that is there all the time (`Outcome.one_fault`).
    minutes : (installation, site, kind of work, name) -> Tally
        kind ``test``: name is the test; ``repair``: ``unit.mode``; both with site "".
        ``walk``: name is the place, or ``place:choice`` where the way there was asked for
        (`way_of`); ``act``: name is the act; both with the site's key.
    """

    cases: int = 0
    causes: Causes = field(default_factory=dict)
    sites: Mapping[tuple[str, str, str], int] = field(default_factory=dict)
    history: Mapping[tuple[str, str, str], int] = field(default_factory=dict)
    findings: Findings = field(default_factory=dict)
    minutes: Mapping[tuple[str, str, str, str], Tally] = field(default_factory=dict)

    def __add__(self, other: Counts) -> Counts:
        return _joined(self, other, 1)

    def __sub__(self, other: Counts) -> Counts:
        return _joined(self, other, -1)


class Counter:
    """Counts in the making: adds outcome after outcome in place."""

    def __init__(self) -> None:
        self.cases = 0
        self.tables: dict[str, dict[Any, int]] = {
            name: {} for name in ("causes", "sites", "history", "findings")
        }
        self.minutes: dict[tuple[str, str, str, str], Tally] = {}

    def add(self, outcome: Outcome) -> None:
        """Count one outcome; one that is not confirmed adds nothing."""
        if not outcome.confirmed:
            return
        self.cases += 1
        kind, variants, cause = outcome.installation, outcome.variants, outcome.cause
        self._one("causes", (kind, variants, outcome.complaints, cause))
        if outcome.site and cause:
            self._one("sites", (kind, outcome.site, cause))
        for question, choice in outcome.answers.items():
            self._one("history", (kind, question, choice))
        if outcome.one_fault:
            for answer in _first_answers(outcome):
                self._one("findings", (kind, variants, cause, *answer))
        for work, minutes in _measured(outcome):
            key = (kind, *work)
            self.minutes[key] = self.minutes.get(key, Tally()).plus(Tally.of(minutes))

    def _one(self, table: str, key: object) -> None:
        counted = self.tables[table]
        counted[key] = counted.get(key, 0) + 1

    def counts(self) -> Counts:
        """What was counted so far."""
        tables = {name: dict(table) for name, table in self.tables.items()}
        return Counts(cases=self.cases, minutes=dict(self.minutes), **tables)


def count(outcomes: Iterable[Outcome]) -> Counts:
    """The counts of some outcomes; those that are not confirmed are left out."""
    counter = Counter()
    for outcome in outcomes:
        counter.add(outcome)
    return counter.counts()


def way_of(outcome: Outcome, place: str) -> str:
    """A place with what was answered to the question ``<place>_way``, if it was asked."""
    choice = outcome.answers.get(f"{place}_way", "")
    return f"{place}:{choice}" if choice else place


def _first_answers(outcome: Outcome) -> Iterator[tuple[str, str, bool, bool]]:
    asked: set[tuple[str, bool]] = set()
    for seen in outcome.findings:
        if seen.after_repairs or (seen.test, seen.by_phone) in asked:
            continue
        asked.add((seen.test, seen.by_phone))
        yield seen.test, seen.outcome, seen.by_phone, seen.sure


def _measured(outcome: Outcome) -> Iterator[tuple[tuple[str, str, str], float]]:
    """Site, kind of work and name with minutes above 0; what was asked by telephone is no work."""
    for seen in outcome.findings:
        if seen.by_phone:
            continue
        if seen.own is not None and seen.own > 0:
            yield ("", "test", seen.test), seen.own
        if seen.walk is not None and seen.walk > 0 and seen.place:
            yield (outcome.site, "walk", way_of(outcome, seen.place)), seen.walk
    for act in outcome.acts:
        if act.minutes is not None and act.minutes > 0:
            yield (outcome.site, "act", act.name), act.minutes
    for repair in outcome.repairs:
        if repair.minutes is not None and repair.minutes > 0:
            yield ("", "repair", repair.name), repair.minutes


def _joined(a: Counts, b: Counts, sign: int) -> Counts:
    def numbers(x: Mapping[Any, int], y: Mapping[Any, int]) -> dict[Any, int]:
        found = dict(x)
        for key, n in y.items():
            found[key] = found.get(key, 0) + sign * n
            if found[key] == 0:
                del found[key]
        return found

    def tallies(x: Mapping[Any, Tally], y: Mapping[Any, Tally]) -> dict[Any, Tally]:
        found = dict(x)
        for key, tally in y.items():
            found[key] = found.get(key, Tally()).plus(tally, sign)
            if found[key].n == 0:
                del found[key]
        return found

    return Counts(
        cases=a.cases + sign * b.cases,
        causes=numbers(a.causes, b.causes),
        sites=numbers(a.sites, b.sites),
        history=numbers(a.history, b.history),
        findings=numbers(a.findings, b.findings),
        minutes=tallies(a.minutes, b.minutes),
    )
