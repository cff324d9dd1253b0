"""Every check on the knowledge in one call, and what only the dependency matrix can show."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from diagnose.errors import Issue
from diagnose.knowledge.checks import check_knowledge, in_order
from diagnose.knowledge.checks_base import error, warning
from diagnose.knowledge.names import spec_of
from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.compose import Installation
from diagnose.plant.matrix import HEALTHY, DependencyMatrix
from diagnose.plant.wiring import wiring_issues
from diagnose.reasoning.rule_reach import unreachable_rules
from diagnose.reasoning.rules import rule_issues
from diagnose.reasoning.separation import SHOWN, undetected
from diagnose.reasoning.wordless import wordless_texts

STEADY = 0.97
"""A healthy installation, tolerances included, shows one outcome of a test with this chance."""


def check_all(kb: KnowledgeBase) -> list[Issue]:
    """Records, wiring and rules: everything that needs no dependency matrix, all at once."""
    rules = rule_issues(tuple(kb.rules.values()))
    issues = [*check_knowledge(kb), *rules, *unreachable_rules(kb)]
    wrong = [issue for issue in issues if issue.severity == "error"]
    places, said = {issue.place for issue in wrong}, tuple(issue.message for issue in wrong)
    wired = [
        issue
        for issue in wiring_issues(kb, sound=not wrong)
        if issue.place not in places and not issue.message.startswith(said)
    ]
    wordless = () if wrong else wordless_texts(kb)
    return in_order([*issues, *wired, *wordless])


def matrix_issues(
    kb: KnowledgeBase, tried: Iterable[tuple[Installation, DependencyMatrix]]
) -> list[Issue]:
    """What the dependency matrices of the installations tried show.

    An error where a complaint shows on a healthy installation, and for a failure mode that no test
    detects on any of the installations on which it is possible, unless it says so (`no_test`); a
    warning where a healthy one straddles two outcomes of a reading (a sign's background says itself
    how often it is seen), for a failure mode that shows under no complaint, and for one that says
    so in vain.
    """
    issues: list[Issue] = []
    silent: dict[tuple[str, str], bool] = {}
    hidden: dict[tuple[str, str], bool] = {}
    for installation, matrix in tried:
        healthy = matrix.rows.index(HEALTHY)
        for name, shown in matrix.complaints.items():
            if shown[healthy] > 0:
                message = f"complaint '{name}' shows on a healthy installation"
                issues.append(Issue("error", "healthy", message, kb.complaints[name].place))
        for k, test in enumerate(matrix.tests):
            spec = kb.tests[spec_of(test)]
            if spec.kind != "sign" and matrix.p[healthy, k].max() < STEADY:
                message = f"test '{test}': a healthy installation straddles its outcomes"
                issues.append(Issue("warning", "healthy", message, spec.place))
        missed = set(undetected(matrix))
        for row, mode in installation.modes.items():
            key = (installation.part_of(mode.unit).id, mode.mode.id)
            r = matrix.rows.index(row)
            mute = all(p[r] < SHOWN for p in matrix.complaints.values())
            silent[key] = silent.get(key, True) and mute
            hidden[key] = hidden.get(key, True) and row in missed
    for (part, mode_id), mute in silent.items():
        known, what = kb.parts[part].failure_modes[mode_id], f"failure mode '{part}.{mode_id}'"
        if mute:
            issues.append(warning("no-complaint", f"{what} shows under no complaint", known))
        if hidden[part, mode_id] and not known.no_test:
            message = f"{what} is told from a healthy installation by no test: say why"
            issues.append(error("undetected", message, known, legal=("no_test: a reason",)))
        if known.no_test and not hidden[part, mode_id]:
            message = f"{what} says that no test detects it, and one does"
            issues.append(warning("detected", message, known))
    return in_order(_without_repeats(issues))


def _without_repeats(issues: Iterable[Issue]) -> list[Issue]:
    """One issue for each place and code: the same on ten installations is one thing to mend."""
    first: Mapping[object, Issue] = {
        (issue.code, issue.place, issue.message): issue for issue in issues
    }
    return list(first.values())
