"""Which symbol stands for what in a part: the conducting ways that a drawing shows.

Leakage paths, stray capacitances and whatever else only a fault would bring out are not drawn.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from diagnose.knowledge.records import Part

LOADS = frozenset(
    {"coil", "adapter", "rc", "varistor", "winding", "resistor", "supply", "capacitor"}
)
"""Symbols that no series conductor leads through."""


@dataclass(frozen=True)
class Shape:
    """How a part is drawn: (terminal, terminal, symbol) each, and what block it makes, if any.

    `block`: ``origin`` (where the mains comes from), ``motor`` (where it goes to), ``controller``,
    ``module`` (several terminals, an inside of its own) or "" (symbols on conductors). `roles`
    names the terminals of an origin or a motor: live, neutral, earth.
    """

    links: tuple[tuple[str, str, str], ...] = ()
    block: str = ""
    roles: Mapping[str, str] = field(default_factory=dict)


def _two_pole(symbol: str) -> Shape:
    return Shape((("l_in", "l_out", symbol), ("n_in", "n_out", symbol)))


def _poles(
    symbol: str, more: tuple[tuple[str, str, str], ...] = (), neutral: bool = False
) -> Shape:
    """Three poles alike, with or without the neutral, and what else there is."""
    ways = tuple((f"{x}_in", f"{x}_out", symbol) for x in ("l", "l2", "l3"))
    last = (("n_in", "n_out", symbol),) if neutral else ()
    return Shape((*ways, *last, *more))


def _legs(symbol: str, through: str = "core", neutral: bool = True) -> Shape:
    """Both legs, and the neutral that is led through."""
    ways = tuple((f"{x}_in", f"{x}_out", symbol) for x in ("l", "l2"))
    return Shape((*ways, *((("n_in", "n_out", through),) if neutral else ())))


_MAINS = {"live": "l", "neutral": "n", "earth": "pe"}
_EARTH_LEAD = (("met", "pe", "terminal"),)
"""From the main earth terminal to the earth bar."""
_PHASES = {"second": "l2", "third": "l3"}

SHAPES: Mapping[str, Shape] = {
    "mains_supply": Shape(_EARTH_LEAD, "origin", {**_MAINS, "earth": "met"}),
    "generator": Shape((), "origin", _MAINS),
    "inverter": Shape((), "origin", _MAINS),
    "mains_three": Shape(_EARTH_LEAD, "origin", {**_MAINS, **_PHASES, "earth": "met"}),
    "mains_split": Shape(_EARTH_LEAD, "origin", {"live": "l", "neutral": "l2", "earth": "met"}),
    "isolator_split": _legs("isolator"),
    "breaker_split": _legs("breaker", neutral=False),
    "residual_split": _legs("residual"),
    "terminals_split": _legs("terminal", "terminal"),
    "cable_split": Shape(
        (("l_in", "l_out", "core"), ("l2_in", "l2_out", "core"), ("pe_in", "pe_out", "core"))
    ),
    "isolator": _two_pole("isolator"),
    "isolator_four": _poles("isolator", neutral=True),
    "breaker_three": _poles("breaker"),
    "residual_four": _poles("residual", neutral=True),
    "terminals_three": _poles("terminal", neutral=True),
    "contactor_three": _poles("contactor", (("a1", "a2", "coil"),)),
    "overload_three": _poles("thermal", (("c_in", "c_out", "break"),)),
    "soft_starter": _poles("thyristor", (("a1", "a2", "coil"),)),
    "cable_four": _poles("core", (("pe_in", "pe_out", "core"),)),
    "feeder": Shape(
        (("l_in", "l_out", "core"), ("n_in", "n_out", "core"), ("pe_in", "pe_out", "core"))
    ),
    "cable_three_wire": Shape(
        (
            ("l_in", "l_out", "core"),
            ("n_in", "n_out", "core"),
            ("pe_in", "pe_out", "core"),
            ("s_in", "s_out", "core"),
        )
    ),
    "surge_protector": Shape((("l", "n", "varistor"),)),
    "alternator": Shape((("in", "out_one", "contact"), ("in", "out_two", "contact"))),
    "box_overload": Shape((("l_in", "l_out", "thermal"),)),
    "voltage_relay": Shape((("s_in", "s_out", "break"), ("k_in", "k_out", "coil"))),
    "current_relay": Shape((("c_in", "c_out", "coil"), ("s_in", "s_out", "contact"))),
    "start_capacitor": Shape((("a", "inner", "terminal"), ("inner", "b", "capacitor"))),
    "motor_three": Shape(
        tuple((f"w{k}", "star", "winding") for k in (1, 2, 3)),
        "motor",
        {"live": "l", "earth": "pe", **_PHASES},
    ),
    "motor_start": Shape(
        (
            ("l", "w", "protector"),
            ("m", "n_in", "winding"),
            ("aux", "n_in", "winding"),
            ("n_in", "n", "terminal"),
        ),
        "motor",
        _MAINS,
    ),
    "motor_three_wire": Shape(
        (
            ("l", "run", "terminal"),
            ("run", "common", "winding"),
            ("s", "start", "terminal"),
            ("start", "common", "winding"),
            ("common", "n", "terminal"),
        ),
        "motor",
        _MAINS,
    ),
    "pump_surface": Shape((("inlet", "outlet", "pump"),)),
    "pump_submersible": Shape((("inlet", "outlet", "pump"),)),
    "breaker": Shape((("l_in", "l_out", "breaker"),)),
    "residual_device": _two_pole("residual"),
    "outlet": Shape(
        (
            ("l_in", "socket", "core"),
            ("socket", "l_out", "plug"),
            ("n_in", "n_out", "plug"),
        )
    ),
    "panel_terminals": _two_pole("terminal"),
    "fuse": Shape((("a", "b", "fuse"),)),
    "converter": Shape(
        (("l", "n", "adapter"), ("inner", "minus", "supply"), ("inner", "plus", "terminal"))
    ),
    "coil_converter": Shape((("l", "n", "adapter"), ("plus", "minus", "supply"))),
    "contactor": Shape((("a1", "a2", "coil"), ("l_in", "l_out", "contactor"))),
    "overload": Shape((("l_in", "l_out", "thermal"),)),
    "suppressor": Shape((("a", "inner", "terminal"), ("inner", "b", "rc"))),
    "pump_cable": Shape(
        (("l_in", "l_out", "core"), ("n_in", "n_out", "core"), ("pe_in", "pe_out", "core"))
    ),
    "motor": Shape(
        (
            ("l", "w", "protector"),
            ("w", "n_in", "winding"),
            ("aux", "n_in", "winding"),
            ("n_in", "n", "terminal"),
        ),
        "motor",
        _MAINS,
    ),
    "run_capacitor": Shape((("a", "inner", "terminal"), ("inner", "b", "capacitor"))),
    "start_switch": Shape((("a", "b", "speed"),)),
    "relay_module": Shape(
        (
            ("com", "no_inner", "contact"),
            ("no_inner", "no", "terminal"),
            ("led_a", "led_k", "opto"),
            ("vcc", "coil_plus", "jumper"),
            ("coil_plus", "drive", "coil"),
            ("drive", "gnd", "driver"),
        ),
        "module",
    ),
    "controller_board": Shape(
        (("vdd", "vdd_in", "terminal"), ("gnd", "gnd_in", "terminal")), "controller"
    ),
    "module_leads": Shape(
        (("signal_in", "signal_out", "core"), ("supply_in", "supply_out", "core"))
    ),
    "lead": Shape((("a", "b", "core"),)),
    "pull_resistor": Shape((("pin", "rail", "resistor"),)),
    "sensor_terminals": Shape(
        (
            ("high_field", "high_pin", "terminal"),
            ("low_field", "low_pin", "terminal"),
            ("sump_field", "sump_pin", "terminal"),
        )
    ),
    "sensor_cable": Shape(
        (
            ("feed_far", "feed_near", "core"),
            ("one_far", "one_near", "core"),
            ("two_far", "two_near", "core"),
        )
    ),
    "junction_box": Shape(
        (
            ("feed_in", "feed_out", "terminal"),
            ("one_in", "one_out", "terminal"),
            ("two_in", "two_out", "terminal"),
        )
    ),
    "float_switch": Shape((("a", "b", "float"),)),
    "mains_float": Shape((("a", "b", "float"),)),
    "dc_float": Shape((("a", "b", "float"),)),
    "hand_off_auto": Shape((("feed", "auto", "turned"), ("feed", "hand", "turned"))),
    "auxiliary_contact": Shape((("a", "b", "contact"),)),
    "control_link": Shape((("a", "b", "terminal"),)),
    "pilot_lamp": Shape((("a", "b", "lamp"),)),
    "logic_relay": Shape((("l", "n", "adapter"), ("q_a", "q_b", "contact"))),
    "logic_relay_dc": Shape((("q_a", "q_b", "contact"),)),
    "phone_relay": Shape((("l", "n", "adapter"), ("com", "no", "contact"))),
    "regulator": Shape((("in", "out", "resistor"),)),
    "input_bias": Shape((("pin", "rail", "resistor"),)),
    "head_box": Shape(
        (
            ("feed_in", "feed_out", "terminal"),
            ("one_in", "one_out", "terminal"),
            ("two_in", "two_out", "terminal"),
        )
    ),
    "electrode": Shape((("rod", "common", "rod"),)),
    "electrode_holder": Shape((("common", "feed", "common"),)),
    "electrode_relay": Shape((("l", "n", "adapter"), ("out_a", "out_b", "contact"))),
    "loop_supply": Shape((("l", "n", "adapter"), ("plus", "minus", "supply"))),
    "dc_supply": Shape((("l", "n", "adapter"), ("plus", "minus", "supply"))),
    "level_transmitter": Shape((("plus", "minus", "loop"),)),
    "analog_input": Shape((("loop", "gnd", "resistor"),)),
    "echo_sensor": Shape((("out", "plus", "echo"),)),
    "echo_input": Shape((("pin", "gnd", "resistor"),)),
    "pressure_switch": _two_pole("pressure"),
    "set_lead": Shape(
        (("l_in", "l_out", "core"), ("n_in", "n_out", "core"), ("pe_in", "pe_out", "core"))
    ),
    "house_side": Shape((("pipe", "inside", "gate"), ("inside", "ground", "tap"))),
    "pressure_vessel": Shape(()),
    "pressure_gauge": Shape(()),
    "selector": Shape((("pin", "gnd", "turned"),)),
    "manual_switch": Shape((("pin", "gnd", "turned"),)),
    "indicator": Shape((("pin", "end", "terminal"), ("end", "gnd", "lamp"))),
    "buzzer": Shape((("pin", "end", "terminal"), ("end", "gnd", "buzzer"))),
    "sump": Shape((("ground", "outlet", "pit"),)),
    "foot_valve": Shape((("inlet", "outlet", "foot"),)),
    "suction_pipe": Shape((("inlet", "outlet", "pipe"),)),
    "pump": Shape((("inlet", "outlet", "pump"),)),
    "delivery": Shape((("inlet", "mid", "check"), ("mid", "outlet", "gate"))),
    "rising_pipe": Shape((("inlet", "outlet", "pipe"),)),
    "roof_tank": Shape((("inlet", "ground", "tank"),)),
}
_BY_KIND = {
    "capacitor": "capacitor",
    "impedance": "winding",
    "source": "supply",
    "diode": "diode",
}


def shape_of(part: Part) -> Shape:
    """How a part is drawn; one that is not listed, or built otherwise, by its elements' kinds."""
    known = SHAPES.get(part.id)
    if known is not None:
        needed = {t for a, b, _ in known.links for t in (a, b)} | set(known.roles.values())
        if needed <= set(part.terminals):
            return known
    links = []
    for element in part.elements.values():
        plain = "contact" if element.closed else "resistor"
        a, b = element.between
        links.append((a, b, _BY_KIND.get(element.kind, plain)))
    return Shape(tuple(links))
