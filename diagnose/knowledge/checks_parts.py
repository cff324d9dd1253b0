"""Checks on part types: elements, signals, failure modes and what they patch."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping

from diagnose.errors import Issue
from diagnose.knowledge.checks_base import error, nearest, needs_issues, unknown, warning
from diagnose.knowledge.family import Family
from diagnose.knowledge.records import (
    Domain,
    FailureMode,
    KnowledgeBase,
    Number,
    Part,
    Signal,
)

FIELDS: Mapping[str, tuple[str, ...]] = {
    "resistor": ("resistance",),
    "source": ("voltage", "resistance"),
    "current": ("amps",),
    "diode": ("drop", "resistance"),
    "capacitor": ("capacitance",),
    "impedance": ("resistance", "reactance"),
    "rotor": ("resistance", "backward", "reactance"),
    "curve": ("loss", "flow"),
}
"""What each kind of element must say."""
ELECTRIC = {
    "resistance": "ohm",
    "reactance": "ohm",
    "backward": "ohm",
    "capacitance": "F",
    "voltage": "V",
    "drop": "V",
    "amps": "A",
}
WATER = {
    "resistance": "ohm",
    "voltage": "m",
    "drop": "m",
    "amps": "L/min",
    "loss": "m",
    "flow": "L/min",
}
"""Units of an element's fields; on the water side a head in m stands for a voltage, a flow in
L/min for a current, and a resistance in m per L/min is written in ohm."""
SIGNAL_POINTS = {
    "volts": 2,
    "pin": 3,
    "share": 3,
    "amps": 1,
    "residual": 2,
    "torque": 2,
    "sequence": 3,
}
AT_TERMINALS = ("volts", "pin", "share", "sequence")
INTERMITTENT = ("hot", "wet", "starting", "touched")
_BARE = re.compile(r"[-+]?[0-9.]+([eE][-+]?[0-9]+)?")


def elements_are_whole(kb: KnowledgeBase) -> Iterator[Issue]:
    """An element between terminals that are not there, or without a number it needs."""
    for part in kb.parts.values():
        for element in part.elements.values():
            what = f"element '{part.id}.{element.id}'"
            ends = [part.terminals.get(t) for t in element.between]
            for terminal, domain in zip(element.between, ends, strict=True):
                if domain is None:
                    yield unknown(what, "terminal", terminal, part.terminals, element)
            if None not in ends and ends[0] != ends[1]:
                message = f"{what} joins {ends[0]} and {ends[1]}: an element stays in one domain"
                yield error("element", message, element)
            for field in FIELDS[element.kind]:
                if field not in element.fields:
                    message = f"{what}: a {element.kind} needs its '{field}'"
                    yield error("element", message, element, legal=FIELDS[element.kind])
            for other in element.partners:
                if other not in part.elements:
                    yield unknown(what, "element", other, part.elements, element)
            if element.kind == "rotor" and len(element.partners) != 2:
                message = f"{what}: 'next' names the two other phases, in the order of rotation"
                yield error("element", message, element)
            for field, text in element.fields.items():
                unit = _field_unit(field, ends[0])
                yield from _factors(f"{what}: {field}", text, part, unit, element)


def _field_unit(field: str, domain: Domain | None) -> str:
    return (WATER if domain == "water" else ELECTRIC).get(field, "")


def _factors(what: str, text: str, part: Part, unit: str, place: object) -> Iterator[Issue]:
    """A product of parameters: each is known, none is a bare number, the unit comes out."""
    units = []
    for token in (t.strip() for t in text.split("*")):
        if _BARE.fullmatch(token):
            message = f"{what}: '{token}' has no unit and no source: make it a parameter"
            yield error("bare-number", message, text, place, legal=nearest("", part.parameters))
        elif "." not in token and token not in part.parameters:
            yield unknown(what, "parameter", token, part.parameters, text, place)
        elif token in part.parameters:
            units.append(part.parameters[token].unit)
    found = [u for u in units if u != "1"] or ["1"]
    if unit and len(units) == text.count("*") + 1 and found != [unit]:
        message = f"{what}: '{text}' is in '{' '.join(found)}'"
        yield error("wrong-unit", message, text, place, legal=(unit,))


def signals_are_whole(kb: KnowledgeBase) -> Iterator[Issue]:
    """A signal on points that are not there, or without sensible thresholds."""
    for part in kb.parts.values():
        for signal in part.signals.values():
            what = f"signal '{part.id}.{signal.id}'"
            yield from _signal_points(what, part, signal)
            if signal.kind == "pin":
                continue
            if not signal.on_above:
                yield error("signal", f"{what}: 'on_above' is missing", signal)
            unit = _threshold_unit(part, signal)
            for text in (signal.on_above, signal.off_below):
                if text:
                    yield from _factors(what, text, part, unit, signal)
            on, off = (_nominal(part, text) for text in (signal.on_above, signal.off_below))
            if on is not None and off is not None and off > on:
                message = f"{what}: 'off_below' lies above 'on_above'"
                yield error("signal", message, signal.off_below, signal)


def _signal_points(what: str, part: Part, signal: Signal) -> Iterator[Issue]:
    count = SIGNAL_POINTS[signal.kind]
    at_terminals = signal.kind in AT_TERMINALS
    legal: Iterable[str] = part.terminals if at_terminals else part.elements
    kind = "terminal" if at_terminals else "element"
    if len(signal.of) != count and not (signal.kind == "residual" and len(signal.of) > count):
        yield error("signal", f"{what}: '{signal.kind}' names {count} {kind}s", signal)
    for name in signal.of:
        if name not in legal:
            yield unknown(what, kind, name, legal, signal)


def _threshold_unit(part: Part, signal: Signal) -> str:
    if signal.kind == "share":
        return "1"
    if signal.kind in ("volts", "sequence"):
        domain = part.terminals.get(signal.of[0]) if signal.of else None
        return "m" if domain == "water" else "V"
    element = part.elements.get(signal.of[0]) if signal.of else None
    domain = part.terminals.get(element.between[0]) if element else None
    return "L/min" if domain == "water" else "A"


def _nominal(part: Part, text: str) -> float | None:
    tokens = [t.strip() for t in text.split("*")]
    if not text or not all(token in part.parameters for token in tokens):
        return None
    return math.prod(part.parameters[token].nominal for token in tokens)


def patches_fit(kb: KnowledgeBase) -> Iterator[Issue]:
    """A failure mode that changes what is not there, or changes nothing."""
    family = Family.all_of(kb)
    for part in kb.parts.values():
        for mode in part.failure_modes.values():
            yield from _patch_issues(family, part, mode)


def _patch_issues(family: Family, part: Part, mode: FailureMode) -> Iterator[Issue]:
    patch, what = mode.patch, f"failure mode '{part.id}.{mode.id}'"
    units = family.units_of(part.id)
    own_logic = set(part.logic).union(*(family.logic(u) for u in units))
    own_variables = set(part.variables).union(*(family.variables(u) for u in units))
    named = [
        ("parameter", patch.set, set(part.parameters), family.parameters),
        ("variable", patch.variables, own_variables, family.variables),
        ("line of logic", patch.logic, own_logic, family.logic),
        ("element", (*patch.open, *patch.short), set(part.elements), family.elements),
        (
            "terminal",
            [t for pair in patch.swap for t in pair],
            set(part.terminals),
            family.terminals,
        ),
    ]
    for kind, names, own, of in named:
        for name in names:
            owner, dot, rest = name.partition(".")
            if not dot and name not in own:
                yield unknown(what, kind, name, own, mode)
            elif dot and owner not in family.fitted:
                yield unknown(what, "instance", owner, family.fitted, name, mode)
            elif dot and owner not in family.unclear and rest not in of(owner):
                yield unknown(what, f"{kind} of '{owner}'", rest, of(owner), name, mode)
    for pair in patch.swap:
        domains = {d for end in pair for d in _domains(family, part, end)}
        if len(domains) > 1:
            message = f"{what} swaps terminals of {' and '.join(sorted(domains))}"
            yield error("wiring", message, pair[1], mode)
    for name, number in patch.set.items():
        for known in _parameters_called(family, part, name):
            if known.unit != number.unit:
                message = f"{what}: '{name}' is in '{known.unit}', not in '{number.unit}'"
                yield error("wrong-unit", message, number, legal=(known.unit,))
    changes = (patch.set, patch.variables, patch.logic, patch.always, patch.found)
    if not any(changes) and not (patch.open or patch.short or patch.swap):
        yield warning("empty-patch", f"{what} changes nothing: only signs can tell it", mode)
    broken = patch.open or patch.short or patch.swap
    if mode.mode_class == "as_designed" and broken:
        message = f"{what} is 'as_designed', yet its patch breaks something"
        yield error("as-designed", message, mode, legal=("wear", "damage", "commissioning"))


def _domains(family: Family, part: Part, terminal: str) -> set[str]:
    owner, dot, rest = terminal.partition(".")
    parts = family.parts_of(owner) if dot else [part]
    key = rest if dot else terminal
    return {p.terminals[key] for p in parts if key in p.terminals}


def _parameters_called(family: Family, part: Part, name: str) -> list[Number]:
    owner, dot, rest = name.partition(".")
    parts = family.parts_of(owner) if dot else [part]
    key = rest if dot else name
    return [p.parameters[key] for p in parts if key in p.parameters]


def modes_are_whole(kb: KnowledgeBase) -> Iterator[Issue]:
    """A failure mode with an unknown sign, need or occasion."""
    family = Family.all_of(kb)
    for part in kb.parts.values():
        for mode in part.failure_modes.values():
            what = f"failure mode '{part.id}.{mode.id}'"
            for sign in mode.signs:
                if sign not in kb.signs:
                    yield unknown(what, "sign", sign, kb.signs, mode)
            for word in mode.intermittent:
                if word not in INTERMITTENT:
                    yield unknown(what, "occasion", word, INTERMITTENT, mode)
            if "{" not in mode.needs:
                yield from needs_issues(what, mode.needs, family, mode)


def parts_are_fitted(kb: KnowledgeBase) -> Iterator[Issue]:
    """A part type that no installation uses."""
    used = {i.part for found in Family.all_of(kb).fitted.values() for i in found}
    for part in kb.parts.values():
        if part.id not in used:
            yield warning("unused", f"part '{part.id}' is fitted nowhere", part)


CHECKS = (elements_are_whole, signals_are_whole, patches_fit, modes_are_whole, parts_are_fitted)
