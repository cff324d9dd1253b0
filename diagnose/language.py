"""The language of what people read: fixed texts and the knowledge's, through one function.

The message is the English text itself, so English needs no catalogue, and a text without a
translation appears in English. Identifiers, files and ``--json`` never change with the language.

Catalogues are ``locale/<language>/LC_MESSAGES/diagnose.po``, with the compiled ``.mo`` beside it
(``pybabel compile -d diagnose/locale -D diagnose``; a test compares the two).
"""

from __future__ import annotations

import gettext as catalogues
import os
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from diagnose.errors import fail

ENGLISH = "en"
DOMAIN = "diagnose"
FOLDER = Path(__file__).with_name("locale")
VARIABLES = ("LANGUAGE", "LC_ALL", "LC_MESSAGES", "LANG")
"""Environment variables that name the language, the first that is set wins (POSIX; gettext)."""


@dataclass(frozen=True)
class Language:
    """A language in use: its tag (``hi``, ``en-GB``) and its catalogue."""

    tag: str
    catalogue: catalogues.NullTranslations

    @property
    def code(self) -> str:
        """The language without its region."""
        return self.tag.partition("-")[0]


_PLAIN = Language(ENGLISH, catalogues.NullTranslations())
_ACTIVE: ContextVar[Language] = ContextVar("language", default=_PLAIN)


def languages() -> tuple[str, ...]:
    """The languages there are, English first."""
    found = sorted(p.parent.parent.name for p in FOLDER.glob(f"*/LC_MESSAGES/{DOMAIN}.mo"))
    return (ENGLISH, *(name for name in found if name != ENGLISH))


def gettext(message: str) -> str:
    """The message in the language in use; as it is where that has no translation of it."""
    return _ACTIVE.get().catalogue.gettext(message) if message else ""


def ngettext(one: str, many: str, number: int) -> str:
    """The form of a message that goes with a number."""
    return _ACTIVE.get().catalogue.ngettext(one, many, number)


def marked(message: str) -> str:
    """The message as it is; says that it is a message, to be translated where it is shown."""
    return message


def translated(texts: Mapping[str, str]) -> dict[str, str]:
    """The texts of a mapping in the language in use."""
    return {key: gettext(text) for key, text in texts.items()}


def current() -> Language:
    """The language in use."""
    return _ACTIVE.get()


@lru_cache
def load(tag: str) -> Language:
    """A language by its tag (``hi``, ``hi_IN``, ``en-GB``).

    Raises
    ------
    DiagnoseError
        There is no such language.
    """
    tag = tag.strip().replace("_", "-")
    code = tag.partition("-")[0].casefold()
    if code not in languages():
        raise fail("language", f"there is no language '{tag}'", None, languages())
    if code == ENGLISH:
        return Language(
            tag if tag.casefold() != ENGLISH else ENGLISH, catalogues.NullTranslations()
        )
    return Language(code, catalogues.translation(DOMAIN, FOLDER, [code]))


def of_environment(environment: Mapping[str, str] | None = None) -> str:
    """The language that the environment names; English where it names none that there is."""
    values = os.environ if environment is None else environment
    named = next((values[name] for name in VARIABLES if values.get(name)), "")
    for one in named.split(":"):
        code = one.partition(".")[0].partition("@")[0].replace("_", "-")
        if code.partition("-")[0].casefold() in languages():
            return code
    return ENGLISH


def choose(candidates: Iterable[str | None]) -> str:
    """The first language named, else the environment's."""
    return next((name for name in candidates if name), None) or of_environment()


def use(tag: str) -> None:
    """Use a language from here on.

    Raises
    ------
    DiagnoseError
        There is no such language.
    """
    _ACTIVE.set(load(tag))


@contextmanager
def using(tag: str) -> Iterator[Language]:
    """Use a language for a while."""
    token = _ACTIVE.set(load(tag))
    try:
        yield _ACTIVE.get()
    finally:
        _ACTIVE.reset(token)


def visible(text: str) -> str:
    """The text without characters that act instead of showing.

    A control character becomes its picture (U+2400 ff.), line feeds and tabs are kept as breaks
    and spaces; what turns the direction of writing, half a surrogate pair and what is
    no character at all become ``[U+202E]`` and the like.
    """
    if text.isprintable():
        return text
    return "".join(_visible(c) for c in text.replace("\r\n", "\n"))


def _visible(char: str) -> str:
    code = ord(char)
    if char == "\n" or char.isprintable():
        return char
    if char == "\t":
        return " "
    if code < 0x20:
        return chr(0x2400 + code)
    if code == 0x7F:
        return "\u2421"
    category = unicodedata.category(char)
    if category in ("Zs", "Zl", "Zp"):
        return "\n" if category != "Zs" else char
    if char in "\u200c\u200d\u00ad":  # shape letters, or show at a break only
        return char
    return f"[U+{code:04X}]"
