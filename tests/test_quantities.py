"""Readings and knowledge numbers: values, refusals, and display.

References
----------
.. [1] scipy.constants (general-purpose library): SI prefixes, minute, hour, litre.
.. [2] IEC 60062, letter codes: examples recalled from memory, not read.
.. [3] Relay SRD-05VDC-SL-C, maker's datasheet section 6: 5 V coil, 70 ohm, 71.4 mA.
.. [4] ATmega328P, Microchip DS40001984A: input leakage 1 µA, pull-up 20 to 50 kΩ (p. 365),
   brown-out level 4.3 V (table 32-8), clock up to 20 MHz (table 32-6).
.. [5] Common practice, no source: OL, mfd, VAC, 3V3.
"""

import doctest
import math

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy import constants

from diagnose import quantities, units
from diagnose.quantities import (
    Quantity,
    QuantityError,
    format_quantity,
    parse_quantity,
    parse_reading,
)

BASES = tuple(units.UNITS)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("0.3 V", Quantity(0.3, "V")),
        ("200 mV", Quantity(0.2, "V")),
        ("3V3", Quantity(3.3, "V")),
        ("230 VAC", Quantity(230.0, "V")),
        ("4k7 ohm", Quantity(4700.0, "ohm")),
        ("1 Mohm", Quantity(1e6, "ohm")),
        ("100 mohm", Quantity(0.1, "ohm")),
        ("4R7", Quantity(4.7, "ohm")),
        ("12.5 µF", Quantity(12.5e-6, "F")),
        ("45 mfd", Quantity(45e-6, "F")),
        ("4n7F", Quantity(4.7e-9, "F")),
        ("1.1 kW", Quantity(1100.0, "W")),
        ("30 cm", Quantity(0.3, "m")),
        ("20 l/min", Quantity(20.0, "L/min")),
        ("200 ms", Quantity(0.2, "s")),
        ("5 minutes", Quantity(5.0, "min")),
        ("2 h", Quantity(120.0, "min")),
        ("-5 °C", Quantity(-5.0, "°C")),
        ("16 MHz", Quantity(16e6, "Hz")),
        ("10 %", Quantity(0.1, "1")),
        ("1.0e9 ohm", Quantity(1e9, "ohm")),
    ],
)
def test_a_knowledge_number_is_in_the_base_unit(text: str, expected: Quantity) -> None:
    assert parse_quantity(text) == expected


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        ("0.2", "V", 0.2),
        (".5", "V", 0.5),
        ("5.", "V", 5.0),
        ("0.2 V", "V", 0.2),
        ("200 mV", "V", 0.2),
        ("200mV", "V", 0.2),
        ("-0.01", "V", -0.01),
        ("\N{MINUS SIGN}0.01", "V", -0.01),
        ("230 V AC", "V", 230.0),
        ("4 k", "V", 4000.0),
        ("300 ma", "A", 0.3),
        ("1,5 k", "ohm", 1500.0),
        ("0,200", "ohm", 0.2),
        ("1 500", "ohm", 1500.0),
        ("4.7K", "ohm", 4700.0),
        ("47R", "ohm", 47.0),
        ("12 \N{OHM SIGN}", "ohm", 12.0),
        ("12 \N{GREEK CAPITAL LETTER OMEGA}", "ohm", 12.0),
        ("200 megohm", "ohm", 200e6),
        ("2 meg", "ohm", 2e6),
        ("12 \N{MICRO SIGN}F", "F", 12e-6),
        ("12 \N{GREEK SMALL LETTER MU}F", "F", 12e-6),
        ("12uF", "F", 12e-6),
        ("12 u", "F", 12e-6),
        ("0", "F", 0.0),
        ("470 nF", "F", 470e-9),
        ("12", "µF", 12e-6),
        ("50", "Mohm", 50e6),
        ("4k7", "kohm", 4700.0),
        ("85", "%", 0.85),
        ("85 %", "1", 0.85),
        ("90 s", "min", 1.5),
        ("2 min", "s", 120.0),
    ],
)
def test_a_reading_is_in_the_base_unit(text: str, unit: str, expected: float) -> None:
    assert parse_reading(text, unit) == expected


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        # IEC 60062 letter codes, kind: memory
        ("R10", "ohm", 0.1),
        ("R332", "ohm", 0.332),
        ("4R7", "ohm", 4.7),
        ("59R04", "ohm", 59.04),
        ("4K7", "ohm", 4700.0),
        ("4k7", "ohm", 4700.0),
        ("2M2", "ohm", 2.2e6),
        ("1G0", "ohm", 1e9),
        ("p33", "F", 0.33e-12),
        ("5p9", "F", 5.9e-12),
        ("4n7", "F", 4.7e-9),
        ("µ10", "F", 0.1e-6),
        ("4u7", "F", 4.7e-6),
    ],
)
def test_letter_codes(text: str, unit: str, expected: float) -> None:
    assert parse_reading(text, unit) == expected


