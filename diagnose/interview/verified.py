"""Repairs that nothing would prove: failure modes that no check of the verification can show."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from diagnose.errors import Issue
from diagnose.interview.verifying import checks_for
from diagnose.knowledge.checks_base import error
from diagnose.knowledge.names import spec_of
from diagnose.knowledge.records import KnowledgeBase
from diagnose.knowledge.rule_records import Fact
from diagnose.plant.compose import Installation
from diagnose.plant.matrix import DependencyMatrix
from diagnose.reasoning.rules import RuleEngine
from diagnose.reasoning.separation import SHOWN


def verification_issues(
    kb: KnowledgeBase, tried: Iterable[tuple[Installation, DependencyMatrix]]
) -> Iterator[Issue]:
    """A failure mode whose repair no check would prove, on none of the installations tried.

    A repair is proved by the complaint that is gone, where the failure mode shows under one, by a
    check of the installation that would fail while it is there, or by one that a rule asks for
    after this very repair.
    """
    rules: RuleEngine | None = None
    proved: dict[tuple[str, str], bool] = {}
    for installation, matrix in tried:
        for row, fitted in installation.modes.items():
            key = (installation.part_of(fitted.unit).id, fitted.mode.id)
            if proved.get(key):
                continue
            proved[key] = _shown_by_a_check(kb, installation, matrix, row)
            if not proved[key]:
                rules = rules or RuleEngine(list(kb.rules.values()))
                proved[key] = _asked_by_a_rule(rules, installation, row)
    for (part, mode), found in proved.items():
        if not found:
            message = (
                f"failure mode '{part}.{mode}': no check after its repair would show that it is "
                "still there: let a rule conclude 'verify' from 'repaired'"
            )
            yield error("unverified", message, kb.parts[part].failure_modes[mode])


def _shown_by_a_check(
    kb: KnowledgeBase, installation: Installation, matrix: DependencyMatrix, row: str
) -> bool:
    r = matrix.rows.index(row)
    if any(p[r] >= SHOWN for p in matrix.complaints.values()):
        return True
    for check in checks_for(installation):
        for test, right in check.like.items():
            if test in matrix.tests:
                outcomes = kb.tests[spec_of(test)].outcomes
                good = [k for k, outcome in enumerate(outcomes) if outcome.id in right]
                if 1 - matrix.of(row, test)[good].sum() >= SHOWN:
                    return True
    return False


def _asked_by_a_rule(rules: RuleEngine, installation: Installation, row: str) -> bool:
    unit, _, mode = row.partition(".")
    facts = [Fact.of("variant", name=n, choice=c) for n, c in installation.choices.items()]
    return bool(
        rules.infer([*facts, Fact.of("repaired", unit=unit, mode=mode)]).concluded("verify")
    )
