"""The command line as a script uses it, and what a typed line means."""

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest
import yaml
from typer.testing import CliRunner

from diagnose.casebook.files import FileStore
from diagnose.cli import app, main
from diagnose.cli.lines import match, understand
from diagnose.interview.session import Session
from diagnose.interview.steps import Option
from diagnose.knowledge.names import unit_of
from tests.people import clear_modes, standard_session
from tests.test_casebook_answers import content

runner = CliRunner()


@pytest.fixture(scope="module")
def session() -> Session:
    return standard_session()


@pytest.fixture(scope="module")
def mode(session: Session) -> str:
    return clear_modes(session, 3)[0]


@pytest.fixture
def answers(tmp_path: Path, session: Session, mode: str) -> Path:
    path = tmp_path / "answers.yaml"
    plain = json.loads(json.dumps(content(session, mode)))
    path.write_text(yaml.safe_dump(plain, sort_keys=False), encoding="utf-8")
    return path


# ---------------------------------------------------------------------- scripts


def test_the_result_for_scripts(answers: Path, tmp_path: Path, mode: str) -> None:
    result = runner.invoke(app, ["callout", "--answers", str(answers), "--json"])
    assert result.exit_code == 0, result.output
    shown = json.loads(result.stdout)
    keys = {"status", "unit", "failure_mode", "probability", "ranking", "steps", "minutes"}
    assert keys | {"cautions", "case", "knowledge"} <= set(shown)
    assert shown["status"] in ("concluded", "ambiguous", "stopped", "handed_over")
    assert shown["expected"] == {"unit": unit_of(mode)}
    assert shown["as_expected"] is (shown["unit"] == unit_of(mode))
    assert all(set(r) == {"failure_mode", "unit", "probability"} for r in shown["ranking"])
    assert all(set(s) == {"test", "outcome", "minutes"} for s in shown["steps"])
    assert not list(tmp_path.glob("20*"))
    again = runner.invoke(app, ["callout", "--answers", str(answers), "--json"])
    assert again.stdout == result.stdout


def test_a_readable_transcript_and_its_case(answers: Path, tmp_path: Path) -> None:
    store = tmp_path / "store"
    result = runner.invoke(app, ["callout", "--answers", str(answers), "--store", str(store)])
    assert result.exit_code == 0, result.output
    assert "\x1b" not in result.stdout
    assert max(len(line) for line in result.stdout.splitlines()) <= 80
    assert "Result" in result.stdout
    assert "as expected" in result.stdout
    (case,) = FileStore(store).listing().cases
    listed = runner.invoke(app, ["cases", "--store", str(store)])
    assert listed.stdout.startswith(case.id)
    assert len(listed.stdout.splitlines()) == 1
    one = runner.invoke(app, ["cases", "--store", str(store), "show", case.id])
    assert one.exit_code == 0, one.output
    assert "found: " in one.stdout
    assert "concluded: " in one.stdout


def closing(store: Path, *options: str) -> tuple[str, list[str]]:
    (case,) = FileStore(store).listing().cases
    return case.id, ["close", case.id, "--store", str(store), *options]


def verified_in(store: Path, case: str) -> str:
    """What the checks of a case come to."""
    results = {str(e.data["result"]) for e in FileStore(store).events(case) if e.kind == "verified"}
    return "failed" if "fail" in results else "passed" if "pass" in results else "not_made"


def test_a_case_is_closed_by_options(answers: Path, tmp_path: Path, mode: str) -> None:
    store = tmp_path / "store"
    runner.invoke(app, ["callout", "--answers", str(answers), "--store", str(store), "--json"])
    options = ("--found", mode, "--minutes", "35", "--part", "relay", "--confirmed", "replaced")
    case, command = closing(store, *options)
    result = runner.invoke(app, command)
    assert result.exit_code == 0, result.output
    unit, _, name = mode.partition(".")
    assert FileStore(store).events(case)[-1].data == {
        **{"unit": unit, "failure_mode": name, "minutes": 35.0},
        **{"parts": ["relay"], "confirmed": "replaced"},
        **{"took": {}, "verified": verified_in(store, case), "call_back": ""},
    }
    assert "closed" in runner.invoke(app, ["cases", "--store", str(store)]).stdout


def test_a_case_is_closed_by_asking(answers: Path, tmp_path: Path) -> None:
    store = tmp_path / "store"
    runner.invoke(app, ["callout", "--answers", str(answers), "--store", str(store), "--json"])
    case, command = closing(store)
    typed = "99\nrelay_module.wrong\na wasp in the socket\n9\n2\nmany\n1 = x\n12,5\n\n3\nsoon\n\n"
    result = runner.invoke(app, command, input=typed)
    assert result.exit_code == 0, result.output
    assert "not in the knowledge base" in result.stdout
    assert FileStore(store).events(case)[-1].data == {
        **{"found": "a wasp in the socket", "minutes": 12.5},
        **{"parts": [], "confirmed": "measured"},
        **{"took": {}, "verified": verified_in(store, case), "call_back": ""},
    }


