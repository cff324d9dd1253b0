"""Checks on rules: each mistake is one issue, and sound rules have none."""

from __future__ import annotations

import re

import pytest

from diagnose.errors import DiagnoseError
from diagnose.knowledge.rule_records import Fact, Rule
from diagnose.reasoning.rule_checks import soundness_issues
from diagnose.reasoning.rules import RuleEngine, check_rules, rule_issues
from tests.made_rules import has, lacks, rule

A, B = Fact.of("a", v="1"), Fact.of("b", v="1")
GOOD = rule("good", [has("a", v="1")], [B], 1, [[A]], [[Fact.of("a", v="2")]])


def codes(*rules: Rule) -> list[str]:
    return [issue.code for issue in rule_issues(rules)]


def test_good_rules_have_no_issues() -> None:
    assert check_rules([GOOD]) == []
    assert check_rules([]) == []


def changed(**fields: object) -> Rule:
    return Rule(**{**vars(GOOD), **fields})


@pytest.mark.parametrize(
    ("fields", "code", "says"),
    [
        ({"when": ()}, "rule-empty", "no condition"),
        ({"then": ()}, "rule-empty", "concludes nothing"),
        ({"when": (has("a", v="1|?x"),)}, "rule-field", "literals only"),
        ({"when": (has("a", v="1|"),)}, "rule-field", "literals only"),
        ({"when": (has("a", v="?"),)}, "rule-field", "not a variable"),
        ({"then": (Fact.of("b", v="1|2"),)}, "rule-field", "not a value"),
        ({"then": (Fact.of("b", v="{ x }"),)}, "rule-field", "brace"),
        ({"fires_on": ((Fact.of("a", v="?x"),),)}, "rule-field", "must be a value"),
        ({"then": (Fact.of("b", v="?x"),)}, "rule-unbound", r"\?x"),
        ({"then": (Fact.of("b", v="the {x}"),)}, "rule-unbound", r"\?x"),
        ({"when": (has("a", v="1"), lacks("c", v="?x"))}, "rule-unbound", r"\?x"),
        ({"when": (has("a", v="1"), lacks("b", v="1|2"))}, "rule-stratum", "lower stratum"),
        ({"fires_on": ()}, "rule-example", "'fires_on' has no example"),
        ({"silent_on": ()}, "rule-example", "'silent_on' has no example"),
        ({"fires_on": ((Fact.of("a", v="2"),),)}, "rule-example", "must fire on"),
        ({"silent_on": ((A, B),)}, "rule-example", "must stay silent on"),
    ],
)
def test_one_thing_wrong_is_one_issue(fields: dict[str, object], code: str, says: str) -> None:
    issues = rule_issues([changed(**fields)])
    assert [issue.code for issue in issues] == [code]
    assert re.search(says, issues[0].message)
    assert check_rules([changed(**fields)]) == [str(issues[0])]


def test_repeated_ids() -> None:
    assert codes(GOOD, changed(then=(Fact.of("c"),))) == ["rule-repeated"]
    with pytest.raises(DiagnoseError, match="stands twice"):
        RuleEngine([GOOD, changed(then=(Fact.of("c"),))])


def test_strata_by_kind_and_literal() -> None:
    """A negated pattern is in order when other literals only are concluded late."""
    late = changed(id="late", stratum=2, then=(Fact.of("b", v="2"),))
    asks = changed(id="asks", then=(Fact.of("c"),), when=(has("a", v="1"), lacks("b", v="3|4")))
    assert codes(late, asks) == []
    asks_late = changed(id="asks", then=(Fact.of("c"),), when=(has("a", v="1"), lacks("b", v="2")))
    assert codes(late, asks_late) == ["rule-stratum"]
    built = changed(id="late", stratum=2, when=(has("a", v="?x"),), then=(Fact.of("b", v="n{x}"),))
    assert not soundness_issues([built, asks])
    clash = changed(id="asks", then=(Fact.of("c"),), when=(has("a", v="1"), lacks("b", v="n3")))
    assert [i.code for i in soundness_issues([built, clash])] == ["rule-stratum"]


def test_cycle_through_not() -> None:
    """Whatever the strata, p if not q and q if not p is refused."""
    for first in (1, 2, 3):
        for second in (1, 2, 3):
            rules = (
                rule("p", [has("a", v="1"), lacks("q")], [Fact.of("p")], first),
                rule("q", [has("a", v="1"), lacks("p")], [Fact.of("q")], second),
            )
            with pytest.raises(DiagnoseError, match="must be in a lower stratum"):
                RuleEngine(rules)


def test_endless_text() -> None:
    grows = rule("grows", [has("a", v="?x")], [Fact.of("b", v="{x}+")])
    back = rule("back", [has("b", v="?x")], [Fact.of("a", v="?x")])
    fixed = rule("fixed", [has("b", v="?x"), has("c", w="?y")], [Fact.of("a", v="?y")])
    assert not soundness_issues([grows])
    assert not soundness_issues([grows, fixed])
    assert [i.code for i in soundness_issues([grows, back])] == ["rule-endless"]
    itself = rule("itself", [has("a", v="?x")], [Fact.of("a", v="{x}+")])
    assert [i.code for i in soundness_issues([itself])] == ["rule-endless"]


def test_join_without_literal_and_lonely_variable() -> None:
    pair = [has("a", v="?x"), has("a", v="?x", w="*")]
    assert "rule-join" in codes(changed(when=tuple(pair)))
    pinned = [has("a", v="?x"), has("a", v="?x", w="1")]
    assert "rule-join" not in codes(changed(when=tuple(pinned)))
    lonely = [
        i for i in rule_issues([changed(when=(has("a", v="?x"),))]) if i.code == "rule-unused"
    ]
    assert [(i.severity, "?x" in i.message) for i in lonely] == [("warning", True)]


def test_examples_are_tried_on_all_rules_together() -> None:
    """The second rule's example fires by way of the first rule's conclusion."""
    second = changed(
        id="second",
        when=(has("b", v="1"),),
        then=(Fact.of("c"),),
        fires_on=((A,),),
        silent_on=((Fact.of("a", v="3"),),),
    )
    assert codes(GOOD, second) == []
    assert codes(second) == ["rule-example"]
