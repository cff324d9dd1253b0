"""The same seed on any machine: against digests kept in the repository, made on another one."""

from __future__ import annotations

import json

from tests import same_everywhere


def test_a_seed_gives_what_it_gave_on_the_machine_where_this_was_kept() -> None:
    kept = json.loads(same_everywhere.KEPT.read_text(encoding="utf-8"))
    assert same_everywhere.differences(same_everywhere.digests(), kept) == ""


def test_what_differs_is_named_and_whether_the_knowledge_does_too() -> None:
    kept = {"knowledge": "k", "callouts": "a", "exam": "b"}
    told = same_everywhere.differences({**kept, "exam": "c"}, kept)
    assert "exam; the knowledge is what they were kept with" in told
    assert "callouts" not in told
    assert "--write" in told
    assert "has changed since" in same_everywhere.differences(
        {**kept, "knowledge": "l", "callouts": "c"}, kept
    )
    assert same_everywhere.differences({**kept, "knowledge": "l"}, kept) == ""
    assert "exam" in same_everywhere.differences({"knowledge": "k", "callouts": "a"}, kept)
