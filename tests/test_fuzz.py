"""Spoilt inputs: a reduced run of ``tests.campaigns.fuzz``, and what it once found, one by one.

What a file may hold at most is tested here too: size, depth, number, aliases, encodings.
"""

from __future__ import annotations

import base64
import os
import re
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from diagnose.casebook.connection import parse_address
from diagnose.casebook.files import FileStore
from diagnose.casebook.index import read_any
from diagnose.casebook.sitefiles import find_site
from diagnose.casebook.store import CaseHeader
from diagnose.casebook.stores import configured, open_store
from diagnose.casebook.text import read_case
from diagnose.cli.cases import described
from diagnose.cli.firm import read_logo
from diagnose.cli.lines import match
from diagnose.cli.transcripts import read_transcript, transcript_text
from diagnose.errors import DiagnoseError, Issue
from diagnose.interview.events import new_event
from diagnose.interview.steps import Option
from diagnose.knowledge.expressions import ExpressionError, compile_expression
from diagnose.knowledge.load import load_knowledge
from diagnose.knowledge.overlay import read_overlay
from diagnose.knowledge.practice_reading import practice_issues
from diagnose.knowledge.reading import DEEPEST, LARGEST, MOST_NODES, parse_yaml, read_yaml
from diagnose.practice.progress import Progress, progress_text, read_progress
from diagnose.practice.records import Exercise
from diagnose.quantities import QuantityError, parse_quantity, parse_reading
from diagnose.report.pdf import _moment
from diagnose.units import whole_number
from tests.campaigns import fuzz
from tests.campaigns.fuzz import LEGAL, Report, input_of, plan, run_one, run_share
from tests.fuzzed import Target, quietly
from tests.tiny import copy_tiny, edit, tiny

INPUTS = 1000
HEAD = CaseHeader("", "", "mill", "bench", {}, "2026-03-01T09:30:00+00:00", "d1")


# ---------------------------------------------------------------------- the reduced run


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Target]]:
    """Every reader, away from this folder and this environment."""
    here, kept = Path.cwd(), dict(os.environ)
    yield quietly(tmp_path_factory.mktemp("fuzz"))
    os.chdir(here)
    os.environ.clear()
    os.environ.update(kept)


def test_spoilt_inputs_are_refused_or_read(found: dict[str, Target]) -> None:
    report = run_share(found, 11, list(plan(found, INPUTS, None)))
    assert report.failed == {}
    assert report.tried.total() >= INPUTS
    assert report.tried.keys() == found.keys()
    # some inputs must get through, else nothing behind the parser is ever reached
    through = [name for name in found if report.taken[name]]
    assert {"knowledge", "case", "site", "overlay", "reading"} <= set(through)
    assert all(report.taken[name] < report.tried[name] for name in ("case", "site", "overlay"))


def test_valid_inputs_are_accepted(found: dict[str, Target]) -> None:
    for name, target in found.items():
        said = Counter(run_one(target, seed)[0] for seed in target.seeds)
        if name not in ("ids", "case store"):  # no such case; no case that is open
            assert set(said) == {""}, name


def test_the_campaign_sees_what_is_wrong(monkeypatch: pytest.MonkeyPatch) -> None:
    """A check that cannot fail would be none: each kind of failure is provoked once."""

    def crash(data: bytes) -> None:
        raise KeyError(len(data))

    def slow(_data: bytes) -> None:
        end = time.process_time() + 9
        while time.process_time() < end:
            pass

    monkeypatch.setattr(fuzz, "LONGEST", 0.2)
    report = run_share({"bad": Target([b"x"], crash)}, 0, [("bad", 0), ("bad", 1)])
    ((key, numbers),) = report.failed.items()
    assert key[0] == "bad"
    assert "KeyError" in key[1]
    assert numbers == [0, 1]
    assert "Slow" in run_one(Target([b"x"], slow), b"x")[0]
    one = Target([b"abc: d\n"], crash)
    assert input_of(one, 1, "n", 5) == input_of(one, 1, "n", 5)
    assert isinstance(Report().tried, Counter)


# ---------------------------------------------------------------------- what a file may hold


def refusal(read: Callable[[], object]) -> str:
    """The one line that something is refused with."""
    with pytest.raises(LEGAL) as caught:
        read()
    text = str(caught.value)
    assert "\n" not in text
    return text


