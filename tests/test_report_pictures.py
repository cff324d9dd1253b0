"""The picture of the circuit: all that is fitted is on it, once, legible and in its place."""

from __future__ import annotations

import hashlib
import os
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from itertools import pairwise
from pathlib import Path

import pytest

from diagnose.plant.compose import Installation, compose
from diagnose.plant.matrix import MatrixBuilder
from diagnose.plant.points import points_of
from diagnose.plant.procedures import BRANCH_KINDS, NODE_KINDS
from diagnose.reasoning.paths import signal_path
from diagnose.report.pictures.circuit import circuit_svg
from diagnose.report.pictures.motors import PARTS
from diagnose.report.pictures.outputs import Outputs
from diagnose.report.pictures.plan import sheet_of
from diagnose.report.pictures.shapes import LOADS, shape_of
from diagnose.report.pictures.text import circuit_text
from diagnose.report.pictures.values import Marks, Measured
from diagnose.report.pictures.wiring import Branch, Column
from tests.bench import shipped
from tests.drawings import SVG, numbers_on, outside, overlaps, texts_of, written
from tests.pictured import fitting_tests, marked, pictured
from tests.tiny import tiny

ALL = pictured(shipped())
NAMES = [installation.id for installation in ALL]
DEFAULT = ALL[0]
HOSTILE = (
    "<script>alert(1)</script>",
    "]]></text><image href='http://example.invalid/x'/>",
    "&amp; &#x0; {{7*7}} #eval(1) $(id)",
    "9" * 10_000,
    "\u202egnihtemos\u202c \u2067x\u2069",
    "a\x00b\x1b[31mc\ud800d\x85e",
    "\U0001f4a7" * 40,
    "水位が低い " * 30,
    "",
)


def everything(installation: Installation) -> Marks:
    return marked(shipped(), installation, 1.0)


def test_the_sample_holds_every_choice_and_many_combinations() -> None:
    chosen = {pair for installation in ALL for pair in installation.choices.items()}
    for kind in shipped().installations.values():
        assert {(v, c) for v, d in kind.variants.items() for c in d.choices} <= chosen
    assert len(ALL) > 20


# ---------------------------------------------------------------------- test points


@pytest.mark.parametrize("installation", ALL, ids=NAMES)
def test_every_test_with_a_probe_has_its_numbers(installation: Installation) -> None:
    points = points_of(shipped(), installation)
    assert sorted(points.numbers.values()) == list(range(1, len(points.numbers) + 1))
    circuit = MatrixBuilder.circuit_of(installation)
    for test in fitting_tests(shipped(), installation).values():
        numbers = points.of(test)
        if test.spec.kind in NODE_KINDS:
            assert [points.where(n) for n in numbers] == [circuit.net_of(x) for x in test.of]
        elif test.spec.kind in BRANCH_KINDS:
            assert [points.where(n) for n in numbers] == list(test.of)
        else:
            assert numbers == ()


@pytest.mark.parametrize("installation", ALL, ids=NAMES)
def test_every_test_point_is_shown(installation: Installation) -> None:
    points = points_of(shipped(), installation)
    numbers = set(points.numbers.values())
    assert numbers_on(circuit_svg(installation, points)) == numbers
    text = " ".join(circuit_text(installation, points))
    assert {int(n) for n in re.findall(r"\((\d+)\)", text)} == numbers


def test_numbers_hang_on_wiring_and_tests_alone() -> None:
    again = compose(shipped(), DEFAULT.type.id, dict(DEFAULT.choices))
    assert points_of(shipped(), again) == points_of(shipped(), DEFAULT)


# ---------------------------------------------------------------------- what is fitted


@pytest.mark.parametrize("installation", ALL, ids=NAMES)
def test_every_fitted_part_is_named_in_full(installation: Installation) -> None:
    points = points_of(shipped(), installation)
    on_svg = written(circuit_svg(installation, points))
    on_text = " ".join(" ".join(circuit_text(installation, points)).split())
    for instance in installation.instances.values():
        assert "".join(instance.title.split()) in on_svg, instance.title
        assert instance.title in on_text, instance.title


BOXED = {"vessel", "gauge", "pump_two", "delivery_two"}
"""What hangs on the pipe, and the second pump's way of the water, stand in boxes."""


