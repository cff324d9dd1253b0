"""Which operating points an installation's tests and complaints need, and in which order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from diagnose.knowledge.asked_records import Complaint
from diagnose.plant.compose import Installation
from diagnose.plant.phases import Condition
from diagnose.plant.procedures import InstalledTest, situation_condition


def conditions_for(
    installation: Installation, tests: Mapping[str, InstalledTest], complaints: Sequence[Complaint]
) -> tuple[list[Condition], dict[str, int]]:
    """All distinct conditions, earlier situations first, and the index of each situation."""
    conditions: list[Condition] = []
    index: dict[tuple[object, ...], int] = {}
    named: dict[str, int] = {}

    def add(condition: Condition) -> int:
        if condition.key not in index:
            index[condition.key] = len(conditions)
            conditions.append(condition)
        return index[condition.key]

    def add_situation(name: str) -> None:
        if name in named:
            return
        condition = situation_condition(installation, name)
        if condition.after:
            add_situation(condition.after)
        named[name] = add(condition)

    for complaint in complaints:
        for alternative in complaint.when:
            for name in alternative:
                add_situation(name)
    for test in tests.values():
        if test.condition is not None:
            if test.condition.after:
                add_situation(test.condition.after)
            add(test.condition)
    return conditions, named


def rounds(conditions: Sequence[Condition], named: Mapping[str, int]) -> list[list[int]]:
    """Conditions grouped so that each comes after the one that it remembers; dead ones apart."""
    depth: dict[int, int] = {}

    def of(k: int) -> int:
        if k not in depth:
            after = conditions[k].after
            depth[k] = 0 if not after else 1 + of(named[after])
        return depth[k]

    groups: dict[tuple[int, bool], list[int]] = {}
    for k, condition in enumerate(conditions):
        groups.setdefault((of(k), condition.dead), []).append(k)
    return [groups[key] for key in sorted(groups)]
