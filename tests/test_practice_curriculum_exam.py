"""Exams: the same seed gives the same exam everywhere; sheet, transcript, replay, class sets."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pymupdf
import pytest

from diagnose.cli import exam as exam_command
from diagnose.cli import main
from diagnose.cli.exam_desk import sit
from diagnose.cli.exam_paper import set_document, sheet_document
from diagnose.cli.report import Wanted, rendered
from diagnose.errors import DiagnoseError
from diagnose.knowledge.names import unit_of
from diagnose.knowledge.practice_reading import load_practice
from diagnose.practice.bench import Workshop
from diagnose.practice.difficulty import Rating
from diagnose.practice.exam_transcript import (
    ExamTranscript,
    read_transcript,
    save_transcript,
)
from diagnose.practice.examiner import TOLERANCE, Drawn, Examiner, Plan
from diagnose.practice.expert import expert
from diagnose.practice.sheet import Sheet, differences, played, result_of, sheet_of
from tests.made_tables import KIND, ROOT
from tests.people import standard_session
from tests.test_practice_curriculum import exercises
from tests.tiny import place_of

SEED = 11
NAME = "<script>alert(1)</script> #strong[x] \\u{41} \x1b[31m \u202eabc & 'co'"

SAME_EVERYWHERE = """
import json
from tests.test_practice_curriculum_exam import whole_exam
print(json.dumps(whole_exam()))
"""


@cache
def examiner() -> Examiner:
    """The examiner of the shipped installation without variants chosen."""
    session = standard_session()
    workshop = Workshop(session.knowledge, session.installation, load_practice(session.knowledge))
    return Examiner.of(session, workshop, exercises())


def plan(count: int = 1, **changed: object) -> Plan:
    """A plan of so many callouts."""
    variants = dict(standard_session().installation.choices)
    base = Plan(KIND, variants, SEED, count)
    return replace(base, **changed)  # type: ignore[arg-type]


@cache
def drawn() -> tuple[Drawn, ...]:
    """An exam of one callout."""
    return examiner().draw(plan())


@cache
def sat() -> tuple[ExamTranscript, Sheet]:
    """That exam as the expert sits it: transcript with results, and sheet."""
    one = drawn()[0]
    attempt = expert(standard_session(), examiner().bench(one.exercise))
    transcript = ExamTranscript(NAME, plan(), "2026-01-02T03:04:05+00:00", knowledge())
    for taken in attempt.taken:
        transcript = transcript.with_act(1, taken)
    sheet = sheet_of(examiner(), transcript, drawn(), [attempt])
    results = tuple(result_of(line) for line in sheet.lines)
    return replace(transcript, results=results), sheet


def knowledge() -> str:
    """The digest of the knowledge base."""
    return standard_session().knowledge.digest


def whole_exam() -> object:
    """All that must be the same everywhere: callout, acts, readings, minutes, score, difficulty."""
    transcript, sheet = sat()
    one = drawn()[0]
    shown = [[e.act.kind, dict(e.act.data), e.shown] for e in transcript.entries]
    rated = [r for c in ("hums", "overflows") for r in Rating(standard_session()).rate(c)]
    numbers = [[*r.modes, r.complaint, r.difficulty.minutes] for r in rated]
    hidden = [*one.exercise.modes, one.exercise.complaint, str(one.exercise.seed), one.says]
    return [hidden, shown, [dict(r) for r in transcript.results], sheet.digest, numbers]


def test_the_same_seed_gives_the_same_exam_in_another_process() -> None:
    """Other hash seed, other number of threads; some difficulties reckoned anew, none kept."""
    env = {
        **os.environ,
        "PYTHONHASHSEED": "4242",
        "OPENBLAS_NUM_THREADS": "1" if os.environ.get("OPENBLAS_NUM_THREADS") == "2" else "2",
        "PYTHONPATH": str(ROOT),
    }
    exercises()  # kept now, so that the other process need not
    command = [sys.executable, "-c", SAME_EVERYWHERE]
    done = subprocess.run(command, cwd=ROOT, env=env, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    there = json.loads(done.stdout)
    assert there == json.loads(json.dumps(whole_exam()))
    hidden, shown, results, _, numbers = there
    assert len(numbers) > 20
    assert any(" V" in text or " mA" in text or " A" in text for _, _, text in shown)
    assert results[0]["ended"] == "solved"
    assert hidden[3]


# ---------------------------------------------------------------------- transcript and replay


def test_a_transcript_gives_back_what_was_put_in(tmp_path: Path) -> None:
    transcript, sheet = sat()
    save_transcript(tmp_path / "t.yaml", transcript)
    again = read_transcript(tmp_path / "t.yaml")
    assert again == transcript
    assert again.candidate == NAME
    attempts = played(examiner(), again, drawn())
    assert sheet_of(examiner(), again, drawn(), attempts) == sheet
    assert list(differences(again, attempts, sheet)) == []


@pytest.fixture
def exam(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """The transcript on file; commands use the examiner that is there already."""
    monkeypatch.setattr(exam_command, "examiner_for", lambda *_: examiner())
    save_transcript(tmp_path / "t.yaml", sat()[0])
    return tmp_path / "t.yaml"


def run(*arguments: str) -> int:
    """The command's exit code."""
    try:
        main(list(arguments))
    except SystemExit as ended:
        return int(ended.code or 0)
    return 0