@pytest.mark.parametrize("installation", ALL, ids=NAMES)
def test_the_plan_follows_the_wires(installation: Installation) -> None:
    sheet = sheet_of(installation)
    assert set(sheet.rest) <= BOXED or not sheet.controller
    motors = [
        u for u in installation.instances if shape_of(installation.part_of(u)).block == "motor"
    ]
    assert [row.motor for row in sheet.mains] == motors
    ways = [(*row.way, *row.back) for row in (*sheet.inputs, *sheet.outputs)]
    ways += [way for module in sheet.modules for way in module.feeders.values()]
    ways += [
        (*x.head, *load)
        for row in sheet.mains
        for x in row.items
        if isinstance(x, Branch)
        for load in x.loads
    ]
    ways += [*sheet.water[:-1], *sheet.loops]
    assert [x.unit for way in sheet.loops for x in way if x.symbol == "rod"] == [
        u
        for u, i in installation.instances.items()
        if i.part == "electrode" and installation.domain[installation.nets[f"{u}.rod"]] == "ac"
    ]
    for way in ways:
        assert all(a.b == b.a for a, b in pairwise(way)), way
    ends = {row.end for row in (*sheet.inputs, *sheet.outputs)}
    fed = {net for x in sheet.links if x.symbol == "supply" for net in (x.a, x.b)}
    assert ends <= {*sheet.rails, *fed}
    first = sheet.mains[0]
    for row in sheet.mains:
        path = signal_path(installation, first.origin, row.motor).units
        columns = [x for x in row.items if isinstance(x, Column) and x.live]
        assert tuple(c.unit for c in columns) == path[-1 - len(columns) : -1]
        assert row is not first or len(columns) == len(path) - 2
        for column in columns:
            assert all(link.symbol not in LOADS for link in column.live)


@pytest.mark.parametrize("installation", ALL, ids=NAMES)
def test_nothing_in_the_module_crosses_a_conductor(installation: Installation) -> None:
    for module in sheet_of(installation).modules:
        nets = Outputs._order(Outputs.__new__(Outputs), module)
        for link in module.inside:
            assert abs(nets.index(link.a) - nets.index(link.b)) == 1, link


def test_two_pumps_are_drawn_side_by_side_between_sump_and_tank() -> None:
    installation = compose(shipped(), "two_pumps")
    sheet = sheet_of(installation)
    first, second = sheet.water
    assert [link.unit for link in second] == ["pump_two", "delivery_two", "delivery_two"]
    assert [link.symbol for link in second] == [link.symbol for link in first[1:-2]]
    assert (second[0].a, second[-1].b) == (first[1].a, first[-3].b)
    assert not sheet.rest
    *_, line = [
        x for x in circuit_text(installation, points_of(shipped(), installation), width=200) if x
    ]
    assert line.split("--")[0].strip() == "[sump]"
    assert line.endswith("[rising pipe of both pumps]")


@pytest.mark.parametrize("module", ["active_low", "active_high"])
def test_the_light_emitting_diode_of_the_module_points_to_its_cathode(module: str) -> None:
    # IEC 60617 S00641, recalled: the triangle points the way of the current, here from the
    # module's 5 V to its input (active low), or from its input to its ground (active high).
    installation = compose(shipped(), DEFAULT.type.id, {"module": module})
    points = points_of(shipped(), installation)
    root = ET.fromstring(circuit_svg(installation, points))
    at = {n.text: float(n.attrib["y"]) for n in root.iter(f"{SVG}text")}
    anode, cathode = (
        at[str(points.numbers[installation.nets[f"relay.{t}"]])] for t in ("led_a", "led_k")
    )
    found = []
    for node in root.iter(f"{SVG}polyline"):
        ends = [tuple(map(float, p.split(","))) for p in node.attrib["points"].split()]
        ys = [y for _, y in ends]
        upright = len(ends) == 4 and ends[0] == ends[-1] and len(set(ys)) == 2
        if upright and min(anode, cathode) < min(ys) < max(ys) < max(anode, cathode):
            (tip,) = {y for y in ys[:3] if ys[:3].count(y) == 1}
            (base,) = {y for y in ys[:3] if ys[:3].count(y) == 2}
            found.append((tip - base) * (cathode - anode) > 0)
    assert found == [True]


def test_inputs_and_outputs_are_the_controllers_own() -> None:
    sheet = sheet_of(DEFAULT)
    part = DEFAULT.part_of(sheet.controller)
    pins = {signal.of[0] for signal in part.signals.values() if signal.kind == "pin"}
    assert {row.terminal for row in sheet.inputs} == pins
    outputs = {t for t in part.terminals if t.startswith("out_")}
    fed = {way[-1].b for module in sheet.modules for way in module.feeders.values()}
    drawn = {row.terminal for row in sheet.outputs}
    for terminal in outputs - drawn:
        assert DEFAULT.nets[f"{sheet.controller}.{terminal}"] in fed