def failing(capsys: pytest.CaptureFixture[str], *args: str) -> str:
    """Run the program as installed; its single line on stderr."""
    with pytest.raises(SystemExit) as caught:
        main(args)
    assert caught.value.code == 2
    captured = capsys.readouterr()
    assert not captured.out
    (line,) = captured.err.splitlines()
    return line


def test_bad_input_gives_one_line(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, answers: Path
) -> None:
    text = answers.read_text()
    answers.write_text(text.replace("complaint: ", "complaint: x"))
    line = failing(capsys, "callout", "--answers", str(answers))
    assert re.match(rf"{re.escape(str(answers))}:\d+:\d+: there is no complaint 'x", line)
    answers.write_text(text + "answers: [")
    assert re.match(
        rf"{re.escape(str(answers))}:\d+:\d+: not valid YAML",
        failing(capsys, "callout", "--answers", str(answers), "--json"),
    )
    missing = str(tmp_path / "none.yaml")
    assert "cannot read the file" in failing(capsys, "callout", "--answers", missing)
    store = ("--store", str(tmp_path))
    assert "there is no case 'x'" in failing(capsys, "callout", "--resume", "x", *store)
    assert "no open case" in failing(capsys, "callout", "--resume", *store)
    assert "there is no case 'x'" in failing(capsys, "close", "x", *store)
    assert "there is no case 'x'" in failing(capsys, "cases", "show", "x", *store)
    assert "--resume x" in failing(capsys, "callout", "x")
    assert "--json needs --answers" in failing(capsys, "callout", "--json")
    assert "VARIANT=CHOICE" in failing(capsys, "callout", "--set", "module", *store)
    assert "'x' is not a variant" in failing(capsys, "callout", "--set", "x=y", *store)
    assert "no installation 'x'" in failing(capsys, "callout", "--installation", "x", *store)
    assert "no knowledge folder 'x'" in failing(capsys, "callout", "--knowledge", "x", *store)
    (tmp_path / "2026-01-01-torn.yaml").write_text("format: 1\nid: 2026-01-01-torn\nevents: [")
    assert re.search(r"torn\.yaml:\d+:\d+: ", failing(capsys, "callout", "--resume", *store))
    assert re.search(r"torn\.yaml:\d+:\d+: ", failing(capsys, "cases", *store))


COMMANDS = [(c.callback.__name__,) for c in app.registered_commands if c.callback]


@pytest.mark.parametrize("command", [(), *COMMANDS, ("cases",), ("cases", "show")])
def test_every_command_has_help(command: tuple[str, ...]) -> None:
    result = runner.invoke(app, [*command, "--help"])
    assert result.exit_code == 0, result.output
    undescribed = [
        line
        for line in result.stdout.splitlines()
        if re.match(r"  (--\S+|[a-z]+)( [A-Z<]\S*)?\s*$", line)
    ]
    assert not undescribed
    assert len(result.stdout.splitlines()) > 4


def test_it_runs_as_a_module() -> None:
    command = [sys.executable, "-m", "diagnose", "--help"]
    shown = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    for name in ("callout", "cases", "close", "check"):
        assert re.search(rf"^  {name} +\S", shown, re.MULTILINE)


# ---------------------------------------------------------------------- what a line means

OPTIONS = (
    *(Option("runs", "pump runs"), Option("rests", "pump rests")),
    Option("no_click", "no click"),
)


@pytest.mark.parametrize(
    ("typed", "kind", "text"),
    [
        *[("1", "answer", "runs"), ("rests", "answer", "rests")],
        ("No  Click", "answer", "no_click"),
        *[("no_cl", "answer", "no_click"), ("pump", "bad", None), ("4", "bad", None)],
        *[("?", "why", ""), ("WHY", "why", ""), ("back", "back", ""), ("not sure", "not sure", "")],
        *[("not sure 2", "answer", "rests"), ("cannot no key", "cannot", "no key")],
        *[("", "bad", None), ("\x85\ud800", "bad", None)],
    ],
)
def test_what_a_line_means(typed: str, kind: str, text: str | None) -> None:
    said = understand(typed, OPTIONS)
    assert said.kind == kind
    if text is not None:
        assert said.text == text
    assert said.sure == (not typed.startswith("not sure "))


def test_a_bare_number_is_a_reading_where_one_is_asked() -> None:
    assert understand("1", OPTIONS, reading=True).text == "1"
    assert understand("4k7", OPTIONS, reading=True).text == "4k7"
    assert understand("runs", OPTIONS, reading=True).text == "runs"
    assert match("1", OPTIONS, numbers=False) is None
