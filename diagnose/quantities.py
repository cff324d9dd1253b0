"""Numbers with units, as a technician types them and as the knowledge files give them.

Every quantity is kept as a float in one canonical base unit: V, A, ohm, F, W, m, L/min, s,
min, °C, Hz, and 1 for ratios (``%`` is read as 1/100). Where a text could mean two values that
lead to different conclusions it is refused, and the message says how to write either one:

- ``m`` is milli and ``M`` is mega, never the other way round; ``k``, ``u``, ``g`` may be typed
  in either case, because only one meaning is legal;
- a bare ``m`` where ohms are asked is refused (200 MΩ of insulation typed in lower case would
  become an earth fault); so is ``mF``, which old motor capacitors print for microfarad;
- ``1,500`` is refused (decimal comma or thousands), ``1,5`` and ``0,200`` are not;
- a bare ``12`` where farads are asked is refused (it was meant as 12 µF);
- ``4E7`` is refused where ohms are asked (4.7 Ω in one habit, 4·10⁷ in another).

References
----------
.. [1] BIPM, The International System of Units (SI Brochure), 9th edition, 2019: prefixes in
   table 7, digits grouped in threes in clause 5.4.4. Recalled, not read.
.. [2] IEC 60062:2016, marking codes for resistors and capacitors: a letter in place of the
   decimal point (4K7, 4R7, 2M2, 4n7). Recalled, not read.
.. [3] Common practice, no source: ``OL`` for over range, ``mfd`` for microfarad, ``3V3`` for
   3.3 V, ``230 VAC``.
"""

import math
import re
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction

from diagnose.units import ACCEPTED, BARE, BASE_OF, CODE_BASE, CODE_LETTERS, PREFIXES, UNITS, clean

__all__ = ["Quantity", "QuantityError", "format_quantity", "parse_quantity", "parse_reading"]


@dataclass(frozen=True)
class Quantity:
    """A number in a canonical base unit.

    Attributes
    ----------
    value : float
        Finite, in `unit`.
    unit : str
        One of ``V A ohm F W m L/min s min °C Hz 1``.
    """

    value: float
    unit: str


class QuantityError(ValueError):
    """A text that is no legal quantity: one line saying what is wrong and what is legal."""


_NUMBER = re.compile(
    r"(?P<sign>[+-]?) ?"
    r"(?P<digits>(?:[0-9]{1,3}(?: [0-9]{3})+(?![0-9])|[0-9]+)(?:[.,][0-9]*)?|[.,][0-9]+)"
    r"(?P<exponent>[eE][+-]?[0-9]{1,2}(?![0-9]))? ?(?P<unit>.*)"
)
_BEYOND = re.compile(r"(?P<relation><=|>=|[<>≤≥]) ?(?P<rest>.*)")
_CODE = re.compile(
    r"(?P<sign>[+-]?)(?P<whole>[0-9]*)(?P<letter>[RkKMGmpPnNuUμV])(?P<part>[0-9]+) ?(?P<unit>.*)"
)
_LONGEST = 60
_MOST = 1000  # characters of which no more are looked at
_LARGEST_FARADS = Fraction(1, 1000)  # no capacitor of this trade is larger (judgement)
_THOUSANDS = re.compile(r"[1-9][0-9]{0,2},[0-9]{3}")
_CURRENT_KIND = re.compile(r"(?P<unit>.*?) ?(?:ac|dc|~|rms)", re.IGNORECASE)
_OVER_RANGE = {
    *("ol", "0l", "overload", "over range", "overrange", "open", "open circuit"),
    *("inf", "infinite", "infinity", "∞"),
}


def parse_quantity(text: str, unit: str | None = None) -> Quantity:
    """Read a number with its unit, as knowledge files give it.

    Parameters
    ----------
    text : str
        ``"0.3 V"``, ``"4k7 ohm"``, ``"4R7"``, ``"12.5 µF"``, ``"10 %"``, ``"1 Mohm"``. The unit
        must stand in the text; only a ratio may be bare, and only where `unit` is ``"1"``.
    unit : str, optional
        The unit expected, in any legal spelling; times are converted between s and min.

    Returns
    -------
    Quantity
        In the canonical base unit (that of `unit` where given).

    Raises
    ------
    QuantityError
        Not a number, no unit, a unit that is not known, or not the one expected.

    Examples
    --------
    >>> parse_quantity("4k7 ohm")
    Quantity(value=4700.0, unit='ohm')
    >>> parse_quantity("10 %")
    Quantity(value=0.1, unit='1')
    """
    expected, scale = (None, None) if unit is None else _expected(unit)
    value, base = _number(_cleaned(text), text, expected, scale if expected == "1" else None)
    return Quantity(value, base)