def test_a_replay_gives_the_same_sheet_or_says_where_it_differs(
    exam: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("exam", "--replay", str(exam)) == 0
    first = capsys.readouterr()
    assert f"this very sheet (digest {sat()[1].digest})" in first.err
    text = exam.read_text(encoding="utf-8")
    forged = text.replace("ended: solved", "ended: given_up", 1)
    forged = forged.replace("shown: All poles are open.", "shown: Not all poles are open.", 1)
    assert forged.count("Not all poles") == 1
    exam.write_text(forged, encoding="utf-8")
    assert run("exam", "--replay", str(exam)) == 1
    second = capsys.readouterr()
    assert second.out == first.out  # the sheet is computed, whatever the transcript claims
    lines = second.err.splitlines()
    assert len(lines) == 2
    assert "(isolate): the transcript has 'Not all poles are open.'" in lines[0]
    assert "ended: the transcript has 'given_up', playing it gives 'solved'" in lines[1]
    # an act that is left out changes the sheet
    acts = text.split("- callout: 1\n  act: ")
    (lock,) = [k for k, part in enumerate(acts) if part.startswith("lock_off")][:1]
    del acts[lock]
    exam.write_text("- callout: 1\n  act: ".join(acts), encoding="utf-8")
    assert run("exam", "--replay", str(exam)) == 1
    assert "unsafe acts: the transcript has '0'" in capsys.readouterr().err
    exam.write_text(text.replace(knowledge(), "0" * 64), encoding="utf-8")
    assert run("exam", "--replay", str(exam)) == 1
    assert "knowledge base is not the one of the exam" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("old", "new", "needle", "message"),
    [
        ("seed: 11", "seed: -1", "seed: ¦-1", "'-1' is no whole number"),
        ("act: isolate", "act: jump", "act: ¦jump", "'jump' is not a legal 'act'"),
        ("level: medium", "level: mad", "level: ¦mad", "'mad' is not a legal 'level'"),
        ("of_set: 'no'", "off_set: 'no'", "off_set", "unknown key 'off_set'"),
    ],
)
def test_a_bad_transcript_is_refused_with_its_place(
    exam: Path, capsys: pytest.CaptureFixture[str], old: str, new: str, needle: str, message: str
) -> None:
    text = exam.read_text(encoding="utf-8").replace(old, new, 1)
    exam.write_text(text, encoding="utf-8")
    assert run("exam", "--replay", str(exam)) == 2
    _, line, column = place_of(exam.parent, exam.name, needle)
    said = capsys.readouterr().err.splitlines()
    assert any(f"{exam}:{line}:{column}: " in one and message in one for one in said), said


# ---------------------------------------------------------------------- sitting it


def typed(*lines: str) -> Iterator[str]:
    """What a candidate types; then the terminal is closed."""
    yield from lines


