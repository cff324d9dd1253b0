"""``diagnose practice`` as a trainee types it: reads well, keeps every act, gives nothing away."""

from __future__ import annotations

import base64
import json
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from diagnose.cli import app, main
from diagnose.cli.practice_words import HELP, WORDS, understand
from diagnose.cli.render import sentence
from diagnose.cli.transcripts import Transcript, read_transcript, transcript_text
from diagnose.errors import DiagnoseError
from diagnose.practice.play import play
from diagnose.practice.records import Act, Exercise
from tests import practised
from tests.people import practice_bench, standard_session

runner = CliRunner()
MODE = "relay.contacts_welded"
OPTIONS = ("practice", "--mode", MODE, "--complaint", "will_not_stop", "--seed", "2", "--no-color")
DEAD = ("isolate", "lock", "prove tester", "prove dead", "prove tester")


def typed(out: Path, *lines: str, mode: str = MODE) -> str:
    """The screen of a callout driven by some lines, prompts included; it ends with them."""
    bench = practice_bench((mode,), "will_not_stop", 2)
    return practised.typed(standard_session(), bench, out, lines)


def test_a_callout_is_solved_and_on_file_as_it_went(tmp_path: Path) -> None:
    out = tmp_path / "attempt.yaml"
    lines = [
        *("ask safety", "tests switching panel dead", "q", "suspect 4"),
        *("test relay_rests", "1", "", "3", *DEAD, "swap relay", "close", "block", "switch on"),
        *("check 1", "check", "found", "done"),
    ]
    result = runner.invoke(app, [*OPTIONS, "--out", str(out)], input="\n".join(lines) + "\n")
    screen = result.output
    assert result.exit_code == 0, screen
    assert "Solved" in screen
    title = standard_session().installation.modes[MODE].title
    assert f"Hidden    relay module: {title}" in screen
    assert "nothing had to be stopped" in screen
    assert all(len(line) <= 80 for line in screen.splitlines() if " > " not in line)
    kept = read_transcript(out)
    bench = practice_bench((MODE,), "will_not_stop", 2)
    attempt = play(bench, bench.exercise, kept.acts)
    assert attempt.ended == "solved"
    assert [a.kind for a in kept.acts[:5]] == ["ask", "state", "state", "test", "state"]
    assert f"{attempt.minutes:.0f} min" in screen.split("The end")[1].splitlines()[0]


def test_nothing_gives_away_what_is_hidden_before_the_end(tmp_path: Path) -> None:
    out = tmp_path / "attempt.yaml"
    screen = typed(
        *(out, "ask safety", "functions", "parts", "circuit all", "tests relay", "q"),
        *("hint", "hint", "test relay_rests", "4", "1", "", "2", *DEAD, "swap motor", "stop"),
    )
    session = standard_session()
    mode = session.installation.modes[MODE]
    before_hints = screen.split("Hint 1")[0]
    for text in (screen.split("Hint 2")[0], before_hints):
        assert mode.title.casefold() not in text.casefold()
        assert MODE not in text
    file = out.read_text(encoding="utf-8")
    assert "contacts_welded" not in file
    hidden = next(line for line in file.splitlines() if line.startswith("hidden:")).split()[1]
    assert json.loads(base64.b64decode(hidden))["modes"] == [MODE]


def test_a_customer_is_asked_in_the_words_of_the_telephone(tmp_path: Path) -> None:
    """And the answer fits them; a meter is named as it is taken; q leaves a choice."""
    lines = ("ask safety", "ask premises_power", "meter cat2", "meter cat3", "suspect", "q", "stop")
    screen = " ".join(typed(tmp_path / "a.yaml", *lines).split())
    assert "Asked Do lamps and sockets elsewhere in the house work" in screen
    assert "Customer all works, the lights are steady" in screen
    assert "In hand: a multimeter marked CAT II. (1 min)" in screen
    assert "In hand: a multimeter marked CAT III. (1 min)" in screen
    assert "Type a number" not in screen


def test_no_title_of_a_test_is_cut_off_in_a_list(tmp_path: Path) -> None:
    """Three tests of one contact differ only at the end of their titles."""
    enter = [""] * 30
    screen = typed(tmp_path / "a.yaml", "tests roof", *enter, "ask", *enter, "stop")
    said = re.sub(r" Enter for \d+ more, q to leave >", "", " ".join(screen.split()))
    assert max(map(len, screen.partition("Stopped.")[0].splitlines())) <= 80
    roof = [t for t in standard_session().tests.values() if t.spec.place_at == "roof"]
    assert any(len(t.title) > 60 for t in roof)
    for test in roof:
        assert sentence(test.title) in said


def test_two_callouts_that_look_alike_get_the_same_words(tmp_path: Path) -> None:
    """Up to the first reading that differs, the screen hangs on what the trainee knows alone."""
    lines = ("ask safety", "suspect 4", "tests switching", "q", "stop")
    modes = (MODE, "relay.contacts_tack_welded")
    screens = [typed(tmp_path / f"{mode}.yaml", *lines, mode=mode) for mode in modes]
    first, second = (s.partition("In hand")[2].partition("Stopped")[0] for s in screens)
    assert first == second != ""


