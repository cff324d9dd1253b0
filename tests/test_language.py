"""Languages: catalogues complete, chosen as asked, and no part of a result for scripts."""

import ast
import gettext as catalogues
import io
import json
from collections.abc import Iterator
from pathlib import Path
from string import Formatter

import pytest
from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_dir
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po
from typer.testing import CliRunner

from diagnose import language
from diagnose.cli import app
from diagnose.cli.columns import columns, padded, wrapped
from diagnose.cli.lines import Said, understand
from diagnose.cli.service_report import service_report
from diagnose.errors import DiagnoseError
from tests.reporting import CASES, closed, matter, scripted

PACKAGE = Path(language.__file__).parent
CASE = "own-tank-overflows-welded-contact"
OTHERS = [name for name in language.languages() if name != language.ENGLISH]
KEYWORDS = {"_": None, "marked": None, "ngettext": (1, 2)}
SAME = {"CAT II", "CAT III", "CAT IV"}
"""Messages that are the same in every language."""


@pytest.fixture(autouse=True)
def english() -> Iterator[None]:
    with language.using(language.ENGLISH):
        yield


def catalogue(name: str) -> Catalog:
    path = language.FOLDER / name / "LC_MESSAGES" / "diagnose.po"
    with path.open("rb") as file:
        return read_po(file, locale=name, abort_invalid=True)


def fixed_texts() -> dict[str, str]:
    """Every message of the program, with the file that holds it."""
    found = extract_from_dir(PACKAGE, [("**.py", "python")], keywords=KEYWORDS)
    return {
        message if isinstance(message, str) else message[0]: file
        for file, _line, message, _comments, _context in found
    }


def fields(text: str) -> set[str]:
    """The names in braces."""
    return {name for _text, name, _spec, _conversion in Formatter().parse(text) if name}


class Recorder(catalogues.NullTranslations):
    """Remembers every message that is asked for."""

    def __init__(self) -> None:
        super().__init__()
        self.asked: set[str] = set()

    def gettext(self, message: str) -> str:
        self.asked.add(message)
        return message

    def ngettext(self, msgid1: str, msgid2: str, n: int) -> str:
        self.asked.add(msgid1)
        return msgid1 if n == 1 else msgid2


def test_there_is_a_second_language_in_another_script() -> None:
    assert "hi" in OTHERS
    texts = [m.string for m in catalogue("hi") if m.id and isinstance(m.string, str)]
    assert sum(any("\u0900" <= c <= "\u097f" for c in text) for text in texts) > 500


@pytest.mark.parametrize("name", OTHERS)
def test_every_fixed_text_is_translated(name: str) -> None:
    texts = fixed_texts()
    assert len(texts) > 350
    assert any(file.startswith("interview") for file in texts.values())
    known = {m.id if isinstance(m.id, str) else m.id[0]: m for m in catalogue(name)}
    missing = {t: f for t, f in texts.items() if t not in known or not known[t].string}
    assert not missing
    assert not [t for t in texts if known[t].fuzzy]
    assert {t for t in texts if known[t].string == t} <= SAME


@pytest.mark.parametrize("name", OTHERS)
def test_translations_keep_what_is_filled_in(name: str) -> None:
    for message in catalogue(name):
        if not message.id:
            continue
        source = message.id if isinstance(message.id, str) else message.id[0]
        forms = [message.string] if isinstance(message.string, str) else message.string
        for form in forms:
            assert fields(form) == fields(source), source
            assert form[:1].isspace() == source[:1].isspace(), source
            assert form[-1:].isspace() == source[-1:].isspace(), source


@pytest.mark.parametrize("name", OTHERS)
def test_the_compiled_catalogue_is_that_of_the_source(name: str) -> None:
    made = io.BytesIO()
    write_mo(made, catalogue(name))
    assert (language.FOLDER / name / "LC_MESSAGES" / "diagnose.mo").read_bytes() == made.getvalue()


