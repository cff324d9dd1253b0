"""The symbols against IEC 60617, graphical symbols for diagrams.

What is checked, and the identity numbers, are recalled from the standard's database, not read.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import pytest

from diagnose.report.pictures.canvas import Canvas, Pen
from diagnose.report.pictures.shapes import SHAPES
from diagnose.report.pictures.spot import Heading, Spot
from diagnose.report.pictures.symbols import DRAW, TOP, TOPS
from tests.drawings import SVG

Points = list[tuple[float, float]]
INK = "#123456"


def drawn(symbol: str, heading: Heading = "along") -> tuple[float, ET.Element]:
    """How far a symbol's body reaches along the conductor, and its strokes about (0, 0)."""
    canvas = Canvas("t", "d", 100, 100)
    body = DRAW[symbol](Spot(canvas, 0, 0, heading, Pen(INK, 2)))
    return body, ET.fromstring(canvas.svg())


def lines(symbol: str, heading: Heading = "along") -> list[Points]:
    """Its lines as points; closed ones end where they begin."""
    _, root = drawn(symbol, heading)
    found = []
    for node in root.iter(f"{SVG}polyline"):
        pairs = [p.split(",") for p in node.attrib["points"].split()]
        found.append([(float(x), float(y)) for x, y in pairs])
    return found


def solid(symbol: str) -> list[Points]:
    """Its lines but for dashed ones (mechanical links)."""
    _, root = drawn(symbol)
    return [
        [(float(x), float(y)) for x, y in (p.split(",") for p in node.attrib["points"].split())]
        for node in root.iter(f"{SVG}polyline")
        if not node.get("stroke-dasharray")
    ]


def closed(points: Points) -> bool:
    return points[0] == points[-1]


def test_every_symbol_that_a_shape_names_can_be_drawn() -> None:
    named = {symbol for shape in SHAPES.values() for _, _, symbol in shape.links}
    assert named <= set(DRAW)


def test_a_make_contact_does_not_touch_and_a_break_contact_does() -> None:
    # S00227 make contact, S00229 break contact: the arm of a make contact ends off the
    # conductor's line before the fixed contact; that of a break contact crosses a stroke there.
    body, _ = drawn("contact")
    (arm,) = lines("contact")
    assert list(arm[0]) == [-body, 0.0]
    end_x, end_y = arm[1]
    assert end_x < body
    assert end_y < 0
    reach, _ = drawn("protector")
    stroke, arm = solid("protector")[:2]
    assert list(stroke[0]) == [reach, 0.0]
    assert stroke[0][0] == stroke[1][0]
    share = (reach - arm[0][0]) / (arm[1][0] - arm[0][0])
    crossing = arm[0][1] + share * (arm[1][1] - arm[0][1])
    assert min(y for _, y in stroke) <= crossing <= 0


@pytest.mark.parametrize(
    "symbol", ["isolator", "breaker", "contactor", "residual", "float", "turned"]
)
def test_switches_are_make_contacts_with_their_own_sign(symbol: str) -> None:
    # S00288 disconnector: a bar across at the fixed contact; S00287 circuit-breaker: a cross there;
    # S00284 contactor: a half circle there; others with their actuator (S00148 and following).
    body, root = drawn(symbol)
    contact = lines("contact")[0]
    assert contact in lines(symbol)
    more = [node for node in root.iter() if node.tag in {f"{SVG}path", f"{SVG}circle"}]
    assert len(lines(symbol)) > 1 or more
    if symbol == "isolator":
        assert [(body, -6.0), (body, 6.0)] in lines(symbol)
    if symbol == "breaker":
        first, second = (x for x in lines(symbol) if x != contact)
        middle = [tuple((a + b) / 2 for a, b in zip(*x, strict=True)) for x in (first, second)]
        assert middle == [(body, 0.0), (body, 0.0)]


def test_a_fuse_has_its_conductor_through_it_and_a_resistor_has_not() -> None:
    # S00362 fuse, S00555 resistor.
    body, _ = drawn("fuse")
    assert [(-body, 0.0), (body, 0.0)] in lines("fuse")
    assert any(closed(x) for x in lines("fuse"))
    assert len(lines("resistor")) == 1
    assert closed(lines("resistor")[0])


def test_the_socket_feeds_the_plug() -> None:
    # S00031 contact of a socket, S00032 of a plug: a cup that opens towards a filled bar. That the
    # side under voltage is the socket is common practice, no source: a plug's pins can be touched.
    body, root = drawn("plug")
    (cup,) = (node.attrib["d"] for node in root.iter(f"{SVG}path"))
    numbers = [float(x) for x in re.findall(r"-?[\d.]+", cup)]
    start, radius, sweep, end = numbers[:2], numbers[2], numbers[6], numbers[7:]
    assert start[0] == end[0] == radius - body
    assert sweep == 0, "bulges towards the feeding side"
    (bar,) = lines("plug")
    assert max(x for x, _ in bar) > 0
    assert min(x for x, _ in bar) > -body


def test_a_capacitor_is_two_plates_across_the_conductor() -> None:
    # S00567 capacitor.
    body, _ = drawn("capacitor")
    first, second = lines("capacitor")
    assert {x for x, _ in first} == {-body}
    assert {x for x, _ in second} == {body}
    assert first[0][1] == -first[1][1]


def test_a_light_emitting_diode_points_its_way_and_sends_two_arrows() -> None:
    # S00641 diode: triangle with a bar at its point; S00642: two arrows away from it.
    for heading, sign in (("along", 1.0), ("down", 1.0), ("up", -1.0)):
        strokes = lines("opto", heading)  # type: ignore[arg-type]
        triangle = next(x for x in strokes if closed(x) and len(x) == 4)
        at = 0 if heading == "along" else 1
        tip = max(triangle, key=lambda p: sign * p[at])
        assert sum(p == tip for p in triangle) == 1
        assert abs(tip[at]) == 8
        assert sum(len(x) == 3 for x in strokes) == 2, "two arrow heads"


def test_a_relay_coil_is_a_rectangle_met_on_its_long_sides() -> None:
    # S00305 operating device, relay coil.
    body, _ = drawn("coil")
    (outline,) = lines("coil")
    along = max(x for x, _ in outline)
    across = max(y for _, y in outline)
    assert along == body < across


@pytest.mark.parametrize("symbol", sorted(DRAW))
def test_a_symbol_keeps_to_its_room(symbol: str) -> None:
    body, root = drawn(symbol)
    assert 0 < body <= 40
    for points in lines(symbol):
        for _, y in points:
            assert (
                -TOPS.get(symbol, TOP) - 4
                <= y
                <= (26 if symbol in ("coil", "adapter", "driver", "supply", "pump") else 13)
            )
    for node in root.iter(f"{SVG}circle"):
        assert float(node.attrib["cy"]) - float(node.attrib["r"]) >= -TOPS.get(symbol, TOP) - 4
