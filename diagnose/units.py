"""The units that a quantity may be in: how each may be typed, and how it is shown.

Tables, and the cleaning of a text before they are asked; `diagnose.quantities` reads and shows
numbers with them.

References
----------
.. [1] BIPM, The International System of Units (SI Brochure), 9th edition, 2019: prefixes in
   table 7; minute, hour and litre in table 8. Recalled, not read.
.. [2] IEC 60062:2016, marking codes for resistors and capacitors. Recalled, not read.
"""

from dataclasses import dataclass, field
from fractions import Fraction

__all__ = [
    "ACCEPTED",
    "BARE",
    "BASE_OF",
    "CODE_BASE",
    "CODE_LETTERS",
    "PREFIXES",
    "UNITS",
    "Prefix",
    "Unit",
    "clean",
]


@dataclass(frozen=True)
class Prefix:
    """A decimal prefix: its factor, the symbols that may be typed for it, its name."""

    factor: Fraction
    typed: tuple[str, ...]
    name: str


@dataclass(frozen=True)
class Unit:
    """One base unit.

    Attributes
    ----------
    display : str
        The symbol shown.
    symbols, words : tuple of str
        How it may be typed: short names exactly so, long names in any case.
    prefixes, bare : str
        Prefixes legal before the unit, and with the unit left out (``4.7 k``).
    others : dict of str to Fraction
        Other units of the same dimension, and their size in this one.
    examples : str
        Legal readings, for messages.
    shown : tuple of (float, str)
        Least magnitude shown with each prefix, largest first; a value of 0 takes `home`.
    least : float
        Magnitudes below half of this are shown as zero.
    meter_digits : bool
        Whether trailing zeros are kept as on a meter's display.
    signed : bool
        Whether a negative value makes sense.
    """

    display: str
    symbols: tuple[str, ...]
    examples: str
    least: float
    shown: tuple[tuple[float, str], ...] = ((0.0, ""),)
    words: tuple[str, ...] = ()
    prefixes: str = ""
    bare: str = ""
    others: dict[str, Fraction] = field(default_factory=dict)
    home: str = ""
    meter_digits: bool = False
    signed: bool = True


_LOOK_ALIKES = str.maketrans(
    {
        "\N{MINUS SIGN}": "-",
        "\N{EN DASH}": "-",
        "\N{OHM SIGN}": "\N{GREEK CAPITAL LETTER OMEGA}",
        "\N{MICRO SIGN}": "\N{GREEK SMALL LETTER MU}",
        "\N{DEGREE CELSIUS}": "°C",
        "\N{MASCULINE ORDINAL INDICATOR}": "°",
    }
)
PREFIXES = {
    "p": Prefix(Fraction(1, 10**12), ("p", "P"), "pico"),
    "n": Prefix(Fraction(1, 10**9), ("n", "N"), "nano"),
    "µ": Prefix(Fraction(1, 10**6), ("\N{GREEK SMALL LETTER MU}", "u", "U"), "micro"),
    "m": Prefix(Fraction(1, 1000), ("m",), "milli"),
    "k": Prefix(Fraction(1000), ("k", "K"), "kilo"),
    "M": Prefix(Fraction(10**6), ("M", "meg", "Meg", "MEG"), "mega"),
    "G": Prefix(Fraction(10**9), ("G", "g"), "giga"),
}

_HOUR_IN_MIN = Fraction(60)
_MIN_IN_S = Fraction(60)

