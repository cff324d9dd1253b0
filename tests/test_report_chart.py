"""The printed chart: followed by hand it is the interview; nothing on it is lost or overflows."""

from __future__ import annotations

import re
from functools import lru_cache
from itertools import combinations
from pathlib import Path

import pytest

from diagnose.cli import main
from diagnose.cli.chart_fill import filled
from diagnose.errors import DiagnoseError
from diagnose.interview.chart import compile_chart, opening
from diagnose.interview.chart_tree import NAMED, TOOL, Bounds, Chart, Given
from diagnose.interview.limits import outcome_text
from diagnose.interview.session import Session
from diagnose.plant.cache import matrix_for
from diagnose.plant.wiring import compose_named, parse_installation
from diagnose.report.chart import Answer, ChartEnd, ChartStep, FaultChart, target_text
from diagnose.report.chart_layout import SHEET, arrange, box_width
from diagnose.report.chart_paper import chart_document
from diagnose.report.chart_picture import draw_tree
from diagnose.report.document import PAPERS, Paper, with_signs
from diagnose.report.html import html
from diagnose.report.pdf import pdf
from diagnose.report.terminal import terminal
from tests import chart_walk
from tests.bench import shipped
from tests.chart_words import boxes_of, overlapping, page_faults

INSTALLATIONS = ("default", "drive=contactor,overload=fitted")
"""The second is a case's of the repository, so that its matrix is computed once for both."""
COMPLAINTS = ("will_not_start_manual", "trips", "overflows")
SMALL = Bounds(steps=5, rare=0.04, most=9)


def session_of(name: str) -> Session:
    knowledge = shipped()
    installation = compose_named(knowledge, parse_installation(knowledge, name))
    return Session(knowledge, installation, matrix_for(knowledge, installation))


@lru_cache(maxsize=2)
def compiler(name: str) -> Session:
    return session_of(name)


@lru_cache(maxsize=2)
def follower(name: str) -> Session:
    """A session of its own for who follows the paper."""
    return session_of(name)


@lru_cache(maxsize=8)
def small(name: str, complaint: str, bounds: Bounds = SMALL) -> Chart:
    return compile_chart(compiler(name), Given(complaint), bounds)


@pytest.mark.parametrize("complaint", COMPLAINTS)
@pytest.mark.parametrize("name", INSTALLATIONS)
def test_following_the_paper_is_the_interview(name: str, complaint: str) -> None:
    session = follower(name)
    chart = small(name, complaint)
    paper = chart_walk.printed(html(chart_document(filled(compiler(name), chart))))
    assert len(paper.steps) == len(chart.steps) >= 3
    events = chart_walk.opening(session, paper, chart_walk.opened(session), complaint)
    walked = chart_walk.walk(session, paper, events)
    assert walked.deepest <= SMALL.steps
    named = sum(walked.leaves.get(letter, 0) for letter in paper.ends if letter not in "TN")
    assert named >= 1
    assert chart.share(NAMED) > 0


def test_a_chart_that_differs_from_the_interview_is_found() -> None:
    """Swap two targets, or claim another end: the walk must fail."""
    name, complaint = INSTALLATIONS[0], COMPLAINTS[0]
    session = follower(name)
    page = html(chart_document(filled(compiler(name), small(name, complaint))))
    goes = re.findall(r"go\xa0to\xa0(\d+)", page)
    assert len(goes) >= 2
    first, second = goes[0], next(g for g in goes if g != goes[0])
    swapped = page.replace(f"go\xa0to\xa0{first}<", "go\xa0to\xa0?<")
    swapped = swapped.replace(f"go\xa0to\xa0{second}<", f"go\xa0to\xa0{first}<")
    swapped = swapped.replace("go\xa0to\xa0?<", f"go\xa0to\xa0{second}<")
    early = re.sub(r"end\xa0A<", "end\xa0T<", page)
    for wrong in (swapped, early):
        assert wrong != page
        paper = chart_walk.printed(wrong)
        events = chart_walk.opening(session, paper, chart_walk.opened(session), complaint)
        with pytest.raises(AssertionError):
            chart_walk.walk(session, paper, events)


def test_the_same_chart_comes_out_again() -> None:
    name, complaint = INSTALLATIONS[0], COMPLAINTS[1]
    again = compile_chart(session_of(name), Given(complaint), SMALL)
    documents = (filled(compiler(name), c) for c in (again, small(name, complaint)))
    one, other = (html(chart_document(document)) for document in documents)
    assert one == other


def test_shares_of_all_ends_make_a_whole() -> None:
    chart = small(INSTALLATIONS[0], COMPLAINTS[2])
    assert sum(end.reach for end in chart.ends) == pytest.approx(1.0, abs=1e-9)
    assert chart.steps[0].reach == 1.0


