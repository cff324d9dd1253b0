"""Two pictures as SVG, drawn without any library: intervals before and after, calibration."""

from __future__ import annotations

import html
import itertools
import math
from collections.abc import Mapping, Sequence
from pathlib import Path

from diagnose.cli.shown import put_file
from diagnose.errors import fail

INK, FAINT, BLUE, ORANGE = "#222222", "#c8c8c8", "#1f5fa8", "#c2571a"
FONT = "font-family='Helvetica, Arial, sans-serif'"
ROW = 18
WIDE = 900
LEFT, RIGHT = 330, 130
JOINED = 5

Row = tuple[str, str, float, float, float, float, int]
"""Section, name, handbook, value, low, high, cases."""


def write_picture(path: Path, text: str) -> None:
    """Write a picture.

    Raises
    ------
    DiagnoseError
        It cannot be written, or its name does not end in ``.svg``.
    """
    if path.suffix.lower() != ".svg":
        raise fail("option", f"'{path}': pictures are written as .svg")
    put_file(path, text.encode())


def _text(x: float, y: float, text: str, anchor: str = "start", size: int = 12, **more: str) -> str:
    colour = more.get("fill", INK)
    weight = more.get("weight", "normal")
    return (
        f"<text x='{x:.1f}' y='{y:.1f}' {FONT} font-size='{size}' fill='{colour}' "
        f"font-weight='{weight}' text-anchor='{anchor}'>{html.escape(text)}</text>"
    )


def _line(a: tuple[float, float], b: tuple[float, float], colour: str, width: float = 1.0) -> str:
    return (
        f"<line x1='{a[0]:.1f}' y1='{a[1]:.1f}' x2='{b[0]:.1f}' y2='{b[1]:.1f}' "
        f"stroke='{colour}' stroke-width='{width}'/>"
    )


def _svg(width: float, height: float, parts: Sequence[str]) -> str:
    size = f"width='{width:.0f}' height='{height:.0f}' viewBox='0 0 {width:.0f} {height:.0f}'"
    body = "\n".join(parts)
    ground = "<rect width='100%' height='100%' fill='white'/>"
    return f"<svg xmlns='http://www.w3.org/2000/svg' {size}>\n{ground}\n{body}\n</svg>\n"


def intervals_svg(rows: Sequence[Row]) -> str:
    """Each learned number over the handbook's, with its 95 % interval, on a logarithmic scale."""
    most = max((max(abs(math.log10(x / r[2])) for x in (r[4], r[5])) for r in rows), default=1.0)
    reach = min(max(most, 0.3), 2.0)
    room = WIDE - LEFT - RIGHT

    def x(factor: float) -> float:
        return LEFT + room * (0.5 + 0.5 * max(-1.0, min(1.0, math.log10(factor) / reach)))

    parts: list[str] = [_text(LEFT, 22, "learned over handbook, with 95 % interval", size=14)]
    parts.append(_text(WIDE - RIGHT + 12, 22, "handbook → learned", size=11, fill="#666666"))
    y, section = 36.0, ""
    ticks = [f for f in (0.01, 0.1, 0.2, 0.5, 1, 2, 5, 10, 100) if abs(math.log10(f)) <= reach]
    body: list[str] = []
    for title, name, book, value, low, high, cases in rows:
        if title != section:
            y, section = y + 14, title
            body.append(_text(8, y + 12, title, size=13, weight="bold"))
            y += ROW + 2
        middle = y + ROW / 2
        body.append(_text(LEFT - 12, middle + 4, f"{name} ({cases})", "end"))
        away = low > book or high < book
        colour = ORANGE if away else BLUE
        body.append(_line((x(low / book), middle), (x(high / book), middle), colour, 2.5))
        dot = f"<circle cx='{x(value / book):.1f}' cy='{middle:.1f}' r='4.5' fill='{colour}'/>"
        body.append(dot)
        body.append(_text(WIDE - RIGHT + 12, middle + 4, f"{book:.3g} → {value:.3g}", size=11))
        y += ROW
    for factor in ticks:
        colour = INK if factor == 1 else FAINT
        parts.append(_line((x(factor), 34), (x(factor), y + 4), colour))
        parts.append(_text(x(factor), y + 20, f"×{factor:g}", "middle", 11))
    note = "name (cases); orange: the interval leaves out the handbook's value"
    parts += [*body, _text(8, y + 40, note, size=11, fill="#666666")]
    return _svg(WIDE, y + 52, parts)


Bins = Sequence[tuple[float, float, int]]


def calibration_svg(series: Mapping[str, Bins], title: str) -> str:
    """Share of right ones over the probability claimed; the diagonal is perfect.

    The area of a dot goes with its cases; those of `JOINED` cases or more are joined.
    """
    left, top, side = 70.0, 46.0, 380.0

    def at(p: float, share: float) -> tuple[float, float]:
        return left + side * p, top + side * (1 - share)

    parts = [_text(left, 24, title, size=14)]
    for k in range(0, 11, 2):
        v = k / 10
        parts.append(_line(at(v, 0), at(v, 1), FAINT))
        parts.append(_line(at(0, v), at(1, v), FAINT))
        parts.append(_text(at(v, 0)[0], top + side + 18, f"{v:.0%}", "middle", 11))
        parts.append(_text(left - 8, at(0, v)[1] + 4, f"{v:.0%}", "end", 11))
    parts.append(_line(at(0, 0), at(1, 1), INK))
    most = max((n for bins in series.values() for _, _, n in bins), default=1)
    for row, (name, bins) in enumerate(series.items()):
        colour = (BLUE, ORANGE)[row % 2]
        places = [at(p, share) for p, share, _ in bins]
        sure = [at(p, share) for p, share, n in bins if n >= JOINED]
        parts += [_line(a, b, colour, 1.5) for a, b in itertools.pairwise(sure)]
        for (px, py), (_, _, n) in zip(places, bins, strict=True):
            radius = 3 + 7 * math.sqrt(n / most)
            parts.append(
                f"<circle cx='{px:.1f}' cy='{py:.1f}' r='{radius:.1f}' fill='{colour}' "
                "fill-opacity='0.65'/>"
            )
        y = top + 16 + 20 * row
        parts.append(f"<circle cx='{left + 16:.1f}' cy='{y - 4:.1f}' r='5' fill='{colour}'/>")
        parts.append(_text(left + 28, y, name))
    parts.append(_text(left + side / 2, top + side + 40, "probability claimed", "middle"))
    x, y = 18.0, top + side / 2
    upwards = _text(x, y, "share that was right", "middle")
    parts.append(f"<g transform='rotate(-90 {x} {y:.1f})'>{upwards}</g>")
    return _svg(left + side + 30, top + side + 56, parts)
