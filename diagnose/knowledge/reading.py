"""YAML read as text with places kept.

PyYAML's composer gives the nodes with line and column. Every scalar stays the text that
was typed (YAML 1.1 would turn `on`, `no` and `1.0e9` into something else), every mapping,
list and text carries its `place`, and a repeated key is an error.

No file can make the reader use much time or memory: it reads no more than `LARGEST` bytes, builds
no more than `MOST_NODES` values, nested no deeper than `DEEPEST`, and follows no alias.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, ClassVar

import yaml
from yaml.reader import Reader as _Characters

from diagnose.errors import DiagnoseError, Issue, Place, fail

LARGEST = 4_000_000
"""Bytes of a file that is read; a hundred times the largest one of the knowledge base."""
MOST_NODES = 150_000
"""Texts, lists and mappings in one file; some 5,000 answers in a case."""
DEEPEST = 50
"""Lists and mappings within one another."""
MOST_UNKNOWN = 50
"""Unknown keys of one mapping that are each named."""
SURELY_FEW = 2 * MOST_NODES
"""Characters of a text that cannot hold more than `MOST_NODES`: each takes two at least."""


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


def read_bytes(path: Path, shown: str | None = None, largest: int = LARGEST) -> bytes:
    """The bytes of a file; of one with more than `largest` no more than that is read.

    Raises
    ------
    DiagnoseError
        The file cannot be opened, or is too large.
    """
    place = Place(shown or str(path), 1, 1)
    try:
        with path.open("rb") as file:
            data = file.read(largest + 1)
    except OSError as error:
        raise fail("unreadable", f"cannot read the file: {error.strerror}", place) from error
    except ValueError as error:  # a null character in the name
        raise fail("unreadable", f"cannot read the file: {error}", place) from error
    if len(data) > largest:
        most = f"{largest // 10**6} MB" if largest >= 10**6 else f"{largest // 1000} kB"
        raise fail("too-large", "the file is too large", place, (f"{most} at most",))
    return data


def decode(data: bytes, name: str) -> str:
    """The bytes of a file as text; `name` is the file name shown in places.

    Raises
    ------
    DiagnoseError
        They are not UTF-8; the place and the offset are those of the first byte that is not.
    """
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        before = data[: error.start].decode("utf-8", "replace")
        line = before.count("\n") + 1
        place = Place(name, line, len(before) - before.rfind("\n"))
        wrong = f"byte {data[error.start]:#04x} at offset {error.start}"
        message = f"not UTF-8 text ({wrong}: {error.reason})"
        raise fail("unreadable", message, place, ("save it as UTF-8",)) from error


def read_yaml(path: Path, shown: str | None = None) -> Any:
    """Read one YAML file as nested `Mapping`, `Sequence` and `Text`.

    Raises
    ------
    DiagnoseError
        The file cannot be opened or decoded, is too large, is not YAML, or repeats a key.
    """
    name = shown or str(path)
    return parse_yaml(decode(read_bytes(path, name), name), name)


def parse_yaml(text: str, name: str) -> Any:
    """Parse YAML text; `name` is the file name shown in places.

    Raises
    ------
    DiagnoseError
        It is not YAML, repeats a key, has an alias, or is nested too deep or holds too much.
    """
    problems: list[Issue] = []
    try:
        if len(text) > SURELY_FEW or "*" in text:
            _check_amount(text, name)
        root = yaml.compose(text, Loader=_Loader)
        tree = None if root is None else _convert(root, name, problems, 1)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        place = _place(name, mark) if mark else Place(name, 1, 1)
        if "nesting" in str(error.problem):  # the parser's own limit, far beyond ours
            raise _too_deep(place) from error
        raise fail("yaml", f"not valid YAML: {error.problem}", place) from error
    except yaml.YAMLError as error:
        raise _unreadable(error, text, name) from error
    except UnicodeEncodeError as error:  # half a surrogate pair
        message = f"not valid YAML: no character at offset {error.start}"
        raise fail("yaml", message, _place_at(text, error.start, name)) from error
    except RecursionError as error:
        raise _too_deep(Place(name, 1, 1)) from error
    if root is None:
        raise fail("yaml", "the file is empty", Place(name, 1, 1))
    if problems:
        raise DiagnoseError(problems)
    return tree


def _place(name: str, mark: Any) -> Place:
    return Place(name, mark.line + 1, mark.column + 1)


def _place_at(text: str, offset: int, name: str) -> Place:
    line = text.count("\n", 0, offset) + 1
    return Place(name, line, offset - text.rfind("\n", 0, offset))


def _unreadable(error: yaml.YAMLError, text: str, name: str) -> DiagnoseError:
    """What is wrong where the parser itself names no place: a character that YAML forbids."""
    found = _Characters.NON_PRINTABLE.search(text)
    if found is None:
        return fail("yaml", f"not valid YAML: {error}".splitlines()[0], Place(name, 1, 1))
    code = f"U+{ord(found[0]):04X}"
    message = f"not valid YAML: the character {code} at offset {found.start()} is not allowed"
    return fail("yaml", message, _place_at(text, found.start(), name))


def _too_deep(place: Place) -> DiagnoseError:
    message = "lists and mappings are nested too deep"
    return fail("too-deep", message, place, (f"{DEEPEST} levels at most",))


def _check_amount(text: str, name: str) -> None:
    """Refuse an alias, and more values than any honest file has, before anything is built."""
    loader = _Loader(text)
    count = 0
    try:
        while loader.check_event():
            event = loader.get_event()
            if isinstance(event, yaml.AliasEvent):
                message = f"the alias '*{event.anchor}' is not allowed: write the text out"
                raise fail("alias", message, _place(name, event.start_mark))
            count += isinstance(event, yaml.ScalarEvent | yaml.CollectionStartEvent)
            if count > MOST_NODES:
                message = "the file holds too many texts, lists and mappings"
                place = _place(name, event.start_mark)
                raise fail("too-large", message, place, (f"{MOST_NODES} at most",))
    finally:
        loader.dispose()


def _convert(node: yaml.Node, name: str, problems: list[Issue], depth: int) -> Any:
    place = Place(name, node.start_mark.line + 1, node.start_mark.column + 1)
    if isinstance(node, yaml.ScalarNode):
        return Text(node.value, place)
    if depth > DEEPEST:
        raise _too_deep(place)
    if isinstance(node, yaml.SequenceNode):
        items = Sequence(_convert(child, name, problems, depth + 1) for child in node.value)
        items.place = place
        return items
    mapping = Mapping()
    mapping.place = place
    for key_node, value_node in node.value:
        if not isinstance(key_node, yaml.ScalarNode):
            problems.append(Issue("error", "yaml", "a key must be plain text", place))
            continue
        key = _convert(key_node, name, problems, depth + 1)
        if key in mapping:
            problems.append(
                Issue("error", "repeated-key", f"the key '{key}' stands twice", key.place)
            )
        else:
            mapping[key] = _convert(value_node, name, problems, depth + 1)
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
                place = getattr(value, "place", self.place)
                message = f"{self.what}: '{key}: {name}' must be text"
                self.issues.append(Issue("error", "structure", message, place))
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
        """Report every key that nothing asked for; of very many, the first."""
        legal = tuple(sorted(self._seen))
        unknown = [key for key in self.node if key not in self._seen]
        for key in unknown[:MOST_UNKNOWN]:
            message = f"{self.what}: unknown key '{key}'"
            place = getattr(key, "place", self.place)
            self.issues.append(Issue("error", "unknown-key", message, place, legal))
        if len(unknown) > MOST_UNKNOWN:
            self.problem(f"{len(unknown) - MOST_UNKNOWN} more unknown keys", code="unknown-key")
