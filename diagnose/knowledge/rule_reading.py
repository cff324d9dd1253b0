"""Reading rules: a tree of mappings, lists and texts becomes `Rule` records.

The tree is what a YAML reader gives that keeps every scalar as text. Any mapping, list or text
in it may carry an attribute `place`; issues point there, else to the nearest one around it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path

from diagnose.errors import DiagnoseError, Issue, Place
from diagnose.knowledge.rule_records import Fact, Pattern, Rule, field_mistake
from diagnose.units import whole_number

_KEYS = ("id", "title", "source", "stratum", "when", "then", "fires_on", "silent_on")
_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")
_SHAPE = "{kind: {field: text, ...}}"


def rules_from(tree: object, path: str | Path) -> tuple[Rule, ...]:
    """Read the rules of one file.

    Parameters
    ----------
    tree
        ``{rules: [{id, title, source, stratum, when, then, fires_on, silent_on}, ...]}``.
    path
        The file's name, for issues where the tree carries no place.

    Raises
    ------
    DiagnoseError
        With every issue found. Whether the rules make sense together is for `check_rules`.
    """
    reader = _RuleReader(Place(str(path), 1, 1))
    rules = tuple(reader.rules(tree))
    if reader.issues:
        raise DiagnoseError(reader.issues)
    return rules


class _RuleReader:
    """Collects issues; every method returns something usable after a problem."""

    def __init__(self, top: Place) -> None:
        self.issues: list[Issue] = []
        self._around = [top]  # the place of the node in hand is last
        self._what = "a rules file"

    def rules(self, tree: object) -> Iterator[Rule]:
        if not isinstance(tree, Mapping):
            self._problem(tree, "it must be a mapping with the key 'rules'")
            return
        self._only_keys(tree, ("rules",))
        for node in self._list(tree, "rules", filled=True):
            yield self._rule(node)
            self._what = "a rules file"

    def _rule(self, node: object) -> Rule:
        self._what = "a rule"
        if not isinstance(node, Mapping):
            self._problem(node, "it must be a mapping", _KEYS)
            return Rule("", "", "", 0, (), ())
        self._around.append(self._place(node))
        name = self._text(node, "id")
        self._what = f"rule '{name}'"
        if name and not _NAME.fullmatch(name):
            self._problem(node["id"], f"'{name}' is not an id: letters, digits, underscores")
        self._only_keys(node, _KEYS)
        rule = Rule(
            id=name,
            title=self._text(node, "title"),
            source=self._text(node, "source"),
            stratum=self._stratum(node),
            when=tuple(self._patterns(self._list(node, "when", filled=True))),
            then=tuple(self._facts(self._list(node, "then", filled=True), "then")),
            fires_on=self._examples(node, "fires_on"),
            silent_on=self._examples(node, "silent_on"),
            place=self._around.pop(),
        )
        return rule

    def _patterns(self, nodes: Iterable[object]) -> Iterator[Pattern]:
        for node in nodes:
            negated = isinstance(node, Mapping) and list(node) == ["not"]
            inner = node["not"] if negated and isinstance(node, Mapping) else node
            read = self._kind_and_fields(inner, "when")
            if read:
                yield Pattern(*read, negated)

    def _facts(self, nodes: Iterable[object], where: str) -> Iterator[Fact]:
        for node in nodes:
            read = self._kind_and_fields(node, where)
            if read:
                yield Fact(*read)

    def _examples(self, node: Mapping[str, object], key: str) -> tuple[tuple[Fact, ...], ...]:
        examples = []
        for example in self._list(node, key, filled=False):
            if isinstance(example, Sequence) and not isinstance(example, str):
                examples.append(tuple(self._facts(example, "example")))
            else:
                self._problem(example, f"an example in '{key}' is a list of {_SHAPE}")
        return tuple(examples)

    def _kind_and_fields(
        self, node: object, where: str
    ) -> tuple[str, tuple[tuple[str, str], ...]] | None:
        if not isinstance(node, Mapping) or len(node) != 1:
            self._problem(node, f"write one {_SHAPE} per item")
            return None
        ((kind, inner),) = node.items()
        if not self._is_name(kind) or kind == "not":
            legal = " here" if kind == "not" else ": letters, digits, underscores"
            self._problem(kind, f"'{kind}' is not a kind of fact{legal}", around=node)
            return None
        if not isinstance(inner, Mapping):
            self._problem(inner, f"'{kind}' must hold its fields: {_SHAPE}", around=node)
            return None
        fields = []
        for name, text in inner.items():
            if not self._is_name(name):
                self._problem(name, f"'{name}' is not a name for a field", around=inner)
            elif not isinstance(text, str):
                self._problem(text, f"'{kind}: {name}' must be text", around=inner)
            else:
                mistake = field_mistake(str(text), where)
                if mistake:
                    self._problem(text, f"'{kind}: {name}': {mistake}", around=inner)
                fields.append((str(name), str(text)))
        return str(kind), tuple(sorted(fields))

    def _stratum(self, node: Mapping[str, object]) -> int:
        text = self._text(node, "stratum")
        number = whole_number(text)
        if text and number is None:
            self._problem(node["stratum"], f"'{text}' is not a stratum: a whole number from 0 up")
            return 0
        return number or 0

    def _text(self, node: Mapping[str, object], key: str) -> str:
        if key not in node:
            self._problem(node, f"'{key}' is missing")
            return ""
        value = node[key]
        if not isinstance(value, str) or not value.strip():
            self._problem(value, f"'{key}' must be text")
            return ""
        return str(value)

    def _list(self, node: Mapping[str, object], key: str, *, filled: bool) -> Sequence[object]:
        value = node.get(key)
        if key not in node:
            self._problem(node, f"'{key}' is missing")
        elif not isinstance(value, Sequence) or isinstance(value, str):
            self._problem(value, f"'{key}' must be a list")
        elif filled and not value:
            self._problem(value, f"'{key}' is empty")
        else:
            return value
        return ()

    def _only_keys(self, node: Mapping[str, object], legal: tuple[str, ...]) -> None:
        for key in node:
            if key not in legal:
                self._problem(key, f"unknown key '{key}'", legal, "unknown-key")

    @staticmethod
    def _is_name(value: object) -> bool:
        return isinstance(value, str) and _NAME.fullmatch(value) is not None

    def _place(self, node: object, around: object = None) -> Place:
        for candidate in (getattr(node, "place", None), getattr(around, "place", None)):
            if isinstance(candidate, Place):
                return candidate
        return self._around[-1]

    def _problem(
        self,
        node: object,
        message: str,
        legal: tuple[str, ...] = (),
        code: str = "structure",
        around: object = None,
    ) -> None:
        place = self._place(node, around)
        self.issues.append(Issue("error", code, f"{self._what}: {message}", place, legal))