@pytest.mark.parametrize(
    "text",
    [
        "OL",
        "ol",
        "O.L.",
        "O.L",
        "0L",
        "0.L",
        ".OL",
        "open",
        "inf",
        "∞",
        "OL MΩ",
        "O.L kohm",
        "OL M",
    ],
)
def test_over_range_is_infinite_for_resistance_only(text: str) -> None:
    assert parse_reading(text, "ohm") == math.inf
    for base in BASES:
        if base != "ohm":
            with pytest.raises(QuantityError, match=r"over range|not a number|expected"):
                parse_reading(text, base)


@pytest.mark.parametrize(
    ("text", "unit", "says"),
    [
        ("3 V", "ohm", "is in V, but ohm is expected: type e.g. 0.2, 470 ohm"),
        ("3 A", "ohm", "is in A, but ohm is expected"),
        ("3V3", "ohm", "is in V, but ohm is expected"),
        ("4R7", "V", "is in ohm, but V is expected"),
        ("4k7", "V", "a letter in place of the decimal point"),
        ("95 F", "°C", "is in F, but °C is expected"),
        ("200 MV", "V", "not known, 'MV'"),
        ("5 m", "ohm", "milli or mega"),
        ("4m7", "ohm", "a letter in place of the decimal point"),
        ("12 mF", "F", "microfarad or millifarad"),
        ("12 m", "F", "microfarad or millifarad"),
        ("12", "F", "whole farads"),
        ("12 F", "F", "whole farads"),
        ("1,500", "ohm", "write 1500 or 1.500"),
        ("4E7", "ohm", "write 4R7 or 4e7"),
        ("4k7 kohm", "ohm", "two prefixes"),
        ("-3 s", "s", "is negative"),
        ("10⁶", "ohm", "not known"),
        ("1½", "ohm", "not known"),
        ("1_000", "V", "not known"),
        ("", "V", "is not a number: type e.g. 0.2, 0.2 V or 200 mV"),
        ("nan", "V", "is not a number"),
        ("short", "ohm", "is not a number"),
        ("> OL", "ohm", "is not a number"),
        ("1e999", "V", "not known"),
        ("9" * 400, "V", "too long"),
        ("5", "parsec", "legal are V, A, ohm, F"),
    ],
)
def test_what_cannot_be_read_is_refused(text: str, unit: str, says: str) -> None:
    with pytest.raises(QuantityError) as caught:
        parse_reading(text, unit)
    assert says in str(caught.value)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("0.3", "has no unit"),
        ("4k7", "has no unit"),
        ("4.7 k", "not known, 'k'"),
        ("OL", "is not a number"),
        ("> 5 V", "is not a number"),
        ("3 furlong", "not known, 'furlong'"),
    ],
)
def test_a_knowledge_number_says_its_unit(text: str, says: str) -> None:
    with pytest.raises(QuantityError) as caught:
        parse_quantity(text)
    assert says in str(caught.value)


