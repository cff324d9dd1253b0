"""A sheet to draw on, written out as SVG: self-contained, text as text, no two runs differ.

Lengths are in units of the drawing. Nothing but presentation attributes is used, so browsers and
converters that know no style sheets draw the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Literal
from xml.sax.saxutils import escape, quoteattr

from diagnose.report.pictures.lettering import SIZE, clean, trim, width

Anchor = Literal["start", "middle", "end"]
Point = tuple[float, float]
FONTS = "Noto Sans, DejaVu Sans, sans-serif"
INK, FAINT, RED, PAPER = "#111111", "#8c8c8c", "#b00020", "#ffffff"
HATCH = (
    '<defs><pattern id="hatch" width="7" height="7" patternUnits="userSpaceOnUse" '
    'patternTransform="rotate(45)"><rect width="7" height="7" fill="#ffffff"/>'
    '<rect width="2.4" height="7" fill="#9a9a9a"/></pattern></defs>'
)


@dataclass(frozen=True)
class Pen:
    """How lines are drawn: colour, width and dashes."""

    ink: str = INK
    width: float = 1.6
    dash: str = ""
    fill: str = "none"

    def attributes(self) -> str:
        dash = f' stroke-dasharray="{self.dash}"' if self.dash else ""
        return f'stroke="{self.ink}" stroke-width="{self.width:g}" fill="{self.fill}"{dash}'


PLAIN = Pen()
THIN = Pen(width=1.0)
LINK = Pen(width=1.0, dash="4 3")


Area = tuple[float, float, float, float]
"""Left, top, right, bottom."""
ASCENT, DESCENT = 0.76, 0.22
"""Of the font size: how far letters reach above and below their base line."""


def area(x: float, y: float, text: str, size: float, anchor: Anchor, bold: bool) -> Area:
    """Where a text lies, by estimate."""
    wide = width(text, size, bold)
    left = x - {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor] * wide
    return (left, y - ASCENT * size, left + wide, y + DESCENT * size)


def meet(a: Area, b: Area) -> bool:
    """Whether two areas share more than an edge."""
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def number(value: float) -> str:
    """A coordinate as text, to a hundredth."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


@dataclass
class Canvas:
    """What was drawn so far."""

    title: str
    description: str
    width: float
    height: float = 0.0
    top: bool = False
    """Draw above what is drawn otherwise, whatever comes later."""
    texts: list[Area] = field(default_factory=list)
    """Where texts lie, and what else a text must not cover."""
    _layers: tuple[list[str], list[str]] = field(default_factory=lambda: ([], []))

    @property
    def _parts(self) -> list[str]:
        return self._layers[self.top]

    @contextmanager
    def above(self) -> Iterator[None]:
        """What is drawn meanwhile lies above all else."""
        before, self.top = self.top, True
        try:
            yield
        finally:
            self.top = before

    def line(self, points: Sequence[Point], pen: Pen = PLAIN) -> None:
        """A line through points; closed and filled where the pen says so."""
        path = " ".join(f"{number(x)},{number(y)}" for x, y in points)
        self._parts.append(f'<polyline points="{path}" {pen.attributes()}/>')

    def path(self, data: str, pen: Pen = PLAIN) -> None:
        """A path as SVG has it; the caller writes its coordinates with `number`."""
        self._parts.append(f'<path d="{data}" {pen.attributes()}/>')

    def circle(self, x: float, y: float, r: float, pen: Pen = PLAIN) -> None:
        """A circle about (x, y)."""
        where = f'cx="{number(x)}" cy="{number(y)}" r="{number(r)}"'
        self._parts.append(f"<circle {where} {pen.attributes()}/>")

    def box(
        self, x: float, y: float, w: float, h: float, pen: Pen = PLAIN, round_by: float = 0.0
    ) -> None:
        """A rectangle from its upper left corner."""
        where = f'x="{number(x)}" y="{number(y)}" width="{number(w)}" height="{number(h)}"'
        corner = f' rx="{number(round_by)}"' if round_by else ""
        self._parts.append(f"<rect {where}{corner} {pen.attributes()}/>")

    def text(
        self,
        x: float,
        y: float,
        text: str,
        size: float = SIZE,
        anchor: Anchor = "start",
        bold: bool = False,
        ink: str = INK,
        room: float = 0.0,
        underlined: bool = False,
    ) -> None:
        """One line of text on the base line y; cut to `room` where that is given."""
        text = trim(text, room, size, bold) if room else clean(text)
        if not text:
            return
        self.texts.append(area(x, y, text, size, anchor, bold))
        more = ' font-weight="bold"' if bold else ""
        more += ' text-decoration="underline"' if underlined else ""
        more += f' text-anchor="{anchor}"' if anchor != "start" else ""
        self._parts.append(
            f'<text x="{number(x)}" y="{number(y)}" font-size="{number(size)}" '
            f'fill="{ink}"{more}>{escape(text)}</text>'
        )

    def svg(self) -> str:
        """The drawing as an SVG document."""
        w, h = number(self.width), number(self.height)
        title, description = clean(self.title), clean(self.description)
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w} {h}" width="{w}" '
            f'height="{h}" role="img" aria-label={quoteattr(title)} font-family="{FONTS}" '
            'stroke-linecap="round" stroke-linejoin="round">'
        )
        return "\n".join(
            [
                head,
                f"<title>{escape(title)}</title>",
                f"<desc>{escape(description)}</desc>",
                HATCH,
                f'<rect width="{w}" height="{h}" fill="{PAPER}"/>',
                *self._layers[False],
                *self._layers[True],
                "</svg>",
                "",
            ]
        )
