"""A document as a value: what is on it, nothing about how it is drawn.

Text is data, never markup. Emphasis is a property of a `Run`; a renderer escapes whatever its own
format would read as markup. What builds a document passes texts as they are: `data_of`, which
every renderer starts from, makes control characters visible.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields, is_dataclass
from typing import Any, Literal

from diagnose.language import visible

Paper = Literal["a4", "letter"]
PAPERS: tuple[Paper, ...] = ("a4", "letter")
Style = Literal["", "strong", "em", "mono"]
Align = Literal["start", "end", "center"]
Role = Literal["", "lead", "small", "note"]
TRIMMED = 600
"""Characters of a free text that a document shows where nothing else is said."""


@dataclass(frozen=True)
class Run:
    """A stretch of text in one style; a line feed in it is a line break."""

    text: str
    style: Style = ""


Inline = str | Run
Runs = tuple[Run, ...]


def runs(*parts: Inline) -> Runs:
    """Texts and runs as runs."""
    return tuple(Run(p) if isinstance(p, str) else p for p in parts)


def strong(text: str) -> Run:
    """A text that stands out."""
    return Run(text, "strong")


def em(text: str) -> Run:
    """A text that is set apart."""
    return Run(text, "em")


def mono(text: str) -> Run:
    """An id, a hash, a command."""
    return Run(text, "mono")


@dataclass(frozen=True)
class Heading:
    """A heading of level 1 (a chapter), 2 or 3; it never stands alone at the foot of a page."""

    level: int
    text: str


@dataclass(frozen=True)
class Paragraph:
    """Running text. role: ``lead`` (larger), ``small``, ``note`` (set apart) or ""."""

    runs: Runs
    role: Role = ""


@dataclass(frozen=True)
class Bullets:
    """A list, numbered or not."""

    items: tuple[Runs, ...]
    numbered: bool = False


@dataclass(frozen=True)
class KeyValues:
    """Labels with their values, one below the other."""

    rows: tuple[tuple[str, Runs], ...]


@dataclass(frozen=True)
class Column:
    """A table's column; `width` is its share of what all columns have together."""

    title: str
    align: Align = "start"
    width: float = 1.0


@dataclass(frozen=True)
class Table:
    """A table; its head is repeated on every page, a row is not broken.

    Attributes
    ----------
    rows
        As many cells as columns; the first cell of a row names the row.
    marked : indices of rows that stand out
    """

    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Runs, ...], ...]
    marked: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        if not self.columns or any(len(row) != len(self.columns) for row in self.rows):
            raise ValueError(f"'{self.caption}': every row needs {len(self.columns)} cells")


@dataclass(frozen=True)
class Bar:
    """One bar: its label, its share of 1, and the number as it is to be read."""

    label: str
    share: float
    shown: str


@dataclass(frozen=True)
class Bars:
    """Shares of 1 as horizontal bars."""

    caption: str
    bars: tuple[Bar, ...]


@dataclass(frozen=True)
class Figure:
    """A drawing.

    Attributes
    ----------
    svg
        SVG text; the document's fonts are those of its texts, whatever it names.
    alt
        What it shows, for who cannot see it.
    width
        Share of the page's width.
    own_page
        Whether it gets a page of its own, as large as fits.
    """

    svg: str
    caption: str
    alt: str
    width: float = 1.0
    own_page: bool = False


@dataclass(frozen=True)
class Caution:
    """A safety note."""

    text: str


@dataclass(frozen=True)
class SignatureLines:
    """Lines to sign on, with what stands below each."""

    labels: tuple[str, ...]


@dataclass(frozen=True)
class PageBreak:
    """What follows starts on a new page."""


Block = (
    Heading
    | Paragraph
    | Bullets
    | KeyValues
    | Table
    | Bars
    | Figure
    | Caution
    | SignatureLines
    | PageBreak
)


@dataclass(frozen=True)
class Logo:
    """A picture file's bytes and its format (``png``, ``jpg``, ``svg``, ``gif`` or ``webp``)."""

    data: bytes
    format: str


@dataclass(frozen=True)
class Letterhead:
    """Who writes: name, address lines, logo."""

    name: str
    lines: tuple[str, ...] = ()
    logo: Logo | None = None


@dataclass(frozen=True, repr=False)
class Document:
    """A document with its metadata.

    Attributes
    ----------
    title, subtitle
        On top of the first page; the title is also the file's.
    language
        Of the fixed texts, as a BCP 47 tag.
    created
        ISO 8601 time that the file's metadata hold; "" for none, so that equal contents make
        equal files.
    watermark
        Across every page; "" for none.
    running, footer
        At the head of every page but the first; at the foot of every page, beside its number.
    contents
        A table of contents follows the title, and running heads name the chapter.
    """

    title: str
    blocks: tuple[Block, ...]
    subtitle: str = ""
    language: str = "en"
    paper: Paper = "a4"
    landscape: bool = False
    author: str = ""
    subject: str = ""
    created: str = ""
    watermark: str = ""
    running: str = ""
    footer: str = ""
    contents: bool = False
    letterhead: Letterhead | None = None


# ---------------------------------------------------------------------- texts


def trimmed(text: str, notice: str, most: int = TRIMMED) -> str:
    """A free text, cut after `most` characters; `notice` then says so (``{count}``: how many).

    A text that would hardly get shorter is left whole.
    """
    text = text.strip()
    said = f" … {notice.replace('{count}', str(len(text)))}"
    return text if len(text) <= most + len(said) else text[:most].rstrip() + said


def data_of(value: Any) -> Any:
    """A document, or part of one, as plain lists, mappings and visible texts.

    A block becomes a mapping of its fields, with its class's name as ``kind``.
    """
    if isinstance(value, str):
        return visible(value)
    if isinstance(value, Figure):
        return {**_fields(value), "svg": value.svg}
    if is_dataclass(value):
        return _fields(value)
    if isinstance(value, Mapping):
        return {key: data_of(item) for key, item in value.items()}
    if isinstance(value, Iterable) and not isinstance(value, bytes):
        return [data_of(item) for item in value]
    return value


_UNIT = re.compile(r"(?<=\d )([kM]?)ohm\b|(?<=\d )uF\b")


def with_signs(value: Any) -> Any:
    """Plain data with units as they are printed: what is typed as ``ohm`` or ``uF`` is Ω and µF."""
    if isinstance(value, str):
        return _UNIT.sub(lambda found: f"{found[1]}Ω" if found[1] is not None else "µF", value)
    if isinstance(value, dict):
        return {key: with_signs(item) for key, item in value.items()}
    return [with_signs(item) for item in value] if isinstance(value, list) else value


def _fields(value: Any) -> dict[str, Any]:
    own = {field.name: data_of(getattr(value, field.name)) for field in fields(value)}
    return {"kind": type(value).__name__, **own}