def test_going_on_where_one_stopped(tmp_path: Path) -> None:
    out = tmp_path / "attempt.yaml"
    screen = typed(out, "ask safety", *DEAD, "stop")
    assert f"--resume {out}" in screen.replace("\n", "")
    result = runner.invoke(app, ["practice", "--resume", str(out)], input="swap relay\n")
    assert result.exit_code == 130  # the input ended
    assert "proved dead, covers open" in result.output
    assert read_transcript(out).acts[-1] == Act("swap", {"unit": "relay"})


def test_unsafe_acts_are_stopped_and_explained(tmp_path: Path) -> None:
    screen = typed(
        *(tmp_path / "a.yaml", "swap relay", "ask safety", "bridge rcd", "isolate", "prove dead"),
        *("lock", "prove dead", "dead", "give up"),
    )
    for title in (
        "Touching or changing",
        "Bridging a residual",
        "Going on without",
        "Proving dead",
    ):
        assert f"STOPPED: {title}" in screen
    assert "do it step by step once" in screen
    during, debriefed, after = screen.partition("Debrief of a practice callout")
    assert during.count("STOPPED") == during.count("Instead") == 4
    assert debriefed
    assert after.count("CAUTION") == after.count("Instead: ") == 4


def test_words_that_nobody_knows_are_answered_in_one_line(tmp_path: Path) -> None:
    screen = typed(
        *(tmp_path / "a.yaml", "juggle", "test 9999", "go moon", "level x", "meter x", "swap zzz"),
        *("tests zzz", "test", "check zzz", "level", "give up"),
    )
    assert "'juggle' is no word here" in screen
    assert "'9999' is none of the tests" in screen
    assert screen.count("is none of the") == 5
    assert "'x' is no meter" in screen
    assert "no test is all of this: zzz" in screen
    assert "Given up" in screen


def test_help_names_every_word_that_does_something() -> None:
    told = " ".join(words for words, _, _ in HELP)
    for word in {w for _, w in WORDS} - {"help", "nothing"}:
        spoken = [t for t, w in WORDS if w == word]
        assert any(t.split()[-1] in told or t in told for t in spoken), word
    for line, word, rest in (
        ("Lock off", "lock_off", ""),
        ("test 12", "test", "12"),
        ("tests  sensing dead", "tests", "sensing dead"),
        ("on", "on", ""),
    ):
        command = understand(line)
        assert command is not None
        assert (command.word, command.rest) == (word, rest)
    assert understand("testing") is None


def test_a_transcript_reads_back_as_it_was_written(tmp_path: Path) -> None:
    exercise = Exercise("a-1", "k", {"v": "no"}, ("a.b", "c.d"), "hums", 9, 3, "tingle", "cat_ii")
    acts = [Act("test", {"test": "x@y"}), Act("isolate"), Act("state", {"conclusion": 'a: "b" #'})]
    path = tmp_path / "t.yaml"
    transcript = Transcript(path, exercise)
    transcript.begin()
    for act in acts:
        transcript.add(act)
        assert read_transcript(path).acts == transcript.acts
    assert read_transcript(path) == Transcript(path, exercise, acts)
    assert path.read_text(encoding="utf-8") == transcript_text(exercise, acts)
    with pytest.raises(DiagnoseError, match="exists"):
        Transcript(path, exercise).begin()


@pytest.mark.parametrize(
    ("old", "new", "line", "message"),
    [
        ("seed: 9", "seed: nine", 9, "must be a whole number"),
        ("- {", "- [", 14, "not valid YAML"),
        ('"kind": "isolate"', '"kind": "fly"', 14, "'fly' is not a legal 'kind'"),
        ("hidden: ", "hidden: x", 12, "not what this program wrote"),
        ("meter: cat_ii", "meter: big", 11, "'big' is not a legal 'meter'"),
    ],
)
def test_a_broken_transcript_is_refused_with_its_place(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    old: str,
    new: str,
    line: int,
    message: str,
) -> None:
    exercise = Exercise("a-1", "k", {"v": "no"}, ("a.b",), "hums", 9, 3, "", "cat_ii")
    path = tmp_path / "t.yaml"
    text = transcript_text(exercise, [Act("isolate")])
    assert text.count(old) == 1
    path.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(SystemExit) as stop:
        main(["practice", "--resume", str(path)])
    assert stop.value.code == 2
    caught = capsys.readouterr()
    assert caught.out == ""
    (only,) = caught.err.splitlines()
    assert message in only
    assert f"{path.name}:{line}:" in only


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--seed", "-1"), "--seed -1 must lie from 0"),
        (("--mode", "relay.nonsense"), "no failure mode 'relay.nonsense'"),
        (("--complaint", "nonsense"), "no complaint 'nonsense'"),
        (("--mode", MODE, "--complaint", "hums"), "hardly ever shows 'hums'"),
        (("--resume", "nowhere.yaml"), "cannot read the file"),
        (("--resume", "a.yaml", "--seed", "1"), "--seed cannot go with --resume"),
        (("--set", "drive"), "is not VARIANT=CHOICE"),
    ],
)
def test_options_that_cannot_be_are_refused_in_one_line(
    capsys: pytest.CaptureFixture[str], options: tuple[str, ...], message: str
) -> None:
    with pytest.raises(SystemExit) as stop:
        main(["practice", *options])
    assert stop.value.code == 2
    (only,) = capsys.readouterr().err.splitlines()
    assert message in only
