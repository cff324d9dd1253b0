"""The boundary to experta, the rule engine: the only module that imports it.

Rules go in as records, firings come out as records. Nothing of experta's own types leaves
this module. What is replaced in experta 1.9.4, and why:

- its agenda finds removed activations by bisection over keys that tie, misses some, and so
  fires rules whose NOT condition is blocked; here removal is by identity (`_Order`);
- its order of firing depends on hashes; here it depends on the rules and facts alone;
- its matcher keeps one class-wide cache of conflict-set nodes, empties all after each fact and
  tries every test on every fact; here the nodes are listed per instance, only those with news are
  emptied (`_Matcher`) and tests for a literal are found by hashing (`_Fan`);
- its reset searches the whole class for members each time (`_Engine`);
- it copies each rule some ten times on the way to a normal form that ours have (`_Matcher`);
- it names a pattern without a name by its address and keeps for good what captures it, so each
  new network would leave some behind; here they go once the network stands (`_Matcher`).

It takes 1, True and 1.0 for one value, so values are text, and each declared fact carries its
record, by which experta tells a conclusion that is there already.
"""

from __future__ import annotations

import collections
import collections.abc
import importlib
import logging
from collections.abc import Callable, Iterable, Sequence
from functools import cache
from types import ModuleType
from typing import Any, NamedTuple

from diagnose.knowledge.rule_records import (
    PRESENT,
    Fact,
    Pattern,
    Rule,
    filled,
    literals_of,
    variable_of,
)

_RECORD = -1  # key under which a declared fact carries its record; fields have keys 0, 1, ...


def _load() -> ModuleType:
    """Import experta without the marks it leaves on the process.

    It pins frozendict 1.2, which needs `collections.Mapping` (gone since Python 3.10), and
    it installs a handler on the root logger.
    """
    missing = not hasattr(collections, "Mapping")
    handlers = list(logging.root.handlers)
    if missing:
        setattr(collections, "Mapping", collections.abc.Mapping)  # noqa: B010
    try:
        importlib.import_module("frozendict")
    finally:
        if missing:
            delattr(collections, "Mapping")
    module = importlib.import_module("experta")
    for name in ("agenda", "abstract", "factlist", "matchers.rete.nodes", "matchers.rete.check"):
        importlib.import_module(f"experta.{name}")
    for handler in list(logging.root.handlers):
        if handler not in handlers:
            logging.root.removeHandler(handler)
    logging.getLogger("experta").setLevel(logging.WARNING)
    return module


_experta: Any = _load()
_KnowledgeEngine: Any = _experta.KnowledgeEngine
_ReteMatcher: Any = _KnowledgeEngine.__matcher__
_Strategy: Any = _experta.abstract.Strategy
_nodes: Any = _experta.matchers.rete.nodes
_checks: Any = _experta.matchers.rete.check


class Fired(NamedTuple):
    """One firing: the rule's id, the facts of its positive patterns, its conclusions."""

    rule: str
    matched: tuple[Fact, ...]
    concluded: tuple[Fact, ...]


class TooManyFirings(RuntimeError):
    """The rules did not come to rest within the bound."""


class _Order(_Strategy):  # type: ignore[misc]
    """Agenda order: low stratum, newest facts, rule id, facts in the order of the patterns."""

    def _update_agenda(self, agenda: Any, added: Iterable[Any], removed: Iterable[Any]) -> None:
        gone = {self.key(activation) for activation in removed}
        waiting = [a for a in agenda.activations if a.key not in gone]
        for activation in added:
            activation.key = self.key(activation)
            waiting.append(activation)
        waiting.sort(key=_key_of, reverse=True)  # the agenda takes from the end
        agenda.activations = waiting

    @staticmethod
    def key(activation: Any) -> tuple[Any, ...]:
        """Return what identifies and ranks an activation, the first to fire lowest."""
        context = activation.context
        matched = tuple(context[name].__factid__ for name in activation.rule.captures)
        newest = tuple(sorted(-number for number in matched))
        return (-activation.rule.salience, newest, activation.rule.__name__, matched)


def _key_of(activation: Any) -> tuple[Any, ...]:
    key: tuple[Any, ...] = activation.key
    return key


