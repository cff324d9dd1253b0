"""From a case to its pictures: what failed, what is proved good, what was read; and the command."""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET
from functools import partial
from pathlib import Path

import pytest

from diagnose.casebook.answers import Scripted, read_answers
from diagnose.casebook.files import FileStore
from diagnose.cli import main
from diagnose.cli.ask import Terminal
from diagnose.cli.callout import header_of
from diagnose.cli.circuit import show_circuit
from diagnose.cli.common import session_for
from diagnose.cli.figures import (
    GOOD_BELOW,
    circuit_of,
    failed_unit,
    figures_of,
    marks_of,
    proved_good,
    readings_of,
    searched,
    suspicion_of,
)
from diagnose.cli.lines import understand
from diagnose.cli.render import Screen
from diagnose.interview.drive import drive
from diagnose.interview.events import Event, new_event
from diagnose.interview.session import Session
from diagnose.knowledge.names import unit_of
from diagnose.report.pictures.values import Marks
from tests.bench import shipped
from tests.drawings import numbers_on, outside, overlaps, written
from tests.people import SimulatedPerson, clear_modes, standard_session

CASES = Path(__file__).parent.parent / "cases"
CAPACITOR = CASES / "own-pump-hums-weak-capacitor.yaml"
FLOAT = CASES / "own-tank-overflows-float-lead-open.yaml"


def told(path: Path) -> tuple[Session, list[Event]]:
    answers = read_answers(path, shipped())
    session = session_for(shipped(), answers.installation)
    events = [answers.opened(shipped())]
    drive(session, events, Scripted(answers, shipped()))
    return session, events


@pytest.fixture(scope="module")
def capacitor() -> tuple[Session, list[Event]]:
    return told(CAPACITOR)


@pytest.fixture(scope="module")
def session() -> Session:
    return standard_session()


def led(session: Session, mode: str, repairs: bool = False) -> list[Event]:
    events = [new_event("opened", installation=session.installation.type.id)]
    drive(session, events, SimulatedPerson(session, mode, repairs))
    return events


# ---------------------------------------------------------------------- what failed


def test_what_failed_follows_the_events() -> None:
    concluded = new_event("concluded", status="concluded", unit="relay", failure_mode="x")
    repaired = new_event("repaired", unit="relay", failure_mode="x")
    passed = new_event("verified", check="c", result="pass")
    in_vain = new_event("verified", check="c", result="fail")
    closed = new_event("closed", unit="motor", failure_mode="y")
    assert failed_unit([]) == ""
    assert failed_unit([new_event("concluded", status="handed_over", unit="relay")]) == ""
    assert failed_unit([concluded]) == "relay"
    assert failed_unit([concluded, repaired, passed]) == "relay"
    assert failed_unit([concluded, repaired, in_vain]) == ""
    assert failed_unit([concluded, repaired, new_event("withdrawn", event=repaired.id)]) == "relay"
    assert failed_unit([concluded, repaired, in_vain, closed]) == "motor"
    taken = new_event("withdrawn", event=in_vain.id)
    assert failed_unit([concluded, repaired, in_vain, taken]) == "relay"
    assert searched([concluded, repaired, passed]) == [concluded]
    assert searched([concluded, repaired, in_vain]) == [concluded, repaired, in_vain]


def test_what_was_only_concluded_is_called_likely(session: Session) -> None:
    session_, events = told(FLOAT)
    marks = marks_of(session_, events)
    assert marks.failed == {"roof_high_float"}
    assert marks.failed_word == "LIKELY CAUSE"
    assert "LIKELYCAUSEhighfloat" in written(circuit_of(session_, marks))
    closed = [*events, new_event("closed", unit="roof_high_float", failure_mode="lead_open")]
    assert marks_of(session_, closed).failed_word == "FAILED"


# ---------------------------------------------------------------------- what is good


def test_no_unit_that_failed_is_ever_proved_good(session: Session) -> None:
    for mode in clear_modes(session, 12):
        events = led(session, mode)
        state = session.state_of(events)
        assert unit_of(mode) not in proved_good(session, state), mode


def test_healthy_readings_alone_prove_a_unit_good(session: Session) -> None:
    opened = new_event("opened", installation=session.installation.type.id)
    complaint = new_event("complaint", ids=["will_not_start_auto"])
    fuse = "fuse_continuity"
    outcomes = [o.id for o in session.tests[fuse].outcomes]
    healthy = [new_event("finding", test=fuse, outcome=outcomes[0], raw=outcomes[0])]
    blown = [new_event("finding", test=fuse, outcome=outcomes[-1], raw=outcomes[-1])]
    unsure = [new_event("finding", test=fuse, outcome=outcomes[0], raw=outcomes[0], sure="no")]

    def good(found: list[Event]) -> set[str]:
        return proved_good(session, session.state_of([opened, complaint, *found]))

    assert good([]) == set()
    assert "control_fuse" in good(healthy)
    assert "control_fuse" not in good(blown)
    assert "control_fuse" not in good(unsure)
    assert good(healthy) <= set(session.installation.instances)
    assert 0 < GOOD_BELOW < 0.5


