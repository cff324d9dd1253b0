"""Records of what is said, seen and asked: complaints, signs, words, questions, cautions."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from diagnose.errors import Place


@dataclass(frozen=True)
class Sign:
    """Something seen, heard or smelt; `background` is its rate where no failure mode names it."""

    id: str
    title: str
    background: str
    place: Place | None = None


@dataclass(frozen=True)
class Complaint:
    """What a customer reports: one of the alternatives of `when`, each expressions by situation."""

    id: str
    title: str
    says: str
    when: tuple[Mapping[str, str], ...]
    cautions: tuple[str, ...]
    place: Place | None = None
    reports: Mapping[str, str] = field(default_factory=dict)
    """The safety questions that it answers, question to choice."""


HERE = re.compile(r"\{here\.([^{}]*)\}")
"""A word in the text of a test or a rule."""


@dataclass(frozen=True)
class Word:
    """What ``{here.<id>}`` stands for in a text, by what is fitted.

    `ways` are pairs of what is needed (`Installation.fits`, "" for nothing) and what is then
    said; the first that fits holds.
    """

    id: str
    ways: tuple[tuple[str, str], ...]
    place: Place | None = None


@dataclass(frozen=True)
class Caution:
    """A safety note, attached to steps by id."""

    id: str
    text: str
    source: str
    place: Place | None = None


@dataclass(frozen=True)
class Question:
    """A question asked before the first test, where what it `needs` is fitted."""

    id: str
    ask: str
    choices: Mapping[str, str]
    kind: str
    default: str
    factors: Mapping[str, Mapping[str, str]]
    minutes: Mapping[str, Mapping[str, str]]
    """Per choice, which words of the scale ``changes`` take the place of which others."""
    by_phone: bool = True
    needs: str = ""
    unless: Mapping[str, str] = field(default_factory=dict)
    """Earlier questions, and the choice with which each has answered this one too."""
    place: Place | None = None
