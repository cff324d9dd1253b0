"""What is written on a drawing, as boxes: no text may lie on another or leave the sheet."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import dataclass

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
    found: list[tuple[str, str]] = []
    above: list[Box] = []
    for box in sorted(texts_of(svg), key=lambda box: box.top):
        above = [a for a in above if a.bottom > box.top]
        found += [(a.text, box.text) for a in above if a.meets(box)]
        above.append(box)
    return found


def outside(svg: str) -> list[str]:
    """Texts that leave the sheet."""
    w, h = sheet_of(svg)
    return [
        b.text
        for b in texts_of(svg)
        if b.left < 0 or b.top < 0 or b.right > w + SLACK or b.bottom > h + SLACK
    ]


def written(svg: str) -> str:
    """All texts of a drawing in the order in which they were drawn, without any space."""
    return "".join("".join(box.text.split()) for box in texts_of(svg))


def numbers_on(svg: str) -> set[int]:
    """The numbers that stand in test points: bold, in the middle of a circle."""
    root = ET.fromstring(svg)
    circles = {(n.get("cx"), n.get("cy")) for n in root.iter(f"{SVG}circle")}
    found = set()
    for node in root.iter(f"{SVG}text"):
        text = node.text or ""
        y = float(node.attrib["y"])
        middle = any(
            x == node.get("x") and abs(float(cy or 0) + 3.6 - y) < 0.1 for x, cy in circles
        )
        if text.isdigit() and middle:
            found.add(int(text))
    return found
