"""Where a symbol is drawn, and the pen for it: the few strokes that all symbols are made of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from diagnose.report.pictures.canvas import LINK, Canvas, Pen, Point, number

Heading = Literal["along", "down", "up"]


@dataclass(frozen=True)
class Spot:
    """Where a symbol stands: about (x, y), on a conductor along the page, down it or up it."""

    canvas: Canvas
    x: float
    y: float
    heading: Heading
    pen: Pen

    def at(self, u: float, v: float) -> Point:
        """A point of the page: `u` along the conductor, `v` across it."""
        if self.heading == "along":
            return self.x + u, self.y + v
        return (self.x - v, self.y + u) if self.heading == "down" else (self.x + v, self.y - u)

    def line(self, *points: Point, pen: Pen | None = None) -> None:
        """A line through points of the symbol."""
        self.canvas.line([self.at(u, v) for u, v in points], pen or self.pen)

    def shape(self, *points: Point, fill: str = "#ffffff") -> None:
        """A closed shape."""
        pen = Pen(self.pen.ink, self.pen.width, "", fill)
        self.line(*points, points[0], pen=pen)

    def rectangle(self, u: float, v: float, fill: str = "#ffffff") -> None:
        """A rectangle from -u to u and -v to v."""
        self.shape((-u, -v), (u, -v), (u, v), (-u, v), fill=fill)

    def ring(self, u: float, v: float, r: float, fill: str = "#ffffff") -> None:
        """A circle."""
        x, y = self.at(u, v)
        self.canvas.circle(x, y, r, Pen(self.pen.ink, self.pen.width, "", fill))

    def arc(self, start: Point, end: Point, r: float, sweep: bool) -> None:
        """An arc of a circle between two points, clockwise where `sweep`."""
        (a, b), (c, d) = self.at(*start), self.at(*end)
        turn = "1" if sweep else "0"
        self.canvas.path(
            f"M{number(a)} {number(b)}A{number(r)} {number(r)} 0 0 {turn} {number(c)} {number(d)}",
            self.pen,
        )

    def linked(self, *points: Point) -> None:
        """A mechanical link: dashes."""
        self.line(*points, pen=Pen(self.pen.ink, 1.0, LINK.dash))


def ground(canvas: Canvas, x: float, y: float, pen: Pen) -> None:
    """The 0 V of the 5 V side, hanging from (x, y): one broad line."""
    canvas.line([(x - 9, y), (x + 9, y)], Pen(pen.ink, 3.0))


def arrow(canvas: Canvas, x: float, y: float, pen: Pen, up: bool = False) -> None:
    """A positive rail, at (x, y)."""
    k = -1 if up else 1
    canvas.line([(x - 5, y - 7 * k), (x, y), (x + 5, y - 7 * k)], pen)