def parse_reading(text: str, unit: str) -> float:
    """Read an answer as a technician types it from a meter.

    Parameters
    ----------
    text : str
        ``"0.2"``, ``"0.2 V"``, ``"200mV"``, ``"4k7"``, ``"4.7 k"``, ``"1,5 k"``, ``"> 50 M"``;
        where ohms are asked also ``"OL"``, ``"open"`` or ``"inf"``. Many older meters show over
        range as a lone ``1`` at the left: nothing here can tell that from one ohm, so a question
        about resistance has to say it.
    unit : str
        The unit asked for, in any legal spelling. A bare number is in this unit.

    Returns
    -------
    float
        In the base unit of `unit`. ``math.inf`` for over range on ohms. ``"> x"`` gives the next
        float above x and ``"< x"`` the next below, so that a limit at x is judged correctly.

    Raises
    ------
    QuantityError
        Not a number, another unit than the one asked for, or a text with two possible meanings.

    Examples
    --------
    >>> parse_reading("200 mV", "V")
    0.2
    >>> parse_reading("4k7", "ohm")
    4700.0
    >>> parse_reading("OL", "ohm")
    inf
    """
    base, scale = _expected(unit)
    cleaned = _cleaned(text)
    if _is_over_range(cleaned):
        if base == "ohm":
            return math.inf
        raise QuantityError(
            f"{_quoted(text)} is over range and has no value in {base}: use a higher range and "
            f"type the number, e.g. {UNITS[base].examples}"
        )
    beyond = _BEYOND.fullmatch(cleaned)
    value, _ = _number(beyond["rest"] if beyond else cleaned, text, base, scale, reading=True)
    if beyond and beyond["relation"] in ("<", ">"):
        return math.nextafter(value, math.inf if beyond["relation"] == ">" else -math.inf)
    return value


def format_quantity(value: float, unit: str) -> str:
    """Show a value to three significant digits, with the prefix a meter would show.

    Volts and amperes keep trailing zeros as on a display (``5.00 V``, ``0.20 V``, ``12.0 V``);
    other units drop them (``4.7 kΩ``). Resistances are never shown in mΩ, so that MΩ and mΩ
    cannot be confused, nor capacitances in mF. A value too small to matter is shown as zero.

    Parameters
    ----------
    value : float
        In the base unit of `unit`; infinite for over range.
    unit : str
        Any legal spelling; with ``"%"`` a ratio is shown in per cent.

    Returns
    -------
    str
        Such as ``"4.7 kΩ"``, ``"0.20 V"``, ``"71.4 mA"``, ``"10 %"``, ``"OL"``.

    Raises
    ------
    QuantityError
        A unit that is not known, or a value that is not a number.

    Examples
    --------
    >>> format_quantity(4700.0, "ohm"), format_quantity(0.2, "V"), format_quantity(math.inf, "ohm")
    ('4.7 kΩ', '0.20 V', 'OL')
    """
    base, scale = _expected(unit)
    spec = UNITS[base]
    if math.isnan(value):
        raise QuantityError(f"a value in {base} is not a number: it cannot be shown")
    if math.isinf(value):
        return "OL" if value > 0 else "-OL"
    shown = _rounded(float(value)) if abs(value) >= spec.least / 2 else Decimal(0)
    prefix = spec.home
    if shown:
        prefix = next(p for least, p in spec.shown if abs(shown) >= Decimal(repr(least)))
    per_cent = base == "1" and scale != 1
    factor = scale if per_cent else PREFIXES[prefix].factor if prefix else Fraction(1)
    number = _digits(
        shown * factor.denominator / factor.numerator, meter=spec.meter_digits and not prefix
    )
    return f"{number} {'%' if per_cent else prefix + spec.display}".rstrip()


def _rounded(value: float) -> Decimal:
    """`value` to three significant digits, halves away from zero."""
    exact = Decimal(repr(value))
    if not exact:
        return Decimal(0)
    return exact.quantize(Decimal((0, (1,), exact.adjusted() - 2)), rounding=ROUND_HALF_UP)


def _digits(value: Decimal, *, meter: bool) -> str:
    """`value` without exponent; with `meter`, with at least the zeros a meter shows."""
    text = f"{value.normalize():f}"
    if not meter:
        return text
    decimals = max(0, -int(value.normalize().as_tuple().exponent))
    least = 2 if abs(value) < 10 else 1 if abs(value) < 100 else 0
    return f"{value:.{max(decimals, least)}f}"


def _cleaned(text: str) -> str:
    """`clean`, but of a text that no person types."""
    if len(text) > _MOST:
        raise QuantityError(f"{_quoted(text)} is too long for a number")
    return clean(text)


def _quoted(text: str) -> str:
    """`text` on one line, shortened, in quotes."""
    line = "".join(c if c.isprintable() else " " for c in " ".join(text[:_MOST].split()))
    return f"'{line[:40]}…'" if len(line) > 40 else f"'{line}'"


def _expected(unit: str) -> tuple[str, Fraction]:
    """Base unit and size of `unit`, the unit that the caller expects."""
    typed = clean(unit)
    base = BASE_OF.get(typed)
    if base is None:
        raise QuantityError(f"unit {_quoted(unit)} is not known: legal are {', '.join(UNITS)}, %")
    return base, ACCEPTED[base][typed]


