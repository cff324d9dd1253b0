"""Where texts stand: on a drawing, by estimated widths; on the pages of a PDF, as they were set."""

from __future__ import annotations

import re
from typing import NamedTuple
from xml.etree import ElementTree as ET

from diagnose.report.document import Paper
from diagnose.report.pictures.lettering import width

ASCENT, DESCENT = 0.78, 0.22
"""Of the letters used here, in font sizes."""
POINTS: dict[Paper, tuple[float, float]] = {"a4": (595.3, 841.9), "letter": (612.0, 792.0)}
EDGE = 25.0
"""Points at each edge of the page that stay free."""


class TextBox(NamedTuple):
    """What a text covers."""

    x0: float
    y0: float
    x1: float
    y1: float
    text: str


def boxes_of(svg: str) -> list[TextBox]:
    """The texts of a drawing."""
    found = []
    for element in ET.fromstring(svg).iter("{http://www.w3.org/2000/svg}text"):
        text = "".join(element.itertext())
        size = float(element.attrib["font-size"])
        bold = element.get("font-weight") == "bold"
        long = width(text, size, bold)
        x, y = float(element.attrib["x"]), float(element.attrib["y"])
        x -= {"middle": long / 2, "end": long}.get(element.get("text-anchor", ""), 0.0)
        found.append(TextBox(x, y - ASCENT * size, x + long, y + DESCENT * size, text))
    return found


def overlapping(boxes: list[TextBox], slack: float = 0.5) -> list[tuple[str, str]]:
    """Pairs of texts that cover one another by more than `slack`."""
    found: list[tuple[str, str]] = []
    above: list[TextBox] = []
    for b in sorted(boxes, key=lambda box: box.y0):
        above = [a for a in above if a.y1 - b.y0 > slack]
        found += [
            (a.text, b.text)
            for a in above
            if min(a.x1, b.x1) - max(a.x0, b.x0) > slack and min(a.y1, b.y1) - b.y0 > slack
        ]
        above.append(b)
    return found


def page_faults(content: bytes, paper: Paper) -> tuple[list[str], str, int]:
    """What is wrong on the pages of a PDF, all its text with single spaces, how many pages.

    A page of another size, a word outside the page's edges, two words on top of one another, a
    heading or a table's head at the foot of a page, an empty page.
    """
    import pymupdf

    faults: list[str] = []
    texts: list[str] = []
    wide, high = POINTS[paper]
    with pymupdf.open(stream=content, filetype="pdf") as document:  # type: ignore[no-untyped-call]
        for number, page in enumerate(document, 1):
            rect = page.rect
            if abs(rect.width - wide) > 1 or abs(rect.height - high) > 1:
                faults.append(f"page {number} is {rect.width} by {rect.height}")
            words = [TextBox(w[0], w[1], w[2], w[3], w[4]) for w in page.get_text("words")]
            if len(words) < 20:
                faults.append(f"page {number} is nearly empty")
            for word in words:
                inside = word.x0 >= EDGE and word.x1 <= wide - EDGE and word.y0 >= EDGE
                if not inside or word.y1 > high - EDGE:
                    faults.append(f"page {number}: '{word.text}' at {word[:4]}")
            shrunk = [
                TextBox(
                    w.x0, w.y0 + 0.25 * (w.y1 - w.y0), w.x1, w.y1 - 0.25 * (w.y1 - w.y0), w.text
                )
                for w in words
            ]
            faults += [f"page {number}: {a} on {b}" for a, b in overlapping(shrunk)]
            body = [w for w in words if w.y1 < high - 55]
            last = max((w.y1 for w in body), default=0.0)
            foot = " ".join(w.text for w in body if w.y1 > last - 3)
            if re.match(r"(Step|End|Caution) \S+ ", foot) and "this" in foot:
                faults.append(f"page {number}: '{foot}' alone at its foot")
            texts.append(page.get_text())
    return faults, " ".join(" ".join(texts).replace("\u200b", "").split()), len(texts)