@pytest.mark.parametrize("name", OTHERS)
def test_a_whole_case_is_translated_from_complaint_to_verified_repair(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    recorder = Recorder()
    monkeypatch.setattr(language, "load", lambda tag: language.Language(name, recorder))
    with language.using(name):
        result = CliRunner().invoke(app, ["callout", "--answers", str(CASES / f"{CASE}.yaml")])
        assert result.exit_code == 0, result.output
        session, events = scripted(CASE)
        service_report(matter(session, closed(events)))
    assert "Relay contacts welded" in recorder.asked  # a text of the knowledge base
    assert "Repair and verification" in recorder.asked  # a fixed one
    known = {m.id if isinstance(m.id, str) else m.id[0] for m in catalogue(name) if m.string}
    free = {"House at the mill pond (invented)"}
    assert sorted(recorder.asked - known - free) == []


def test_no_module_hides_the_function_behind_a_throw_away_name() -> None:
    for path in PACKAGE.rglob("*.py"):
        tree = ast.parse(path.read_text("utf-8"))
        imports = [n for n in ast.walk(tree) if isinstance(n, ast.ImportFrom)]
        if not any(a.asname == "_" for n in imports for a in n.names):
            continue
        stored = [n for n in ast.walk(tree) if isinstance(n, ast.Name) and n.id == "_"]
        assert not [n.lineno for n in stored if isinstance(n.ctx, ast.Store)], path


def test_no_message_hides_in_a_formatted_text() -> None:
    """The extraction of Python 3.11 does not look into them."""
    for path in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.JoinedStr):
                calls = [n for n in ast.walk(node) if isinstance(n, ast.Call)]
                names = [c.func.id for c in calls if isinstance(c.func, ast.Name)]
                literal = [c for c in calls if c.args and isinstance(c.args[0], ast.Constant)]
                assert not (
                    "_" in names
                    and any(isinstance(c.func, ast.Name) and c.func.id == "_" for c in literal)
                ), f"{path}:{node.lineno}"


@pytest.mark.parametrize(
    ("environment", "expected"),
    [
        ({}, "en"),
        ({"LANG": "hi_IN.UTF-8"}, "hi-IN"),
        ({"LANG": "hi_IN", "LC_ALL": "en_GB.UTF-8"}, "en-GB"),
        ({"LANG": "en_US", "LANGUAGE": "xx:hi:en"}, "hi"),
        ({"LANG": "C"}, "en"),
        ({"LC_ALL": "zz_ZZ"}, "en"),
        ({"LANGUAGE": "", "LANG": "hi"}, "hi"),
    ],
)
def test_the_environment_names_the_language(environment: dict[str, str], expected: str) -> None:
    assert language.of_environment(environment) == expected


def test_the_option_comes_before_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LANGUAGE", "hi")
    assert language.choose([None, ""]) == "hi"
    assert language.choose(["en", "hi"]) == "en"


def test_an_unknown_language_is_refused() -> None:
    with pytest.raises(DiagnoseError) as refused:
        language.use("tlh")
    assert refused.value.issues[0].legal == language.languages()


def test_the_result_for_scripts_is_english_in_every_language(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    command = ["callout", "--json", "--answers", str(CASES / f"{CASE}.yaml")]
    plain = json.loads(CliRunner().invoke(app, command).output)
    monkeypatch.setenv("LANGUAGE", "hi")
    assert json.loads(CliRunner().invoke(app, command).output) == plain
    asked = CliRunner().invoke(app, [*command, "--language", "hi"])
    assert json.loads(asked.output) == plain


def test_the_interview_speaks_the_language() -> None:
    command = ["callout", "--answers", str(CASES / f"{CASE}.yaml"), "--language", "hi"]
    shown = CliRunner().invoke(app, command).output
    assert "संभावित कारण: रिले मॉड्यूल: रिले के संपर्क चिपक गए" in shown
    assert "जाँच 1" in shown
    assert max(columns(line) for line in shown.split("\n")) <= 80


def test_lines_are_wrapped_by_the_columns_that_they_take() -> None:
    text = "   11%  " + "कारण जो ज्ञान-आधार में नहीं है " * 4 + "漢" * 60
    lines = wrapped(text, 40, "  ", "      ")
    assert all(columns(line) <= 40 for line in lines)
    assert lines[0].startswith("     11%  कारण")
    assert all(line.startswith("      ") for line in lines[1:])
    assert "".join("".join(lines).split()) == "".join(text.split())
    assert columns("कारण") == 4  # the vowel sign counts
    assert padded("कारण", 2) == "कारण "


def test_words_may_be_typed_in_english_and_in_the_language() -> None:
    with language.using("hi"):
        assert understand("क्यों", []).kind == "why"
        assert understand("why", []).kind == "why"
        assert understand("असंभव: मीटर नहीं", []) == Said("cannot", "मीटर नहीं")
        assert understand("पक्का नहीं 0.2", [], reading=True) == Said("answer", "0.2", False)
    assert understand("क्यों", []).kind == "bad"
