"""YAML as text with places: what is kept, what is refused, and where the issue points."""

import json
import os
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from diagnose.errors import DiagnoseError, Issue
from diagnose.knowledge.checks import check_knowledge
from diagnose.knowledge.load import find_knowledge, load_knowledge
from diagnose.knowledge.reading import Mapping, Reader, Sequence, Text, parse_yaml, read_yaml
from tests.tiny import TINY, copy_tiny, edit, found, place_of, tiny


def issues_of(folder: Path) -> list[Issue]:
    """What reading a folder raises."""
    with pytest.raises(DiagnoseError) as caught:
        load_knowledge(folder)
    return list(caught.value.issues)


def refused(text: str) -> Issue:
    """The one issue that a text is refused for."""
    with pytest.raises(DiagnoseError) as caught:
        parse_yaml(text, "f.yaml")
    (issue,) = caught.value.issues
    return issue


@pytest.mark.parametrize(
    "word", ["on", "off", "yes", "no", "y", "null", "~", "1.0e9", "0x1f", "010", "1_000", "12:30"]
)
def test_every_scalar_stays_the_text_that_was_typed(word: str) -> None:
    # YAML 1.1 (yaml.org/spec/1.1, type repository) reads each of these as something else; PyYAML
    # follows it, which shows that the reader under test does something about it.
    assert yaml.safe_load(f"key: {word}")["key"] != word or word in {"y", "1.0e9"}
    assert parse_yaml(f"key: {word}", "f.yaml") == {"key": word}


def test_a_no_as_a_key_stays_a_word() -> None:
    tree = parse_yaml("wires: {no: switched, on: vdd}", "f.yaml")
    assert list(tree["wires"]) == ["no", "on"]


def test_places_count_from_one_and_point_at_the_first_character() -> None:
    tree = parse_yaml("# comment\nfirst: one\nlist:\n  - {inner: 'two'}\n", "f.yaml")
    assert isinstance(tree, Mapping)
    assert str(tree.place) == "f.yaml:2:1"
    assert str(tree["first"].place) == "f.yaml:2:8"
    assert isinstance(tree["list"], Sequence)
    assert str(tree["list"].place) == "f.yaml:4:3"
    assert str(tree["list"][0].place) == "f.yaml:4:5"
    assert str(tree["list"][0]["inner"].place) == "f.yaml:4:13"
    assert [str(key.place) for key in tree if isinstance(key, Text)] == ["f.yaml:2:1", "f.yaml:3:1"]


@given(st.dictionaries(st.from_regex(r"[a-z]{1,6}", fullmatch=True), st.text(max_size=20)))
def test_places_point_at_what_was_written(content: dict[str, str]) -> None:
    text = yaml.safe_dump(content, default_style='"', allow_unicode=False, width=10_000) or "{}"
    tree = parse_yaml(text, "f.yaml")
    assert tree == content
    lines = text.split("\n")
    for key, value in tree.items():
        for scalar in (key, value):
            assert isinstance(scalar, Text)
            assert lines[scalar.place.line - 1][scalar.place.column - 1] == '"'


@pytest.mark.parametrize(
    ("text", "code", "place", "words"),
    [
        ("a: 1\nb: 2\na: 3\n", "repeated-key", "f.yaml:3:1", "'a' stands twice"),
        ("a: {b: 1, b: 2}\n", "repeated-key", "f.yaml:1:11", "'b' stands twice"),
        ("a: [1, 2\nb: 3\n", "yaml", "f.yaml:2:2", "not valid YAML"),
        ("a: 'one\n", "yaml", "f.yaml:2:1", "not valid YAML"),
        ("a: b: c\n", "yaml", "f.yaml:1:5", "not valid YAML"),
        ("a: *nowhere\n", "alias", "f.yaml:1:4", "the alias '*nowhere' is not allowed"),
        ("a: \x07\n", "yaml", "f.yaml:1:4", "character U+0007 at offset 3"),
        ("? [a, b]\n: c\n", "yaml", "f.yaml:1:1", "a key must be plain text"),
        ("", "yaml", "f.yaml:1:1", "empty"),
        ("# nothing\n", "yaml", "f.yaml:1:1", "empty"),
    ],
)
def test_bad_yaml_is_one_line_with_its_place(text: str, code: str, place: str, words: str) -> None:
    issue = refused(text)
    assert (issue.code, str(issue.place)) == (code, place)
    assert words in issue.message
    assert "\n" not in str(issue)


def test_all_repeated_keys_come_at_once() -> None:
    with pytest.raises(DiagnoseError) as caught:
        parse_yaml("a: 1\na: 2\nb: {c: 1, c: 2}\n", "f.yaml")
    assert [str(issue.place) for issue in caught.value.issues] == ["f.yaml:2:1", "f.yaml:3:11"]


def test_a_file_that_is_not_text_or_not_there(tmp_path: Path) -> None:
    path = tmp_path / "f.yaml"
    with pytest.raises(DiagnoseError, match=r"f\.yaml:1:1: cannot read the file"):
        read_yaml(path)
    path.write_bytes(b"a: \xff\xfe\n")
    with pytest.raises(
        DiagnoseError, match=r"f\.yaml:1:4: not UTF-8 text \(byte 0xff at offset 3:"
    ):
        read_yaml(path)


