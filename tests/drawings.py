"""What is written on a drawing, as boxes: for tests that no text lies on another or off the sheet."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import dataclass
from itertools import combinations

from diagnose.report.pictures.lettering import width

SVG = "{http://www.w3.org/2000/svg}"
ASCENT, DESCENT = 0.74, 0.2
"""Of the font size: above capitals and below most letters (DejaVu Sans, Noto Sans)."""
SLACK = 0.6
"""Units by which two boxes may touch."""


@dataclass(frozen=True)
class Box:
    """A text and where it lies."""

    text: str
    left: float
    top: float
    right: float
    bottom: float

    def meets(self, other: Box) -> bool:
        across = min(self.right, other.right) - max(self.left, other.left)
        down = min(self.bottom, other.bottom) - max(self.top, other.top)
        return across > SLACK and down > SLACK


def texts_of(svg: str) -> list[Box]:
    """Every text of a drawing with its estimated box."""
    boxes = []
    for node in ET.fromstring(svg).iter(f"{SVG}text"):
        text = node.text or ""
        size = float(node.attrib["font-size"])
        wide = width(text, size, node.get("font-weight") == "bold")
        x, y = float(node.attrib["x"]), float(node.attrib["y"])
        left = (
            x - {"start": 0.0, "middle": 0.5, "end": 1.0}[node.get("text-anchor", "start")] * wide
        )
        boxes.append(Box(text, left, y - ASCENT * size, left + wide, y + DESCENT * size))
    return boxes


def sheet_of(svg: str) -> tuple[float, float]:
    """Width and height of a drawing."""
    _, _, w, h = map(float, ET.fromstring(svg).attrib["viewBox"].split())
    return w, h


def overlaps(svg: str) -> list[tuple[str, str]]:
    """Pairs of texts that lie on one another."""
    return [(a.text, b.text) for a, b in combinations(texts_of(svg), 2) if a.meets(b)]


def outside(svg: str) -> list[str]:
    """Texts that leave the sheet."""
    w, h = sheet_of(svg)
    return [
        b.text
        for b in texts_of(svg)
        if b.left < 0 or b.top < 0 or b.right > w + SLACK or b.bottom > h + SLACK
    ]