def test_an_alias_is_refused_where_it_stands() -> None:
    bomb = "a: &a [x, x, x]\nb: &b [*a, *a, *a]\nc: [*b, *b]\n"
    assert refusal(lambda: parse_yaml(bomb, "f")).startswith("f:2:8: the alias '*a' is not allowed")
    assert "f:1:5: the alias" in refusal(lambda: parse_yaml("&x [*x]", "f"))
    assert parse_yaml("a: 2 * 3 *b\nc: '*d'\n", "f") == {"a": "2 * 3 *b", "c": "*d"}


@pytest.mark.parametrize("depth", [DEEPEST + 1, 400, 990, 5000])
def test_deep_nesting_is_refused(depth: int) -> None:
    for text in ("[" * depth + "]" * depth, "{a: " * depth + "}" * depth, "- " * depth + "a"):
        assert "deep" in refusal(lambda text=text: parse_yaml(text, "f"))  # type: ignore[misc]
    flat = "[" * (DEEPEST - 1) + "]" * (DEEPEST - 1)
    assert parse_yaml(flat, "f") is not None


def test_too_many_values_are_refused_before_they_are_built() -> None:
    text = "[" + "a," * (MOST_NODES + 5) + "]"
    start = time.process_time()
    assert f"too many texts, lists and mappings (legal: {MOST_NODES} at most)" in refusal(
        lambda: parse_yaml(text, "f")
    )
    assert time.process_time() - start < 20  # seconds; no limit of speed: it must only end


def test_of_very_many_mistakes_the_first_are_said(tmp_path: Path) -> None:
    path = tmp_path / "t.yaml"
    path.write_text("".join(f"k{k}: v\n" for k in range(60_000)))
    with pytest.raises(DiagnoseError) as caught:
        read_transcript(path)
    assert len(caught.value.issues) < 100
    assert "59950 more unknown keys" in str(caught.value)
    many = DiagnoseError([Issue("error", "x", "wrong")] * 5000)
    assert str(many).splitlines()[-1] == "... and 4800 more."


def test_a_file_of_100_megabytes_is_not_read_whole(tmp_path: Path) -> None:
    path = tmp_path / "2026-03-01-big.yaml"
    with path.open("wb") as file:
        file.truncate(100_000_000)
    code = (
        "import resource, sys; from pathlib import Path\n"
        "from diagnose.casebook.index import read_any\n"
        "from diagnose.errors import DiagnoseError\n"
        "before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "try: read_any(Path(sys.argv[1]))\n"
        "except DiagnoseError as error: print(error)\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)\n"
    )
    command = [sys.executable, "-c", code, str(path)]
    said, more = subprocess.run(
        command, capture_output=True, text=True, check=True
    ).stdout.splitlines()
    assert said == f"{path}:1:1: the file is too large (legal: {LARGEST // 10**6} MB at most)"
    assert int(more) < 20_000  # kB
    assert FileStore(tmp_path).overview().issues[0].code == "too-large"
    with pytest.raises(DiagnoseError, match="too large"):
        FileStore(tmp_path).append(path.stem, new_event("resumed"))


@pytest.mark.parametrize(
    ("data", "said"),
    [
        ("a: ä\n".encode("latin-1"), "1:4: not UTF-8 text (byte 0xe4 at offset 3"),
        (b"a: b\nc: \xff\n", "2:4: not UTF-8 text (byte 0xff at offset 8"),
        ("a: b\n".encode("utf-16"), "1:1: not UTF-8 text (byte 0xff at offset 0"),
        ("a: b\n".encode("utf-16-le"), "1:2: not valid YAML: the character U+0000 at offset 1"),
        (b"a: b\nc: \x1b[2J\n", "2:4: not valid YAML: the character U+001B at offset 8"),
        (b"a: \xed\xa0\x80\n", "1:4: not UTF-8 text (byte 0xed at offset 3"),
    ],
)
def test_a_wrong_encoding_is_placed(tmp_path: Path, data: bytes, said: str) -> None:
    path = tmp_path / "f.yaml"
    path.write_bytes(data)
    assert refusal(lambda: read_yaml(path)).startswith(f"{path}:{said}")
    path.write_bytes(b"\xef\xbb\xbfa: b\n")
    assert read_yaml(path) == {"a": "b"}


