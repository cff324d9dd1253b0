"""Mutants of the safety rules and of the guard: each must be told from the original by a check.

``python -m tests.campaigns.mutants`` makes every mutant; ``--quick`` every tenth.
A rule is dropped, loses one condition, has one condition negated, or loses one conclusion. In the
guard a comparison is flipped, an ``and`` becomes an ``or`` and back, a condition is negated, a
``return`` is dropped, an element of a table is dropped. Killed means, in this order: a *promise*
(`tests.deeds`: every deed in every state) no longer agrees, an *example* of a rule misbehaves, or
the rule is missing from the *inventory*.
"""

from __future__ import annotations

import argparse
import ast
import copy
import inspect
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from types import ModuleType

from diagnose.knowledge.load import find_knowledge, load_knowledge
from diagnose.knowledge.rule_records import Rule
from diagnose.reasoning import guard
from diagnose.reasoning.rules import rule_issues
from tests.deeds import SAFETY_FILES, by_guard, by_rules, differences
from tests.promises import CLEARING, OFF_AGAIN, PASSING

ADVICE = (
    "second_source",
    "second_source_unqualified",
    "unknown_means_live",
    "isolated_is_not_dead",
    "tripped_dead_tests_first",
    "humming_motor_off",
    "humming_looked_at_first",
    "dry_run_looked_at_first",
    "dark_legs_looked_at_first",
    "stiff_shaft_not_energised",
    "dry_pump_not_run",
    "alone_no_ladder_no_sump",
    "wet_panel_not_licensed",
    "hazard_to_be_cleared",
    "not_run_for_a_feel",
)
"""Rules that say what no deed of `tests.deeds` hangs on; they must be there all the same."""

SAID_TWICE = {
    "the text beside it: what is forbidden is told from the same rule's other conclusion": {
        "no_safe_way_up: without conclusion 1",
        "no_second_reset: without conclusion 1",
        "burning_earlier: without conclusion 3",
        "damaged_insulation: without conclusion 3",
        "second_source: without conclusion 0",
        "second_source: without conclusion 1",
    },
    "no permit is given while a hold stands; it says why a check is left open": {
        "hold_stops_work: without conclusion 0",
        "hold_stops_work: without conclusion 1",
        "hold_stops_work: without conclusion 2",
        "wet_panel: without conclusion 1",
        "wet_panel: without conclusion 2",
        "burning_now: without conclusion 1",
        "burning_now: without conclusion 2",
    },
    "the permits name who and with what; it takes the tests out of the search beforehand": {
        "unqualified_stays_outside: dropped",
        "unqualified_stays_outside: without conclusion 0",
        "unqualified_stays_outside: without conclusion 1",
        "meter_below_cat_iii: dropped",
    },
    "a second bar: a hold forbids each exposure, and the person and the meter are forbidden too": {
        "may_operate: without condition 1",
        "may_operate: without condition 2",
        "may_work_dead: without condition 2",
        "may_measure_live: without condition 1",
        "may_measure_live: without condition 2",
        "may_measure_live: without condition 3",
    },
}
"""Mutants that change nothing that may be done, by the reason why the rules still say it."""
REDUNDANT = frozenset(f"rule {name}" for names in SAID_TWICE.values() for name in names)
NAMES = {
    "not_run_for_a_feel": {"relay_coil_warmth", "dc_supply_touch"},
    "stiff_shaft_not_energised": {"motor_by_hand_call", "pump_noise"},
    "dry_pump_not_run": {
        "shut_off_pressure",
        "running_pressure",
        "suction_vacuum",
        "pressure_behind_check",
        "sump_while_pumping",
        "flow_after_standing",
    },
    "humming_looked_at_first": {"thermal_position", "premises_phases"},
    "dry_run_looked_at_first": {"gate_position", "look_into_sump"},
    "dark_legs_looked_at_first": {"breaker_position", "rcd_position"},
    "alone_no_ladder_no_sump": {"flow_without_strainer", "look_at_strainer", "suction_pipe_clear"},
    "shock_felt_licensed": {
        *("premises_power", "tingle_elsewhere", "main_earth_look", "main_earth_continuity"),
        *("cable_look", "motor_box_look", "frame_earth", "feeder_core_earth", "insulation_legs"),
        *("insulation_from_panel", "insulation_three", "box_insulation", "turn_insulation"),
        *("set_lead_insulation", "mains_float_earth"),
    },
}
"""Tests that a finding, or being alone, takes away, or that a shock or a hum brings first (common
practice)."""
SAYS = {
    "shock_felt": {"hand_over"},
    "shock_felt_licensed": {"dead_only"},
    "shock_and_unsteady_lights": {"hand_over", "advise"},
    "alone_no_ladder_no_sump": {"advise"},
    "dry_pump_not_run": {"advise"},
}
"""What a rule says to the person beside what it forbids."""