def test_a_reader_collects_what_is_wrong_and_goes_on() -> None:
    issues: list[Issue] = []
    tree = parse_yaml("kind: two\nlist: {a: b}\nextra: 1\n", "f.yaml")
    reader = Reader(tree, issues, "thing")
    assert reader.choice("kind", ("one", "three")) == "one"
    assert reader.texts("list") == ()
    assert reader.text("title") == ""
    reader.done()
    assert [(i.code, str(i.place)) for i in issues] == [
        ("unknown-id", "f.yaml:1:7"),
        ("structure", "f.yaml:2:7"),
        ("structure", "f.yaml:1:1"),
        ("unknown-key", "f.yaml:3:1"),
    ]
    assert issues[0].legal == ("one", "three")
    assert issues[3].legal == ("kind", "list", "title")


KINDS_OF_FILE = [
    *("sources.yaml", "scales.yaml", "cautions.yaml", "complaints.yaml", "questions.yaml"),
    *("parts/button.yaml", "installations/bench.yaml", "tests/bench.yaml"),
    *("signs/seen.yaml", "rules/order.yaml"),
]


@pytest.mark.parametrize("file", KINDS_OF_FILE)
def test_a_yaml_error_in_each_kind_of_file_has_its_place(tmp_path: Path, file: str) -> None:
    folder = copy_tiny(tmp_path)
    path = folder / file
    text = path.read_text(encoding="utf-8")
    path.write_text(text + "broken: [1, 2\n", encoding="utf-8")
    line = text.count("\n") + 2
    assert found(folder, issues_of(folder)) == {("yaml", (file, line, 1))}


@pytest.mark.parametrize("file", KINDS_OF_FILE)
def test_an_unknown_key_in_each_kind_of_file_has_its_place(tmp_path: Path, file: str) -> None:
    folder = copy_tiny(tmp_path)
    path = folder / file
    text = path.read_text(encoding="utf-8")
    flat = file in {"sources.yaml", "scales.yaml"}  # there a key of the top level is an id
    path.write_text(text + ("new: {strange: 1}\n" if flat else "strange: 1\n"), encoding="utf-8")
    issues = issues_of(folder)
    assert ("unknown-key", place_of(folder, file, "strange")) in found(folder, issues)
    assert all(issue.legal for issue in issues if issue.code == "unknown-key")


@pytest.mark.parametrize(
    ("file", "old", "new", "code", "needle"),
    [
        ("parts/battery.yaml", "value: 12 V", "value: 12 apples", "number", "{value: 12 apples"),
        ("parts/battery.yaml", "value: 12 V,", "value: 12,", "number", "{value: 12,"),
        ("parts/battery.yaml", "0.5 V .. 2 V", "2 V .. 0.5 V", "number", "{range: 2 V"),
        ("parts/battery.yaml", "0.5 V .. 2 V", "0.5 V .. 2 A", "number", "{range: 0.5 V"),
        ("parts/battery.yaml", "0.5 V .. 2 V", "0.5 V", "number", "{range: 0.5 V"),
        ("parts/battery.yaml", "rate: common", "rate: daily", "unknown-id", "daily"),
        ("parts/battery.yaml", "    rate: common\n", "", "structure", "title: Battery flat"),
        ("parts/battery.yaml", "class: wear", "class: tear", "unknown-id", "tear"),
        ("parts/battery.yaml", "kind: source", "kind: well", "unknown-id", "well"),
        ("parts/battery.yaml", "[plus, minus],", "[plus],", "structure", "[plus],"),
        ("parts/heater.yaml", "[[a, b]]", "[[a]]", "number", "[a]]"),
        ("parts/button.yaml", "{value: 2 /Mh", "{value: 2 apples", "number", "{value: 2 apples"),
        ("parts/button.yaml", "{value: 0.5 times", "{value: 2 V", "number", "{value: 2 V"),
        ("parts/relay.yaml", "amps: coil, ", "", "structure", "{on_above"),
        ("parts/relay.yaml", "c1: dc,", "c1: da,", "number", "da"),
        ("parts/relay.yaml", "browned: mostly", "browned: surely", "unknown-id", "surely"),
        ("signs/seen.yaml", "background: hardly", "background: now", "unknown-id", "now"),
        ("tests/bench.yaml", "below: 6 V", "below: 6 A", "structure", "6 A"),
        ("tests/bench.yaml", "below: 6 V", "below: six", "number", "{id: flat"),
        ("tests/bench.yaml", "state: live\n    instrument: m", "state: on\n    instrument: m",
         "unknown-id", "state: ¦on"),
        ("tests/bench.yaml", "{sign: [browned]}", "{smell: [browned]}", "structure", "{smell"),
        ("tests/bench.yaml", "    reading: {sign: [browned]}\n", "", "structure", "id: look_at"),
        ("tests/bench.yaml", "id: feel_released", "id:  feel", "repeated-id", "id:  feel"),
        ("complaints.yaml", '{released: "heater.hot"}', "hot", "structure", "- ¦hot"),
        ("complaints.yaml", "\"heater.hot\"}", "[heater.hot]}", "structure", "{released"),
        ("questions.yaml", "commissioning: more", "commissioning: lots", "unknown-id", "lots"),
        ("questions.yaml", "default: always", "default: ever", "unknown-id", "default: ¦ever"),
        ("installations/bench.yaml", "{second: fitted}", "{second: [1]}", "structure", "[1]"),
        ("installations/bench.yaml", "default: none", "default: some", "unknown-id", "some"),
        ("sources.yaml", "kind: judgement", "kind: hearsay", "unknown-id", "hearsay"),
        ("rules/order.yaml", "stratum: 0", "stratum: low", "structure", "low"),
    ],
)  # fmt: skip
def test_what_reading_refuses(
    tmp_path: Path, file: str, old: str, new: str, code: str, needle: str
) -> None:
    folder = copy_tiny(tmp_path)
    edit(folder, file, old, new)
    issues = issues_of(folder)
    assert (code, place_of(folder, file, needle)) in found(folder, issues)