def test_an_installation_of_other_parts_is_drawn_as_boxes() -> None:
    knowledge = tiny()
    for kind in knowledge.installations:
        installation = compose(knowledge, kind)
        points = points_of(knowledge, installation)
        svg = circuit_svg(installation, points)
        text = " ".join(circuit_text(installation, points))
        for instance in installation.instances.values():
            assert "".join(instance.title.split()) in written(svg)
            assert instance.title in text
        numbers = set(points.numbers.values())
        assert numbers
        assert numbers_on(svg) == numbers
        assert {int(n) for n in re.findall(r"\((\d+)\)", text)} == numbers
        assert not overlaps(svg)
        assert not outside(svg)


# ---------------------------------------------------------------------- legible


@pytest.mark.parametrize("installation", ALL, ids=NAMES)
def test_no_text_lies_on_another(installation: Installation) -> None:
    points = points_of(shipped(), installation)
    some = marked(shipped(), installation, 0.15, seed=len(installation.id))
    for marks in (Marks(), some, everything(installation)):
        svg = circuit_svg(installation, points, marks, caution="Isolate. " * 30)
        assert overlaps(svg) == []
        assert outside(svg) == []


@pytest.mark.parametrize("installation", ALL[::4], ids=NAMES[::4])
def test_the_two_parts_make_the_whole(installation: Installation) -> None:
    points = points_of(shipped(), installation)
    marks = everything(installation)
    mains = circuit_svg(installation, points, marks, part="mains")
    control = circuit_svg(installation, points, marks, part="control")
    assert numbers_on(mains) | numbers_on(control) == set(points.numbers.values())
    if not sheet_of(installation).rest:
        assert not numbers_on(mains) & numbers_on(control), "no network is on both"
    for svg in (mains, control):
        assert overlaps(svg) == []
        assert outside(svg) == []
        shown = {int(n) for b in texts_of(svg) for n in re.findall(r"^\d+(?=–)", b.text)}
        if not sheet_of(installation).rest:
            assert shown <= numbers_on(svg), "its list has its own readings"


def test_the_check_of_overlaps_can_fail() -> None:
    points = points_of(shipped(), DEFAULT)
    svg = circuit_svg(DEFAULT, points)
    moved = re.sub(r' y="[\d.]+" font-size="12"', ' y="400" font-size="12"', svg)
    assert overlaps(moved)
    assert outside(svg.replace('<text x="', '<text x="-9'))


def test_every_reading_is_on_the_picture_and_in_the_text() -> None:
    marks = everything(DEFAULT)
    points = points_of(shipped(), DEFAULT)
    shown = [box.text for box in texts_of(circuit_svg(DEFAULT, points, marks))]
    for reading in marks.readings:
        assert reading.shown in shown
        assert "–".join(map(str, reading.points)) in shown
    lines = circuit_text(DEFAULT, points, marks)
    listed = lines[lines.index("Readings ('!': not as when healthy)") :]
    assert sum(bool(re.match(r"  [a-z]+ +\d", line)) for line in listed) == len(marks.readings)


@pytest.mark.parametrize("unit", DEFAULT.instances)
def test_what_failed_is_marked_wherever_it_is_drawn(unit: str) -> None:
    points = points_of(shipped(), DEFAULT)
    plain = circuit_svg(DEFAULT, points)
    svg = circuit_svg(DEFAULT, points, Marks(failed=frozenset({unit})))
    title = "".join(DEFAULT.instances[unit].title.split())
    assert f"FAILED{title}" in written(svg)
    places = sum(
        PARTS.keys() & {x.symbol} != set() for x in sheet_of(DEFAULT).links if x.unit == unit
    )
    assert written(svg).count(f"FAILED{title}") >= max(1, places), "each of its detached parts"
    assert svg.count('fill="url(#hatch)"') > plain.count('fill="url(#hatch)"') + 1, "legend, symbol"
    text = " ".join(" ".join(circuit_text(DEFAULT, points, Marks(frozenset({unit})))).split())
    assert f"!! {DEFAULT.instances[unit].title.upper()}: FAILED !!" in text


@pytest.mark.parametrize("unit", DEFAULT.instances)
def test_what_is_good_is_in_another_tone_and_ticked(unit: str) -> None:
    points = points_of(shipped(), DEFAULT)
    plain = circuit_svg(DEFAULT, points)
    svg = circuit_svg(DEFAULT, points, Marks(good=frozenset({unit})))
    tick = 'stroke="#666666" stroke-width="1.8"'
    assert plain.count(tick) == 0
    assert svg.count(tick) >= 2, "one in the legend, one beside the name"
    lines = circuit_text(DEFAULT, points, Marks(good=frozenset({unit})))
    assert f"{DEFAULT.instances[unit].title} ok" in " ".join(" ".join(lines).split())