def test_a_knowledge_number_is_of_the_unit_expected() -> None:
    assert parse_quantity("2 min", "s") == Quantity(120.0, "s")
    assert parse_quantity("0.1", "1") == Quantity(0.1, "1")
    with pytest.raises(QuantityError, match="is in A, but V is expected"):
        parse_quantity("2 A", "V")
    with pytest.raises(QuantityError, match="has no unit"):
        parse_quantity("2", "V")


def test_milli_and_mega_differ_by_a_thousand_million() -> None:
    milli = parse_reading("5 mohm", "ohm")
    mega = parse_reading("5 Mohm", "ohm")
    assert mega / milli == pytest.approx(1e9, rel=1e-12)


PREFIX_VALUES = {
    "p": constants.pico,
    "n": constants.nano,
    "µ": constants.micro,
    "m": constants.milli,
    "k": constants.kilo,
    "M": constants.mega,
    "G": constants.giga,
}


@given(
    st.sampled_from([(base, p) for base, unit in units.UNITS.items() for p in unit.prefixes]),
    st.integers(1, 9999),
)
def test_prefixes_are_those_of_scipy_constants(case: tuple[str, str], hundredths: int) -> None:
    base, prefix = case
    text = f"{hundredths / 100} {prefix}{base}"
    assert parse_quantity(text, base).value == pytest.approx(
        hundredths / 100 * PREFIX_VALUES[prefix], rel=1e-14
    )


def test_times_and_flows_are_those_of_scipy_constants() -> None:
    assert parse_reading("1 min", "s") == constants.minute
    assert parse_reading("1 h", "s") == constants.hour
    assert parse_reading("1 h", "min") == constants.hour / constants.minute
    # 1 m³/h in litre a minute
    litres = 1.0 / constants.liter / (constants.hour / constants.minute)
    assert parse_reading("1 m³/h", "L/min") == pytest.approx(litres, rel=1e-14)


@given(st.integers(0, 999), st.integers(0, 99), st.sampled_from("RkMG"))
def test_a_letter_code_is_the_decimal_number(whole: int, part: int, letter: str) -> None:
    plain = f"{whole}.{part:02d} {'' if letter == 'R' else letter}ohm"
    assert parse_quantity(f"{whole}{letter}{part:02d} ohm") == parse_quantity(plain)


@given(st.decimals(0, 10**6, places=2), st.sampled_from(["V", "A", "ohm", "°C"]))
def test_a_decimal_comma_is_a_decimal_point(number: object, unit: str) -> None:
    text = str(number)
    assert parse_reading(text.replace(".", ","), unit) == parse_reading(text, unit) == float(text)


@given(st.floats(0.001, 1e6).map(lambda x: f"{x:.4g}"), st.sampled_from(["V", "ohm", "A"]))
def test_a_bound_is_only_just_beyond(number: str, unit: str) -> None:
    value = parse_reading(number, unit)
    above, below = parse_reading(f"> {number}", unit), parse_reading(f"<{number}", unit)
    assert below < value < above
    assert math.nextafter(below, math.inf) == value == math.nextafter(above, -math.inf)
    assert parse_reading(f">= {number}", unit) == parse_reading(f"≤{number}", unit) == value


# Same dimension, or a prefix alone: "5 m" is 5 mV where volts are asked.
TAKEN = {("s", "min"), ("min", "s"), ("m", "V"), ("m", "A")}


@pytest.mark.parametrize("expected", BASES)
@pytest.mark.parametrize("typed", BASES)
def test_another_unit_is_never_taken(typed: str, expected: str) -> None:
    text = f"0.0005 {typed}"
    if typed == expected or (typed, expected) in TAKEN:
        assert parse_reading(text, expected) > 0
    else:
        with pytest.raises(QuantityError, match=rf"{expected} is expected|milli"):
            parse_reading(text, expected)


