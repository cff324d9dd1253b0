"""Which of the package's fonts holds a character, for texts and for the texts in drawings."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from bisect import bisect_right
from collections.abc import Iterator
from functools import lru_cache
from itertools import groupby
from pathlib import Path

from diagnose.errors import fail

FONTS = Path(__file__).parent / "fonts"
COVERAGE = FONTS / "coverage.json"
"""Family → ranges of the characters that it holds: [first, last], [first, last] ..."""
PLAIN = "Noto Sans"
SVG = "http://www.w3.org/2000/svg"
_ANYWHERE = "\n\u00ad\u200b\u200c\u200d\ufe0e\ufe0f"


@lru_cache(maxsize=1)
def _families() -> dict[str, tuple[list[int], list[int]]]:
    read = json.loads(COVERAGE.read_text("utf-8"))
    return {
        family: ([first for first, _ in pairs], [last for _, last in pairs])
        for family, pairs in read.items()
    }


@lru_cache(maxsize=4096)
def family_of(char: str) -> str | None:
    """The family that draws a character, the plain one first; None where none does."""
    code = ord(char)
    if char in _ANYWHERE:
        return PLAIN
    for family, (firsts, lasts) in _families().items():
        place = bisect_right(firsts, code) - 1
        if place >= 0 and code <= lasts[place]:
            return family
    return None


def held(text: str) -> str:
    """The text; a character that no font of ours holds as ``[U+5B57]``."""
    if text.isascii():
        return text
    return "".join(c if family_of(c) is not None else f"[U+{ord(c):04X}]" for c in text)


def lettered(svg: str) -> str:
    """A drawing in whose texts every stretch names the font that holds it.

    What sets the page looks for a drawing's character in the font named and nowhere else.

    Raises
    ------
    DiagnoseError
        It is no drawing.
    """
    if svg.isascii():
        return svg
    try:
        root = ET.fromstring(svg)
    except ET.ParseError as error:
        raise fail("drawing", f"a drawing cannot be read: {error}") from error
    ET.register_namespace("", SVG)
    for text in list(root.iter(f"{{{SVG}}}text")):
        _letter(text)
    return ET.tostring(root, encoding="unicode")


def _letter(element: ET.Element) -> None:
    children = list(element)
    for child in children:
        if child.tag == f"{{{SVG}}}tspan":
            _letter(child)
    parts = [(element.text, None), *((child.tail, child) for child in children)]
    for child in children:
        element.remove(child)
    element.text = ""
    last: ET.Element | None = None
    for words, before in parts:
        if before is not None:
            before.tail = ""
            element.append(before)
            last = before
        for family, stretch in _stretches(held(words or "")):
            if family == PLAIN:
                if last is None:
                    element.text += stretch
                else:
                    last.tail = (last.tail or "") + stretch
                continue
            last = ET.SubElement(element, f"{{{SVG}}}tspan", {"font-family": family})
            last.text = stretch


def _stretches(text: str) -> Iterator[tuple[str, str]]:
    """Stretches of one family; a space, mark or joiner stays with what stands before it."""
    families: list[str] = []
    for char in text:
        family = family_of(char) or PLAIN
        stays = char.isspace() or char in _ANYWHERE
        families.append(families[-1] if stays and families else family)
    places = range(len(text))
    for family, group in groupby(places, key=lambda k: families[k]):
        yield family, "".join(text[k] for k in group)
