"""Reading part types: numbers, elements, signals, failure modes."""

from __future__ import annotations

import math
from collections.abc import Mapping as MappingABC
from typing import Any

from diagnose.errors import Issue
from diagnose.knowledge.reading import Mapping, Reader, Sequence, Text
from diagnose.knowledge.records import (
    DOMAINS,
    ELEMENT_KINDS,
    MODE_CLASSES,
    Domain,
    Element,
    FailureMode,
    Number,
    Part,
    Patch,
    Scale,
    Signal,
)
from diagnose.quantities import QuantityError, parse_quantity

SIGNAL_KINDS = ("volts", "amps", "pin", "share", "residual", "torque", "sequence")
RATE_UNIT = "/Mh"
PHASES = ("one", "two", "three")
"""Of a source: L1, L2, L3."""


class NumberReader:
    """Reads numbers and keeps every one of them, for the report of sources."""

    def __init__(self, issues: list[Issue]) -> None:
        self.issues = issues
        self.numbers: list[Number] = []
        self.scales: MappingABC[str, Scale] | None = {}
        """None where they could not be read: then no word is looked up."""

    def problem(self, node: Any, message: str, code: str = "number") -> None:
        self.issues.append(Issue("error", code, message, getattr(node, "place", None)))

    def quantity(self, text: str, node: Any) -> tuple[float, str]:
        """Value and unit of one quantity; NaN after a problem."""
        try:
            if text.strip().endswith(RATE_UNIT):
                return float(text.strip()[: -len(RATE_UNIT)]), RATE_UNIT
            if text.strip().endswith(" times"):
                return float(text.strip()[: -len(" times")]), "1"
            quantity = parse_quantity(text)
        except (QuantityError, ValueError) as error:
            self.problem(node, f"'{text}' is not a number with a unit: {error}")
            return math.nan, ""
        return quantity.value, quantity.unit

    def read(self, node: Any, what: str, source: str = "") -> Number:
        """``{value | range, tolerance, times, source, log}`` in base units."""
        bad = Number(math.nan, math.nan, math.nan, "", "")
        if not isinstance(node, Mapping):
            self.problem(node, f"{what} must say {{value: ..., source: ...}}")
            return bad
        reader = Reader(node, self.issues, what)
        source = reader.text("source", source)
        times = reader.raw("times")
        if reader.has("range"):
            text = reader.text("range")
            ends = [end.strip() for end in text.split("..")]
            if len(ends) != 2:
                self.problem(node, f"{what}: a range reads 'low .. high'")
                return bad
            low, unit = self.quantity(ends[0], reader.raw("range"))
            high, unit_high = self.quantity(ends[1], reader.raw("range"))
            if unit != unit_high or not low <= high:
                self.problem(node, f"{what}: '{text}' needs one unit and low before high")
            log = reader.text("log", "no") == "yes"
            nominal = math.sqrt(low * high) if log and low > 0 else (low + high) / 2
        else:
            nominal, unit = self.quantity(reader.text("value"), node)
            tolerance = 0.0
            if reader.has("tolerance"):
                tolerance, unit_tolerance = self.quantity(reader.text("tolerance"), node)
                if unit_tolerance != "1":
                    self.problem(node, f"{what}: a tolerance is in %")
            low, high, log = (
                nominal - abs(nominal) * tolerance,
                nominal + abs(nominal) * tolerance,
                False,
            )
        reader.raw("note")
        if times is not None:
            factor = self.read(times, f"{what}: times")
            nominal, low, high = (x * factor.nominal for x in (nominal, low, high))
            if "1" not in (unit, factor.unit):
                self.problem(node, f"{what}: one of 'value' and 'times' is a plain number of times")
            unit = factor.unit if unit == "1" else unit
        reader.done()
        number = Number(nominal, low, high, unit, source, log, node.place)
        self.numbers.append(number)
        return number

    def word(self, scale: str, word: str, node: Any, what: str) -> Number:
        """The number behind a word of a scale; a missing `node` was reported by its reader."""
        if node is None or self.scales is None:
            return Number(math.nan, math.nan, math.nan, "", "")
        words = self.scales[scale].words if scale in self.scales else {}
        if word not in words:
            place = getattr(node, "place", None)
            message = f"{what}: '{word}' is not a word of the scale '{scale}'"
            self.issues.append(Issue("error", "unknown-id", message, place, tuple(words)))
            return Number(math.nan, math.nan, math.nan, "", "")
        return words[word]

    def word_or_number(self, scale: str, node: Any, what: str) -> Number:
        if node is None or isinstance(node, Text):
            return self.word(scale, node or "", node, what)
        return self.read(node, what)


def read_patch(node: Any, numbers: NumberReader, what: str) -> Patch:
    """What changes: parameters, variables, logic, opens, shorts, swaps, situation."""
    if node is None:
        return Patch()
    reader = Reader(node, numbers.issues, what)
    swaps = []
    for pair in reader.children("swap"):
        if (
            isinstance(pair, Sequence)
            and len(pair) == 2
            and all(isinstance(end, Text) for end in pair)
        ):
            swaps.append((pair[0], pair[1]))
        else:
            numbers.problem(pair, f"{what}: a swap names two terminals")
    patch = Patch(
        set={name: numbers.read(value, f"{what}: {name}") for name, value in reader.items("set")},
        variables=reader.text_map("variables"),
        logic=reader.text_map("logic"),
        open=reader.texts("open"),
        short=reader.texts("short"),
        swap=tuple(swaps),
        always=reader.text_map("always"),
        found=reader.text_map("found"),
    )
    reader.done()
    return patch


