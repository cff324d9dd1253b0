"""A document as a PDF, set by typst.

The document goes in as JSON and a fixed template shows it: no text of a case is ever markup. Fonts
come with the package, so the same document is the same file on every machine.
"""

from __future__ import annotations

import datetime
import json
import re
import unicodedata
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diagnose.errors import fail
from diagnose.language import gettext as _
from diagnose.language import visible
from diagnose.report.document import Document, data_of, with_signs
from diagnose.report.lettering import FONTS, held, lettered

if TYPE_CHECKING:
    from typst import Compiler

HERE = Path(__file__).parent
TEMPLATE = HERE / "templates" / "document.typ"
LONG_WORD = 22
"""Characters from which on a word may be broken anywhere, after every fourth or so."""
LONG_ID = 70
"""The same for ids and hashes, which somebody may want to copy in one piece."""
ONE_LINE = ("footer", "running", "subject", "author")
PIECE = 4
BREAK = "\u200b"
_WORD = re.compile(r"\S+")
_AFTER = "/\\._-:=,;@|&?+#"


def pdf(document: Document) -> bytes:
    """The document as a PDF, tagged, with its fonts.

    Raises
    ------
    DiagnoseError
        A picture in it cannot be drawn.
    """
    import typst

    data = _ready(with_signs(data_of(document)))
    data["name"] = held(visible(document.title))
    data["created"] = _moment(document.created)
    labels = {
        "page": _("page {page} of {pages}"),
        "caution": _("CAUTION"),
        "contents": _("Contents"),
    }
    inputs = {"document": json.dumps(data), "labels": json.dumps(labels)}
    year, month, day, hour, minute, second = data["created"] or (1970, 1, 1, 0, 0, 0)
    stamp = datetime.datetime(year, month, day, hour, minute, second, tzinfo=datetime.UTC)
    try:
        made = _compiler().compile(format="pdf", sys_inputs=inputs, timestamp=stamp)
    except typst.TypstError as error:
        raise fail("drawing", f"the page cannot be set: {error.message}") from error
    if not isinstance(made, bytes):
        raise TypeError("typst made no single file")
    return made


@lru_cache(maxsize=1)
def _compiler() -> Compiler:
    import typst

    return typst.Compiler(TEMPLATE, font_paths=[FONTS], ignore_system_fonts=True)


def _moment(created: str) -> list[int]:
    """Year to second of an ISO 8601 time, in UTC; empty for none."""
    if not created:
        return []
    try:
        at = datetime.datetime.fromisoformat(created)
        if at.tzinfo is not None:
            at = at.astimezone(datetime.UTC)
    except (ValueError, OverflowError):  # a hand has written it, or it is before the year 1
        return []
    return [at.year, at.month, at.day, at.hour, at.minute, at.second]


def _ready(value: Any, key: str = "", style: str = "") -> Any:
    """Texts with places to break in, and only characters that the fonts hold."""
    if isinstance(value, str):
        if key == "svg":
            return lettered(value)
        if key in ("kind", "format", "style"):
            return value
        return breakable(held(value), LONG_ID if style == "mono" or key in ONE_LINE else LONG_WORD)
    if isinstance(value, dict):
        return {k: _ready(v, k, value.get("style", "")) for k, v in value.items()}
    if isinstance(value, list):
        return [_ready(v) for v in value]
    return list(value) if isinstance(value, bytes) else value


def breakable(text: str, longest: int = LONG_WORD) -> str:
    """The text with zero-width spaces in words longer than `longest`, where a line may end."""
    if len(text) <= longest:
        return text
    return _WORD.sub(lambda w: _broken(w[0]) if len(w[0]) > longest else w[0], text)


def _broken(word: str) -> str:
    parts: list[str] = []
    since = 0
    for position, char in enumerate(word):
        joined = unicodedata.category(char)[0] == "M" or char == "\u200d"
        before = word[position - 1] if position else ""
        far = since >= PIECE or before in _AFTER
        apart = not joined and before != "\u200d" and char not in _AFTER
        written_joined = unicodedata.bidirectional(char) == "AL" and since < LONG_WORD
        if position and far and apart and not written_joined:
            parts.append(BREAK)
            since = 0
        parts.append(char)
        since += 1
    return "".join(parts)
