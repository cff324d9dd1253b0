"""Categorical knowledge as plain records: facts, patterns, rules.

Every value is text: "1", "True" and "1.0" are three values. A pattern's field holds

- a literal, `yes`;
- a variable, `?part`: any value, the same one wherever the variable stands in the rule;
- alternatives, `open|resistive`: one of the listed literals;
- presence, `*`: the fact has this field, whatever it holds.

A field the pattern does not name may hold anything or be absent.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from diagnose.errors import Place
from diagnose.knowledge.asked_records import HERE

PRESENT = "*"
_VARIABLE = re.compile(r"\?([A-Za-z_][A-Za-z0-9_]*)")
_SLOT = re.compile(r"\{([A-Za-z_][A-Za-z0-9_]*)\}")


@dataclass(frozen=True, order=True)
class Fact:
    """Something given or concluded: a kind and named texts, sorted by name.

    Raises
    ------
    TypeError
        A kind, name or value is not text.
    ValueError
        The fields are not sorted by name, or a name stands twice.
    """

    kind: str
    fields: tuple[tuple[str, str], ...] = ()

    def __post_init__(self) -> None:
        _check_fields(self.kind, self.fields)

    @staticmethod
    def of(kind: str, **fields: str) -> Fact:
        """Make a fact from names and texts, in any order."""
        return Fact(kind, tuple(sorted(fields.items())))

    def get(self, name: str, default: str = "") -> str:
        """Return the text of a field, or `default` where the fact has no such field."""
        for own, value in self.fields:
            if own == name:
                return value
        return default

    def words(self, name: str) -> str:
        """Return the text of a field as people read it."""
        return self.get(name).replace("_", " ")

    def __str__(self) -> str:
        return _shown(self.kind, self.fields)


@dataclass(frozen=True)
class Pattern:
    """A condition on facts of one kind; `negated` means that no such fact is present.

    A field's text that is written wrongly (see `field_mistake`) is kept as it is, so that a
    reader can report it; compiling such a pattern is refused.
    """

    kind: str
    fields: tuple[tuple[str, str], ...] = ()
    negated: bool = False

    def __post_init__(self) -> None:
        _check_fields(self.kind, self.fields)

    @staticmethod
    def of(kind: str, negated: bool = False, /, **fields: str) -> Pattern:
        """Make a pattern from names and texts, in any order."""
        return Pattern(kind, tuple(sorted(fields.items())), negated)

    @property
    def variables(self) -> frozenset[str]:
        """Names of the variables, without the question mark."""
        names = (variable_of(text) for _, text in self.fields)
        return frozenset(name for name in names if name is not None)

    def __str__(self) -> str:
        shown = _shown(self.kind, self.fields)
        return f"not {shown}" if self.negated else shown


@dataclass(frozen=True)
class Rule:
    """When all patterns hold, conclude the facts of `then`.

    A field of `then` is a text, a variable `?name`, or a text with `{name}` inside, or with
    ``{here.<word>}``, which hangs on what is fitted. Rules of a lower `stratum` run to their end
    before a higher one begins, so a negated pattern may only ask for what lower strata conclude.
    `fires_on` and `silent_on` are examples: sets of given facts on which this rule must, or must
    not, fire.
    """

    id: str
    title: str
    source: str
    stratum: int
    when: tuple[Pattern, ...]
    then: tuple[Fact, ...]
    fires_on: tuple[tuple[Fact, ...], ...] = ()
    silent_on: tuple[tuple[Fact, ...], ...] = ()
    place: Place | None = None

    @property
    def positive(self) -> tuple[Pattern, ...]:
        """Patterns that must find a fact, in the order written."""
        return tuple(pattern for pattern in self.when if not pattern.negated)

    @property
    def negative(self) -> tuple[Pattern, ...]:
        """Patterns that must find no fact, in the order written."""
        return tuple(pattern for pattern in self.when if pattern.negated)


def variable_of(text: str) -> str | None:
    """Return the name in `?name`, or None where the text is no variable."""
    match = _VARIABLE.fullmatch(text)
    return match.group(1) if match else None


def literals_of(text: str) -> tuple[str, ...] | None:
    """Return the literals a pattern's field allows, or None for a variable or presence."""
    if text == PRESENT or variable_of(text) is not None:
        return None
    return tuple(part.strip() for part in text.split("|")) if "|" in text else (text,)


def slots_of(text: str) -> tuple[str, ...]:
    """Return the variables a field of `then` draws on."""
    name = variable_of(text)
    return (name,) if name is not None else tuple(_SLOT.findall(text))


def filled(text: str, values: Mapping[str, str]) -> str:
    """Return a field of `then` with its variables replaced.

    Raises
    ------
    KeyError
        A variable has no value.
    """
    name = variable_of(text)
    if name is not None:
        return values[name]
    return _SLOT.sub(lambda match: values[match.group(1)], text) if "{" in text else text


def matching_text(text: str) -> re.Pattern[str]:
    """Return an expression for every text that a field of `then` can become."""
    if variable_of(text) is not None:
        return re.compile(r".*", re.DOTALL)
    parts = _SLOT.split(text)  # literal, name, literal, name, ..., literal
    return re.compile(".*".join(re.escape(part) for part in parts[::2]), re.DOTALL)


def field_mistake(text: str, where: str) -> str | None:
    """Say what is wrong with the text of a field, or return None.

    Parameters
    ----------
    text
        The field's text.
    where
        `when` (a pattern), `then` (a conclusion) or `example` (a fact as it stands).
    """
    if where == "when":
        parts = literals_of(text)
        if parts is None:
            return None
        if len(parts) > 1 and any(p == PRESENT or p.startswith("?") or not p for p in parts):
            return f"'{text}' may list literals only"
        return f"'{text}' is not a variable" if text.startswith("?") else None
    if text == PRESENT or "|" in text:
        return f"'{text}' is a condition, not a value"
    if where == "example":
        return f"'{text}' must be a value" if slots_of(text) or text.startswith("?") else None
    if text.startswith("?"):
        return None if variable_of(text) else f"'{text}' is not a variable"
    rest = HERE.sub("", _SLOT.sub("", text))
    return f"'{text}' has a brace that is no variable" if "{" in rest or "}" in rest else None


def _check_fields(kind: object, fields: Iterable[tuple[object, object]]) -> None:
    if not isinstance(kind, str):
        raise TypeError(f"a kind must be text, not {kind!r}")
    last: str | None = None
    for name, value in fields:
        if not isinstance(name, str) or not isinstance(value, str):
            raise TypeError(f"{kind}: a field must be text, not {name!r}: {value!r}")
        if last is not None and name <= last:
            raise ValueError(f"{kind}: fields must be sorted by name and stand once: {name!r}")
        last = name


def _shown(kind: str, fields: tuple[tuple[str, str], ...]) -> str:
    return f"{kind} {{{', '.join(f'{name}: {value}' for name, value in fields)}}}"