def test_more_steps_bring_more_callouts_to_a_cause() -> None:
    session = compiler(INSTALLATIONS[0])
    shares = []
    for most in (3, 6, 12):
        chart = compile_chart(session, Given("hums"), Bounds(steps=6, rare=0.03, most=most))
        assert len(chart.steps) <= most
        shares.append(chart.share(NAMED))
    assert shares[0] < shares[1] <= shares[2]


def test_the_bound_on_steps_ends_at_the_tool() -> None:
    chart = compile_chart(compiler(INSTALLATIONS[0]), Given("hums"), Bounds(steps=1))
    assert len(chart.steps) == 1
    assert all(way.step == 0 for way in chart.steps[0].ways)
    assert {chart.ends[way.end].kind for way in chart.steps[0].ways} <= {TOOL, NAMED}


def test_an_unqualified_person_gets_another_chart() -> None:
    """Nothing that needs an open panel: the guard holds on paper too."""
    given = Given("hums", qualification="unqualified")
    chart = compile_chart(compiler(INSTALLATIONS[0]), given, Bounds(steps=8))
    assert all(not step.acts and step.test.state != "dead" for step in chart.steps)
    sheet = filled(compiler(INSTALLATIONS[0]), chart)
    assert any(end.title.startswith("Several causes") for end in sheet.ends)
    session = follower(INSTALLATIONS[0])
    paper = chart_walk.printed(html(chart_document(sheet)))
    opened = chart_walk.opened(session, qualification="unqualified")
    chart_walk.walk(session, paper, chart_walk.opening(session, paper, opened, "hums"))
    usual = small(INSTALLATIONS[0], "trips")
    assert any(step.acts for step in usual.steps)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (Given("no_such"), "complaint"),
        (Given("trips", answers={"mood": "good"}), "mood"),
        (Given("trips", answers={"worked": "ages"}), "ages"),
        (Given("trips", answers={"danger": "yes"}), "no chart"),
    ],
)
def test_what_cannot_be_taken_as_given_is_refused(given: Given, said: str) -> None:
    with pytest.raises(DiagnoseError, match=said):
        opening(compiler(INSTALLATIONS[0]), given)


# ---------------------------------------------------------------------- limits in words


def test_printed_limits_are_those_of_the_interview() -> None:
    """Each printed range, typed back: its lower limit belongs to it, its upper one does not."""
    session = compiler(INSTALLATIONS[1])
    checked = 0
    for test in session.tests.values():
        for outcome in test.outcomes:
            text = outcome_text(test, outcome)
            if not test.spec.unit or outcome.when:
                assert text == outcome.title
                continue
            low, high = chart_walk.limits(text)
            assert low or high, (test.id, text)
            assert bool(high) == (outcome.below is not None), (test.id, text)
            if low:
                assert session.read_answer(test.id, low) == outcome.id, (test.id, text)
            if high:
                number, _, unit = high.partition(" ")
                under = f"{float(number) - 0.002 * abs(float(number)):.8g} {unit}"
                assert session.read_answer(test.id, high) != outcome.id, (test.id, text)
                assert session.read_answer(test.id, under) == outcome.id, (test.id, text)
            checked += 1
    assert checked > 300


# ---------------------------------------------------------------------- the drawing


def wide_chart(count: int, fan: int) -> FaultChart:
    """An invented chart: every step leads on to `fan` more as long as there are numbers."""
    steps = []
    for n in range(1, count + 1):
        children = [c for c in range(fan * (n - 1) + 2, fan * n + 2) if c <= count]
        answers = [
            Answer(f"reading {k} of step {n} in some words", str(c)) for k, c in enumerate(children)
        ]
        answers += [
            Answer("it does something else that takes many words to say", "A"),
            Answer("jumps about", "T", "suspect something"),
            Answer("anything else", "N"),
        ]
        first = ("Isolate the installation", "Prove dead") if n % 3 == 0 else ()
        title = f"Resistance of the longest lead of part {n}, measured at the panel"
        steps.append(ChartStep(n, title, "Do it.", tuple(answers), first))
    ends = (
        ChartEnd("A", "named", "Part: broken", "a part with quite a long name"),
        ChartEnd("T", "tool", "Ends", ""),
        ChartEnd("N", "none", "None", ""),
    )
    return FaultChart("Chart", "", (), "", (), (), (), (), (), tuple(steps), ends)


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize(("count", "fan"), [(1, 1), (9, 1), (30, 2), (60, 4), (25, 6)])
def test_boxes_stand_apart_and_on_the_sheet(paper: Paper, count: int, fan: int) -> None:
    chart = wide_chart(count, fan)
    sheets = arrange(chart, paper)
    width, height = SHEET[paper]
    assert sorted(n for s in sheets for n in s.placed) == list(range(1, count + 1))
    for sheet in sheets:
        room = box_width(paper)
        assert sheet.bottom <= height
        edges = [(p.column, p.top, p.top + p.box.height) for p in sheet.placed.values()]
        for (c, top, low), (d, up, down) in combinations(edges, 2):
            assert c != d or low < up or down < top
        assert max(p.column for p in sheet.placed.values()) * (room + 34) + room <= width
        lines = {}
        for link in sheet.links:
            source, target = sheet.placed[link.source], sheet.placed[link.target]
            assert target.column == source.column + 1
            assert source.box.rows[link.row].answer.step == link.target
            assert target.entry >= source.row_at(link.row) - 1e-6
            lines[link] = (source.column, source.row_at(link.row), target.entry)
        for (one, (c, top, low)), (other, (d, up, down)) in combinations(lines.items(), 2):
            if c == d and min(low, down) >= max(top, up) - 1:
                assert one.lane != other.lane, "two lines on top of each other"
                first, last = (one, other) if top < up else (other, one)
                assert last.lane > first.lane, "two lines cross"


