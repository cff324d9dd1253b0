"""Nothing that somebody wrote into a case, a site or a file acts on the terminal that shows it.

Each command that prints such texts is run on hostile ones; on stdout and stderr stands no control
character but the line feed (ECMA-48: ESC, and the C1 controls U+0080 to U+009F), and no mark that
overrides the direction of writing (Unicode Standard Annex 9: U+202A to U+202E, U+2066 to U+2069).
"""

from __future__ import annotations

import ast
import io
import json
import unicodedata
from pathlib import Path

import pytest

import diagnose.cli
from diagnose.casebook.files import FileStore
from diagnose.casebook.sitefiles import Site, save_site, sites_folder
from diagnose.casebook.store import CaseHeader
from diagnose.cli import main
from diagnose.cli.common import INTERRUPTED
from diagnose.cli.render import Screen
from diagnose.cli.shown import on_one_line, print_json
from diagnose.cli.transcripts import Transcript
from diagnose.interview.events import new_event
from diagnose.plant.compose import compose
from diagnose.practice.progress import Done, append
from diagnose.practice.records import Act, Exercise
from tests.people import standard_session
from tests.tiny import TINY, tiny

HOSTILE = (
    "Mark7f\x1b[2J\x1b[31m\x1b]0;title\x07\x1b]8;;http://x\x1b\\\x9b1A\x08\x08\r\x7f\x00\x85"
    "\u202egnp.exe\u2066\u2028CAUTION: none"
)
"""Clears the screen, recolours, retitles, links, moves the cursor, turns the writing round."""
ENDED = "9999-12-31"