def test_an_exam_that_breaks_off_goes_on_and_nothing_leaks(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = (
        *("ask safety", "hint", "suspect 1", "isolate", "lock", "prove tester"),
        *("prove dead", "prove tester", "swap motor", "close", "block", "energise"),
        *("check 1", "give up"),
    )
    path, blank = tmp_path / "e.yaml", replace(sat()[0], entries=(), results=())
    wanted = Wanted("text", tmp_path / "sheet.txt", no_color=True).checked()

    def reader(lines: Iterator[str]) -> object:
        def read(_: str) -> str:
            line = next(lines, None)
            if line is None:
                raise EOFError
            return line

        return read

    assert sit(examiner(), drawn(), blank, path, wanted, reader(typed(*words[:6]))) == 130  # type: ignore[arg-type]
    kept = read_transcript(path)
    assert [e.act.kind for e in kept.entries][-1] == "prove_tester"
    assert kept.results == ()
    assert "hidden" not in path.read_text(encoding="utf-8")
    assert sit(examiner(), drawn(), kept, path, wanted, reader(typed(*words[6:]))) == 0  # type: ignore[arg-type]
    shown = capsys.readouterr().out
    assert "no hints in this callout" in shown
    assert "Noted." in shown
    mode = standard_session().installation.modes[drawn()[0].exercise.modes[0]]
    assert mode.title not in shown  # it stands on the sheet only
    sheet = (tmp_path / "sheet.txt").read_text(encoding="utf-8")
    assert mode.title in " ".join(sheet.split())
    whole = read_transcript(path)
    assert [e.act.kind for e in whole.entries][-1] == "finish"
    assert whole.results[0]["ended"] == "given_up"
    attempts = played(examiner(), whole, drawn())
    again = sheet_of(examiner(), whole, drawn(), attempts)
    assert list(differences(whole, attempts, again)) == []


# ---------------------------------------------------------------------- class sets


def test_a_class_set_is_as_hard_throughout_and_nothing_comes_twice(
    exam: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    two = plan(2, of_set=True)
    found = examiner().draw(two)
    low, high = examiner().limits(two)
    assert high / low == pytest.approx((1 + TOLERANCE) / (1 - TOLERANCE), rel=1e-3)
    assert all(low <= d.rated.difficulty.minutes <= high for d in found)
    assert len({d.says for d in found}) == 2
    assert len({unit_of(d.exercise.modes[0]) for d in found}) == 2
    assert len({d.exercise.complaint for d in found}) == 2
    assert examiner().draw(replace(two, number=2)) == found[1:2]
    assert run("exam", "--class-set", "2", "--seed", str(SEED)) == 0
    shown = capsys.readouterr().out
    assert "within ±10% of" in shown
    assert all(d.hidden.split(":")[0] in " ".join(shown.split()) for d in found)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ((), "an exam needs --seed"),
        (("--seed", "-1"), "an exam needs --seed"),
        (("--seed", "1", "--number", "2"), "--number goes with --class-set only"),
        (("--seed", "1", "--class-set", "3", "--number", "4"), "there is no callout 4 in the set"),
        (("--seed", "1", "--class-set", "99"), "--class-set 99 must lie from 1 to 20"),
        (("--seed", "1", "--class-set", "3", "--level", "mad"), "(legal: easy, medium, hard)"),
        (("--seed", "1", "--class-set", "3", "--tolerance", "2"), "must lie from 0.01 to 0.5"),
        (("--seed", "1", "--class-set", "3", "--count", "2"), "--count cannot go with --class-set"),
        (("--replay", "x", "--seed", "1"), "--seed cannot go with --replay"),
        (("--replay", "x", "--resume", "y"), "--resume cannot go with --replay"),
        (("--seed", "1", "--format", "docx"), "'docx' is not a format"),
        (("--replay", "none.yaml"), "none.yaml:1:1: cannot read the file"),
    ],
)
def test_options_that_cannot_be_used_are_refused(
    exam: Path,
    capsys: pytest.CaptureFixture[str],
    options: tuple[str, ...],
    message: str,
) -> None:
    assert run("exam", *options) == 2
    said = capsys.readouterr().err
    assert message in said
    assert len(said.splitlines()) == 1


def test_a_transcript_is_never_overwritten(exam: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = exam.read_bytes()
    assert run("exam", "--seed", "3", "--out", str(exam)) == 2
    assert "exists" in capsys.readouterr().err
    assert exam.read_bytes() == before


# ---------------------------------------------------------------------- paper


def test_a_hostile_name_stays_a_name(tmp_path: Path) -> None:
    sheet = sat()[1]
    page = rendered(sheet_document(sheet), Wanted("html")).decode()
    assert "&lt;script&gt;alert(1)" in page
    assert "<script>alert" not in page
    text = rendered(sheet_document(sheet), Wanted("text", tmp_path / "x")).decode()
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert "#strong[x]" in text
    assert max(map(len, text.splitlines())) <= 80
    long = replace(sheet, candidate="x" * 5000)
    made = rendered(sheet_document(long, "letter"), Wanted("pdf"))
    assert made.startswith(b"%PDF")
    library: Any = pymupdf  # its calls carry no types
    with library.open(stream=made) as pages:
        assert len(pages) <= 2
        words = "".join(page.get_text() for page in pages)
    assert "5000 characters in the transcript" in " ".join(words.replace("\u200b", "").split())
    assert sheet.digest in words
    assert drawn()[0].says.split()[0] in words


def test_the_sheet_says_what_the_score_room_says() -> None:
    (line,) = sat()[1].lines
    assert line.ended == "solved"
    assert line.offences == ()
    assert line.in_vain == ()
    assert line.minutes == line.expert
    assert line.score.safety == 30
    assert line.checks >= 5
    assert sat()[1].total == line.score.total
    document = set_document(drawn(), (10.0, 20.0), plan(of_set=True))
    assert "For the trainer only" in rendered(document, Wanted("html")).decode()


def test_an_exercise_that_is_not_rated_here_is_refused() -> None:
    strange = replace(drawn()[0].exercise, modes=("relay.no_such",))
    with pytest.raises(DiagnoseError, match="no exercise that is rated"):
        examiner().rated(strange)