class _Fan(_experta.matchers.rete.abstract.Node):  # type: ignore[misc]
    """In place of many tests for one class or one literal: finds by hashing which pass."""

    def __init__(self, children: Iterable[Any]) -> None:
        super().__init__()
        self.children = list(children)
        self._tables: dict[int | None, dict[object, list[Any]]] = {}
        for child in self.children:
            column, value = _key_of_test(child) or (None, None)
            self._tables.setdefault(column, {}).setdefault(value, []).append(child.node)

    def activate(self, token: Any) -> None:
        (fact,) = token.data
        for column, table in self._tables.items():
            value = type(fact) if column is None else fact.get(column)
            for node in table.get(value, ()):
                for child in node.children:
                    child.callback(token)

    def add_child(self, child: Any, callback: Callable[[Any], None]) -> None:
        raise NotImplementedError

    def _reset(self) -> None:
        pass


def _key_of_test(child: Any) -> tuple[int | None, object] | None:
    """Return (column, literal) or (None, class) where a node tests for just that."""
    check = getattr(child.node, "matcher", None)
    if isinstance(check, _checks.TypeCheck):
        return None, check.fact_type
    if isinstance(check, _checks.FeatureCheck) and isinstance(check.expected, _experta.L):
        return check.what, check.expected.value
    return None


class _Matcher(_ReteMatcher):  # type: ignore[misc]
    """The matcher with its nodes listed once, per instance, and literals found by hashing."""

    @staticmethod
    def prepare_ruleset(engine: Any) -> set[Any]:
        """Return the rules, each in normal form as it was compiled: facts, then negations.

        Stock experta brings each into that form by some ten copies.
        """
        prepared = set()
        for rule in engine.get_rules():
            first = () if rule and isinstance(rule[0], _experta.Fact) else (_experta.InitialFact(),)
            prepared.add(rule.new_conditions(*first, *rule))
        return prepared

    def build_network(self) -> None:
        super().build_network()
        kept = _checks.FactCapture._instances
        for name in [name for name in kept if name.startswith("__pattern_")]:
            del kept[name]
        nodes: dict[int, Any] = {}
        open_nodes = [self.root_node]
        while open_nodes:
            node = open_nodes.pop()
            if id(node) not in nodes:
                nodes[id(node)] = node
                open_nodes.extend(child.node for child in node.children)
                hashed = [child for child in node.children if _key_of_test(child)]
                if len(hashed) > 1:
                    fan = _Fan(hashed)
                    node.children = [c for c in node.children if not _key_of_test(c)]
                    node.children.append(_nodes.mixins.ChildNode(fan, fan.activate))
        self._nodes = tuple(nodes.values())
        self._ends = tuple(n for n in self._nodes if isinstance(n, _nodes.ConflictSetNode))

    def changes(
        self, adding: Iterable[Any] = (), deleting: Iterable[Any] = ()
    ) -> tuple[list[Any], list[Any]]:
        """Pass facts through the network; return activations gained and lost."""
        for fact in deleting:
            self.root_node.remove(fact)
        for fact in adding:
            self.root_node.add(fact)
        added: list[Any] = []
        removed: list[Any] = []
        for end in self._ends:
            if end.added or end.removed:
                more, less = end.get_activations()
                added += more
                removed += less
        return added, removed

    def reset(self) -> None:
        for node in self._nodes:
            node._reset()


class _Engine(_KnowledgeEngine):  # type: ignore[misc]
    """The engine with a reset that does not search the class for its members."""

    __matcher__ = _Matcher
    __strategy__ = _Order

    def reset(self) -> None:
        self.running = False
        self.agenda = _experta.agenda.Agenda()
        self.facts = _experta.factlist.FactList()
        self.matcher.reset()
        self.strategy = self.__strategy__()
        self.facts.declare(_experta.InitialFact())


