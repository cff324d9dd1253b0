"""The rule engine: against CLIPS and networkx, its order, its proofs, its failures."""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
from collections import Counter

import networkx as nx
import pytest

from diagnose.knowledge.rule_records import Fact, Pattern, Rule
from diagnose.reasoning import experta_adapter
from diagnose.reasoning.rules import RuleEngine, RulesFailed
from tests.made_rules import (
    ROOT,
    VOCABULARY,
    blocked_rules,
    has,
    lacks,
    random_facts,
    random_rules,
    rule,
)
from tests.oracles.clips_rules import ClipsRules

# --- against independent engines --------------------------------------------------------------


def test_conclusions_and_firings_equal_those_of_clips() -> None:
    """1,000 random fact sets over 50 random stratified rule sets."""
    rng = random.Random(7)
    seen: Counter[str] = Counter()
    for _ in range(50):
        rules = random_rules(rng, rng.randint(5, 15))
        by_id = {r.id: r for r in rules}
        engine, oracle = RuleEngine(rules), ClipsRules(rules, VOCABULARY)
        for _ in range(20):
            facts = random_facts(rng)
            ours = engine.infer(facts)
            theirs, fired = oracle.conclusions(facts)
            assert ours.facts == theirs
            assert Counter((f.rule, f.matched) for f in ours.firings) == fired
            seen["sets"] += 1
            for firing in ours.firings:
                seen["joins"] += len(firing.matched) > 1
                seen["negations"] += bool(by_id[firing.rule].negative)
                seen["chained"] += not set(firing.matched) <= ours.given
                seen["alternatives"] += any(
                    "|" in text for p in by_id[firing.rule].when for _, text in p.fields
                )
    assert seen["sets"] == 1000
    # the comparison is worth nothing unless the rules do much of each
    assert all(seen[what] > 500 for what in ("joins", "negations", "chained", "alternatives")), seen


def test_reachability_equals_networkx() -> None:
    """Recursion below a negation: nodes that no path reaches, by networkx.descendants.

    The textbook example of stratified negation (Ullman, Principles of Database and
    Knowledge-Base Systems, vol. I, 1988, ch. 3; from memory).
    """
    rules = (
        rule("start", [has("start", node="?n")], [Fact.of("reached", node="?n")]),
        rule(
            "step",
            [has("reached", node="?a"), has("edge", tail="?a", head="?b")],
            [Fact.of("reached", node="?b")],
        ),
        rule(
            "cut_off",
            [has("node", name="?n"), lacks("reached", node="?n")],
            [Fact.of("cut_off", node="?n")],
            stratum=2,
        ),
    )
    engine = RuleEngine(rules)
    for seed in range(20):
        graph = nx.gnp_random_graph(14, 0.1, seed=seed, directed=True)
        facts = [Fact.of("start", node="0")]
        facts += [Fact.of("node", name=str(n)) for n in graph]
        facts += [Fact.of("edge", tail=str(a), head=str(b)) for a, b in graph.edges]
        inference = engine.infer(facts)
        reached = {0} | nx.descendants(graph, 0)
        assert {f.get("node") for f in inference.concluded("reached")} == {*map(str, reached)}
        cut_off = {f.get("node") for f in inference.concluded("cut_off")}
        assert cut_off == {*map(str, set(graph) - reached)}


# --- order ------------------------------------------------------------------------------------


def test_same_firing_order_in_five_processes_with_different_hash_seeds() -> None:
    outputs = set()
    for seed in ("0", "1", "2", "77", "4294967295"):
        done = subprocess.run(
            [sys.executable, "-m", "tests.made_rules"],
            cwd=ROOT,
            env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True,
            text=True,
            check=True,
        )
        outputs.add(done.stdout)
    assert len(outputs) == 1
    assert sum(len(order) for order in json.loads(outputs.pop())) > 300


def test_order_is_stratum_then_newest_facts_then_rule_id() -> None:
    rules = (
        rule("z_late", [has("a", n="*")], [Fact.of("late")], stratum=2),
        rule("b_follow", [has("c", n="*")], [Fact.of("d")]),
        rule("c_second", [has("a", n="2")], [Fact.of("c", n="1"), Fact.of("c", n="2")]),
        rule("a_first", [has("a", n="1|2")], [Fact.of("b", n="1")]),
    )
    inference = RuleEngine(rules).infer([Fact.of("a", n="1"), Fact.of("a", n="2")])
    assert [(f.rule, [m.get("n") for m in f.matched]) for f in inference.firings] == [
        ("a_first", ["2"]),
        ("c_second", ["2"]),
        ("b_follow", ["2"]),
        ("b_follow", ["1"]),
        ("a_first", ["1"]),
        ("z_late", ["2"]),
        ("z_late", ["1"]),
    ]


def test_order_of_rules_does_not_matter() -> None:
    rng = random.Random(3)
    rules = random_rules(rng, 15)
    cases = [random_facts(rng) for _ in range(10)]
    forward, backward = RuleEngine(rules), RuleEngine(rules[::-1])
    assert [forward.infer(f) for f in cases] == [backward.infer(f) for f in cases]


# --- proofs -----------------------------------------------------------------------------------


def proof_rules() -> tuple[Rule, ...]:
    return (
        rule("wet", [has("observed", what="water")], [Fact.of("hazard", what="water")]),
        rule("dry", [has("observed", what="dust")], [Fact.of("hazard", what="dust")]),
        rule("stop", [has("hazard", what="?h")], [Fact.of("hold", why="{h} seen")]),
        rule("back", [has("hold", why="water seen")], [Fact.of("hazard", what="water")]),
        rule(
            "pass_on",
            [has("person", licensed="no"), has("hold", why="water seen")],
            [Fact.of("hand_over", to="electrician")],
        ),
    )