UNITS = {
    "V": Unit(
        display="V",
        symbols=("V", "v"),
        words=("volt", "volts"),
        prefixes="µmk",
        bare="µmk",
        examples="0.2, 0.2 V or 200 mV",
        shown=((1e3, "k"), (0.1, ""), (0.0, "m")),
        least=1e-5,
        meter_digits=True,
    ),
    "A": Unit(
        display="A",
        symbols=("A", "a"),
        words=("amp", "amps", "ampere", "amperes"),
        prefixes="µmk",
        bare="µmk",
        examples="4.2, 4.2 A or 30 mA",
        shown=((1e3, "k"), (0.1, ""), (1e-3, "m"), (0.0, "µ")),
        least=1e-8,
        meter_digits=True,
    ),
    "ohm": Unit(
        display="Ω",
        symbols=("\N{GREEK CAPITAL LETTER OMEGA}", "R"),
        words=("ohm", "ohms"),
        prefixes="mkMG",
        bare="kMG",
        others={"megohm": Fraction(10**6), "megohms": Fraction(10**6)},
        examples="0.2, 470 ohm, 4.7 k, 4k7, 2 M, > 50 M or OL",
        shown=((1e9, "G"), (1e6, "M"), (1e3, "k"), (0.0, "")),
        least=1e-3,
    ),
    "F": Unit(
        display="F",
        symbols=("F", "f"),
        words=("farad", "farads"),
        prefixes="pnµ",
        bare="pnµ",
        # Microfarad in another spelling: common practice, no source.
        others=dict.fromkeys(("mfd", "MFD", "Mfd"), PREFIXES["µ"].factor),
        examples="12 uF, 12.5 µF, 470 nF or 4n7",
        shown=((1e-6, "µ"), (1e-9, "n"), (0.0, "p")),
        least=1e-14,
        home="µ",
        signed=False,
    ),
    "W": Unit(
        display="W",
        symbols=("W", "w"),
        words=("watt", "watts"),
        prefixes="mk",
        bare="k",
        examples="750, 750 W or 1.1 kW",
        shown=((1e3, "k"), (0.0, "")),
        least=1e-4,
    ),
    "m": Unit(
        display="m",
        symbols=("m",),
        words=("metre", "metres", "meter", "meters"),
        prefixes="µmk",
        others={"cm": Fraction(1, 100)},
        examples="1.5, 1.5 m, 30 cm or 5 mm",
        shown=((0.1, ""), (0.0, "m")),
        least=1e-5,
    ),
    "L/min": Unit(
        display="L/min",
        symbols=("L/min", "l/min", "lpm", "LPM"),
        others={
            "L/s": _MIN_IN_S,
            "l/s": _MIN_IN_S,
            "L/h": 1 / _HOUR_IN_MIN,
            "l/h": 1 / _HOUR_IN_MIN,
            **dict.fromkeys(("m3/h", "m³/h"), 1000 / _HOUR_IN_MIN),
            "mL/min": Fraction(1, 1000),
            "ml/min": Fraction(1, 1000),
        },
        examples="20, 20 L/min or 1.2 m3/h",
        least=1e-3,
        signed=False,
    ),
    "s": Unit(
        display="s",
        symbols=("s", "sec", "secs"),
        words=("second", "seconds"),
        prefixes="nµm",
        others={
            **dict.fromkeys(("min", "mins", "minute", "minutes"), _MIN_IN_S),
            **dict.fromkeys(("h", "hour", "hours"), _HOUR_IN_MIN * _MIN_IN_S),
        },
        examples="5, 5 s, 200 ms or 2 min",
        shown=((0.1, ""), (0.0, "m")),
        least=1e-5,
        signed=False,
    ),
    "min": Unit(
        display="min",
        symbols=("min", "mins"),
        words=("minute", "minutes"),
        others={
            **dict.fromkeys(("s", "sec", "secs", "second", "seconds"), 1 / _MIN_IN_S),
            **dict.fromkeys(("h", "hour", "hours"), _HOUR_IN_MIN),
        },
        examples="5, 5 min, 30 s or 2 h",
        least=1e-3,
        signed=False,
    ),
    "°C": Unit(
        display="°C",
        symbols=("°C", "°c", "C", "c", "oC", "degC", "deg C"),
        words=("celsius",),
        examples="35 or 35 °C",
        least=1e-3,
    ),
    "Hz": Unit(
        display="Hz",
        symbols=("Hz", "hz", "HZ"),
        words=("hertz",),
        prefixes="mkM",
        bare="kM",
        examples="50, 50 Hz or 16 MHz",
        shown=((1e6, "M"), (1e3, "k"), (0.0, "")),
        least=1e-3,
        signed=False,
    ),
    "1": Unit(
        display="",
        symbols=("1",),
        others=dict.fromkeys(("%", "percent", "per cent"), Fraction(1, 100)),
        examples="0.1 or 10 %",
        least=1e-6,
    ),
}


CODE_BASE = {"R": "ohm", "V": "V"}
"""Letters for a decimal point that name the unit themselves (4R7, 3V3)."""

CODE_LETTERS = {"ohm": "RkMG", "F": "pnµ", "V": "V"}
"""Base unit → letters legal in place of the decimal point."""


def whole_number(text: str, most: int = 10**9) -> int | None:
    """The whole number from 0 to `most` that a text writes in decimal digits; None where none.

    `str.isdigit` is not enough: it holds for ``²``, and of thousands of digits, which are no `int`.
    """
    text = text.strip()
    if not text.isdecimal() or len(text) > len(str(most)):
        return None
    number = int(text)
    return number if number <= most else None


def clean(text: str) -> str:
    """Make look-alike characters one, and spaces single.

    Superscripts and fractions are left alone: ``10⁶`` must not become 106.
    """
    return " ".join(text.translate(_LOOK_ALIKES).split())


def _own_forms(unit: Unit) -> dict[str, Fraction]:
    """Every way to type `unit` with and without a prefix, and its size in the base unit."""
    words = [form for word in unit.words for form in (word, word.capitalize(), word.upper())]
    names = (*unit.symbols, *words)
    forms = dict.fromkeys(names, Fraction(1))
    for prefix in (PREFIXES[p] for p in unit.prefixes):
        forms |= {p + name: prefix.factor for p in prefix.typed for name in names}
        forms |= {prefix.name + word: prefix.factor for word in unit.words}
        forms |= {prefix.name.capitalize() + word: prefix.factor for word in unit.words}
    return forms


_OWN = {base: _own_forms(unit) for base, unit in UNITS.items()}

ACCEPTED = {base: unit.others | _OWN[base] for base, unit in UNITS.items()}
"""Where a base unit is expected: unit as typed → its size in the base unit."""

BARE = {
    base: {typed: PREFIXES[p].factor for p in unit.bare for typed in PREFIXES[p].typed}
    for base, unit in UNITS.items()
}
"""Where a base unit is expected and left out: prefix as typed → its factor."""

BASE_OF: dict[str, str] = {
    form: base for table in (ACCEPTED, _OWN) for base, forms in table.items() for form in forms
}
"""Where nothing is expected: unit as typed → base unit (a unit's own forms win)."""