def safety_rules() -> list[Rule]:
    """The rules of the safety files, as shipped."""
    rules = load_knowledge(find_knowledge()).rules.values()
    return [r for r in rules if r.place is not None and Path(r.place.file).name in SAFETY_FILES]


def rule_mutants(rules: Sequence[Rule]) -> Iterator[tuple[str, list[Rule]]]:
    """Name and rules of each mutant."""
    for k, rule in enumerate(rules):
        rest = [*rules[:k], *rules[k + 1 :]]
        yield f"{rule.id}: dropped", rest
        for i, condition in enumerate(rule.when):
            others = (*rule.when[:i], *rule.when[i + 1 :])
            if any(not c.negated for c in others):
                yield f"{rule.id}: without condition {i}", [*rest, replace(rule, when=others)]
            turned = replace(condition, negated=not condition.negated)
            when = (*rule.when[:i], turned, *rule.when[i + 1 :])
            yield f"{rule.id}: condition {i} negated", [*rest, replace(rule, when=when)]
        for i in range(len(rule.then)):
            then = (*rule.then[:i], *rule.then[i + 1 :])
            if then:
                yield f"{rule.id}: without conclusion {i}", [*rest, replace(rule, then=then)]


def kills_rules(rules: list[Rule]) -> str:
    """What tells these rules from safe ones; "" where nothing does."""
    try:
        if next(differences(by_rules(rules)), None):
            return "promise"
    except Exception:  # unsound: refused at load
        return "refused"
    if rule_issues(rules):
        return "example"
    said = {r.id: r for r in rules}
    for name, tests in NAMES.items():
        if name in said and tests - {f.get("test") for f in said[name].then}:
            return "inventory"
    clearing = said.get("hazard_to_be_cleared")
    asked = {f.get("what") for f in clearing.then} if clearing is not None else set()
    if clearing is not None and asked != {c.removeprefix("rule_") for c in CLEARING}:
        return "inventory"
    for name, kinds in SAYS.items():
        if name in said and kinds - {f.kind for f in said[name].then}:
            return "inventory"
    return "inventory" if set(ADVICE) - {r.id for r in rules} else ""


FLIPPED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
}


KINDS: dict[type[ast.AST], tuple[str, ...]] = {
    ast.Compare: ("flip",),
    ast.BoolOp: ("swap",),
    ast.If: ("negate", "drop"),
    ast.Set: ("drop",),
    ast.Dict: ("drop",),
}
"""What can be changed of a node of the guard's source."""


def guard_mutants() -> Iterator[tuple[str, str]]:
    """Name and source of each mutant of the guard."""
    tree = ast.parse(inspect.getsource(guard))
    for number, found in enumerate(ast.walk(tree)):
        for kind in KINDS.get(type(found), ()):
            mutant = copy.deepcopy(tree)
            node = next(n for k, n in enumerate(ast.walk(mutant)) if k == number)
            for part in _changed(node, kind):
                source = ast.unparse(ast.fix_missing_locations(mutant))
                yield f"line {getattr(node, 'lineno', 0)}: {kind} {part}".rstrip(), source