def test_proof_holds_what_led_to_a_fact_and_no_more() -> None:
    water, dust = Fact.of("observed", what="water"), Fact.of("observed", what="dust")
    person = Fact.of("person", licensed="no")
    inference = RuleEngine(proof_rules()).infer([water, dust, person])
    goal = Fact.of("hand_over", to="electrician")
    proof = inference.proof(goal)
    assert [f.rule for f in proof] == ["wet", "stop", "pass_on"]
    assert proof[-1].matched == (person, Fact.of("hold", why="water seen"))
    assert proof[0].matched == (water,)
    # 'back' concluded the hazard again, on the strength of itself: not in any proof
    assert "back" in {f.rule for f in inference.firings}
    assert [f.rule for f in inference.proof(Fact.of("hazard", what="water"))] == ["wet"]
    assert inference.proof(water) == ()
    assert inference.proof(Fact.of("hold", why="fire seen")) == ()
    assert inference.facts >= {water, dust, person, goal}


def test_every_proof_stands_on_given_facts_and_earlier_firings() -> None:
    rng = random.Random(11)
    proofs = 0
    for _ in range(10):
        engine = RuleEngine(random_rules(rng, 15))
        for _ in range(10):
            inference = engine.infer(random_facts(rng))
            for fact in inference.facts - inference.given:
                proof = inference.proof(fact)
                known = set(inference.given)
                for firing in proof:
                    assert known.issuperset(firing.matched)
                    known.update(firing.concluded)
                assert fact in known
                proofs += 1
    assert proofs > 200


def test_a_given_fact_needs_no_proof() -> None:
    engine = RuleEngine(proof_rules())
    hazard = Fact.of("hazard", what="water")
    inference = engine.infer([Fact.of("observed", what="water"), hazard])
    assert inference.proof(hazard) == ()
    assert inference.concluded("hazard") == (hazard,)


# --- failing closed ---------------------------------------------------------------------------


def test_a_failure_inside_a_rule_gives_no_answer_and_the_next_turn_is_right(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rules, facts = blocked_rules()
    engine = RuleEngine(rules)
    before = engine.infer(facts)
    calls = []

    def broken(text: str, values: object) -> str:
        calls.append(text)
        if len(calls) == 20:
            raise ZeroDivisionError("made to fail")
        return text

    with monkeypatch.context() as patch:
        patch.setattr(experta_adapter, "filled", broken)
        with pytest.raises(RulesFailed, match="made to fail"):
            engine.infer(facts)
    assert len(calls) == 20
    assert engine.infer(facts) == before
    assert len(engine.infer(facts[:10]).concluded("hold")) == 9


def test_a_failure_while_matching_leaves_nothing_behind(monkeypatch: pytest.MonkeyPatch) -> None:
    rules, facts = blocked_rules()
    before = RuleEngine(rules).infer(facts[:1])
    activate = experta_adapter._Fan.activate
    calls = []

    def broken(self: experta_adapter._Fan, token: object) -> None:
        calls.append(token)
        if len(calls) == 60:
            raise ZeroDivisionError("made to fail")
        activate(self, token)

    with monkeypatch.context() as patch:
        patch.setattr(experta_adapter._Fan, "activate", broken)
        engine = RuleEngine(rules)  # a network keeps the methods it was built with
        with pytest.raises(RulesFailed, match="made to fail"):
            engine.infer(facts)
    assert engine.infer(facts[:1]) == before


def test_an_interrupt_does_not_leave_half_an_inference_behind(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rules, facts = blocked_rules()
    engine = RuleEngine(rules)
    before = engine.infer(facts)

    def interrupted(text: str, values: object) -> str:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(experta_adapter, "filled", interrupted)
        with pytest.raises(KeyboardInterrupt):
            engine.infer(facts)
    assert engine.infer(facts) == before


def test_rules_that_do_not_come_to_rest_are_stopped(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("diagnose.reasoning.rules.MAX_FIRINGS", 3)
    engine = RuleEngine([rule("r", [has("a", n="*")], [Fact.of("b")])])
    assert len(engine.infer([Fact.of("a", n=str(n)) for n in range(3)]).firings) == 3
    with pytest.raises(RulesFailed, match="more than 3 firings, the last of 'r'"):
        engine.infer([Fact.of("a", n=str(n)) for n in range(4)])


@pytest.mark.parametrize("bad", [None, "text", ("a", ()), 3])
def test_what_is_no_fact_is_refused(bad: object) -> None:
    engine = RuleEngine([rule("r", [has("a", n="1")], [Fact.of("b")])])
    with pytest.raises(RulesFailed, match="not a fact"):
        engine.infer([Fact.of("a", n="1"), bad])  # type: ignore[list-item]
    assert engine.infer([Fact.of("a", n="1")]).concluded("b") == (Fact.of("b"),)


def test_facts_are_text_only_and_sorted() -> None:
    with pytest.raises(TypeError, match="must be text"):
        Fact.of("a", v=1)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="sorted"):
        Fact("a", (("v", "1"), ("u", "2")))
    with pytest.raises(ValueError, match="once"):
        Pattern("a", (("v", "1"), ("v", "2")))
    assert Fact.of("a", v="1", u="2") == Fact("a", (("u", "2"), ("v", "1")))
    assert Fact.of("a", v="1").get("v") == "1"
    assert Fact.of("a", v="1").get("w", "?") == "?"
