"""A line that a person types: what it means, and the words that work at every question."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from diagnose.interview.steps import Option
from diagnose.language import gettext as _
from diagnose.language import marked
from diagnose.units import whole_number

HELP = (
    ("? or why", marked("why this is asked, and what each answer would mean")),
    ("other", marked("choose another test")),
    ("cannot", marked("this cannot be done or measured here (a reason may follow)")),
    ("not sure", marked("followed by a guess: counts for less; alone: asks for one")),
    ("back", marked("take the last answer back")),
    (
        "circuit",
        marked("where this step's test points are; circuit all: the whole; circuit open: drawn"),
    ),
    ("hazard", marked("report a shock, water, smoke, damage or danger, at any time")),
    ("view", marked("what is still suspected, with probabilities")),
    ("stop", marked("stop for now; the case stays on file")),
    ("help", marked("these words")),
)
WORDS = {
    "?": "why",
    "why": "why",
    "other": "other",
    "others": "other",
    "other tests": "other",
    "cannot": "cannot",
    "can't": "cannot",
    "not sure": "not sure",
    "don't know": "not sure",
    "do not know": "not sure",
    "no idea": "not sure",
    "back": "back",
    "go back": "back",
    "circuit": "circuit",
    "circuit all": "circuit all",
    "circuit open": "circuit open",
    "hazard": "hazard",
    "danger": "hazard",
    "view": "view",
    "stop": "stop",
    "help": "help",
    "h": "help",
}
OWN_WORDS = (
    marked("why"),
    marked("other"),
    marked("cannot"),
    marked("not sure"),
    marked("back"),
    marked("circuit"),
    marked("circuit all"),
    marked("circuit open"),
    marked("hazard"),
    marked("view"),
    marked("stop"),
    marked("help"),
)
"""Words that each language has its own of."""
NOT_GUESSED = marked("Safety is not guessed: where you are not sure, answer as if it were so.")


@dataclass(frozen=True)
class Said:
    """A line as understood: ``answer``, ``bad``, or one of the words; `text` is what follows.

    `line` is what was typed, where it is bad.
    """

    kind: str
    text: str = ""
    sure: bool = True
    line: str = ""


def match(typed: str, options: Sequence[Option], numbers: bool = True) -> str | None:
    """The option meant: by id, number, title, or the only one that starts like this."""
    text = " ".join(typed.casefold().split())
    for option in options:
        if text in (option.id.casefold(), " ".join(option.title.casefold().split())):
            return option.id
    number = whole_number(text)
    if number is not None:
        position = number - 1
        return options[position].id if numbers and 0 <= position < len(options) else None
    if not text:
        return None
    starts = [
        o.id
        for o in options
        if o.title.casefold().startswith(text) or o.id.casefold().startswith(text.replace(" ", "_"))
    ]
    return starts[0] if len(starts) == 1 else None


def by_words(typed: str, options: Sequence[Option]) -> list[Option]:
    """The options whose title holds all the words typed, in any order; none for a number."""
    words = typed.casefold().split()
    if not words or whole_number(typed) is not None:
        return []
    return [o for o in options if all(word in o.title.casefold() for word in words)]


def clean(line: str) -> str:
    """A typed line without what no file could hold, spaces put in order."""
    return " ".join(line.encode("utf-8", "surrogatepass").decode("utf-8", "replace").split())


def understand(line: str, options: Sequence[Option], reading: bool = False) -> Said:
    """What a typed line means; `reading`: a bare number is a reading, not an option."""
    text = clean(line)
    if not text:
        return Said("bad", _("type an answer, or 'help'"))
    exact = [o.id for o in options if text.casefold() == o.id.casefold()]
    if exact:
        return Said("answer", exact[0])
    words = known_words()
    if text.casefold() in words:
        return Said(words[text.casefold()])
    unsure = re.match(_after(words, "not sure"), text, re.IGNORECASE)
    if unsure:
        inner = understand(unsure[1], options, reading)
        return Said(inner.kind, inner.text, False) if inner.kind == "answer" else inner
    cannot = re.match(_after(words, "cannot"), text, re.IGNORECASE)
    if cannot:
        return Said("cannot", cannot[1])
    chosen = match(text, options, numbers=not reading)
    if chosen is not None:
        return Said("answer", chosen)
    if reading:
        return Said("answer", text)
    if len(options) == 1:
        message = _("'{text}' is not one of the answers: type '{only}', or 'help'")
        return Said("bad", message.format(text=text, only=options[0].title), line=text)
    message = _("'{text}' is not one of the answers: type a number from 1 to {count}")
    return Said("bad", message.format(text=text, count=len(options)), line=text)


def known_words() -> dict[str, str]:
    """What may be typed at every question, in English and in the language in use."""
    own = {_(word).casefold(): word for word in OWN_WORDS}
    return {**own, **WORDS}


def _after(words: Mapping[str, str], kind: str) -> str:
    """An expression for one of the words of a kind and what follows it."""
    some = "|".join(re.escape(word) for word, meant in words.items() if meant == kind)
    return rf"(?:{some})[ ,:]+(.*)"


def number_from(count: int) -> str:
    """What to type where one of some options is to be chosen."""
    return _("Type a number from 1 to {count}.").format(count=count)
