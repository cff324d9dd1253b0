"""What went wrong with experta 1.9.4 when it was tried, each trap as a test."""

from __future__ import annotations

import collections
import logging
import re
import subprocess
import sys

import pytest

from diagnose.knowledge.rule_records import Fact
from diagnose.reasoning import experta_adapter
from diagnose.reasoning.rules import Inference, RuleEngine
from tests.made_rules import ROOT, blocked_rules, has, lacks, rule


def test_an_activation_blocked_by_not_never_fires() -> None:
    rules, facts = blocked_rules()
    inference = RuleEngine(rules).infer(facts)
    assert len(inference.concluded("hold")) == 50
    assert inference.concluded("permit") == ()
    # and one hold less gives one permission more
    inference = RuleEngine(rules).infer([f for f in facts if f.get("what") != "water_7"])
    assert inference.concluded("permit") == (Fact.of("permit", test="test_7"),)


def test_the_stock_agenda_does_fire_blocked_activations(monkeypatch: pytest.MonkeyPatch) -> None:
    """So the test above can fail; if this one does, the replacement may go."""
    stock = experta_adapter._KnowledgeEngine.__strategy__
    monkeypatch.setattr(experta_adapter._Engine, "__strategy__", stock)
    rules, facts = blocked_rules()
    assert RuleEngine(rules).infer(facts).concluded("permit") != ()


def test_nothing_is_left_from_the_inference_before() -> None:
    rules = (
        rule(
            "permit",
            [has("step", test="?t"), lacks("hold", test="?t")],
            [Fact.of("permit", test="?t")],
        ),
    )
    engine = RuleEngine(rules)
    step, hold = Fact.of("step", test="a"), Fact.of("hold", test="a")
    for _ in range(3):
        assert engine.infer([step]).concluded("permit") == (Fact.of("permit", test="a"),)
        assert engine.infer([step, hold]).concluded("permit") == ()
        assert engine.infer([]) == Inference(frozenset(), ())


def test_two_engines_do_not_share_anything() -> None:
    """experta's matcher keeps one class-wide slot for its conflict set."""
    first = RuleEngine([rule("r", [has("a", v="1")], [Fact.of("b", v="first")])])
    second = RuleEngine([rule("r", [has("a", v="1")], [Fact.of("b", v="second")])])
    given = [Fact.of("a", v="1")]
    for _ in range(2):
        assert first.infer(given).concluded("b") == (Fact.of("b", v="first"),)
        assert second.infer(given).concluded("b") == (Fact.of("b", v="second"),)


def test_texts_that_python_takes_for_equal_values_stay_apart() -> None:
    texts = ("1", "1.0", "True")
    rules = [
        rule(f"r{n}", [has("a", v=text)], [Fact.of("b", v=text)]) for n, text in enumerate(texts)
    ]
    engine = RuleEngine(rules)
    for text in texts:
        assert engine.infer([Fact.of("a", v=text)]).concluded("b") == (Fact.of("b", v=text),)
    everything = engine.infer([Fact.of("a", v=text) for text in texts])
    assert len(everything.concluded("b")) == 3


def test_rules_with_the_same_conditions_are_two_rules() -> None:
    condition = [has("a", v="1")]
    rules = [rule(name, condition, [Fact.of("b", by=name)]) for name in ("one", "two")]
    inference = RuleEngine(rules).infer([Fact.of("a", v="1")])
    assert {f.get("by") for f in inference.concluded("b")} == {"one", "two"}


def test_facts_that_differ_only_where_no_pattern_looks_both_match() -> None:
    engine = RuleEngine([rule("r", [has("a", v="1")], [Fact.of("b")])])
    facts = (Fact.of("a", v="1", place="panel"), Fact.of("a", v="1", place="roof"))
    assert {f.matched for f in engine.infer(facts).firings} == {(facts[0],), (facts[1],)}


def test_patterns_hold_what_they_say() -> None:
    """One fact, one pattern: variable twice, alternatives, presence, absence, names."""
    cases = [
        (has("a", f="?x", g="?x"), {"f": "1", "g": "1"}, True),
        (has("a", f="?x", g="?x"), {"f": "1", "g": "2"}, False),
        (has("a", f="1 | 2"), {"f": "2"}, True),
        (has("a", f="1|2"), {"f": "1|2"}, False),
        (has("a", f="*"), {"f": ""}, True),
        (has("a", f="*"), {"g": "1"}, False),
        (has("a"), {"g": "1"}, True),
        (has("a", f=""), {"f": ""}, True),
        (has("a", f=""), {"g": ""}, False),
        (has("a", a__b="1", self="2"), {"a__b": "1", "self": "2"}, True),
        (lacks("a", f="1|2"), {"f": "3"}, True),
        (lacks("a", f="1|2"), {"f": "2"}, False),
        (lacks("a", f="*"), {"g": "2"}, True),
    ]
    for pattern, fields, expected in cases:
        engine = RuleEngine([rule("r", [pattern], [Fact.of("b")])])
        fires = bool(engine.infer([Fact.of("a", **fields)]).firings)
        assert fires is expected, (str(pattern), fields)


def test_a_negated_pattern_may_stand_before_the_variable_gets_its_value() -> None:
    engine = RuleEngine(
        [rule("r", [lacks("hold", t="?t"), has("step", t="?t")], [Fact.of("ok", t="?t")])]
    )
    facts = [Fact.of("step", t="a"), Fact.of("step", t="b"), Fact.of("hold", t="a")]
    assert engine.infer(facts).concluded("ok") == (Fact.of("ok", t="b"),)


def test_importing_leaves_no_mark_on_the_process() -> None:
    code = (
        "import collections, logging, diagnose.reasoning.rules as r;"
        "from diagnose.knowledge.rule_records import *;"
        "print(hasattr(collections, 'Mapping'), logging.root.handlers,"
        " logging.getLogger('experta').level);"
        "r.RuleEngine([]).infer([Fact.of('a')])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.split("\n")[0] == f"False [] {logging.WARNING}"
    assert done.stderr == ""
    assert not hasattr(collections, "Mapping")


def test_one_module_only_imports_experta() -> None:
    importing = {
        path.name
        for path in (ROOT / "diagnose").rglob("*.py")
        if re.search(
            r"^\s*(import|from) experta\b|import_module\(.?.experta", path.read_text(), re.M
        )
    }
    assert importing == {"experta_adapter.py"}