def _changed(node: ast.AST, kind: str) -> Iterator[str]:
    """Change a node in place, once for each way; put back what several ways share."""
    if kind == "flip" and isinstance(node, ast.Compare):
        node.ops[0] = FLIPPED[type(node.ops[0])]()
        yield ""
    elif kind == "swap" and isinstance(node, ast.BoolOp):
        node.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        yield ""
    elif kind == "negate" and isinstance(node, ast.If):
        node.test = ast.UnaryOp(ast.Not(), node.test)
        yield ""
    elif kind == "drop" and isinstance(node, ast.If):
        node.test = ast.Constant(value=False)
        yield ""
    elif kind == "drop" and isinstance(node, ast.Set):
        for element in list(node.elts):
            node.elts.remove(element)
            if node.elts:
                yield ast.unparse(element)
            node.elts.append(element)
    elif kind == "drop" and isinstance(node, ast.Dict):
        pairs = list(zip(node.keys, node.values, strict=True))
        for k, (key, _) in enumerate(pairs):
            node.keys = [a for i, (a, _) in enumerate(pairs) if i != k]
            node.values = [b for i, (_, b) in enumerate(pairs) if i != k]
            yield ast.unparse(key) if key is not None else ""


def kills_guard(source: str) -> str:
    """What tells a guard from a safe one; "" where nothing does."""
    module = ModuleType("mutant_guard")
    sys.modules["mutant_guard"] = module  # its dataclasses look their module up
    try:
        exec(compile(source, "mutant_guard", "exec"), module.__dict__)
        if next(differences(by_guard(module)), None):
            return "promise"
        return "act" if acts_wrong(module) else ""
    except (AttributeError, KeyError, NameError, TypeError, ValueError):
        return "raised"
    finally:
        del sys.modules["mutant_guard"]


def acts_wrong(module: ModuleType) -> list[str]:
    """Where acts lead elsewhere than they do in the world, or are allowed where they are none."""
    state, electrical = module.SafetyState, module.Electrical
    wrong = []
    ends = {"isolate": "isolated", "prove_dead": "proved_dead", "energise": "energised"}
    for act, end in {**ends, "found_on": "energised"}.items():
        wrong += [act for e in electrical if module.after_act(e, act).value != end]
    wrong += ["hope"] if not module.refuse_act(state(skill=module.Skill.LICENSED), "hope") else []
    for e in electrical:
        for held in ({}, {"hazard": True}, {"dead_only": True}):
            refused = bool(module.refuse_act(state(e, **held), "found_on"))
            if refused != (bool(held) or e.value != "unknown"):
                wrong.append("found_on")
    if set(OFF_AGAIN) - {"trips"} - module.TRIPS:
        wrong.append("trips")
    if {(q, c) for q, choices in PASSING.items() for c in choices} != module.PASSING:
        wrong.append("passing")
    # what the interview knows already stays, whatever is not reported
    for name in (
        "hazard",
        "dead_only",
        "stays_off",
        "no_live",
        "people_first",
        "tripped_again",
        "untested",
        "parted",
        "charged",
    ):
        if not getattr(module.with_reports(state(**{name: True}), {}), name):
            wrong.append(name)
    unseen = module.with_reports(state(closed=frozenset({"roof"})), {}).closed
    return wrong if unseen else [*wrong, "closed"]


def run(every: int = 1, offset: int = 0) -> tuple[Counter[str], list[str]]:
    """Counts by what killed, and the names of the survivors."""
    counts: Counter[str] = Counter()
    survivors = []
    for name, rules in list(rule_mutants(safety_rules()))[offset::every]:
        how = kills_rules(rules)
        counts[f"rule: {how or 'survived'}"] += 1
        survivors += [] if how else [f"rule {name}"]
    for name, source in list(guard_mutants())[offset::every]:
        how = kills_guard(source)
        counts[f"guard: {how or 'survived'}"] += 1
        survivors += [] if how else [f"guard {name}"]
    return counts, survivors


def main() -> int:
    """Print the counts and the survivors; 1 where one is left."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--quick", action="store_true", help="every tenth mutant")
    counts, survivors = run(10 if parser.parse_args().quick else 1)
    for how, count in sorted(counts.items()):
        print(f"{count:5} {how}")
    print("\n".join(survivors))
    return int(bool(set(survivors) - REDUNDANT))


if __name__ == "__main__":
    sys.exit(main())
