"""The pictures of the suspicion and of the readings, from values alone."""

from __future__ import annotations

import math
import random
import xml.etree.ElementTree as ET
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.quantities import format_quantity
from diagnose.report.pictures.over_time import LETTERS, over_time_svg, over_time_text, tick_of
from diagnose.report.pictures.ranges import LEFT, OVER, RIGHT, ranges_svg, scale_of
from diagnose.report.pictures.suspicion import HIGH, MOST, TOP, _apart, suspicion_svg
from diagnose.report.pictures.suspicion import LEFT as START
from diagnose.report.pictures.values import (
    Band,
    OverTime,
    Reading,
    Series,
    Suspicion,
    Timed,
    percent,
)
from tests.drawings import SVG, outside, overlaps, texts_of, written

BANDS = (
    Band("below 20 ohm: closed", 20.0, True),
    Band("20 ohm to 500 kohm", 5e5),
    Band("open", None),
)


def reading(value: float | None, bands: tuple[Band, ...] = BANDS, unit: str = "ohm") -> Reading:
    found = len(bands) - 1
    if value is not None:
        limits = [math.inf if b.below is None else b.below for b in bands]
        found = next(k for k, limit in enumerate(limits) if value < limit or limit == math.inf)
    shown = "open" if value is None else format_quantity(value, unit)
    return Reading("Contact of the float alone", unit, shown, value, bands, found, (54, 55))


def suspicion(causes: int, steps: int, seed: int = 1) -> Suspicion:
    chance = random.Random(seed)
    rows = [[chance.random() ** 3 for _ in range(causes)] for _ in range(steps)]
    rows = [[x / (sum(row) + 0.01) for x in row] for row in rows]
    return Suspicion(
        tuple(f"Test number {k} of the sensor cable to the roof: something" for k in range(steps)),
        tuple(
            Series(f"mains terminals in the panel {c}", tuple(row[c] for row in rows))
            for c in range(causes)
        ),
    )


# ---------------------------------------------------------------------- suspicion


@pytest.mark.parametrize("causes", [1, 3, MOST])
@pytest.mark.parametrize("steps", [1, 2, 7, 30, 70])
def test_the_suspicion_is_legible(causes: int, steps: int) -> None:
    svg = suspicion_svg(suspicion(causes, steps))
    assert overlaps(svg) == []
    assert outside(svg) == []
    for k in range(causes):
        assert f"panel{k}" in written(svg)
    for k in range(steps):
        assert f"Testnumber{k}of" in written(svg)


def test_lines_that_end_together_are_named_apart() -> None:
    same = tuple(Series(f"cause {k} of the same weight", (0.1, 0.0)) for k in range(MOST))
    svg = suspicion_svg(Suspicion(("a", "b"), same))
    assert overlaps(svg) == []
    assert outside(svg) == []


def test_lines_differ_without_colour() -> None:
    root = ET.fromstring(suspicion_svg(suspicion(MOST, 6)))
    long = [n for n in root.iter(f"{SVG}polyline") if len(n.attrib["points"].split()) == 6]
    assert len(long) == MOST
    assert len({n.get("stroke-dasharray") for n in long}) == MOST


def test_a_probability_stands_at_its_height() -> None:
    svg = suspicion_svg(Suspicion(("a", "b", "c"), (Series("x", (0.25, 1.0, 0.0)),)))
    line = next(
        n for n in ET.fromstring(svg).iter(f"{SVG}polyline") if len(n.attrib["points"].split()) == 3
    )
    ys = [float(p.split(",")[1]) for p in line.attrib["points"].split()]
    assert ys == [TOP + 0.75 * HIGH, TOP, TOP + HIGH]


def test_neither_certainty_nor_impossibility_is_claimed() -> None:
    assert [percent(p) for p in (0.0, 0.004, 0.31, 0.994, 1.0)] == [
        "<1%",
        "<1%",
        "31%",
        "99%",
        ">99%",
    ]