# ---------------------------------------------------------------------- as files


def test_an_svg_stands_by_itself() -> None:
    svg = circuit_svg(DEFAULT, points_of(shipped(), DEFAULT), everything(DEFAULT))
    root = ET.fromstring(svg)
    assert root.tag == f"{SVG}svg"
    assert root.get("role") == "img"
    first, second = list(root)[:2]
    assert (first.tag, second.tag) == (f"{SVG}title", f"{SVG}desc")
    assert first.text
    assert second.text
    tags = {node.tag.removeprefix(SVG) for node in root.iter()}
    plain = {
        "svg",
        "title",
        "desc",
        "defs",
        "pattern",
        "rect",
        "polyline",
        "path",
        "circle",
        "text",
    }
    assert tags <= plain
    links = [v for node in root.iter() for k, v in node.attrib.items() if "href" in k or "://" in v]
    assert links == []
    assert set(re.findall(r"url\(([^)]*)\)", svg)) == {"#hatch"}


def test_the_same_picture_every_time() -> None:
    line = (
        "import hashlib\n"
        "from diagnose.plant.compose import compose\n"
        "from diagnose.plant.points import points_of\n"
        "from diagnose.report.pictures.circuit import circuit_svg\n"
        "from diagnose.report.pictures.text import circuit_text\n"
        "from tests.bench import shipped\n"
        "from tests.pictured import marked\n"
        "kb = shipped(); it = compose(kb, next(iter(kb.installations)))\n"
        "m = marked(kb, it, 1.0); p = points_of(kb, it)\n"
        "out = circuit_svg(it, p, m) + ''.join(circuit_text(it, p, m))\n"
        "print(hashlib.sha256(out.encode()).hexdigest())"
    )
    root = Path(__file__).parent.parent
    seen = {
        subprocess.run(
            [sys.executable, "-c", line],
            cwd=root,
            env=os.environ | {"PYTHONHASHSEED": seed, "PYTHONPATH": str(root)},
            capture_output=True,
            check=True,
            text=True,
        ).stdout
        for seed in ("1", "2")
    }
    assert len(seen) == 1
    assert len(seen.pop().strip()) == hashlib.sha256().digest_size * 2


@pytest.mark.parametrize("text", HOSTILE, ids=range(len(HOSTILE)))
def test_hostile_text_stays_text(text: str) -> None:
    points = points_of(shipped(), DEFAULT)
    readings = tuple(Measured((n,), text, text, False) for n in points.numbers.values())
    marks = Marks(frozenset({"relay"}), readings=readings, good_means=text, failed_word="FAILED")
    svg = circuit_svg(DEFAULT, points, marks, heading=text, caution=text)
    plain = circuit_svg(DEFAULT, points, Marks(frozenset({"relay"})))
    root = ET.fromstring(svg)
    tags = {node.tag for node in root.iter()}
    assert tags == {node.tag for node in ET.fromstring(plain).iter()}
    assert overlaps(svg) == []
    assert outside(svg) == []
    bad = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff]")
    assert not bad.search(svg)
    lines = circuit_text(DEFAULT, points, marks)
    assert not bad.search("".join(lines))
    assert max(map(len, lines)) <= 80


@pytest.mark.parametrize("width", [80, 60, 40])
@pytest.mark.parametrize("installation", ALL[:6], ids=NAMES[:6])
def test_the_text_keeps_to_its_columns(installation: Installation, width: int) -> None:
    points = points_of(shipped(), installation)
    for marks in (Marks(), everything(installation)):
        lines = circuit_text(installation, points, marks, width)
        assert max(map(len, lines)) <= width
        assert all(line == line.rstrip() for line in lines)


def test_the_text_around_a_point_holds_its_conductors_only() -> None:
    points = points_of(shipped(), DEFAULT)
    whole = circuit_text(DEFAULT, points)
    number = points.numbers[DEFAULT.nets["roof_high_float.b"]]
    near = circuit_text(DEFAULT, points, near=(number, points.numbers["gnd"]))
    assert 0 < len(near) < len(whole) / 3
    assert set(near) <= set(whole)
    assert f"({number})" in "".join(near)
    assert circuit_text(DEFAULT, points, near=(999,)) == whole