def read_failure_mode(name: str, node: Any, numbers: NumberReader) -> FailureMode:
    """One failure mode of a part type."""
    what = f"failure mode '{name}'"
    reader = Reader(node, numbers.issues, what)
    if not reader.has("rate"):
        reader.problem("'rate' is missing")
    rate = numbers.word_or_number("how_common", reader.raw("rate"), f"{what}: rate")
    signs = reader.text_map("signs")
    for sign, sure in signs.items():
        numbers.word("how_sure", sure, sure, f"{what}: sign '{sign}'")
    repair = reader.text("repair", "replace")
    numbers.word("repair_minutes", repair, reader.raw("repair", node), what)
    mode = FailureMode(
        id=name,
        title=reader.text("title"),
        mode_class=reader.choice("class", MODE_CLASSES),
        rate=rate,
        patch=read_patch(reader.raw("patch"), numbers, what),
        signs=signs,
        remedy=reader.text("remedy"),
        spares=reader.texts("spares"),
        root_causes=reader.texts("root_causes"),
        prevention=reader.text("prevention", ""),
        intermittent=reader.texts("intermittent"),
        needs=reader.text("needs", ""),
        repair=repair,
        repair_state=reader.choice("repair_state", ("dead", "any"), "dead"),
        licensed=reader.choice("licensed", ("yes", "no"), "no") == "yes",
        status=reader.choice("status", ("draft", "trial", "proven"), "draft"),
        no_test=reader.text("no_test", ""),
        place=reader.place,
    )
    reader.done()
    return mode


def _read_element(name: str, node: Any, issues: list[Issue]) -> Element:
    reader = Reader(node, issues, f"element '{name}'")
    between = reader.texts("between")
    if len(between) != 2:
        reader.problem("'between' names two terminals", "between")
        between = ("?", "?")
    kind = reader.choice("kind", ELEMENT_KINDS)
    closed = reader.text("closed") if reader.has("closed") else None
    allowed = {
        "resistor": ("resistance",),
        "source": ("voltage", "resistance"),
        "current": ("amps", "resistance"),
        "diode": ("drop", "resistance"),
        "capacitor": ("capacitance", "resistance"),
        "impedance": ("resistance", "reactance"),
        "rotor": ("resistance", "backward", "reactance"),
        "curve": ("voltage", "loss", "flow"),
    }[kind]
    fields = {key: reader.text(key) for key in allowed if reader.has(key)}
    phase = reader.choice("phase", PHASES, "one") if kind == "source" else ""
    partners = reader.texts("next") if kind == "rotor" else ()
    ends = (between[0], between[1])
    element = Element(name, kind, ends, fields, closed, reader.place, phase, partners)
    reader.done()
    return element


def _read_signal(name: str, node: Any, issues: list[Issue]) -> Signal:
    reader = Reader(node, issues, f"signal '{name}'")
    kinds = [kind for kind in SIGNAL_KINDS if reader.has(kind)]
    if len(kinds) != 1:
        reader.problem("needs one of its kinds", None, SIGNAL_KINDS)
        kinds = ["volts"]
    signal = Signal(
        id=name,
        kind=kinds[0],
        of=reader.texts(kinds[0]),
        on_above=reader.text("on_above", ""),
        off_below=reader.text("off_below", ""),
        latches=reader.text("latches", "no") == "yes",
        place=reader.place,
    )
    reader.done()
    return signal


def read_part(node: Any, numbers: NumberReader) -> Part:
    """One part type from the content of its file."""
    issues = numbers.issues
    reader = Reader(node, issues, "part")
    name = reader.text("id")
    reader.what = f"part '{name}'"
    domain = reader.choice("domain", (*DOMAINS, "none"), "none")
    raw = reader.raw("terminals")
    terminals: dict[str, Domain] = {}
    if isinstance(raw, Mapping):
        for terminal, where in raw.items():
            if where in DOMAINS:
                terminals[terminal] = where
            else:
                numbers.problem(where, f"terminal '{terminal}' needs a domain: dc, ac or water")
    else:
        for terminal in reader.texts("terminals"):
            if domain in DOMAINS:
                terminals[terminal] = domain
    parameters = {
        key: numbers.read(value, f"{reader.what}: {key}")
        for key, value in reader.items("parameters")
    }
    part = Part(
        id=name,
        title=reader.text("title"),
        domain=domain if domain in DOMAINS else None,
        terminals=terminals,
        parameters=parameters,
        variables=reader.text_map("variables"),
        elements={k: _read_element(k, v, issues) for k, v in reader.items("elements")},
        signals={k: _read_signal(k, v, issues) for k, v in reader.items("signals")},
        logic=reader.text_map("logic"),
        failure_modes={
            k: read_failure_mode(k, v, numbers) for k, v in reader.items("failure_modes")
        },
        place=reader.place,
    )
    reader.done()
    return part