CHARACTERS = "0123456789.,-+><= kKmMGuµnpRVAFWCHzΩohmsinLOeE%/°²\t\n~"


@given(st.one_of(st.text(CHARACTERS, max_size=12), st.text(max_size=80)), st.sampled_from(BASES))
@example("O" * 2000 + " M" * 2000, "ohm")
def test_any_text_gives_a_number_or_one_line(text: str, unit: str) -> None:
    try:
        value = parse_reading(text, unit)
    except QuantityError as error:
        message = str(error)
        assert message
        assert message.isprintable()
        assert len(message) < 250
    else:
        assert not math.isnan(value)
        assert math.isfinite(value) or unit == "ohm"
        assert any(c.isdigit() for c in text) or math.isinf(value)


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        (4700.0, "ohm", "4.7 kΩ"),
        (0.2, "V", "0.20 V"),
        (5.0, "V", "5.00 V"),
        (12.0, "V", "12.0 V"),
        (230.0, "V", "230 V"),
        (0.234, "V", "0.234 V"),
        (-0.012, "V", "-12 mV"),
        (4.3, "V", "4.30 V"),  # brown-out level [4]
        (5.0 / 70.0, "A", "71.4 mA"),  # coil current [3]
        (1e-6, "A", "1 µA"),  # input leakage [4]
        (20e6, "Hz", "20 MHz"),  # clock [4]
        (20e3, "ohm", "20 kΩ"),  # pull-up [4]
        (0.05, "ohm", "0.05 Ω"),
        (50e6, "ohm", "50 MΩ"),
        (math.inf, "ohm", "OL"),
        (12.5e-6, "F", "12.5 µF"),
        (0.0047, "F", "4700 µF"),
        (0.0, "F", "0 µF"),
        (1e-17, "V", "0.00 V"),
        (-1e-17, "V", "0.00 V"),
        (999.6, "ohm", "1 kΩ"),
        (9.996, "V", "10.0 V"),
        (0.1, "%", "10 %"),
        (0.1, "1", "0.1"),
        (23.46, "°C", "23.5 °C"),
        (90.0, "min", "90 min"),
    ],
)
def test_display(value: float, unit: str, expected: str) -> None:
    assert format_quantity(value, unit) == expected


def test_not_a_number_is_not_shown() -> None:
    with pytest.raises(QuantityError, match="not a number"):
        format_quantity(math.nan, "V")


@given(st.sampled_from(BASES), st.floats(-12, 9), st.sampled_from([1, -1]))
def test_what_is_shown_reads_back_to_three_digits(base: str, decade: float, sign: int) -> None:
    unit = units.UNITS[base]
    value = 10.0**decade * (sign if unit.signed else 1)
    if base == "F":
        value = min(value, 0.1)
    shown = format_quantity(value, base)
    read = parse_reading(shown, base)
    if abs(value) < unit.least / 2:
        assert read == 0
    else:
        assert read == pytest.approx(value, rel=0.00501)
    digits = shown.split()[0].lstrip("-0.").replace(".", "").rstrip("0")
    assert len(digits) <= 3


def test_no_resistance_is_shown_in_milliohm() -> None:
    for decade in range(-6, 10):
        assert "mΩ" not in format_quantity(10.0**decade, "ohm")


@pytest.mark.parametrize("base", BASES)
def test_the_examples_in_messages_are_legal(base: str) -> None:
    examples = units.UNITS[base].examples.replace(" or ", ", ").split(", ")
    assert len(examples) >= 2
    for text in examples:
        assert parse_reading(text, base) > 0


def test_no_spelling_has_two_meanings() -> None:
    for base, forms in units.ACCEPTED.items():
        for form in forms:
            owner = units.BASE_OF[form]
            assert owner == base or {owner, base} == {"s", "min"}, form


def test_examples_in_the_docstrings() -> None:
    result = doctest.testmod(quantities)
    assert result.attempted >= 6
    assert result.failed == 0