# ---------------------------------------------------------------------- what was read


def test_readings_stand_at_the_points_of_their_tests(
    capacitor: tuple[Session, list[Event]],
) -> None:
    session, events = capacitor
    marks = marks_of(session, events)
    findings = [e for e in events if e.kind == "finding"]
    probed = [e for e in findings if session.points.of(session.tests[e.data["test"]])]
    assert [m.points for m in marks.readings] == [
        session.points.of(session.tests[e.data["test"]]) for e in probed
    ]
    shown = {m.title: m.shown for m in marks.readings}
    assert shown["Running current 2.2 to 3.7 A"] == "16.2 A"
    assert shown["Run capacitor within 10 % of 12.5 uF"] == "4.25 µF"
    assert all(m.healthy is False for m in marks.readings)
    assert len(readings_of(session, events)) == len(findings)
    assert marks.failed == {"capacitor"}
    assert marks.failed_word == "FAILED"


def test_the_suspicion_ends_where_the_search_ended(capacitor: tuple[Session, list[Event]]) -> None:
    session, events = capacitor
    found = suspicion_of(session, events)
    before = searched(events)
    belief = session.turn(before).belief
    by_unit = dict(zip(belief.table.unit_names, belief.unit_p.tolist(), strict=True))
    title = session.installation.instances["capacitor"].title
    (line,) = (s for s in found.series if s.title == title)
    assert line.values[-1] == pytest.approx(by_unit["capacitor"])
    assert len(found.steps) == len(line.values) == 1 + sum(e.kind == "finding" for e in before)
    assert all(0 <= r <= 1 for r in found.rest)
    total = [
        sum(s.values[k] for s in found.series) + found.rest[k] for k in range(len(found.steps))
    ]
    assert total == pytest.approx([1.0] * len(total))


def test_what_was_taken_back_is_on_no_picture(session: Session) -> None:
    events = led(session, clear_modes(session, 3)[1])
    finding = next(e for e in events if e.kind == "finding")
    after = [*events, new_event("withdrawn", event=finding.id)]
    assert len(readings_of(session, after)) == len(readings_of(session, events)) - 1


@pytest.mark.parametrize("path", sorted(CASES.glob("own-*.yaml")), ids=lambda path: path.stem)
def test_all_pictures_of_a_case_are_legible(path: Path) -> None:
    session, events = told(path)
    figures = figures_of(session, events)
    for svg in (figures.circuit, figures.suspicion, figures.ranges):
        ET.fromstring(svg)
        assert overlaps(svg) == []
        assert outside(svg) == []
    assert numbers_on(figures.circuit) >= set(session.points.numbers.values())
    assert max(map(len, figures.text)) <= 80


# ---------------------------------------------------------------------- the interview


def test_a_step_gives_the_numbers_of_its_test_points(session: Session) -> None:
    seen = 0
    for mode in clear_modes(session, 6):
        events = led(session, mode)
        for k, event in enumerate(events):
            if event.kind == "finding":
                step = session.turn(events[:k]).step
                assert step.points == session.points.of(session.tests[step.id])
                seen += bool(step.points)
    assert seen


def test_the_word_circuit(session: Session, capsys: pytest.CaptureFixture[str]) -> None:
    assert understand("circuit", ()).kind == "circuit"
    assert understand("Circuit  ALL", ()).kind == "circuit all"
    events = [new_event("opened", installation=session.installation.type.id)]
    lines = iter(["circuit", "circuit all", "help", "1"])
    terminal = Terminal(session, Screen(True), events, lambda prompt: next(lines))
    turn = session.turn(events)
    assert terminal.reply(turn, turn.step).kind == "answer"
    shown = capsys.readouterr().out
    assert shown.count("[isolator]") == 4
    assert "circuit all" in shown
    assert max(map(len, shown.splitlines())) <= 80


def _next(said: list[str], prompt: str) -> str:
    return said.pop()


