"""Checks on expressions: they compile, every name and word in them means something.

An undotted name that its part does not know is a variable of the situation, and one that no
situation sets reads as empty. A slip of the pen would therefore change what the plant does
without a word, so every name and every quoted word must be set somewhere.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from diagnose.errors import Issue
from diagnose.knowledge.checks_base import error, nearest, unknown
from diagnose.knowledge.day_records import DayPlan
from diagnose.knowledge.expressions import ExpressionError, compile_expression, dotted_name
from diagnose.knowledge.family import Family, fill_in
from diagnose.knowledge.names import unit_of
from diagnose.knowledge.records import KnowledgeBase, Part, TestSpec

SELF = "self"
PHASE_WORDS = ("changing", "steady")
"""What a complaint's condition may begin with; an outcome's with the first alone."""
Words = dict[str, set[str]]


@dataclass(frozen=True)
class Written:
    """An expression as written: where, for whom (part or instance; "" for nobody), its place."""

    what: str
    text: str
    owner: str
    place: object
    truth: bool = True


@dataclass
class Scope:
    """What names may mean: the family, and every word that a variable can take."""

    family: Family
    situation: Words = field(default_factory=dict)
    variables: Words = field(default_factory=dict)
    read: set[str] = field(default_factory=set)


def expressions_mean_something(kb: KnowledgeBase) -> Iterator[Issue]:
    """An expression that does not compile, or names or compares with what nothing sets."""
    scope = _scope(kb)
    for written in _all_written(kb, scope.family):
        yield from _Walk(scope, written).issues()
    for name, place in _settings(kb):
        if name not in scope.read:
            message = f"the situation's variable '{name}' is set here, and nothing reads it"
            yield error("unread", message, name, place, legal=nearest(name, scope.read))


def _settings(kb: KnowledgeBase) -> Iterator[tuple[str, object]]:
    """Each variable of the situation where something sets it."""
    for kind in kb.installations.values():
        for situation in kind.situations.values():
            yield from ((name, situation) for name in situation.values)
    for test in kb.tests.values():
        yield from ((name, test) for name in test.values)
    for part in kb.parts.values():
        for mode in part.failure_modes.values():
            yield from ((name, mode) for name in (*mode.patch.always, *mode.patch.found))


def _scope(kb: KnowledgeBase) -> Scope:
    family = Family.all_of(kb)
    scope = Scope(family)

    def add(words: Words, values: Mapping[str, str], owner: str = "") -> None:
        for name, value in values.items():
            full = f"{owner}.{name}" if owner and "." not in name else name
            words.setdefault(str(full), set()).add(str(value))

    for kind in kb.installations.values():
        for situation in kind.situations.values():
            add(scope.situation, situation.values)
    for test in kb.tests.values():
        for it in family.instances_for(test.each):
            filled = {k: fill_in(v, it, family.instances) for k, v in test.values.items()}
            add(scope.situation, filled)
    for unit, found in family.fitted.items():
        for instance in found:
            add(scope.variables, instance.variables, unit)
        for change in family.changes():
            add(scope.variables, change.variables.get(unit, {}), unit)
    for part in kb.parts.values():
        for unit in (part.id, *family.units_of(part.id)):
            add(scope.variables, part.variables, unit)
            for mode in part.failure_modes.values():
                add(scope.variables, mode.patch.variables, unit)
        for mode in part.failure_modes.values():
            add(scope.situation, {**mode.patch.always})
            add(scope.situation, {**mode.patch.found})
    return scope


def _all_written(kb: KnowledgeBase, family: Family) -> Iterator[Written]:
    for part in kb.parts.values():
        for line, text in part.logic.items():
            yield Written(f"part '{part.id}': {line}", text, part.id, part, truth=False)
        for element in part.elements.values():
            if element.closed is not None:
                what = f"element '{part.id}.{element.id}'"
                yield Written(what, element.closed, part.id, element)
        for mode in part.failure_modes.values():
            for line, text in mode.patch.logic.items():
                what = f"failure mode '{part.id}.{mode.id}': {line}"
                owner = unit_of(line) if "." in line else part.id
                yield Written(what, text, owner, mode, truth=False)
    for unit, found in family.fitted.items():
        for instance in found:
            for line, text in instance.logic.items():
                yield Written(f"instance '{unit}': {line}", text, unit, instance, truth=False)
    for kind in kb.installations.values():
        for variant in kind.variants.values():
            for choice, change in variant.choices.items():
                for unit, lines in change.logic.items():
                    for line, text in lines.items():
                        what = f"variant '{variant.id}={choice}': {unit}.{line}"
                        yield Written(what, text, unit, variant, truth=False)
    for complaint in kb.complaints.values():
        for alternative in complaint.when:
            for text in alternative.values():
                word, _, rest = text.partition(" ")
                bare = rest if word in PHASE_WORDS else text
                yield Written(f"complaint '{complaint.id}'", bare, "", _at(text, complaint))
    for kind in kb.installations.values():
        for designed in kind.designed:
            word, _, rest = designed.holds.partition(" ")
            bare = rest if word in PHASE_WORDS else designed.holds
            what = f"designed of '{kind.id}'"
            yield Written(what, bare, "", _at(designed.holds, designed))
    for test in kb.tests.values():
        if test.kind == "signal":
            yield from _outcomes_written(test, family)
    for plan in kb.days.values():
        yield from _days_written(plan)


def _days_written(plan: DayPlan) -> Iterator[Written]:
    what = f"day '{plan.id}'"
    for name, text in plan.logic.items():
        yield Written(f"{what}: {name}", text, unit_of(name), plan, truth=False)
    groups = (plan.stays, plan.feeds, plan.leaks)
    for when in (holder.when for group in groups for holder in group):
        if when:
            yield Written(what, when, "", _at(when, plan))
    for name, text in plan.shows.items():
        yield Written(f"{what}: shows: {name}", text, "", _at(text, plan))
    if plan.no_debounce:
        yield Written(f"{what}: debounce", plan.no_debounce, "", _at(plan.no_debounce, plan))


def _at(text: object, fallback: object) -> object:
    return getattr(text, "place", fallback)


def _outcomes_written(test: TestSpec, family: Family) -> Iterator[Written]:
    seen: set[str] = set()
    for outcome in test.outcomes:
        bare = outcome.when.removeprefix("changing ")
        for unit in family.instances_for(test.each) if bare else ():
            full = fill_in(bare, unit, family.instances)
            if "{" not in full and full not in seen:
                seen.add(full)
                what = f"test '{test.id}': outcome '{outcome.id}'"
                yield Written(what, full, "", _at(outcome.when, test))


class _Walk:
    """One expression, node by node."""

    def __init__(self, scope: Scope, written: Written) -> None:
        self.scope = scope
        self.written = written
        self.found: list[Issue] = []
        family, owner = scope.family, written.owner
        self.part: Part | None = family.parts.get(owner) if owner not in family.fitted else None
        units = [owner] if owner in family.fitted else family.units_of(owner)
        own = (
            (self.part.signals, self.part.logic, self.part.variables) if self.part else ((), (), ())
        )
        self.signals = set(own[0]).union(*(family.signals(u) for u in units))
        self.logic = set(own[1]).union(*(family.logic(u) for u in units))
        self.variables = set(own[2]).union(*(family.variables(u) for u in units))

    def issues(self) -> list[Issue]:
        """Everything wrong with it."""
        text = self.written.text
        try:
            compile_expression(text, lambda name: name)
        except ExpressionError as problem:
            message = f"{self.written.what}: {problem}"
            return [error("expression", message, text, self.written.place)]
        self._walk(ast.parse(text.strip(), mode="eval").body, self.written.truth)
        return self.found

    def _walk(self, node: ast.expr, truth: bool) -> None:
        name = dotted_name(node)
        if name is not None:
            kind, full = self._resolve(name)
            if truth and kind in ("variable", "situation"):
                legal = sorted(self._words(kind, full))
                hint = f"{name} == '{legal[0]}'" if legal else f"{name} == 'word'"
                self._problem("not-yes-no", f"'{name}' holds a word: write {hint}", legal)
        elif isinstance(node, ast.Constant):
            if truth and isinstance(node.value, str):
                self._problem("not-yes-no", f"'{node.value}' is a word, not a condition", ())
        elif isinstance(node, ast.Compare):
            sides = [node.left, *node.comparators]
            if isinstance(node.comparators[0], ast.Tuple | ast.List):
                sides = [node.left, *node.comparators[0].elts]
            for side in sides:
                self._walk(side, False)
            self._compare(sides)
        elif isinstance(node, ast.IfExp):
            self._walk(node.test, True)
            self._walk(node.body, truth)
            self._walk(node.orelse, truth)
        elif isinstance(node, ast.BoolOp):
            for value in node.values:
                self._walk(value, True)
        elif isinstance(node, ast.UnaryOp):
            self._walk(node.operand, True)

    def _compare(self, sides: list[ast.expr]) -> None:
        """Every word compared with a variable must be one that the variable can take."""
        names = [name for side in sides if (name := dotted_name(side)) is not None]
        words = [s.value for s in sides if isinstance(s, ast.Constant) and isinstance(s.value, str)]
        for name in names if words else ():
            kind, full = self._resolve(name, report=False)
            if kind == "signal":
                message = f"'{name}' is true or false and never equals a word"
                self._problem("unknown-word", message, ())
            if kind not in ("variable", "situation"):
                continue
            legal = self._words(kind, full)
            for word in words:
                if word not in legal:
                    message = f"'{name}' is never '{word}'"
                    self._problem("unknown-word", message, nearest(word, legal))

    def _words(self, kind: str, full: str) -> set[str]:
        words = self.scope.situation if kind == "situation" else self.scope.variables
        return words.get(full, set())

    def _resolve(self, name: str, report: bool = True) -> tuple[str, str]:
        """Kind (signal, logic, variable, situation, self, unknown) and full name."""
        family, held = self.scope.family, name.startswith("held.")
        bare = name.removeprefix("held.")
        owner, dot, rest = bare.partition(".")
        if bare in ("yes", "no"):
            return "constant", bare
        if not dot:
            groups = {"signal": self.signals, "logic": self.logic, "variable": self.variables}
            rest, owner = bare, self.written.owner
        elif owner in family.fitted:
            groups = {
                "signal": family.signals(owner),
                "logic": family.logic(owner),
                "variable": family.variables(owner),
            }
        else:
            if report:
                self._unknown("instance", owner, set(family.fitted))
            return "unknown", bare
        if owner in family.unclear:
            return "unknown", bare
        legal = set().union(*groups.values())
        if held:
            if rest not in groups["logic"] and report:
                self._unknown("line of logic to remember", rest, groups["logic"])
            return "logic", f"{owner}.{rest}"
        for kind, names in groups.items():
            if rest in names:
                return kind, f"{owner}.{rest}"
        if rest == SELF and owner:
            return "self", rest
        if not dot and rest in self.scope.situation:
            self.scope.read.add(rest)
            return "situation", rest
        if report:
            known = legal if dot else legal | set(self.scope.situation)
            self._unknown(f"name of '{owner}'" if dot else "name", rest, known)
        return "unknown", bare

    def _unknown(self, kind: str, name: str, legal: set[str]) -> None:
        written = self.written
        place = getattr(written.text, "place", written.place)
        self.found.append(unknown(f"{written.what}: '{written.text}'", kind, name, legal, place))

    def _problem(self, code: str, message: str, legal: object) -> None:
        written = self.written
        hints = tuple(legal) if isinstance(legal, list | tuple) else ()
        text = f"{written.what}: '{written.text}': {message}"
        self.found.append(error(code, text, written.text, written.place, legal=hints))


CHECKS = (expressions_mean_something,)
