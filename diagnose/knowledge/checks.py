"""What the knowledge files say to one another: a plain list of small checks.

Each check takes the knowledge base and yields issues; adding one touches one list. What only
shows when parts are wired together is checked in `diagnose.plant.wiring`, rules and what the
dependency matrix shows in `diagnose.reasoning.checks`.
"""

from __future__ import annotations

from collections.abc import Iterable

from diagnose.errors import Issue, Place
from diagnose.knowledge import (
    checks_days,
    checks_expressions,
    checks_installations,
    checks_parts,
    checks_phone,
    checks_reports,
    checks_sources,
    checks_tests,
)
from diagnose.knowledge.checks_base import Check
from diagnose.knowledge.records import KnowledgeBase

CHECKS: tuple[Check, ...] = (
    *checks_sources.CHECKS,
    *checks_parts.CHECKS,
    *checks_installations.CHECKS,
    *checks_tests.CHECKS,
    *checks_reports.CHECKS,
    *checks_phone.CHECKS,
    *checks_days.CHECKS,
    *checks_expressions.CHECKS,
)


def check_knowledge(kb: KnowledgeBase) -> list[Issue]:
    """Everything wrong with the records, all at once: errors first, then by place."""
    return in_order(issue for check in CHECKS for issue in check(kb))


def in_order(issues: Iterable[Issue]) -> list[Issue]:
    """Issues once each, errors first, then by place."""
    nowhere = Place("", 0, 0)
    distinct = dict.fromkeys(issues)
    return sorted(distinct, key=lambda i: (i.severity, i.place or nowhere, i.code, i.message))
