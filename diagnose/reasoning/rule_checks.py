"""Checks on rules that need no engine: a plain list of small functions.

`SOUNDNESS` must be empty of issues before rules may run at all; `HABITS` keep a rule file
quick, tested and readable.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence

from diagnose.errors import Issue, Severity
from diagnose.knowledge.rule_records import (
    Fact,
    Pattern,
    Rule,
    field_mistake,
    literals_of,
    matching_text,
    slots_of,
    variable_of,
)

Check = Callable[[Sequence[Rule]], Iterator[Issue]]


def soundness_issues(rules: Sequence[Rule]) -> tuple[Issue, ...]:
    """Return why these rules may not run: their conclusions would be wrong or undefined."""
    return tuple(issue for check in SOUNDNESS for issue in check(rules))


def habit_issues(rules: Sequence[Rule]) -> tuple[Issue, ...]:
    """Return what makes sound rules slow, untested or misleading."""
    return tuple(issue for check in HABITS for issue in check(rules))


def can_conclude(conclusion: Fact, pattern: Pattern) -> bool:
    """Say whether a fact made from `conclusion` could match `pattern`, negated or not.

    Variables are taken to hold anything, so the answer may be yes too often, never no.
    """
    if conclusion.kind != pattern.kind:
        return False
    made = dict(conclusion.fields)
    for name, text in pattern.fields:
        if name not in made:
            return False
        literals = literals_of(text)
        if literals is not None:
            possible = matching_text(made[name])
            if not any(possible.fullmatch(literal) for literal in literals):
                return False
    return True


def _issue(rule: Rule, code: str, message: str, severity: Severity = "error") -> Issue:
    return Issue(severity, code, f"rule '{rule.id}': {message}", rule.place)


def repeated_ids(rules: Sequence[Rule]) -> Iterator[Issue]:
    """Two rules of one id."""
    seen: dict[str, Rule] = {}
    for rule in rules:
        first = seen.setdefault(rule.id, rule)
        if first is not rule:
            where = f", first at {first.place}" if first.place else ""
            yield _issue(rule, "rule-repeated", f"this id stands twice{where}")


def empty_rules(rules: Sequence[Rule]) -> Iterator[Issue]:
    """A rule without a condition or without a conclusion."""
    for rule in rules:
        if not rule.when:
            yield _issue(rule, "rule-empty", "it has no condition")
        if not rule.then:
            yield _issue(rule, "rule-empty", "it concludes nothing")


def mistaken_fields(rules: Sequence[Rule]) -> Iterator[Issue]:
    """A field whose text cannot be what it seems to be."""
    for rule in rules:
        groups: list[tuple[str, Sequence[Pattern | Fact]]] = [
            ("when", rule.when),
            ("then", rule.then),
            *(("example", facts) for facts in (*rule.fires_on, *rule.silent_on)),
        ]
        for where, items in groups:
            for item in items:
                for name, text in item.fields:
                    mistake = field_mistake(text, where)
                    if mistake:
                        yield _issue(rule, "rule-field", f"{item.kind}: {name}: {mistake}")


def unbound_variables(rules: Sequence[Rule]) -> Iterator[Issue]:
    """A variable in a conclusion or a negated pattern that no positive pattern gives a value."""
    for rule in rules:
        bound = frozenset[str]().union(*(pattern.variables for pattern in rule.positive))
        legal = f"given a value: {', '.join(sorted(bound)) or 'none'}"
        for pattern in rule.negative:
            for name in sorted(pattern.variables - bound):
                yield _issue(rule, "rule-unbound", f"'{pattern}' uses ?{name}; {legal}")
        for fact in rule.then:
            for name in sorted({slot for _, text in fact.fields for slot in slots_of(text)}):
                if name not in bound:
                    yield _issue(rule, "rule-unbound", f"'{fact}' uses ?{name}; {legal}")


def broken_strata(rules: Sequence[Rule]) -> Iterator[Issue]:
    """A pattern on what a stratum concludes that has not come to rest by then.

    Positive patterns may ask for their own and lower strata, negated ones for lower strata
    only; rules that keep to this have no cycle through NOT.
    """
    concluding: dict[str, list[tuple[Rule, Fact]]] = {}
    for rule in rules:
        for fact in rule.then:
            concluding.setdefault(fact.kind, []).append((rule, fact))
    for rule in rules:
        for pattern in rule.when:
            latest = rule.stratum - 1 if pattern.negated else rule.stratum
            late = {
                other.id: other.stratum
                for other, fact in concluding.get(pattern.kind, ())
                if other.stratum > latest and can_conclude(fact, pattern)
            }
            need = "a lower stratum" if pattern.negated else "this or a lower stratum"
            for name, stratum in late.items():
                yield _issue(
                    rule,
                    "rule-stratum",
                    f"'{pattern}' (stratum {rule.stratum}) is concluded by '{name}'"
                    f" in stratum {stratum}; it must be in {need}",
                )


def endless_texts(rules: Sequence[Rule]) -> Iterator[Issue]:
    """A text built around a variable that comes back as that variable, ever longer."""
    for rule in rules:
        for fact in rule.then:
            for name, text in fact.fields:
                slots = set(slots_of(text))
                if not slots or variable_of(text) is not None:
                    continue
                if slots & _carried(rule, fact, name, rules):
                    yield _issue(rule, "rule-endless", f"'{text}' in '{fact}' comes back to itself")


def _carried(source: Rule, fact: Fact, name: str, rules: Sequence[Rule]) -> set[str]:
    """Return the variables of `source` that can take the text of one field it concludes."""
    seen: set[tuple[str, str]] = set()
    open_fields = [(fact, name)]
    while open_fields:
        fact, name = open_fields.pop()
        for rule in rules:
            for pattern in rule.positive:
                variable = variable_of(dict(pattern.fields).get(name, ""))
                if variable is None or (rule.id, variable) in seen:
                    continue
                if can_conclude(fact, pattern):
                    seen.add((rule.id, variable))
                    open_fields += [
                        (made, field)
                        for made in rule.then
                        for field, text in made.fields
                        if variable in slots_of(text)
                    ]
    return {variable for rule_id, variable in seen if rule_id == source.id}


def joins_without_literal(rules: Sequence[Rule]) -> Iterator[Issue]:
    """Two patterns of one kind without a literal: every pair of such facts is tried."""
    for rule in rules:
        loose = Counter(
            pattern.kind
            for pattern in rule.when
            if all(literals_of(text) is None for _, text in pattern.fields)
        )
        for kind, count in loose.items():
            if count > 1:
                yield _issue(
                    rule,
                    "rule-join",
                    f"{count} patterns of kind '{kind}' have no literal; only one may go without",
                )


def lonely_variables(rules: Sequence[Rule]) -> Iterator[Issue]:
    """A variable that stands once only: a slip of the pen, or presence meant."""
    for rule in rules:
        uses = Counter(
            name
            for pattern in rule.when
            for _, text in pattern.fields
            if (name := variable_of(text)) is not None
        )
        uses.update(
            slot for fact in rule.then for _, text in fact.fields for slot in slots_of(text)
        )
        bound = frozenset[str]().union(*(pattern.variables for pattern in rule.positive))
        for name in sorted(name for name in bound if uses[name] == 1):
            yield _issue(
                rule,
                "rule-unused",
                f"?{name} stands once only; write '*' where any value will do",
                "warning",
            )


def missing_examples(rules: Sequence[Rule]) -> Iterator[Issue]:
    """A rule without an example that must fire, or without one that must not."""
    for rule in rules:
        for name, examples in (("fires_on", rule.fires_on), ("silent_on", rule.silent_on)):
            if not examples:
                yield _issue(rule, "rule-example", f"'{name}' has no example")


SOUNDNESS: tuple[Check, ...] = (
    repeated_ids,
    empty_rules,
    mistaken_fields,
    unbound_variables,
    broken_strata,
    endless_texts,
)
HABITS: tuple[Check, ...] = (joins_without_literal, lonely_variables, missing_examples)
