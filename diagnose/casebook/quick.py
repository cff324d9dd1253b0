"""Reading many case files: the layout that the program writes, without a YAML parser.

A case that was written by the program and not laid out anew by hand takes a tenth of the time
here. What is not plainly of that layout is left to the reader proper (`diagnose.casebook.text`),
which also says what is wrong: this one says nothing, and what it returns equals what that one
would.
"""

from __future__ import annotations

import datetime
import re
from typing import Any

from diagnose.casebook.store import FORMAT, CaseHeader
from diagnose.casebook.text import canonical, misshapen
from diagnose.interview.events import KINDS, Event

HEADER = {"format", "id", "title", "site", "installation", "variants", "opened", "knowledge"}
_ODD = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u2028\u2029\ufeff\ud800-\udfff]")
"""Characters that are line ends to some, or that YAML takes as something else."""
_KEY = r"[A-Za-z0-9_][A-Za-z0-9_.@-]*"
_SCALAR = (
    r"(?:(?!.*(?:: | #))[A-Za-z0-9_./+(\u00a0-\U0010ffff].*(?<![: ])|'(?:[^']|'')*'|\{\}|\[\])"
)
_LINE = re.compile(rf"( *)(- )?(?:({_KEY}):(?: ({_SCALAR}))?|({_SCALAR}))")


class _Odd(Exception):
    """The text is not plainly of the layout that the program writes."""


def quick_case(text: str, stem: str) -> tuple[CaseHeader, list[Event]] | None:
    """Header and events of a case's text; None where the reader proper must see it."""
    if not text.endswith("\n") or _ODD.search(text):
        return None
    try:
        tree = _Lines(text).tree()
        events = tree.pop("events", None)
        if not tree.keys() <= HEADER or tree["format"] != FORMAT or not events:
            return None
        header = CaseHeader(
            id=_str(tree["id"]),
            title=_str(tree.get("title", "")),
            site=_str(tree.get("site", "")),
            installation=_str(tree["installation"]),
            variants={k: _str(v) for k, v in _dict(tree.get("variants", {})).items()},
            opened=_str(tree["opened"]),
            knowledge=_str(tree["knowledge"]),
        )
        datetime.datetime.fromisoformat(header.opened)
        told = [_event(node) for node in events]
    except (_Odd, KeyError, ValueError, TypeError, OverflowError):
        return None
    if header.id != stem or len({event.id for event in told}) < len(told):
        return None
    return header, told


def _event(node: Any) -> Event:
    if _dict(node).keys() != {"id", "at", "kind", "data"} or node["kind"] not in KINDS:
        raise _Odd
    at = _str(node["at"])
    datetime.datetime.fromisoformat(at)
    event = canonical(Event(_str(node["id"]), at, node["kind"], _dict(node["data"])))
    if next(misshapen(event.data), None) is not None:
        raise _Odd
    return event


def _str(value: Any) -> str:
    if not isinstance(value, str):
        raise _Odd
    return value


def _dict(value: Any) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise _Odd
    return value


def _scalar(text: str) -> Any:
    if text[0] == "'":
        return text[1:-1].replace("''", "'")
    return {} if text == "{}" else [] if text == "[]" else text


class _Lines:
    """The lines of a text, each as its indent, dash, key and value."""

    def __init__(self, text: str) -> None:
        self.lines: list[tuple[int, bool, str | None, str | None]] = []
        for line in text[:-1].split("\n"):
            if line.startswith("#"):
                continue
            match = _LINE.fullmatch(line)
            if match is None:
                raise _Odd
            space, dash, key, value, alone = match.groups()
            self.lines.append((len(space), dash is not None, key, value if key else alone))
        self.lines.append((-1, False, None, None))
        self.next = 0

    def tree(self) -> dict[str, Any]:
        """All lines, as one mapping."""
        tree = self._mapping(0, {})
        if self.next != len(self.lines) - 1:
            raise _Odd
        return tree

    def _mapping(self, indent: int, result: dict[str, Any]) -> dict[str, Any]:
        while True:
            at, dash, key, value = self.lines[self.next]
            if at != indent or dash:
                if at > indent:
                    raise _Odd
                return result
            self.next += 1
            self._set(result, key, value, indent)

    def _set(self, result: dict[str, Any], key: str | None, value: str | None, indent: int) -> None:
        if key is None or key in result:
            raise _Odd
        result[key] = _scalar(value) if value is not None else self._below(indent)

    def _below(self, indent: int) -> Any:
        at, dash, _, _ = self.lines[self.next]
        if dash and at == indent:
            return self._list(indent)
        if dash or at != indent + 2:
            raise _Odd
        return self._mapping(at, {})

    def _list(self, indent: int) -> list[Any]:
        result: list[Any] = []
        while True:
            at, dash, key, value = self.lines[self.next]
            if at != indent or not dash:
                if at > indent:
                    raise _Odd
                return result
            self.next += 1
            if key is None:
                result.append(_scalar(value or ""))
                continue
            item: dict[str, Any] = {}
            self._set(item, key, value, indent + 2)
            result.append(self._mapping(indent + 2, item))
