"""An independent rule engine for the same rules: CLIPS, through the PyPI package clipspy.

Written against the description of the rule records alone: it reads the field language by
itself and shares no code with `diagnose.reasoning`. Facts become template facts whose slots
hold strings; a field that is absent is the symbol `none`, which no string equals.

Source: CLIPS Reference Manual, Volume I, Basic Programming Guide, version 6.4, sections 4
(deffacts), 5.3 (declare salience), 5.4 (rule syntax: constraints, `not`), 12 (str-cat).
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Any

import clips

from diagnose.knowledge.rule_records import Fact, Pattern, Rule

Fired = tuple[str, tuple[Fact, ...]]


class ClipsRules:
    """The rules as CLIPS constructs, built once; `conclusions` resets and runs.

    Parameters
    ----------
    rules
        Any sound rules.
    vocabulary
        Facts whose kinds and fields may be given besides those the rules name.
    """

    def __init__(self, rules: Sequence[Rule], vocabulary: Iterable[Fact] = ()) -> None:
        self._slots: dict[str, set[str]] = {}
        for item in vocabulary:
            self._learn(item)
        for rule in rules:
            for pattern in rule.when:
                self._learn(pattern)
            for fact in rule.then:
                self._learn(fact)
        self._fired: list[tuple[str, tuple[Fact, ...]]] = []
        self._environment: Any = clips.Environment()
        for kind, names in sorted(self._slots.items()):
            slots = " ".join(f"(slot f_{name} (default none))" for name in sorted(names))
            self._environment.build(f"(deftemplate k_{kind} {slots})")
        self._environment.define_function(self._record, "record")
        for rule in rules:
            self._environment.build(_defrule(rule))

    def conclusions(
        self, facts: Iterable[Fact], limit: int = 100_000
    ) -> tuple[frozenset[Fact], Counter[Fired]]:
        """Return all facts at rest and how often each rule fired on which facts."""
        self._fired = []
        self._environment.reset()
        for fact in facts:
            slots = " ".join(f"(f_{name} {_quoted(text)})" for name, text in fact.fields)
            self._environment.assert_string(f"(k_{fact.kind} {slots})")
        if self._environment.run(limit) >= limit:
            raise RuntimeError("CLIPS did not come to rest")
        present = frozenset(
            _fact(fact) for fact in self._environment.facts() if fact.template.name.startswith("k_")
        )
        return present, Counter(self._fired)

    def _learn(self, item: Fact | Pattern) -> None:
        self._slots.setdefault(item.kind, set()).update(name for name, _ in item.fields)

    def _record(self, rule: str, *facts: Any) -> bool:
        self._fired.append((str(rule), tuple(_fact(fact) for fact in facts)))
        return True


def _fact(fact: Any) -> Fact:
    fields = [(slot[2:], str(v)) for slot, v in fact if not isinstance(v, clips.Symbol)]
    return Fact(fact.template.name[2:], tuple(sorted(fields)))


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _defrule(rule: Rule) -> str:
    wanted = [pattern for pattern in rule.when if not pattern.negated]
    refused = [pattern for pattern in rule.when if pattern.negated]
    lines = [f"?m{number} <- {_conditions(pattern)}" for number, pattern in enumerate(wanted)]
    lines += [f"(not {_conditions(pattern)})" for pattern in refused]
    captured = " ".join(f"?m{number}" for number in range(len(wanted)))
    actions = [f"(record {_quoted(rule.id)} {captured})"]
    for fact in rule.then:
        slots = " ".join(f"(f_{name} {_made(text)})" for name, text in fact.fields)
        actions.append(f"(assert (k_{fact.kind} {slots}))")
    return (
        f"(defrule r_{rule.id} (declare (salience {-10 * rule.stratum}))\n  "
        + "\n  ".join(lines)
        + "\n  =>\n  "
        + "\n  ".join(actions)
        + ")"
    )


def _conditions(pattern: Pattern) -> str:
    parts = []
    for name, text in pattern.fields:
        if text == "*":
            constraint = "~none"
        elif text.startswith("?"):
            constraint = f"?v_{text[1:]}&~none"
        else:
            constraint = "|".join(_quoted(part.strip()) for part in text.split("|"))
            if "|" not in text:
                constraint = _quoted(text)
        parts.append(f"(f_{name} {constraint})")
    return f"(k_{pattern.kind} {' '.join(parts)})"


def _made(text: str) -> str:
    if text.startswith("?"):
        return f"?v_{text[1:]}"
    pieces = re.split(r"(\{\w+\})", text)
    if len(pieces) == 1:
        return _quoted(text)
    shown = [f"?v_{p[1:-1]}" if re.fullmatch(r"\{\w+\}", p) else _quoted(p) for p in pieces]
    return f"(str-cat {' '.join(shown)})"