# ---------------------------------------------------------------------- what was found


def test_digits_that_are_no_number() -> None:
    options = [Option("hot", "it is hot")]
    for text in ("²", "9" * 5000, "٣" * 5000, "-1", "1.0", "", "⑦"):
        assert whole_number(text) is None
        assert match(text, options) is None
    assert whole_number(" 12 ") == 12
    assert match("1", options) == "hot"


def test_numbers_beyond_all_measure(tmp_path: Path) -> None:
    path = tmp_path / "t.yaml"
    text = transcript_text(Exercise("x", "bench", {}, ("a.b",), "c", 3), [])
    for number in ("9" * 5000, "²"):
        path.write_text(text.replace("seed: 3", f"seed: {number}"))
        assert "'seed' must be a whole number" in refusal(lambda: read_transcript(path))
    entry = (
        "- {at: 2026-03-01, exercise: x, installation: b, modes: [a], complaint: c, wording: 0, "
        f"difficulty: 1, minutes: 2, ended: solved, score: 3, skills: {{}}, seed: {'9' * 400}}}\n"
    )
    path.write_text(progress_text(Progress()) + entry)
    assert "is no whole number from 0 on" in refusal(lambda: read_progress(path))
    with pytest.raises(QuantityError, match="too long"):
        parse_reading("1" * 5_000_000, "V")
    with pytest.raises(QuantityError, match="too long"):
        parse_quantity("5" + " " * 2000 + "V", "V")


@pytest.mark.parametrize(
    "text",
    [
        "not " * 300 + "a",
        "(" * 300 + "a" + ")" * 300,
        "a if b else " * 100 + "c",
        "\udc80",
        "a\0b",
        "'\\d' == a",
        "a" * 5000,
        "__import__('os').system('true')",
        "(lambda: 0)()",
        "a.__class__()",
        "[x for x in a]",
        "f'{a}'",
        "a := b",
    ],
)
def test_expressions_that_are_none(text: str, recwarn: pytest.WarningsRecorder) -> None:
    with pytest.raises(ExpressionError):
        compile_expression(text, lambda name: name)
    assert not recwarn.list


def test_rules_and_wordings_count_in_plain_digits(tmp_path: Path) -> None:
    folder = copy_tiny(tmp_path)
    edit(folder, "rules/order.yaml", "stratum: 0", f"stratum: {'9' * 5000}")
    assert "is not a stratum" in refusal(lambda: load_knowledge(folder))
    spoken = tmp_path / "kb" / "practice"
    spoken.mkdir(parents=True)
    (spoken / "complaints.yaml").write_text("complaints: {stays_cold: [{says: x, of: ['²']}]}\n")
    from dataclasses import replace

    issues = practice_issues(replace(tiny(), root=str(spoken.parent)))
    assert any("'²' is not a position" in issue.message for issue in issues)


def case_file(folder: Path, old: str, new: str) -> Path:
    """A case file with something in it changed by hand."""
    found = new_event("finding", test="feel", outcome="hot", minutes=1.5)
    events = [
        new_event("opened", installation="bench", variants={"cell": "large"}),
        new_event("complaint", ids=["stays_cold"]),
        found,
        new_event("closed", found="x", took={found.id: 2.5}, parts=["one"]),
    ]
    case = FileStore(folder).create(HEAD, events)
    path = folder / f"{case.id}.yaml"
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))
    return path


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            "    variants:\n      cell: large\n",
            "    variants: none\n",
            "'variants' must be a mapping",
        ),
        ("    - stays_cold\n", "    - [a]\n", "'ids' must be a list of texts"),
        ("    ids:\n    - stays_cold\n", "    ids: stays_cold\n", "'ids' must be a list of texts"),
        ("minutes: 1.5", "minutes: {a: b}", "'minutes' must be a number"),
        ("minutes: 1.5", "minutes: [1]", "'minutes' must be a number"),
        ("minutes: 1.5", f"minutes: {'9' * 400}", "'minutes' must be a number"),
        (": 2.5\n", ": [2]\n", "must be a number"),
        ("outcome: hot", "outcome: {hot: hot}", "'outcome' must be a text"),
        ("found: x", "found: [x]", "'found' must be a text"),
        ("opened: '2026-03-01T09:30:00+00:00'", "opened: soon", "'soon' is not a time"),
    ],
)
def test_event_data_of_another_shape_are_refused(
    tmp_path: Path, old: str, new: str, said: str
) -> None:
    path = case_file(tmp_path, old, new)
    for read in (read_case, read_any):
        with pytest.raises(DiagnoseError, match=said) as caught:
            read(path)
        assert all(str(issue).startswith(f"{path}:") for issue in caught.value.issues)


