"""``diagnose debrief`` from the command line: text, HTML and PDF of a practice attempt on file."""

from __future__ import annotations

import re
from functools import lru_cache
from html import unescape
from pathlib import Path

import pymupdf
import pytest
from typer.testing import CliRunner

from diagnose.cli import app, main
from diagnose.cli.debrief_paper import debrief_document, over_time_of
from diagnose.cli.debrief_path import rows_of
from diagnose.cli.debriefing import show_debrief
from diagnose.cli.render import Screen
from diagnose.cli.transcripts import transcript_text
from diagnose.practice.debrief import debrief
from diagnose.report.document import Document, Table
from diagnose.report.html import html
from diagnose.report.pdf import pdf
from diagnose.report.pictures.over_time import over_time_svg
from diagnose.report.terminal import columns, terminal
from tests.drawings import outside, overlaps
from tests.people import standard_session
from tests.practised import CALLOUTS, bench_of, clumsy, clumsy_debrief

HEADINGS = (
    "Safety first",
    "Score",
    "Where you diverged most",
    "Your path",
    "Where the minutes went",
    "Suspicion over time",
    "The expert's path",
)


@lru_cache(maxsize=2)
def document(text: bool = False) -> Document:
    bench = bench_of((CALLOUTS[0][0],), CALLOUTS[0][1])
    return debrief_document(standard_session(), bench, clumsy_debrief(), text=text)


def transcript(folder: Path, acts: int | None = None) -> Path:
    path = folder / "attempt.yaml"
    taken = clumsy().taken[:acts]
    path.write_text(transcript_text(clumsy().exercise, [t.act for t in taken]), encoding="utf-8")
    return path


def test_the_text_fits_eighty_columns_and_says_it_in_order() -> None:
    text = terminal(document(text=True))
    assert max(map(columns, text.split("\n"))) <= 80
    places = [text.index(f"\n{heading}\n") for heading in HEADINGS]
    assert places == sorted(places)
    found = clumsy_debrief()
    assert found.worst is not None
    assert f"At {found.mine.steps[found.worst].began:.0f} min: " in text
    assert "It was the right one, but as things stood it was a guess." in " ".join(text.split())
    assert "o you: sensor cable to the roof" in text


def test_the_picture_of_a_debrief_is_legible() -> None:
    svg = over_time_svg(over_time_of(standard_session(), clumsy_debrief()))
    assert overlaps(svg) == []
    assert outside(svg) == []
    assert "you: a sound part, low float in the roof" in re.sub(r"<[^>]+>", " ", unescape(svg))


def test_every_step_stands_in_the_table_once() -> None:
    found = clumsy_debrief()
    rows = rows_of(found.mine)
    assert sum(row.minutes for row in rows) == pytest.approx(found.mine.minutes)
    tables = [b for b in document().blocks if isinstance(b, Table) and b.columns[0].title == "At"]
    assert [len(table.rows) for table in tables] == [len(rows), len(rows_of(found.expert))]
    (marked,) = tables[0].marked
    assert found.worst is not None
    assert rows[marked].step is found.mine.steps[found.worst]


def test_html_and_pdf_say_the_same() -> None:
    page = unescape(re.sub(r"<[^>]+>", " ", html(document())))
    with pymupdf.open(stream=pdf(document()), filetype="pdf") as opened:  # type: ignore[no-untyped-call]
        paper = " ".join(p.get_text() for p in opened)
    for said in (*HEADINGS, "Sound parts that you swapped", "measured on a live"):
        assert said in " ".join(page.split())
        assert said in " ".join(paper.split())


def test_a_callout_ends_with_the_same_text(capsys: pytest.CaptureFixture[str]) -> None:
    bench = bench_of((CALLOUTS[0][0],), CALLOUTS[0][1])
    show_debrief(Screen(plain=True), standard_session(), bench, clumsy())
    first, _, rest = capsys.readouterr().out.partition("\n")
    assert "takes some seconds" in first
    assert rest == "\n" + terminal(document(text=True))


def test_the_command_writes_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = transcript(tmp_path)
    result = CliRunner().invoke(app, ["debrief", str(path), "--no-color"])
    assert result.exit_code == 0
    expected = terminal(document(text=True))
    assert result.stdout == expected
    with pytest.raises(SystemExit) as stopped:
        main(["debrief", str(transcript(tmp_path, -1))])
    assert stopped.value.code == 2
    said = capsys.readouterr().err
    assert "is not over" in said
    assert said.count("\n") == 1


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("format: 1\nacts: 3\n", "attempt.yaml:"),
        ("- a list\n", "attempt.yaml:1:1"),
    ],
)
def test_a_file_that_is_no_transcript_is_refused(
    tmp_path: Path, text: str, message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "attempt.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SystemExit) as stopped:
        main(["debrief", str(path)])
    assert stopped.value.code == 2
    said = capsys.readouterr().err
    assert message in said
    assert "Traceback" not in said


def test_the_expert_itself_has_nothing_lost() -> None:
    found = clumsy_debrief()
    bench = bench_of((CALLOUTS[0][0],), CALLOUTS[0][1])
    text = terminal(
        debrief_document(
            standard_session(), bench, debrief(standard_session(), bench, found.expert.attempt)
        )
    )
    assert "Nowhere worth naming" in text
    assert "Safety first" not in text
    assert not re.search(r"lost \d", text)
