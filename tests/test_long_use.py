"""Long use, in a small form: what earlier work leaves behind, and what other cases cost.

In full: ``python -m tests.campaigns.long_use`` and ``python -m tests.campaigns.many_cases``.
"""

from __future__ import annotations

import gc
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from diagnose.casebook.files import FileStore
from diagnose.casebook.index import RECENT
from diagnose.casebook.store import CaseHeader
from diagnose.interview import remaining
from diagnose.interview.events import Event, new_event
from diagnose.interview.session import Session
from diagnose.interview.state import replay
from diagnose.knowledge.rule_records import Fact
from diagnose.reasoning.rules import RuleEngine
from tests.campaigns import many_cases
from tests.campaigns.long_use import interviews, series
from tests.made_rules import has, lacks, rule
from tests.people import clear_modes, standard_session

OURS = ("tests.campaigns.long_use.Sample", "collections.Counter")


def left(work: Callable[[int], object], count: int = 12) -> dict[str, int]:
    """Objects by type that the second half of the rounds has left alive."""
    _, half, end = series(work, count, count // 2)
    return {
        kind: number - half.objects[kind]
        for kind, number in end.objects.items()
        if number > half.objects[kind] and kind not in OURS
    }


def test_a_new_rule_engine_leaves_nothing_behind() -> None:
    then = [Fact("low", ())]
    rules = [
        rule("without", [lacks("given", f="1")], then),
        rule("with", [has("given", f="no"), lacks("seen", g="1")], then),
    ]
    assert left(lambda _: RuleEngine(rules).infer([])) == {}


def test_a_case_that_was_filed_leaves_nothing_behind(tmp_path: Path) -> None:
    store = FileStore(tmp_path)

    def file(number: int) -> None:
        opened = new_event("opened", site=f"Site {number}")
        case = CaseHeader("", "", f"Site {number}", "none", {}, opened.at, "0")
        case = store.create(case, [opened])
        with store.hold(case.id):
            for k in range(3):
                store.append(case.id, new_event("finding", test=f"t{k}", minutes=1.0))

    assert left(file) == {}
    held = [one for one in gc.get_referents(*vars(store).values()) if isinstance(one, bytes)]
    assert len(held) == 1  # the text of the case written last


def test_repairs_of_earlier_callouts_are_let_go_of(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(remaining, "KEPT", 2)
    monkeypatch.setattr(remaining, "SUSPECTS", 3)
    first = standard_session()

    def fresh() -> Session:
        return Session(first.knowledge, first.installation, first.matrix, rules=first.rules)

    def in_vain(mode: str) -> list[Event]:
        unit, _, name = mode.partition(".")
        return [
            new_event("finding", test="board_lights", outcome="dark", minutes=1.0),
            new_event("repaired", unit=unit, failure_mode=name, minutes=15.0),
            new_event("verified", check="gone", result="fail"),
        ]

    long, modes = fresh(), clear_modes(first, 5)
    assert len(modes) >= 5
    for mode in [*modes, modes[0]]:
        state = replay(in_vain(mode), long.places)
        told = long.belief(state).p
        assert len(long._remaining._pairs) <= 2
        assert len(long._remaining.beside) <= 2
    assert np.array_equal(told, fresh().belief(state).p)


def test_interviews_on_one_session_leave_no_locks(tmp_path: Path) -> None:
    samples = list(interviews(standard_session(), tmp_path, 4, 2))
    assert len(list(tmp_path.glob("*.yaml"))) == 4
    assert [s.done for s in samples] == [0, 2, 4]
    for kind, number in samples[-1].objects.items():
        if kind.startswith("filelock.") and kind.endswith("FileLock"):
            assert number == samples[0].objects[kind]


def test_an_answer_opens_no_other_case_and_a_list_only_the_index(tmp_path: Path) -> None:
    folder, cache = tmp_path / "cases", tmp_path / "cache"
    left_open = many_cases.fill(folder, 300)
    answer = many_cases.watched(many_cases.ANSWERING, folder, "5", cache=cache)
    assert (answer.others, answer.listed) == (0, 0)
    time.sleep(RECENT / 1e9)  # what changed just now is read again, whatever the index says
    words = many_cases.commands(left_open)["cases"]
    many_cases.watched(many_cases.COMMAND, folder, *words, cache=cache)
    listed = many_cases.watched(many_cases.COMMAND, folder, *words, cache=cache)
    assert (listed.others, listed.listed) == (0, 1)