def test_an_event_that_lacks_its_data_is_shown(tmp_path: Path) -> None:
    path = case_file(tmp_path, "    test: feel\n", "")
    events = read_any(path)[1]
    shown = [described(event, {}) for event in events]
    assert shown[2] == "outcome: hot, minutes: 1.5 (lacks 'test')"


def test_an_empty_number_in_an_overlay(tmp_path: Path) -> None:
    path = tmp_path / "o.yaml"
    number = "{value: '', handbook: 1 min, low: 1 min, high: 2 min}"
    path.write_text(
        'format: "1"\nlearned: x\nknowledge: d\ncases: 1\n'
        f"installations: {{bench: {{test_minutes: {{feel: {number}}}}}}}\n"
    )
    assert "'value' is empty" in refusal(lambda: read_overlay(path, tiny()))


def test_names_that_no_file_can_have(tmp_path: Path) -> None:
    assert find_site(tmp_path, "a" * 5000) is None
    assert find_site(tmp_path, "a\0b") is None
    with pytest.raises(DiagnoseError, match="cannot read the folder"):
        open_store("x" * 5000).overview()
    odd = tmp_path / os.fsdecode(b"caf\xe9")  # a folder named in Latin-1
    assert open_store(str(odd)).overview().cases == ()
    with pytest.raises(DiagnoseError, match="not the address of a database"):
        parse_address("postgresql://me@h/\udc80")


@pytest.mark.parametrize("at", ["0001-01-01T00:00:00+23:59", "9999-12-31T23:59:59-23:59", "soon"])
def test_a_time_beyond_the_calendar(at: str) -> None:
    assert _moment(at) == []


def test_an_exercise_without_a_date_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "t.yaml"
    entry = (
        "- {at: '', exercise: x, installation: b, modes: [a], complaint: c, wording: 0, "
        "difficulty: 1, minutes: 2, ended: solved, score: 3, skills: {}, seed: 1}\n"
    )
    path.write_text(progress_text(Progress()) + entry)
    assert "'' is no date or time" in refusal(lambda: read_progress(path))


@pytest.mark.parametrize("value", ["[" * 3000, "[" * 3000 + "]" * 3000, "{a=" * 3000])
def test_a_configuration_too_deep_for_its_parser(tmp_path: Path, value: str) -> None:
    path = tmp_path / "c.toml"
    path.write_text(f"store = {value}\n")
    assert "too deep" in refusal(lambda: configured(path))


def test_a_configuration_is_short(tmp_path: Path) -> None:
    path = tmp_path / "c.toml"
    path.write_text(f"[{'a.' * 100_000}a]\n")  # minutes for the parser, were it let
    assert refusal(lambda: configured(path)).endswith("(legal: 10 kB at most)")
    path.write_bytes(b"a = 1\nb = '\xe4'\n")
    assert f"{path}:2:6: not UTF-8" in refusal(lambda: configured(path))


def test_hidden_data_of_an_attempt_too_deep_for_its_parser(tmp_path: Path) -> None:
    path = tmp_path / "t.yaml"
    text = transcript_text(Exercise("x", "bench", {}, ("a.b",), "c", 3), [])
    deep = base64.b64encode(b"[" * 100_000).decode()
    path.write_text(re.sub(r"hidden: .*", f"hidden: {deep}", text))
    assert "'hidden' is not what this program wrote" in refusal(lambda: read_transcript(path))


def test_a_logo_is_read_no_further_than_it_may_be_long(tmp_path: Path) -> None:
    path = tmp_path / "logo.png"
    with path.open("wb") as file:
        file.truncate(100_000_000)
    assert refusal(lambda: read_logo(path)).endswith("is larger than 2 MB")
    path.unlink()
    os.mkfifo(path)
    assert refusal(lambda: read_logo(path)).endswith("is no plain file")