def test_the_same_id_in_two_files(tmp_path: Path) -> None:
    folder = copy_tiny(tmp_path)
    for file in ("parts/button.yaml", "tests/bench.yaml", "signs/seen.yaml"):
        path = folder / file
        path.with_stem(f"{path.stem}_again").write_text(path.read_text("utf-8"), "utf-8")
    issues = issues_of(folder)
    assert {i.code for i in issues} == {"repeated-id"}
    assert len(issues) == 1 + len(tiny().tests) + len(tiny().signs)


def test_issues_of_all_files_come_at_once(tmp_path: Path) -> None:
    folder = copy_tiny(tmp_path)
    edit(folder, "parts/battery.yaml", "rate: common", "rate: daily")
    edit(folder, "sources.yaml", "kind: judgement", "kind: hearsay")
    edit(folder, "tests/bench.yaml", "below: 6 V", "below: 6 A")
    files = {place[0] for _, place in found(folder, issues_of(folder)) if place}
    assert files == {"parts/battery.yaml", "sources.yaml", "tests/bench.yaml"}


def nodes(tree: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """The path of every node below the top of a plain YAML tree."""
    found_here: list[tuple[Any, ...]] = []
    inner = tree.items() if isinstance(tree, dict) else enumerate(tree)
    for key, value in inner:
        found_here.append((*path, key))
        if isinstance(value, dict | list):
            found_here += nodes(value, (*path, key))
    return found_here


def mutilated(tree: Any, path: tuple[Any, ...], by: Any) -> Any:
    """A copy of the tree with one node replaced, or left out where `by` is None."""
    copied = dict(tree) if isinstance(tree, dict) else list(tree)
    key = path[0]
    if len(path) > 1:
        copied[key] = mutilated(tree[key], path[1:], by)
    elif by is None:
        del copied[key]
    else:
        copied[key] = by
    return copied


MOST_SPOTS = 150
"""Places of one file that are mutilated, evenly spread; `tests.campaigns.fuzz` tries others."""
MUTILATIONS: list[Any] = [None, "", "nonsense", ["a", ["b"]], {"a": {"b": "c"}}, []]


@pytest.mark.parametrize("file", KINDS_OF_FILE)
def test_no_mutilation_of_a_file_breaks_reading_or_checking(tmp_path: Path, file: str) -> None:
    folder = copy_tiny(tmp_path)
    path = folder / file
    tree = yaml.load(path.read_text("utf-8"), Loader=yaml.BaseLoader)
    spots = nodes(tree)
    for number, spot in enumerate(spots[:: 1 + len(spots) // MOST_SPOTS]):
        by = MUTILATIONS[number % len(MUTILATIONS)]
        path.write_text(json.dumps(mutilated(tree, spot, by)), "utf-8")  # JSON is YAML
        try:
            issues = check_knowledge(load_knowledge(folder))
        except DiagnoseError as error:
            issues = list(error.issues)
        for issue in issues:
            assert issue.place is not None, (spot, issue)
            assert Path(issue.place.file).name.endswith(".yaml"), (spot, issue)
            assert "\n" not in issue.message, (spot, issue)


def test_where_the_knowledge_is_looked_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DIAGNOSE_KNOWLEDGE", str(tmp_path))
    assert find_knowledge() == tmp_path
    assert find_knowledge(str(TINY)) == TINY
    monkeypatch.delenv("DIAGNOSE_KNOWLEDGE")
    assert (find_knowledge() / "sources.yaml").is_file()
    with pytest.raises(DiagnoseError, match="there is no knowledge folder"):
        find_knowledge(str(tmp_path / "nowhere"))


def test_the_digest_follows_the_content(tmp_path: Path) -> None:
    folder = copy_tiny(tmp_path)
    assert load_knowledge(folder).digest == tiny().digest
    edit(folder, "cautions.yaml", "Live parts within reach.", "Live parts in reach.")
    assert load_knowledge(folder).digest != tiny().digest
    assert os.path.relpath(folder) != os.path.relpath(TINY)