@given(
    st.lists(st.floats(0, 300), min_size=1, max_size=7).map(sorted),
    st.lists(st.sampled_from([18.0, 32.0]), min_size=7, max_size=7),
)
def test_names_are_moved_apart_in_order(wanted: list[float], heights: list[float]) -> None:
    heights = heights[: len(wanted)]
    places = _apart(wanted, heights, 0.0, 340.0)
    for k in range(1, len(places)):
        assert places[k] >= places[k - 1] + heights[k - 1] - 1e-9
    assert places[0] >= -1e-9
    assert places[-1] + heights[-1] <= 340.0 + 1e-9 or sum(heights) > 340.0


# ---------------------------------------------------------------------- suspicion over time


def over_time(moments: int, notes: int, last: float, seed: int = 3) -> OverTime:
    chance = random.Random(seed)

    def line(title: str, end: float) -> Timed:
        minutes = sorted(chance.uniform(0, end) for _ in range(moments))
        return Timed(title, tuple(minutes), tuple(chance.random() for _ in minutes), end)

    return OverTime(
        (
            line("you: buried or exposed length of the sensor cable to the roof", last),
            line("expert: buried or exposed length of the sensor cable to the roof", 0.4 * last),
            line("you: the leading part", last),
            line("expert: the leading part", 0.4 * last),
        ),
        tuple((chance.uniform(0, last), f"what happened, number {k}") for k in range(notes)),
    )


@pytest.mark.parametrize("last", [4.5, 90.0, 2400.0])
@pytest.mark.parametrize(("moments", "notes"), [(1, 0), (9, 3), (60, len(LETTERS))])
def test_suspicion_over_time_is_legible(moments: int, notes: int, last: float) -> None:
    picture = over_time(moments, notes, last)
    svg = over_time_svg(picture)
    assert overlaps(svg) == []
    assert outside(svg) == []
    for _, text in picture.notes:
        assert "".join(text.split()) in written(svg)
    rows = over_time_text(picture, 76)
    assert max(map(len, rows)) <= 76
    assert rows[0].startswith(" 100% |")
    assert rows[10].startswith("   0% |")


def test_a_probability_holds_from_its_minute_on() -> None:
    line = Timed("x", (0.0, 40.0, 50.0), (0.2, 0.9, 0.1), 80.0)
    svg = over_time_svg(OverTime((line,)))
    points = max(
        (n.attrib["points"].split() for n in ET.fromstring(svg).iter(f"{SVG}polyline")), key=len
    )
    xs, ys = zip(*[map(float, p.split(",")) for p in points], strict=True)
    assert xs[0] == START
    assert [(y - TOP) / HIGH for y in ys] == pytest.approx([0.8, 0.8, 0.1, 0.1, 0.9, 0.9])
    assert (xs[2] - START) / (xs[5] - START) == pytest.approx(0.5)
    columns = over_time_text(OverTime((line,)), 88)
    marks = [next(r for r in range(11) if columns[r].ljust(88)[7 + c] == "o") for c in range(81)]
    assert marks == [8] * 40 + [1] * 10 + [9] * 31


@given(st.floats(0.1, 1e5))
def test_the_axis_of_minutes_has_a_few_round_names(last: float) -> None:
    step = tick_of(last)
    assert 3 <= last / step <= 10 + 1e-9
    digits = f"{step:.0e}"[0]
    assert digits in "125"


# ---------------------------------------------------------------------- expected and measured


def mark_of(svg: str) -> float:
    """The x of the arrow head of the only row: the closed shape of four points drawn last."""
    heads = [
        n.attrib["points"].split()
        for n in ET.fromstring(svg).iter(f"{SVG}polyline")
        if len(n.attrib["points"].split()) == 4
    ]
    return float(heads[-1][0].split(",")[0])


def bars(svg: str) -> list[tuple[float, float, bool]]:
    """Left and right edge of each stretch of the bar, and whether it is the healthy one."""
    found = []
    for n in ET.fromstring(svg).iter(f"{SVG}rect"):
        if n.get("height") == "16":
            x = float(n.attrib["x"])
            found.append((x, x + float(n.attrib["width"]), n.get("fill") == "#c9c9c9"))
    return found