def _is_over_range(cleaned: str) -> bool:
    """Whether a cleaned text says over range, with or without a unit of resistance behind."""
    head, _, tail = cleaned.rpartition(" ")
    if head and (tail in ACCEPTED["ohm"] or tail in BARE["ohm"]):
        cleaned = head
    text = cleaned.casefold().replace("o.l", "ol").replace("0.l", "0l").strip(". ")
    return text in _OVER_RANGE


def _number(
    cleaned: str, text: str, base: str | None, scale: Fraction | None, *, reading: bool = False
) -> tuple[float, str]:
    """Value and base unit of a cleaned text.

    `scale` is the size of a number with no unit, None where a unit must stand there; `reading`
    allows a prefix alone. `text` is what was typed, for messages.
    """
    hint = f"type e.g. {UNITS[base].examples}" if base else "write e.g. 0.3 V, 4k7 ohm or 10 %"
    if len(cleaned) > _LONGEST:
        raise QuantityError(f"{_quoted(text)} is too long for a number: {hint}")
    code = _CODE.fullmatch(cleaned)
    if code and (code["whole"] or code["letter"] != "V"):
        base, factor = _code_scale(code, text, base, hint, reading=reading)
        sign, digits, exponent = code["sign"], f"{code['whole'] or '0'}.{code['part']}", ""
    else:
        match = _NUMBER.fullmatch(cleaned)
        if match is None:
            raise QuantityError(f"{_quoted(text)} is not a number: {hint}")
        sign, digits, exponent = match["sign"], match["digits"], match["exponent"] or ""
        if _THOUSANDS.fullmatch(digits):
            raise QuantityError(
                f"{_quoted(text)} could be a decimal comma or thousands: write "
                f"{digits.replace(',', '')} or {digits.replace(',', '.')}"
            )
        base, factor = _unit_scale(match["unit"], text, base, scale, hint, reading=reading)
        if base == "ohm" and exponent[:1] == "E" and exponent[1:].isdigit():
            raise QuantityError(
                f"{_quoted(text)} could be a resistor code or a power of ten: write "
                f"{digits}R{exponent[1:]} or {digits}e{exponent[1:]}"
            )
    plain = digits.replace(" ", "").replace(",", ".")
    amount = Fraction(f"{sign}{plain}{exponent}")
    if base == "F" and factor == 1 and amount >= _LARGEST_FARADS:
        raise QuantityError(f"{_quoted(text)} would be in whole farads: {hint}")
    value = float(amount * factor)
    if value < 0 and not UNITS[base].signed:
        raise QuantityError(f"{_quoted(text)} is negative, but a value in {base} cannot be: {hint}")
    return value, base


def _unit_scale(
    typed: str, text: str, base: str | None, scale: Fraction | None, hint: str, *, reading: bool
) -> tuple[str, Fraction]:
    """Base unit and size of the unit as typed behind a number."""
    typed = typed.rstrip(".")
    kind = _CURRENT_KIND.fullmatch(typed)
    if kind and BASE_OF.get(kind["unit"]) in ("V", "A"):
        typed = kind["unit"]
    if not typed:
        if base is None or scale is None:
            raise QuantityError(f"{_quoted(text)} has no unit: {hint}")
        return base, scale
    found = base or BASE_OF.get(typed)
    if found and typed in ACCEPTED[found]:
        return found, ACCEPTED[found][typed]
    if base and reading and typed in BARE[base]:
        return base, BARE[base][typed]
    if base == "ohm" and typed == "m":
        raise QuantityError(
            f"{_quoted(text)} could be milli or mega: write mohm for milliohm, M for megohm"
        )
    if base in (None, "F") and typed in ("mF", "MF", "mf", "Mf", *(("m", "M") if base else ())):
        raise QuantityError(
            f"{_quoted(text)} could be microfarad or millifarad: write uF (1 millifarad is 1000 uF)"
        )
    if base and typed in BASE_OF:
        raise QuantityError(
            f"{_quoted(text)} is in {BASE_OF[typed]}, but {base} is expected: {hint}"
        )
    raise QuantityError(f"{_quoted(text)} has a unit that is not known, {_quoted(typed)}: {hint}")


def _code_scale(
    code: re.Match[str], text: str, base: str | None, hint: str, *, reading: bool
) -> tuple[str, Fraction]:
    """Base unit and size of a number with a letter in place of the decimal point."""
    letter = code["letter"]
    named = CODE_BASE.get(letter)
    one = Fraction(1) if reading or named else None
    if code["unit"] or not named:
        found, size = _unit_scale(code["unit"], text, base, one, hint, reading=False)
        if size != 1:
            raise QuantityError(f"{_quoted(text)} has two prefixes: {hint}")
    else:
        found = base or named
    if named and found != named:
        raise QuantityError(f"{_quoted(text)} is in {named}, but {found} is expected: {hint}")
    prefix = next((p for p, known in PREFIXES.items() if letter in known.typed), letter)
    if prefix not in CODE_LETTERS.get(found, ""):
        raise QuantityError(
            f"{_quoted(text)}: a letter in place of the decimal point may be R, k, M or G for "
            f"ohm, p, n or µ for F, V for V; {found} is expected: {hint}"
        )
    return found, Fraction(1) if named else PREFIXES[prefix].factor