def test_the_word_circuit_open(
    session: Session, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    opened: list[str] = []

    def browser(uri: str) -> bool:
        opened.append(uri)
        return True

    monkeypatch.setattr("webbrowser.open", browser)
    events = [new_event("opened", installation=session.installation.type.id)]
    for display, count in (("", 0), (":0", 1)):
        monkeypatch.setenv("WAYLAND_DISPLAY", "")
        monkeypatch.setenv("DISPLAY", display)
        monkeypatch.setattr("sys.platform", "linux")
        said = ["1", "circuit open"]
        terminal = Terminal(session, Screen(True), events, partial(_next, said))
        turn = session.turn(events)
        assert terminal.reply(turn, turn.step).kind == "answer"
        shown = capsys.readouterr().out
        assert len(opened) == count
        assert ("yourself" in shown) is (count == 0)
    path = Path(opened[0].removeprefix("file://"))
    assert numbers_on(path.read_text(encoding="utf-8")) == set(session.points.numbers.values())


def test_the_circuit_around_a_step(session: Session, capsys: pytest.CaptureFixture[str]) -> None:
    points = session.points.of(session.tests["fuse_continuity"])
    show_circuit(Screen(True), session, [new_event("opened")], points)
    near = capsys.readouterr().out
    assert "[control fuse]" in near
    assert "[buzzer" not in near
    assert f"around {points[0]} and {points[1]}" in near


# ---------------------------------------------------------------------- the command


def run(*arguments: str) -> int:
    try:
        main(["circuit", *arguments])
    except SystemExit as end:
        return int(end.code or 0)
    return 0


def test_the_command_writes_a_picture(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run("tank_and_sump", "--set", "drive=contactor") == 0
    svg = (tmp_path / "circuit-tank_and_sump.svg").read_text(encoding="utf-8")
    assert "contactor:coil" in written(svg)
    assert "circuit-tank_and_sump.svg" in capsys.readouterr().out
    assert run("--output", "-") == 0
    assert ET.fromstring(capsys.readouterr().out).get("role") == "img"
    kept = io.BytesIO()
    cp1252 = io.TextIOWrapper(kept, "cp1252")  # a pipe's encoding on many a Windows
    monkeypatch.setattr("sys.stdout", cp1252)
    assert run("ultrasonic", "--output", "-") == 0
    piped = kept.getvalue()
    monkeypatch.undo()
    assert run("ultrasonic", "--output", str(tmp_path / "own.svg")) == 0
    assert piped == (tmp_path / "own.svg").read_bytes()
    assert not piped.isascii()


@pytest.mark.parametrize("part", ["mains", "control"])
def test_the_command_draws_a_part(part: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("--part", part, "--output", "-") == 0
    svg = capsys.readouterr().out
    assert ("circuitbreaker" in written(svg)) is (part == "mains")
    assert ("controllerboard" in written(svg)) is (part == "control")


def test_the_command_writes_text(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("--text", "--set", "sump_sensor=none") == 0
    shown = capsys.readouterr().out
    assert run("--text", "tank_and_sump,sump_sensor=none") == 0
    assert capsys.readouterr().out == shown
    assert "[high float in the roof tank]" in shown
    assert "float in the sump" not in shown
    assert max(map(len, shown.splitlines())) <= 80


def test_the_command_draws_a_case(
    tmp_path: Path, capacitor: tuple[Session, list[Event]], capsys: pytest.CaptureFixture[str]
) -> None:
    _, events = capacitor
    store = FileStore(tmp_path)
    case = store.create(header_of(events[0]), events[:1]).id
    for event in events[1:]:
        store.append(case, event)
    out = tmp_path / "picture.svg"
    assert run("--case", case, "--store", str(tmp_path), "--output", str(out)) == 0
    svg = out.read_text(encoding="utf-8")
    assert "FAILEDruncapacitor" in written(svg)
    assert run("--case", case, "--store", str(tmp_path), "--text") == 0
    assert "!! RUN CAPACITOR: FAILED !!" in re.sub(r"\s+", " ", capsys.readouterr().out)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("nowhere,drive=contactor",), "there is no installation 'nowhere'"),
        (("tank_and_sump,drive",), "'drive' in 'tank_and_sump,drive' is not VARIANT=CHOICE"),
        (("--set", "drive=horse"), "'horse' is not a choice of 'drive'"),
        (("--set", "drive"), "is not VARIANT=CHOICE"),
        (("--output", "x.png"), "does not end in .svg"),
        (("--output", "/no/such/folder/x.svg"), "cannot write"),
        (("--part", "water"), "'water' is not a part"),
        (("--text", "--part", "mains"), "--text goes"),
        (("--text", "--output", "x.svg"), "--text goes to the screen"),
        (("--output", "-", "--open"), "--open needs a file"),
        (("--case", "none", "tank_and_sump"), "no INSTALLATION"),
        (("--case", "none"), "there is no case 'none'"),
    ],
)
def test_bad_input_is_one_line(
    arguments: tuple[str, ...],
    says: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert run(*arguments, "--store", str(tmp_path)) == 2
    error = capsys.readouterr().err
    assert says in error
    assert error.count("\n") == 1
    assert "Traceback" not in error


def test_marks_are_empty_before_anything_is_known(session: Session) -> None:
    marks = marks_of(session, [new_event("opened", installation=session.installation.type.id)])
    assert marks == Marks(good_means=marks.good_means, failed_word=marks.failed_word)