@pytest.mark.parametrize("paper", PAPERS)
def test_texts_in_the_drawing_do_not_meet(paper: Paper) -> None:
    for chart in (wide_chart(30, 3), filled(compiler("default"), small("default", "trips"))):
        for svg in draw_tree(chart, paper):
            boxes = boxes_of(svg)
            assert len(boxes) > 5
            width, height = (
                float(v) for v in re.findall(r'viewBox="0 0 ([\d.]+) ([\d.]+)', svg)[0]
            )
            for box in boxes:
                assert 0 <= box.x0 < box.x1 <= width, box
                assert 0 <= box.y0 < box.y1 <= height, box
            assert not overlapping(boxes)


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("name", INSTALLATIONS)
def test_nothing_leaves_the_page_and_every_step_is_on_it(name: str, paper: Paper) -> None:
    sheet = filled(compiler(name), small(name, "trips", Bounds(steps=6, rare=0.04)))
    faults, text, _ = page_faults(pdf(chart_document(sheet, paper)), paper)
    assert not faults
    for step in sheet.steps:
        assert " ".join(with_signs(step.title).split()) in text
        for answer in step.answers:
            assert " ".join(with_signs(answer.text).split()) in text
    unbroken = text.replace("- ", "-")  # a line may end after a hyphen
    for end in sheet.ends:
        assert end.title.replace("- ", "-") in unbroken
    for caution in (*sheet.numbered, *sheet.cautions, *sheet.repair_cautions, sheet.stop):
        assert caution in text


# ---------------------------------------------------------------------- the command


def run(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    main(["chart", "tank_and_sump", *words])
    return capsys.readouterr().out


def test_the_command_writes_what_is_asked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    usual = ("--complaint", "hums", "--steps", "3", "--rare", "0.1")
    with pytest.raises(SystemExit) as done:
        run(capsys, *usual, "--output", str(tmp_path / "chart.pdf"))
    assert done.value.code == 0
    assert (tmp_path / "chart.pdf").read_bytes().startswith(b"%PDF")
    with pytest.raises(SystemExit):
        run(capsys, *usual, "--format", "text")
    text = capsys.readouterr().out
    assert "Fault-finding chart: Pump hums" in text
    assert max(len(line) for line in text.splitlines()) <= 80


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--complaint", "hum"), "hums"),
        (("--complaint", "hums", "--set", "drive"), "VARIANT=CHOICE"),
        (("--complaint", "hums", "--set", "drive=belt"), "contactor"),
        (("--complaint", "hums", "--answer", "worked"), "QUESTION=CHOICE"),
        (("--complaint", "hums", "--steps", "0"), "between 1 and"),
        (("--complaint", "hums", "--most", "0"), "between 1 and"),
        (("--complaint", "hums", "--rare", "0"), "between"),
        (("--complaint", "hums", "--paper", "a3"), "letter"),
        (("--complaint", "hums", "--format", "doc"), "pdf"),
        (("--complaint", "hums", "--output", "chart.doc"), ".pdf"),
        (("--complaint", "hums", "--qualification", "hobby"), "licensed"),
        (("--complaint", "hums", "--instruments", "hammer"), "multimeter"),
        (("--complaint", "hums", "--output", "/nowhere/chart.pdf", "--steps", "1"), "cannot write"),
    ],
)
def test_bad_options_give_one_line_and_what_is_legal(
    capsys: pytest.CaptureFixture[str], words: tuple[str, ...], said: str
) -> None:
    with pytest.raises(SystemExit) as stopped:
        run(capsys, *words)
    assert stopped.value.code == 2
    error = capsys.readouterr().err.strip()
    assert said in error
    assert len(error.splitlines()) == 1


def test_the_terminal_shows_the_same_steps() -> None:
    sheet = filled(compiler("default"), small("default", "trips"))
    lines = terminal(chart_document(sheet)).splitlines()
    head = next(k for k, line in enumerate(lines) if "If you find this, go there" in line)
    right = lines[head].index("If you find this")
    assert lines[head].startswith("Step ")
    shown = " ".join(" ".join(line[right:] for line in lines[head:]).split())
    for step in sheet.steps:
        for answer in step.answers:
            assert f"{answer.text} → {target_text(answer)}" in shown
