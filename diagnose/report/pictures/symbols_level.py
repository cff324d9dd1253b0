"""Symbols of what senses a level or a pressure, and the strokes that others share with them.

After IEC 60617 and ISO 14617, from memory, as in `diagnose.report.pictures.symbols`.
"""

from __future__ import annotations

from diagnose.report.pictures.spot import Spot


def make(s: Spot) -> float:
    """The arm of a make contact."""
    s.line((-14, 0), (12, -14))
    return 14.0


def wave(s: Spot, left: float, right: float, v: float) -> None:
    """A surface of water."""
    step = (right - left) / 6
    s.line(*((left + k * step, v + (2 if k % 2 else -1)) for k in range(7)))


def rod(s: Spot) -> float:
    """Two rods that dip into water."""
    s.line((-14, 0), (-5, 0), (-5, 11))
    s.line((14, 0), (5, 0), (5, 11))
    wave(s, -16, 16, 7)
    return 14.0


def loop(s: Spot) -> float:
    """A transducer: what it senses on one side of the diagonal, its current on the other."""
    s.rectangle(22, 12)
    s.line((-22, 12), (22, -12))
    wave(s, -18, -2, -4)
    s.line((4, 6), (16, 6))
    s.line((12, 3), (16, 6), (12, 9))
    return 22.0


def echo(s: Spot) -> float:
    """A transducer that sends sound and hears it come back."""
    s.rectangle(14, 9)
    for k in (12, 16, 20):
        s.line((-k * 0.6, -k), (0, -k - 1.5), (k * 0.6, -k))
    return 14.0


def pressure(s: Spot) -> float:
    """A make contact worked by a diaphragm."""
    s.linked((0, -7), (0, -16))
    s.line((-9, -16), (9, -16))
    s.arc((-9, -16), (9, -16), 9, sweep=True)
    return make(s)


def tap(s: Spot) -> float:
    """A valve with its spout."""
    s.shape((-14, -8), (-14, 8), (8, -8), (8, 8))
    s.line((-3, 0), (-3, -14))
    s.line((-9, -14), (3, -14))
    s.line((8, 0), (18, 0), (18, 11))
    return 14.0
