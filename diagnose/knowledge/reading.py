"""YAML read as text with places kept.

PyYAML's composer gives the nodes with line and column. Every scalar stays the text that
was typed (YAML 1.1 would turn `on`, `no` and `1.0e9` into something else), every mapping,
list and text carries its `place`, and a repeated key is an error.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, ClassVar

import yaml

from diagnose.errors import DiagnoseError, Issue, Place, fail


class Text(str):
    """A scalar as typed, with its place."""

    place: Place

    def __new__(cls, value: str, place: Place) -> Text:
        text = super().__new__(cls, value)
        text.place = place
        return text

    def __reduce__(self) -> tuple[type[Text], tuple[str, Place]]:
        return (Text, (str(self), self.place))


class Mapping(dict[str, Any]):
    """A YAML mapping with its place; keys are `Text`."""

    place: Place


class Sequence(list[Any]):
    """A YAML list with its place."""

    place: Place


try:
    _Quickest: Any = yaml.CSafeLoader
except AttributeError:  # PyYAML built without libyaml
    _Quickest = yaml.SafeLoader


class _Loader(_Quickest):  # type: ignore[misc]
    """Reads every scalar as text, so no time goes into guessing its type."""

    yaml_implicit_resolvers: ClassVar[dict[str, Any]] = {}


def read_yaml(path: Path, shown: str | None = None) -> Any:
    """Read one YAML file as nested `Mapping`, `Sequence` and `Text`.

    Raises
    ------
    DiagnoseError
        The file cannot be opened or decoded, is not YAML, or repeats a key.
    """
    name = shown or str(path)
    try:
        text = path.read_text(encoding="utf-8")
    except UnicodeDecodeError as error:
        raise fail("unreadable", f"not UTF-8 text ({error.reason})", Place(name, 1, 1)) from error
    except OSError as error:
        raise fail(
            "unreadable", f"cannot read the file: {error.strerror}", Place(name, 1, 1)
        ) from error
    return parse_yaml(text, name)


def parse_yaml(text: str, name: str) -> Any:
    """Parse YAML text; `name` is the file name shown in places."""
    try:
        root = yaml.compose(text, Loader=_Loader)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        place = Place(name, mark.line + 1, mark.column + 1) if mark else Place(name, 1, 1)
        raise fail("yaml", f"not valid YAML: {error.problem}", place) from error
    except yaml.YAMLError as error:
        raise fail("yaml", f"not valid YAML: {error}".splitlines()[0], Place(name, 1, 1)) from error
    if root is None:
        raise fail("yaml", "the file is empty", Place(name, 1, 1))
    problems: list[Issue] = []
    tree = _convert(root, name, problems)
    if problems:
        raise DiagnoseError(problems)
    return tree


def _convert(node: yaml.Node, name: str, problems: list[Issue]) -> Any:
    place = Place(name, node.start_mark.line + 1, node.start_mark.column + 1)
    if isinstance(node, yaml.ScalarNode):
        return Text(node.value, place)
    if isinstance(node, yaml.SequenceNode):
        items = Sequence(_convert(child, name, problems) for child in node.value)
        items.place = place
        return items
    mapping = Mapping()
    mapping.place = place
    for key_node, value_node in node.value:
        key = _convert(key_node, name, problems)
        if not isinstance(key, Text):
            problems.append(Issue("error", "yaml", "a key must be plain text", place))
        elif key in mapping:
            problems.append(
                Issue("error", "repeated-key", f"the key '{key}' stands twice", key.place)
            )
        else:
            mapping[key] = _convert(value_node, name, problems)
    return mapping


class Reader:
    """A cursor over one mapping that collects issues instead of stopping at the first."""

    def __init__(self, node: Any, issues: list[Issue], what: str) -> None:
        self.what = what
        self.issues = issues
        self._seen: set[str] = set()
        if not isinstance(node, Mapping):
            place = getattr(node, "place", None)
            issues.append(Issue("error", "structure", f"{what} must be a mapping", place))
            node = Mapping()
            node.place = place or Place("?", 1, 1)
        self.node: Mapping = node

    @property
    def place(self) -> Place:
        return self.node.place

    def problem(
        self,
        message: str,
        key: str | None = None,
        legal: Iterable[str] = (),
        code: str = "structure",
    ) -> None:
        place: Place | None = self.place
        if key is not None and key in self.node:
            place = getattr(self.node[key], "place", place)
        self.issues.append(Issue("error", code, f"{self.what}: {message}", place, tuple(legal)))

    def has(self, key: str) -> bool:
        return key in self.node

    def raw(self, key: str, default: Any = None) -> Any:
        self._seen.add(key)
        return self.node.get(key, default)

    def text(self, key: str, default: str | None = None) -> str:
        value = self.raw(key)
        if value is None:
            if default is None:
                self.problem(f"'{key}' is missing")
            return default or ""
        if not isinstance(value, Text):
            self.problem(f"'{key}' must be text", key)
            return default or ""
        return value

    def choice(self, key: str, legal: Iterable[str], default: str | None = None) -> str:
        legal = tuple(legal)
        value = self.text(key, default)
        if value in legal:
            return value
        if isinstance(self.node.get(key), Text):
            self.problem(f"'{value}' is not a legal '{key}'", key, legal, "unknown-id")
        return default or legal[0]

    def texts(self, key: str) -> tuple[str, ...]:
        """A list of texts, or one text alone."""
        value = self.raw(key)
        if value is None:
            return ()
        if isinstance(value, Text):
            return (value,)
        if isinstance(value, Sequence) and all(isinstance(v, Text) for v in value):
            return tuple(value)
        self.problem(f"'{key}' must be a list of texts", key)
        return ()

    def mapping(self, key: str) -> Mapping:
        value = self.raw(key)
        if value is None:
            empty = Mapping()
            empty.place = self.place
            return empty
        if not isinstance(value, Mapping):
            self.problem(f"'{key}' must be a mapping", key)
            empty = Mapping()
            empty.place = self.place
            return empty
        return value

    def text_map(self, key: str) -> dict[str, str]:
        result: dict[str, str] = {}
        for name, value in self.mapping(key).items():
            if isinstance(value, Text):
                result[name] = value
            else:
                self.problem(f"'{key}: {name}' must be text", key)
        return result

    def items(self, key: str) -> Iterator[tuple[str, Any]]:
        yield from self.mapping(key).items()

    def children(self, key: str) -> list[Any]:
        value = self.raw(key)
        if value is None:
            return []
        if not isinstance(value, Sequence):
            self.problem(f"'{key}' must be a list", key)
            return []
        return list(value)

    def done(self) -> None:
        """Report every key that nothing asked for."""
        for key in self.node:
            if key not in self._seen:
                place = getattr(key, "place", self.place)
                self.issues.append(
                    Issue(
                        "error",
                        "unknown-key",
                        f"{self.what}: unknown key '{key}'",
                        place,
                        tuple(sorted(self._seen)),
                    )
                )
