"""``diagnose day``: strips, picture and moving picture, and what it refuses."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from functools import cache
from pathlib import Path

import pexpect
import pytest

from diagnose.cli import main
from diagnose.cli.day_frames import HEIGHT, WIDTH, frame, frames, plain
from diagnose.cli.day_text import PLAIN, SYMBOLS, day_lines
from diagnose.plant.compose import compose
from diagnose.plant.day import run
from diagnose.plant.day_values import Day
from diagnose.report.pictures.day import day_svg
from tests.bench import shipped
from tests.drawings import outside, overlaps

FAULTS = (
    "roof_high_float.stuck_down",
    "program.no_latch",
    "adapter.under_rated",
    "foot_valve.leaking",
    "capacitor.open",
)


@cache
def day(mode: str = "", hours: float = 24.0) -> Day:
    installation = compose(shipped(), "tank_and_sump", {})
    return run(shipped(), installation, [mode] if mode else [], hours)


def said(capsys: pytest.CaptureFixture[str], *args: str) -> tuple[int, str, str]:
    try:
        main(["day", *args])
        code = 0
    except SystemExit as end:
        code = int(end.code or 0)
    out, err = capsys.readouterr()
    return code, out, err


def test_the_strips_tell_healthy_from_faulty(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    code, out, _ = said(capsys, "--mode", "roof_high_float.stuck_down")
    assert code == 0
    healthy, faulty = out.split("Float stuck down (roof_high_float.stuck_down)")
    assert "roof over" not in healthy
    assert "roof over" in faulty
    assert "! The roof tank runs over" in faulty
    assert max(map(len, out.splitlines())) <= 80


@pytest.mark.parametrize("mode", ["", *FAULTS])
def test_strips_fit_and_their_columns_agree_with_the_day(mode: str) -> None:
    made = day(mode)
    for symbols in (SYMBOLS, PLAIN):
        lines = day_lines(made, 80, symbols)
        assert max(map(len, lines)) <= 80
        (relay,) = [line[10:] for line in lines if line.startswith("    relay ")]
        step = made.minutes / len(relay)
        for k, sign in enumerate(relay):
            on = any(s.is_on("relay") for s in made.within(k * step, (k + 1) * step))
            assert (sign != symbols["off"]) == on
    assert all(line.isascii() for line in day_lines(made, 80, PLAIN))


@pytest.mark.parametrize("mode", FAULTS)
def test_the_picture_is_readable(mode: str) -> None:
    svg = day_svg([("Healthy", day()), (mode, day(mode))], "A day")
    assert overlaps(svg) == []
    assert outside(svg) == []
    assert "<style" not in svg
    assert svg == day_svg([("Healthy", day()), (mode, day(mode))], "A day")
    texts = [node.text or "" for node in ET.fromstring(svg).iter() if node.tag.endswith("text")]
    assert texts.count("relay") == texts.count("pump") == 2
    over = any("runs over" in text for text in texts)
    assert over == (day(mode).figures.overflowed["roof"] > 1)


@pytest.mark.parametrize("mode", ["", *FAULTS])
def test_every_moving_picture_fits_a_small_terminal(mode: str) -> None:
    made = day(mode)
    pictures = list(frames(made, 30.0))
    assert [t for t, _ in pictures] == [30.0 * k for k in range(49)]
    for time, lines in pictures:
        assert len(lines) == HEIGHT
        assert max(map(len, lines)) <= WIDTH
        assert all(line.isascii() for line in plain(lines))
        shown = re.search(r"roof tank (\d\.\d\d) m", "\n".join(lines))
        assert shown
        assert float(shown[1]) == pytest.approx(made.level_at(time)[0], abs=0.006)


def test_the_moving_picture_says_what_goes_on() -> None:
    spill = day("roof_high_float.stuck_down")
    start, end = spill.spans("full:roof")[0]
    assert "RUNS OVER" in "\n".join(frame(spill, (start + end) / 2, 1.0))
    assert "RUNS OVER" not in "\n".join(frame(spill, start - 60, 1.0))
    middle = "\n".join(frame(spill, (start + end) / 2, 1.0))
    assert "PUMPS" in middle
    assert "relay in" in middle
    rattling = "\n".join(frame(day("adapter.under_rated"), 1200.0, 1.0))
    assert "relay rattles" in rattling


def test_a_picture_goes_to_a_file_or_to_standard_output(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    path = tmp_path / "day.svg"
    assert said(capsys, "--hours", "2", "--out", str(path))[0] == 0
    assert path.read_text("utf-8").startswith("<svg")
    code, out, _ = said(capsys, "--hours", "2", "--output", "-")
    assert code == 0
    assert out == path.read_text("utf-8")


def test_frames_are_plain_where_no_terminal_is(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = said(capsys, "--hours", "3", "--animate")
    assert code == 0
    assert out.count("roof tank") == 4
    assert "\x1b" not in out


def test_it_moves_in_a_terminal() -> None:
    command = "python -m diagnose day --hours 4 --animate --speed 1440"
    child = pexpect.spawn(command, dimensions=(24, 80), encoding="utf-8", timeout=60)
    child.expect("roof tank")
    child.expect("starts so far")
    child.expect("Starts  ")
    child.expect(pexpect.EOF)
    child.close()
    assert child.exitstatus == 0


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (("elsewhere",), "there is no installation 'elsewhere'"),
        (("--mode", "pump.sings"), "'pump.sings' is not a failure mode"),
        (("--hours", "0"), "0 hours"),
        (("--hours", "nan"), "nan hours"),
        (("--seed", "-1"), "--seed -1"),
        (("--speed", "0"), "--speed 0"),
        (("--text", "--animate"), "at a time"),
        (("--out", "day.png"), "does not end in .svg"),
        (("--travel", "roof_high_float=2 V"), "--travel roof_high_float"),
        (("--travel", "roof_high_float"), "is not FLOAT=LENGTH"),
        (("--travel", "pump=2 mm"), "'pump' is no float here"),
        (("--main-off", "7"), "is not FROM-TO"),
        (("--main-off", "9-3"), "is not FROM-TO"),
        (("--main-off", "0-inf"), "is not FROM-TO"),
        (("--set", "roof_floats=three"), "not a choice"),
        (("--out", "/nowhere/day.svg", "--hours", "1"), "cannot write"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line(
    capsys: pytest.CaptureFixture[str], args: tuple[str, ...], message: str
) -> None:
    code, _, err = said(capsys, *args)
    assert code == 2
    assert message in err
    assert len(err.strip().splitlines()) == 1
