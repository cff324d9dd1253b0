"""Rules as a senior technician writes them become records; mistakes are named by place."""

from __future__ import annotations

import re

import pytest

from diagnose.errors import DiagnoseError, Issue
from diagnose.knowledge.reading import parse_yaml
from diagnose.knowledge.rule_reading import rules_from
from diagnose.knowledge.rule_records import Fact, Pattern, Rule
from diagnose.reasoning.rules import check_rules

GOOD = """\
rules:
  - id: no_live_test_when_wet
    title: Water in the panel stops live testing
    source: test_only
    stratum: 1
    when:
      - {observed: {what: water_in_panel, answer: yes}}
      - {not: {person: {licensed: yes, card: 1.0}}}
    then:
      - {hold: {why: water_in_panel}}
      - {warned: {}}
    fires_on:
      - [{observed: {what: water_in_panel, answer: yes}}]
    silent_on:
      - [{observed: {what: water_in_panel, answer: no}}]
      - []
"""


def issues_of(text: str) -> tuple[Issue, ...]:
    with pytest.raises(DiagnoseError) as caught:
        rules_from(parse_yaml(text, "wet.yaml"), "wet.yaml")
    return caught.value.issues


def test_a_rule_is_read_as_text() -> None:
    (rule,) = rules_from(parse_yaml(GOOD, "wet.yaml"), "wet.yaml")
    wet = (("answer", "yes"), ("what", "water_in_panel"))
    assert rule == Rule(
        id="no_live_test_when_wet",
        title="Water in the panel stops live testing",
        source="test_only",
        stratum=1,
        when=(
            Pattern("observed", wet),
            Pattern("person", (("card", "1.0"), ("licensed", "yes")), negated=True),
        ),
        then=(Fact.of("hold", why="water_in_panel"), Fact.of("warned")),
        fires_on=((Fact("observed", wet),),),
        silent_on=((Fact.of("observed", what="water_in_panel", answer="no"),), ()),
        place=rule.place,
    )
    assert str(rule.place) == "wet.yaml:2:5"
    assert {type(text) for pattern in rule.when for _, text in pattern.fields} == {str}
    assert check_rules([rule]) == []


def test_plain_mappings_do_as_well() -> None:
    tree = {
        "rules": [
            {
                "id": "r",
                "title": "t",
                "source": "s",
                "stratum": "0",
                "when": [{"a": {"v": "?x"}}],
                "then": [{"b": {"v": "?x"}}],
                "fires_on": [[{"a": {"v": "1"}}]],
                "silent_on": [[]],
            }
        ]
    }
    (rule,) = rules_from(tree, "plain.yaml")
    assert str(rule.place) == "plain.yaml:1:1"
    assert check_rules([rule]) == []


@pytest.mark.parametrize(
    ("old", "new", "place", "says"),
    [
        ("rules:\n", "rulez:\n", "1:1", r"unknown key 'rulez' \(legal: rules\)"),
        ("    stratum: 1\n", "", "2:5", "'stratum' is missing"),
        ("stratum: 1", "stratum: one", "5:14", "'one' is not a stratum"),
        ("stratum: 1", "stratum: -1", "5:14", "'-1' is not a stratum"),
        ("    source:", "    sauce:", "4:5", "unknown key 'sauce'.*legal: id, title"),
        ("id: no_live", "id: no live", "2:9", "is not an id"),
        ("title: Water in the panel stops live testing", "title:", "3:11", "must be text"),
        ("      - {hold: {why: water_in_panel}}", "      - hold", "10:9", "write one {kind:"),
        ("{hold: {why: water_in_panel}}", "{hold: {why: a}, held: {}}", "10:9", "write one {kind:"),
        ("{hold: {why: water_in_panel}}", "{hold: wet}", "10:16", "must hold its fields"),
        ("{hold: {why: water_in_panel}}", "{not: {hold: {}}}", "10:10", "'not' is not a kind"),
        ("why: water_in_panel", "why: [wet]", "10:22", "'hold: why' must be text"),
        ("why: water_in_panel", "why: wet|damp", "10:22", "a condition, not a value"),
        ("licensed: yes", "licensed: yes|?x", "8:35", "may list literals only"),
        ("licensed: yes", "li-censed: yes", "8:25", "not a name for a field"),
        ("{not: {person", "{not: {per son", "8:16", "not a kind of fact"),
        ("answer: no", "answer: '*'", "15:52", "a condition, not a value"),
        ("      - []", "      - {}", "16:9", "an example in 'silent_on' is a list"),
        ("    silent_on:", "    silent_on: []\n    silent:", "15:5", "unknown key 'silent'"),
    ],
)
def test_a_mistake_is_named_by_its_place(old: str, new: str, place: str, says: str) -> None:
    assert GOOD.count(old) >= 1
    issues = issues_of(GOOD.replace(old, new, 1))
    matching = [issue for issue in issues if re.search(says, str(issue))]
    assert [str(issue.place) for issue in matching] == [f"wet.yaml:{place}"], issues


def test_all_mistakes_come_at_once() -> None:
    text = GOOD.replace("stratum: 1", "stratum: x").replace("why: water_in_panel", "why: '?'")
    text = text.replace("title:", "titel:")
    assert len(issues_of(text)) == 4  # unknown key, missing key, stratum, variable


def test_booleans_from_a_plain_yaml_reader_are_refused() -> None:
    with pytest.raises(DiagnoseError, match=r"rules.yaml:1:1: .*'a: v' must be text"):
        rules_from({"rules": [{"when": [{"a": {"v": True}}]}]}, "rules.yaml")


@pytest.mark.parametrize(
    "tree", [None, [], "rules", {"rules": {}}, {"rules": []}, {"rules": ["x"]}]
)
def test_other_trees_are_refused(tree: object) -> None:
    with pytest.raises(DiagnoseError, match=r"^rules\.yaml:1:1: "):
        rules_from(tree, "rules.yaml")