def acts_on_a_terminal(text: str) -> list[str]:
    """What stands in an output and acts instead of showing."""
    return [
        f"U+{ord(c):04X}"
        for c in text
        if c != "\n" and (unicodedata.category(c) in ("Cc", "Cf", "Zl", "Zp", "Cs"))
    ]


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a hostile case, and a hostile site beside it."""
    folder = tmp_path_factory.mktemp("hostile")
    session = standard_session()
    kb, fitted = session.knowledge, session.installation
    opened = new_event(
        "opened",
        title=HOSTILE,
        site=HOSTILE,
        installation=fitted.type.id,
        variants=dict(fitted.choices),
        qualification="licensed",
        meter_category="cat_iii",
        knowledge=kb.digest,
    )
    test = next(iter(session.tests.values()))
    found = new_event(
        "finding", test=test.id, raw=HOSTILE, outcome=test.outcomes[0].id, minutes=2.0
    )
    events = [
        opened,
        new_event("described", site=HOSTILE),
        new_event("complaint", ids=["will_not_stop"]),
        found,
        new_event("cannot", test="relay_coil", reason=HOSTILE),
    ]
    header = CaseHeader("", HOSTILE, "open", fitted.type.id, fitted.choices, opened.at, kb.digest)
    files = FileStore(folder)
    files.create(header, events)
    ended = [
        *events,
        new_event(
            "closed",
            found=HOSTILE,
            confirmed="measured",
            verified="passed",
            minutes=57.0,
            parts=[HOSTILE],
            took={},
            call_back="2026-04-01",
        ),
    ]
    files.create(CaseHeader("", "", "due", *_rest(header)), ended)
    called = [*ended, new_event("called_back", held="no", text=HOSTILE)]
    files.create(CaseHeader("", HOSTILE, "again", *_rest(header)), called)
    bench = compose(tiny(), "bench")
    site = Site(
        f"Yard {HOSTILE}",
        "bench",
        "",
        dict(bench.choices),
        {},
        {"relay": HOSTILE},
        (HOSTILE,),
        HOSTILE,
        "2026-03-01",
        "described",
    )
    save_site(sites_folder(str(folder)), site)
    return folder


def _rest(header: CaseHeader) -> tuple[str, dict[str, str], str, str]:
    return header.installation, dict(header.variants), header.opened, header.knowledge


def said(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    *words: str,
    typed: str = "",
) -> str:
    """All that a command writes, prompts included, while some lines are typed."""
    monkeypatch.setattr("sys.stdin", io.StringIO(typed))
    capsys.readouterr()
    code: object = 0
    try:
        main(words)
    except SystemExit as stop:
        code = stop.code
    captured = capsys.readouterr()
    assert code in (None, 0, 1, 2, 130)
    return captured.out + captured.err


COMMANDS = {
    "cases": ("cases",),
    "due": ("cases", "--due", "--on", ENDED),
    "show": ("cases", "show", "{case}"),
    "report": ("report", "{case}", "--format", "text"),
    "resume": ("callout", "--resume", "{case}"),
    "close": ("close", "{case}"),
    "circuit": ("circuit", "--case", "{case}", "--text"),
    "site list": ("site", "list"),
    "site show": ("site", "show", "yard-mark7f-2j-31m-0-title-8-http-x-1a-g-c1a48d1822f0"),
    "unknown": ("cases", "show", HOSTILE.replace("\0", "")),
}


@pytest.mark.parametrize(
    ("name", "site"),
    [*((name, "open") for name in COMMANDS), ("report", "again"), ("close", "again")],
)
def test_no_command_lets_a_text_act(
    store: Path,
    name: str,
    site: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    case = next(c.id for c in FileStore(store).listing().cases if c.id.endswith(site))
    words = tuple(word.format(case=case) for word in COMMANDS[name])
    words += ("--store", str(store)) if words[0] != "cases" else ()
    if words[0] == "cases":
        words = ("cases", "--store", str(store), *words[1:])
    if name.startswith("site"):
        words += ("--knowledge", str(TINY))
    if name not in ("site list",):
        words += ("--no-color",) if words[0] != "cases" else ()
    text = said(monkeypatch, capsys, *words, typed=f"{HOSTILE}\nview\nwhy\n")
    assert acts_on_a_terminal(text) == []
    assert text.strip()
    if name in ("show", "report", "due"):
        assert "Mark7f" in text


def test_results_for_scripts_act_no_more(
    store: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    name = COMMANDS["site show"][2]
    words = ("site", "show", name, "--json", "--store", str(store), "--knowledge", str(TINY))
    text = said(monkeypatch, capsys, *words)
    assert acts_on_a_terminal(text) == []
    assert json.loads(text)["notes"] == HOSTILE
    print_json({"a": [HOSTILE, "ä"]})
    shown = capsys.readouterr().out
    assert json.loads(shown) == {"a": [HOSTILE, "ä"]}
    assert "ä" in shown


def test_a_trainees_files_act_no_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "progress.yaml"
    done = Done(
        "2026-03-01", HOSTILE, HOSTILE, {HOSTILE: HOSTILE}, (HOSTILE,), HOSTILE,
        1, 0, 12.0, 20.0, "solved", 70.0, {"supply": True},
    )  # fmt: skip
    append(path, done, HOSTILE)
    for more in ((), ("--format", "text"), ("--no-color",)):
        text = said(monkeypatch, capsys, "progress", str(path), *more)
        assert acts_on_a_terminal(text) == []
    attempt = Transcript(
        tmp_path / "attempt.yaml",
        Exercise(HOSTILE, "bench", {}, (HOSTILE,), HOSTILE, 1),
        [Act("go", {"to": HOSTILE})],
    )
    attempt.begin()
    for command in (("practice", "--resume"), ("debrief",)):
        words = (*command, str(attempt.path), "--knowledge", str(TINY))
        assert acts_on_a_terminal(said(monkeypatch, capsys, *words)) == []


def test_a_message_quotes_nothing_that_acts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "answers.yaml"
    path.write_text('format: 1\ninstallation: "\\e[31mbench\\x9b2J\\u202E"\n', encoding="utf-8")
    words = ("callout", "--answers", str(path), "--knowledge", str(TINY))
    text = said(monkeypatch, capsys, *words)
    assert acts_on_a_terminal(text) == []
    assert "bench" in text
    assert len(text.splitlines()) == 1
    assert len(on_one_line("a" * 5000 + " b\n c")) < 300


@pytest.mark.parametrize("how", ["line", "para", "rule", "field"])
def test_the_screen_shows_what_would_act(how: str, capsys: pytest.CaptureFixture[str]) -> None:
    screen = Screen(plain=True)
    texts = (HOSTILE, HOSTILE) if how in ("rule", "field") else (HOSTILE,)
    getattr(screen, how)(*texts)
    shown = capsys.readouterr().out
    assert acts_on_a_terminal(shown) == []
    assert "Mark7f␛[2J" in shown.replace("\n", "")


@pytest.mark.parametrize(
    "words",
    [
        (HOSTILE,),
        (f"--{HOSTILE}",),
        ("callout", f"--{HOSTILE}=1"),
        ("callout", "one", HOSTILE, "three"),
        ("cases", HOSTILE),
        ("chart",),
        ("check", f"--all={HOSTILE}"),
        ("check", "--mode"),
        ("practice", "--seed", HOSTILE),
        ("phone", "--share", HOSTILE),
    ],
    ids=lambda words: " ".join(words)[:20].partition("Mark")[0],
)
def test_words_that_are_no_command_or_option_are_one_line(
    words: tuple[str, ...],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO())
    with pytest.raises(SystemExit) as stop:
        main(words)
    out, err = capsys.readouterr()
    assert stop.value.code == 2
    assert out == ""
    (line,) = err.splitlines()
    assert acts_on_a_terminal(line) == []
    assert line.endswith("--help)")
    assert "diagnose" in line


def test_help_is_shown_where_nothing_is_asked(capsys: pytest.CaptureFixture[str]) -> None:
    for words, code in (([], 2), (["--help"], 0), (["callout", "--help"], 0)):
        with pytest.raises(SystemExit) as stop:
            main(words)
        assert stop.value.code == code
        assert "Usage: diagnose" in "".join(capsys.readouterr())


def test_an_input_that_is_closed_is_at_its_end(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sys.stdin", None)
    with pytest.raises(SystemExit) as stop:
        main(["site", "new"])
    assert stop.value.code == INTERRUPTED
    assert "nothing is on file" in capsys.readouterr().out


PRINTING = {
    "chart.py",  # a path that the person gave
    "check_against.py",  # an empty line
    "day_frames.py",  # made visible in the frame
    "debriefing.py",  # what `report.terminal` has made visible
    "exam.py",  # a digest; the rest on one line
    "learn.py",  # JSON in ASCII
    "progress.py",  # a path
    "report.py",  # a path
    "saving.py",  # made visible there
    "score.py",  # JSON in ASCII
    "shown.py",
}


def test_only_known_modules_print() -> None:
    """Everything else goes through `Screen` or `cli/shown.py`."""
    folder = Path(diagnose.cli.__file__).parent
    found = {
        path.name
        for path in folder.glob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "print"
    }
    assert found == PRINTING
