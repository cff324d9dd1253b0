"""The symbols, each drawn about a point of its conductor.

They follow IEC 60617 (graphical symbols for diagrams) and, on the water side, ISO 14617; all are
drawn from memory of those standards, contacts as they stand without power and with the tank empty.
A symbol reaches at most 12 units below a horizontal conductor and `TOPS` above it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from diagnose.report.pictures.canvas import Pen, number
from diagnose.report.pictures.spot import Spot
from diagnose.report.pictures.symbols_level import echo, loop, make, pressure, rod, tap, wave

TOPS: Mapping[str, float] = {
    "float": 32.0,
    "echo": 22.0,
    "pressure": 27.0,
    "tap": 18.0,
    "turned": 24.0,
    "speed": 24.0,
    "protector": 24.0,
    "terminal": 8.0,
    "common": 8.0,
    "core": 21.0,
    "plug": 21.0,
    "pit": 26.0,
    "tank": 44.0,
    "pump": 24.0,
    "foot": 16.0,
}
"""How far a symbol reaches above a horizontal conductor; `TOP` where it is not listed."""
TOP = 17.0


def _isolator(s: Spot) -> float:
    s.line((14, -6), (14, 6))
    return make(s)


def _breaker(s: Spot) -> float:
    s.line((10, -4), (18, 4))
    s.line((10, 4), (18, -4))
    return make(s)


def _residual(s: Spot) -> float:
    s.ring(26, 0, 8, "none")
    return make(s)


def _contactor(s: Spot) -> float:
    s.arc((14, -7), (14, 7), 7, sweep=False)
    return make(s)


def _break(s: Spot) -> None:
    s.line((14, 0), (14, -9))
    s.line((-14, 0), (18, -8))


def _protector(s: Spot) -> float:
    _break(s)
    s.linked((0, -5), (0, -12))
    s.line((-9, -14), (-3, -14), (-3, -20), (3, -20), (3, -14), (9, -14))
    return 14.0


def _speed(s: Spot) -> float:
    _break(s)
    s.linked((0, -5), (0, -12))
    s.ring(0, -17, 4.5)
    s.line((0, -17), (0, -21.5))
    return 14.0


def _fuse(s: Spot) -> float:
    s.rectangle(17, 6)
    s.line((-17, 0), (17, 0))
    return 17.0


def _resistor(s: Spot) -> float:
    s.rectangle(16, 6)
    return 16.0


def _break_contact(s: Spot) -> float:
    s.line((-12, 0), (13, 7))
    s.line((12, -2), (12, 9))
    return 12.0


def _thyristor(s: Spot) -> float:
    s.line((-9, -8), (-9, 8), (7, 0), (-9, -8))
    s.line((7, -8), (7, 8))
    s.line((7, 0), (13, 8))
    return 9.0


def _varistor(s: Spot) -> float:
    reach = _resistor(s)
    s.line((-15, 10), (-9, 10), (10, -10))
    return reach


def _thermal(s: Spot) -> float:
    s.rectangle(18, 10)
    s.line((-18, 0), (-8, 0), (-8, -6), (8, -6), (8, 0), (18, 0))
    return 18.0


def _terminal(s: Spot) -> float:
    s.ring(0, 0, 4)
    return 4.0


def _plug(s: Spot) -> float:
    """The socket is on the side that feeds, the plug on the other."""
    s.arc((-4, -9), (-4, 9), 9, sweep=False)
    s.shape((-7, -3.5), (12, -3.5), (12, 3.5), (-7, 3.5), fill=s.pen.ink)
    return 13.0


def _core(s: Spot) -> float:
    s.line((-4, 0), (4, 0))
    return 4.0


def _float(s: Spot) -> float:
    s.linked((0, -7), (0, -19))
    s.ring(0, -25, 6)
    s.line((-14, -24), (-10, -26), (-6, -24))
    s.line((6, -24), (10, -26), (14, -24))
    return make(s)


def _turned(s: Spot) -> float:
    s.linked((0, -7), (0, -20))
    s.line((-6, -17), (-6, -20), (6, -20), (6, -23))
    return make(s)


def _capacitor(s: Spot) -> float:
    s.line((-3, -11), (-3, 11))
    s.line((3, -11), (3, 11))
    return 3.0


def _rc(s: Spot) -> float:
    s.line((-18, -10), (-18, 10))
    s.line((-12, -10), (-12, 10))
    s.line((-12, 0), (-4, 0))
    s.shape((-4, -6), (20, -6), (20, 6), (-4, 6))
    return 20.0


def _winding(s: Spot) -> float:
    for k in range(4):
        s.arc((-24 + 12 * k, 0), (-12 + 12 * k, 0), 6, sweep=True)
    return 24.0


def _coil(s: Spot) -> float:
    s.rectangle(9, 18)
    return 9.0


def _adapter(s: Spot) -> float:
    s.rectangle(20, 20)
    x, y, c = s.x, s.y, s.canvas
    c.line([(x - 20, y + 20), (x + 20, y - 20)], s.pen)
    c.path(f"M{number(x - 16)} {number(y - 9)}q4 -7 8 0q4 7 8 0", Pen(s.pen.ink, s.pen.width))
    for k in (0, 5):
        c.line([(x + 2, y + 9 + k), (x + 15, y + 9 + k)], s.pen)
    return 20.0


def _supply(s: Spot) -> float:
    s.rectangle(18, 18)
    for k in (-4, 4):
        s.canvas.line([(s.x - 10, s.y + k), (s.x + 10, s.y + k)], s.pen)
    return 18.0


def _led(s: Spot, u: float, side: float) -> None:
    s.shape((u - 8, -8), (u - 8, 8), (u + 8, 0))
    s.line((u + 8, -8), (u + 8, 8))
    for k in (0, 7):
        a, b = (u - 2 + k, side * 11), (u + 4 + k, side * 19)
        s.line(a, b)
        s.line((b[0] - 4, b[1] - side), b, (b[0] - 0.5, b[1] - side * 4.5))


def _lamp(s: Spot) -> float:
    s.line((-14, 0), (12, 0))
    _led(s, -22, -1)
    s.shape((10, -6), (38, -6), (38, 6), (10, 6))
    return 38.0


def _opto(s: Spot) -> float:
    _led(s, 0, -1)
    return 8.0


def _diode(s: Spot) -> float:
    s.shape((-8, -8), (-8, 8), (8, 0))
    s.line((8, -8), (8, 8))
    return 8.0


def _buzzer(s: Spot) -> float:
    s.line((-12, 0), (12, 0))
    s.line((-14, -3), (14, -3))
    s.arc((-14, -3), (14, -3), 14, sweep=True)
    return 12.0


def _driver(s: Spot) -> float:
    s.line((-14, 0), (-4, 8))
    s.line((4, 8), (14, 0))
    s.line((7, 1), (13, 1), (11, 7))
    s.line((-9, 8), (9, 8), pen=Pen(s.pen.ink, 2.6))
    s.line((0, 8), (0, 17))
    return 14.0


def _jumper(s: Spot) -> float:
    s.line((-9, 0), (9, 0), pen=Pen(s.pen.ink, 3.0))
    return _jumper_open(s)


def _jumper_open(s: Spot) -> float:
    s.ring(-9, 0, 3)
    s.ring(9, 0, 3)
    return 12.0


def _pit(s: Spot) -> float:
    s.line((-26, -20), (-26, 12), (26, 12), (26, -20))
    wave(s, -22, 22, -8)
    return 26.0


def _tank(s: Spot) -> float:
    s.shape((-26, -34), (26, -34), (26, 8), (-26, 8), fill="none")
    wave(s, -22, 22, -16)
    return 26.0


def _foot(s: Spot) -> float:
    s.line((-26, -9), (-26, 9))
    for v in (-6, -2, 2, 6):
        s.line((-26, v), (-20, v))
    s.line((-20, -9), (-20, 9))
    return _check(s) + 6.0


def _check(s: Spot) -> float:
    s.shape((-14, -9), (-14, 9), (10, 0))
    s.line((12, -10), (12, 10))
    return 14.0


def _gate(s: Spot) -> float:
    s.shape((-14, -9), (-14, 9), (14, -9), (14, 9))
    s.line((0, 0), (0, -14))
    s.line((-7, -14), (7, -14))
    return 14.0


def _pipe(s: Spot) -> float:
    s.rectangle(26, 4)
    return 26.0


def _pump(s: Spot) -> float:
    s.ring(0, 0, 20)
    s.line((-10, -17.3), (20, 0), (-10, 17.3))
    return 20.0


DRAW: Mapping[str, Callable[[Spot], float]] = {
    "adapter": _adapter,
    "break": _break_contact,
    "breaker": _breaker,
    "buzzer": _buzzer,
    "capacitor": _capacitor,
    "check": _check,
    "coil": _coil,
    "common": _terminal,
    "contact": make,
    "contactor": _contactor,
    "core": _core,
    "diode": _diode,
    "driver": _driver,
    "echo": echo,
    "float": _float,
    "foot": _foot,
    "fuse": _fuse,
    "gate": _gate,
    "isolator": _isolator,
    "jumper": _jumper,
    "jumper_open": _jumper_open,
    "lamp": _lamp,
    "loop": loop,
    "opto": _opto,
    "pipe": _pipe,
    "pit": _pit,
    "plug": _plug,
    "pressure": pressure,
    "protector": _protector,
    "pump": _pump,
    "rc": _rc,
    "residual": _residual,
    "resistor": _resistor,
    "rod": rod,
    "speed": _speed,
    "supply": _supply,
    "tank": _tank,
    "tap": tap,
    "terminal": _terminal,
    "thermal": _thermal,
    "thyristor": _thyristor,
    "turned": _turned,
    "varistor": _varistor,
    "winding": _winding,
}
"""Symbol → what draws it; each returns how far its body reaches along the conductor."""