@given(st.floats(0.01, 5e8))
@settings(max_examples=60, deadline=None)
def test_the_mark_stands_in_the_stretch_of_its_outcome(value: float) -> None:
    svg = ranges_svg((reading(value),))
    start, end, healthy = bars(svg)[reading(value).outcome]
    assert start - 0.02 <= mark_of(svg) <= end + 0.02
    assert healthy is (value < 20)
    assert overlaps(svg) == []
    assert outside(svg) == []


def test_stretches_meet_without_a_gap() -> None:
    edges = bars(ranges_svg((reading(3.0),)))
    assert len(edges) == len(BANDS)
    for left, right in pairwise(edges):
        assert left[1] == pytest.approx(right[0], abs=0.02)


def test_over_range_stands_beyond_the_scale() -> None:
    off = reading(math.inf)
    svg = ranges_svg((off,))
    assert off.shown == "OL"
    assert RIGHT < mark_of(svg) <= RIGHT + OVER
    assert "OL" in written(svg)


def test_decades_only_where_the_limits_are_decades_apart() -> None:
    volts = (Band("low", 4.75), Band("healthy", 5.25, True), Band("high", None))
    wide, close = scale_of(reading(3.0)), scale_of(reading(5.0, volts, "V"))
    assert wide is not None
    assert close is not None
    assert wide.log
    assert not close.log
    assert wide.at(200.0) - wide.at(20.0) == pytest.approx(wide.at(2e5) - wide.at(2e4))
    assert close.at(5.2) - close.at(5.0) == pytest.approx(close.at(5.0) - close.at(4.8))
    assert LEFT <= close.at(4.75) < close.at(5.25) <= RIGHT


def test_answers_in_words() -> None:
    words = (Band("rattles", None), Band("pulls in", None, True), Band("does not pull in", None))
    said = Reading("Relay clicks", "", "pulls in", None, words, 1)
    svg = ranges_svg((said,))
    start, end, healthy = bars(svg)[1]
    assert healthy
    assert mark_of(svg) == pytest.approx((start + end) / 2, abs=0.02)
    assert {"rattles", "pulls in", "does not pull in"} <= {b.text for b in texts_of(svg)}


def test_an_outcome_named_instead_of_a_number() -> None:
    svg = ranges_svg((reading(None),))
    start, end, _ = bars(svg)[-1]
    assert start < mark_of(svg) < end


def test_what_is_said_in_words_takes_no_room_on_the_scale() -> None:
    comes = Band("comes and goes", None, worded=True)
    amps = (comes, Band("none", 0.4), Band("as the nameplate", 3.7, True), Band("high", None))
    high = Reading("Running current", "A", "high", None, amps, 3)
    svg = ranges_svg((high,))
    stretches = bars(svg)[-3:]  # before them the sample in the legend
    assert all(end - start > 20 for start, end, _ in stretches)
    assert [healthy for _, _, healthy in stretches] == [False, True, False]
    assert stretches[-1][0] < mark_of(svg) < stretches[-1][1]
    unsteady = ranges_svg((Reading("Running current", "A", "comes and goes", None, amps, 0),))
    assert len(ET.fromstring(unsteady).findall(f".//{SVG}polyline")) < len(
        ET.fromstring(svg).findall(f".//{SVG}polyline")
    )  # no mark: it has no place


def test_unlike_healthy_is_told_without_colour() -> None:
    root = ET.fromstring(ranges_svg((reading(3.0), reading(1e4))))
    marked = [
        n.get("text-decoration") for n in root.iter(f"{SVG}text") if n.text in ("3 Ω", "10 kΩ")
    ]
    assert marked == [None, "underline"]


def test_hostile_text_in_the_charts() -> None:
    bad = "</text><script>x</script>\u202e" + "z" * 9_000
    rows = (Reading(bad, "", bad, None, (Band(bad, None), Band(bad, None, True)), 0, (1, 2)),)
    lines = Suspicion((bad,) * 9, tuple(Series(bad, (0.1,) * 9) for _ in range(4)))
    for svg in (ranges_svg(rows, bad), suspicion_svg(lines, bad)):
        assert f"{SVG}script" not in {node.tag for node in ET.fromstring(svg).iter()}
        assert overlaps(svg) == []
        assert outside(svg) == []