class Network:
    """Rules compiled once to an experta network; `run` starts afresh each time.

    Not for use by two threads at once. After an exception in `run` the network is not to be
    used again.

    Parameters
    ----------
    rules
        Rules with distinct ids, each with a condition; every variable used in `then` or in a
        negated pattern stands in a positive one.
    """

    def __init__(self, rules: Sequence[Rule]) -> None:
        self._columns = _columns(rules)
        self._fired: list[Fired] = []
        self._limit = 0
        members: dict[str, Any] = {}
        for number, rule in enumerate(sorted(rules, key=lambda rule: rule.id)):
            members[f"rule_{number}"] = self._compiled(rule)
        self._engine: Any = type("Rules", (_Engine,), members)()

    def run(self, facts: Sequence[Fact], limit: int) -> list[Fired]:
        """Declare the facts in the order given, fire until at rest, return the firings.

        Raises
        ------
        TooManyFirings
            More than `limit` firings.
        """
        self._fired = []
        self._limit = limit
        self._engine.reset()
        self._engine.declare(*self._declarable(facts))
        self._engine.run()
        return self._fired

    def _declarable(self, facts: Iterable[Fact]) -> list[Any]:
        """Return experta facts, without those no pattern asks for."""
        made = []
        for fact in facts:
            columns = self._columns.get(fact.kind)
            if columns is not None:
                item = _fact_class(fact.kind)()
                item.update(
                    {columns[name]: value for name, value in fact.fields if name in columns}
                )
                item[_RECORD] = fact
                made.append(item)
        return made

    def _conclude(self, rule: Rule, matched: tuple[Fact, ...], values: dict[str, str]) -> None:
        if len(self._fired) >= self._limit:
            raise TooManyFirings(f"more than {self._limit} firings, the last of '{rule.id}'")
        concluded = tuple(
            Fact(
                template.kind, tuple((name, filled(text, values)) for name, text in template.fields)
            )
            for template in rule.then
        )
        self._fired.append(Fired(rule.id, matched, concluded))
        declarable = self._declarable(concluded)
        if declarable:
            self._engine.declare(*declarable)

    def _compiled(self, rule: Rule) -> Any:
        """Return the rule as an experta rule with a closure of its own, named by its id."""
        captures = tuple(f"p{number}" for number in range(len(rule.positive)))

        def act(_engine: Any, **context: Any) -> None:
            matched = tuple(context[name][_RECORD] for name in captures)
            values = {name[1:]: v for name, v in context.items() if name.startswith("?")}
            self._conclude(rule, matched, values)

        closure: Any = act
        closure.__name__ = rule.id
        closure.captures = captures  # experta copies it to the compiled rule
        conditions = [
            self._condition(pattern, name)
            for pattern, name in zip(rule.positive, captures, strict=True)
        ]
        conditions += [_experta.NOT(self._condition(pattern, None)) for pattern in rule.negative]
        return _experta.Rule(*conditions, salience=-rule.stratum)(closure)

    def _condition(self, pattern: Pattern, capture: str | None) -> Any:
        columns = self._columns[pattern.kind]
        item = _fact_class(pattern.kind)()
        item.update({columns[name]: _constraint(text) for name, text in pattern.fields})
        if capture is not None:
            item.__bind__ = capture
        return item


def _columns(rules: Iterable[Rule]) -> dict[str, dict[str, int]]:
    """Return, per kind that a pattern asks for, a number for each field asked for."""
    columns: dict[str, dict[str, int]] = {}
    for rule in rules:
        for pattern in rule.when:
            known = columns.setdefault(pattern.kind, {})
            for name, _ in pattern.fields:
                known.setdefault(name, len(known))
    return columns


@cache
def _fact_class(kind: str) -> Any:
    """Return one experta fact class per kind; experta keeps every class it has seen."""
    return type(_experta.Fact)(f"Fact_{kind}", (_experta.Fact,), {})


@cache
def _one_of(literals: tuple[str, ...]) -> Callable[[object], bool]:
    """Return one predicate per set of literals; experta keeps every predicate it has seen."""
    return frozenset(literals).__contains__


def _constraint(text: str) -> Any:
    name = variable_of(text)
    if name is not None:
        return _experta.W(f"?{name}")
    literals = literals_of(text)
    if text == PRESENT or literals is None:
        return _experta.W()
    if len(literals) == 1:
        return _experta.L(literals[0])
    return _experta.P(_one_of(literals))
