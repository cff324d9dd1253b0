"""`diagnose site`: describing what is fitted, kept after each answer, used at the next callout."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from diagnose.casebook.files import FileStore
from diagnose.casebook.sitefiles import Site, find_site, read_site, save_site, site_text
from diagnose.cli import main
from diagnose.cli.ready import ask_ready
from diagnose.cli.render import Screen
from diagnose.cli.request import Request
from diagnose.cli.sites import OFFERED, open_case, usable
from diagnose.errors import DiagnoseError
from diagnose.interview.sites import older_site_key, site_key
from diagnose.interview.state import replay
from diagnose.knowledge.load import load_knowledge
from diagnose.knowledge.records import KnowledgeBase
from tests.tiny import TINY, copy_tiny, edit, tiny


@pytest.fixture(scope="module")
def kb() -> KnowledgeBase:
    return tiny()


class Lines:
    """Answers typed one after the other; then the input ends."""

    def __init__(self, *lines: str) -> None:
        self.lines: Iterator[str] = iter(lines)
        self.prompts: list[str] = []

    def __call__(self, prompt: str = "") -> str:
        self.prompts.append(prompt)
        try:
            return next(self.lines)
        except StopIteration:
            raise EOFError from None


def run(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    words: tuple[str, ...],
    *lines: str,
) -> tuple[int, str, str]:
    """Exit code, output and errors of ``diagnose site``, the lines typed into it."""
    monkeypatch.setattr("builtins.input", Lines(*lines))
    capsys.readouterr()
    code = 0
    try:
        main(["site", *words])
    except SystemExit as stop:
        code = int(stop.code or 0)
    printed = capsys.readouterr()
    return code, printed.out, printed.err


def options(tmp_path: Path) -> tuple[str, ...]:
    return ("--store", str(tmp_path / "store"), "--knowledge", str(TINY), "--no-color")


def site_file(tmp_path: Path, name: str) -> Path:
    return tmp_path / "store" / "sites" / f"{name}.yaml"


def test_a_site_is_described_shown_and_listed(
    tmp_path: Path,
    kb: KnowledgeBase,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    where = options(tmp_path)
    lines = ("2", "no", "", "small", "relay: 5 V, 10 A", "relais: no", "", "a.jpg, b.jpg", "Key: 4")
    code, out, err = run(monkeypatch, capsys, ("new", "Weir House (demo)", *where), *lines)
    assert (code, err) == (0, "")
    assert "Type a unit of the list" in out
    path = site_file(tmp_path, "weir-house-demo")
    assert f"diagnose callout --site 'Weir House (demo)' --store {tmp_path / 'store'}" in out
    site = read_site(path, kb)
    assert (site.name, site.status, site.preset) == (
        "Weir House (demo)",
        "described",
        "two_buttons",
    )
    assert site.variants == {"second": "fitted", "cell": "small"}
    assert site.fitted == {"relay": "5 V, 10 A"}
    assert (site.photographs, site.notes) == (("a.jpg", "b.jpg"), "Key: 4")
    code, out, _ = run(monkeypatch, capsys, ("show", "weir house DEMO", "--json", *where))
    assert code == 0
    assert json.loads(out)["variants"] == site.variants
    code, out, _ = run(monkeypatch, capsys, ("show", "Weir House (demo)", *where))
    assert "Battery: small *" in out
    code, out, _ = run(monkeypatch, capsys, ("list", *where))
    assert (code, out) == (0, "weir-house-demo  described  two_buttons  Weir House (demo)\n")
    code, _, err = run(monkeypatch, capsys, ("new", "Weir House (demo)", *where))
    assert code == 2
    assert err.count("\n") == 1
    assert "--again" in err


@pytest.mark.parametrize("answered", range(1, 7))
def test_what_was_answered_is_kept_wherever_it_is_broken_off(
    answered: int,
    tmp_path: Path,
    kb: KnowledgeBase,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    where = options(tmp_path)
    lines = ("2", "no", "", "small", "relay: 5 V, 10 A", "", "a.jpg", "note")
    code, out, _ = run(monkeypatch, capsys, ("new", "Ford", *where), *lines[:answered])
    assert code == 130
    assert "diagnose site new Ford" in out
    site = read_site(site_file(tmp_path, "ford"), kb)
    assert (site.status, site.preset) == ("draft", "two_buttons")
    rest = lines[1:] if answered < 4 else lines[answered:]
    code, _, err = run(monkeypatch, capsys, ("new", "Ford", *where), *rest)
    assert (code, err) == (0, "")
    site = read_site(site_file(tmp_path, "ford"), kb)
    assert (site.status, site.variants["cell"], site.notes) == ("described", "small", "note")
    assert site.fitted == {"relay": "5 V, 10 A"}
    assert site.photographs == ("a.jpg",)


def test_a_killed_description_goes_on(tmp_path: Path, kb: KnowledgeBase) -> None:
    command = [sys.executable, "-m", "diagnose", "site", "new", "Mere", *options(tmp_path)]
    child = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True)
    assert child.stdin is not None
    child.stdin.write("2\n")
    child.stdin.flush()
    path = site_file(tmp_path, "mere")
    while child.poll() is None and not path.is_file():
        time.sleep(0.02)
    os.kill(child.pid, signal.SIGKILL)
    child.wait()
    assert read_site(path, kb).preset == "two_buttons"
    assert [p.name for p in path.parent.iterdir() if p.suffix == ".yaml"] == ["mere.yaml"]


def test_what_excludes_itself_is_asked_again_with_the_reason(
    tmp_path: Path,
    kb: KnowledgeBase,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    lines = ("2", "no", "", "lone", "", "small", "", "", "")
    code, out, _ = run(monkeypatch, capsys, ("new", "Ford", *options(tmp_path)), *lines)
    assert code == 0
    assert "that battery has no terminal for it" in " ".join(out.split())
    assert read_site(site_file(tmp_path, "ford"), kb).variants["cell"] == "small"
    words = ("new", "Brook", "--set", "second=fitted", "--set", "cell=lone", *options(tmp_path))
    code, _, err = run(monkeypatch, capsys, words)
    assert code == 2
    assert "cannot be built: that battery has no terminal" in err
    assert not site_file(tmp_path, "brook").exists()


def described(folder: Path, **changes: object) -> Path:
    """A site's file as the program writes it."""
    site = Site(
        "Ford", "bench", "two_buttons", {"second": "fitted", "cell": "small"}, status="described"
    )
    return save_site(folder, site.with_asked("", **changes))


@pytest.mark.parametrize(
    ("old", "new", "words", "at"),
    [
        ("cell: small", "cell: huge", "'huge' is not a choice of 'cell'", "¦huge"),
        ("cell: small", "cell: lone", "that battery has no terminal for it", "¦second: fitted"),
        ("cell: small", "cells: small", "'cells' is not a variant of 'bench'", "¦cells"),
        ("preset: two_buttons", "preset: two", "no ready installation 'two'", "¦two\n"),
        ("installation: bench", "installation: desk", "there is no installation 'desk'", "¦desk"),
        ("format: '1'", "format: '2'", "'2' is not a legal 'format'", "¦'2'"),
        ("name: Ford", "nam: Ford", "'name' is missing", None),
        ("cell: small", "cell: small\nfitted:\n  ray: x", "there is no unit 'ray'", "¦ray"),
        ("cell: small", "cell: small\nanswers:\n  ray: x", "there is no question 'ray'", "¦ray"),
        ("status: described", "status: [described", "YAML", None),
    ],
)
def test_a_file_that_cannot_be_used_is_one_line_with_its_place(
    old: str,
    new: str,
    words: str,
    at: str | None,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    path = described(tmp_path / "store" / "sites")
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1
    path.write_text(text.replace(old, new), encoding="utf-8")
    code, out, err = run(monkeypatch, capsys, ("show", "Ford", *options(tmp_path)))
    assert (code, out) == (2, "")
    first = err.splitlines()[0]
    assert "yaml:" in first or at is None
    assert any(words in line for line in err.splitlines())
    if at is not None:
        before, _, after = at.partition("¦")
        lines = text.replace(old, new).split("\n")
        wanted = (before + after).rstrip("\n")
        line = next(k for k, x in enumerate(lines, 1) if wanted in x)
        column = lines[line - 1].index(wanted) + len(before) + 1
        assert f"{path}:{line}:{column}:" in err
    code, _, err = run(monkeypatch, capsys, ("list", *options(tmp_path)))
    assert code == 1
    assert str(path) in err


def test_a_callout_at_a_site_asks_nothing_about_its_wiring(
    tmp_path: Path, kb: KnowledgeBase, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "sites"
    described(folder, answers={"worked_before": "never"}, notes="mind the step")
    request = Request(store=str(tmp_path), site="ford")
    header, events = open_case(request, Screen(True), kb)
    assert (header.site, header.installation) == ("Ford", "bench")
    assert header.variants == {"second": "fitted", "cell": "small"}
    assert [e.kind for e in events] == ["opened", "answered"]
    assert not {"site", "wiring"} & set(events[0].data["asks"])
    assert replay(events, {}).answers == {"worked_before": "never"}
    header = FileStore(tmp_path).create(header, events)
    assert header.id.endswith("-ford")
    lines = Lines("ford")
    monkeypatch.setattr("builtins.input", lines)
    other, again = open_case(Request(store=str(tmp_path)), Screen(True), kb)
    assert "name of a site on file" in lines.prompts[0]
    assert (other.site, other.variants) == ("Ford", header.variants)
    assert [e.kind for e in again] == ["opened", "answered"]


def test_a_ready_installation_is_chosen_by_number_or_name(
    tmp_path: Path, kb: KnowledgeBase, monkeypatch: pytest.MonkeyPatch
) -> None:
    for typed, variants in (
        ("", {"second": "none", "cell": "large"}),
        ("2", {"second": "fitted", "cell": "large"}),
        ("two", {"second": "fitted", "cell": "large"}),
        ("BUTTONS two", {"second": "fitted", "cell": "large"}),
    ):
        monkeypatch.setattr("builtins.input", Lines("7", typed))
        header, events = open_case(Request(store=str(tmp_path)), Screen(True), kb)
        assert header.variants == variants
        assert "wiring" in events[0].data["asks"]


def test_words_that_several_ready_installations_hold_show_these(
    kb: KnowledgeBase, capsys: pytest.CaptureFixture[str]
) -> None:
    assert ask_ready(Screen(True), Lines("b", "zeppelin", "2"), kb).ready == "two_buttons"
    shown = capsys.readouterr().out
    assert shown.count("2  Two buttons") == 2, "once in the list, once for the letter"
    assert shown.count("Type a number from 1 to 2.") == 1


@pytest.mark.parametrize(
    ("request_", "words"),
    [
        (Request(site="x", installation="bench"), "--site says what is fitted"),
        (Request(site="x", resume=True), "--site says what is fitted"),
        (Request(site="x", answers=Path("a.yaml")), "the file says it"),
    ],
)
def test_options_that_contradict_a_site_are_refused(request_: Request, words: str) -> None:
    with pytest.raises(DiagnoseError, match=words):
        request_.refuse_contradictions()


def test_sites_are_found_by_name_in_any_writing(tmp_path: Path, kb: KnowledgeBase) -> None:
    path = described(tmp_path)
    assert find_site(tmp_path, "FORD ") == path
    assert find_site(tmp_path, "../sites/ford") is None
    hindi = save_site(tmp_path, Site("जल मीनार"))
    assert find_site(tmp_path, "जल मीनार") == hindi
    with pytest.raises(DiagnoseError, match="no letter or digit"):
        save_site(tmp_path, Site("!!!"))
    with pytest.raises(DiagnoseError, match="there is no site"):
        open_case(Request(store=str(tmp_path), site="nowhere"), Screen(True), kb)


def test_what_cannot_be_used_takes_no_place_among_the_sites_offered(
    tmp_path: Path, kb: KnowledgeBase
) -> None:
    for number in range(OFFERED):
        save_site(tmp_path, Site(f"A draft {number}"))
    described(tmp_path)
    assert [site.name for site, _ in usable(tmp_path, kb)] == ["Ford"]


ALIKE = (
    (
        "Green Valley Apartments, Block A, Tower number 1",
        "Green Valley Apartments, Block A, Tower number 2",
    ),
    ("मकान 5", "दुकान 5"),
    ("राम निवास", "रोम निवास"),  # they differ in a vowel sign alone
    ("5", "मकान 5"),
)


@pytest.mark.parametrize(("one", "other"), ALIKE)
def test_two_sites_never_share_a_file(tmp_path: Path, one: str, other: str) -> None:
    path = save_site(tmp_path, Site(one, notes="the first"))
    assert find_site(tmp_path, other) is None
    assert save_site(tmp_path, Site(other, notes="the second")) != path
    for name, notes in ((one, "the first"), (other, "the second")):
        found = find_site(tmp_path, f" {name.upper()}")
        assert found is not None
        assert read_site(found).notes == notes


def test_files_named_before_names_were_told_apart_are_found_by_their_own_site(
    tmp_path: Path,
) -> None:
    own, other = ALIKE[0]
    older = tmp_path / "green-valley-apartments-block-a-tower-nu.yaml"
    older.write_text(site_text(Site(own)), encoding="utf-8")
    assert find_site(tmp_path, own) == older
    assert find_site(tmp_path, other) is None
    assert find_site(tmp_path, older.stem) == older
    assert save_site(tmp_path, Site(own, notes="again")) == older
    assert read_site(older).notes == "again"
    older.write_text("name: [\n", encoding="utf-8")
    assert find_site(tmp_path, own) is None  # nothing says whose it is; by its own name it is found
    assert find_site(tmp_path, older.stem) == older


def test_a_file_named_by_a_key_that_another_site_had_too_is_found_by_its_own_site_alone(
    tmp_path: Path,
) -> None:
    own, other = ALIKE[2]
    assert older_site_key(own) == older_site_key(other)
    assert site_key(own) != site_key(other)
    older = tmp_path / f"{older_site_key(own)}.yaml"
    older.write_text(site_text(Site(own)), encoding="utf-8")
    assert find_site(tmp_path, own) == older
    assert find_site(tmp_path, other) is None


@pytest.mark.parametrize("name", ["North Yard", "  Zum Ölberg/§ 7 ", "a_b-c", "北の家 3", "Ž", ""])
def test_names_without_vowel_signs_keep_their_keys(name: str) -> None:
    assert site_key(name) == older_site_key(name)


def test_a_variant_that_came_later_takes_its_default(tmp_path: Path) -> None:
    folder = copy_tiny(tmp_path)
    path = described(tmp_path / "sites")
    text = path.read_text(encoding="utf-8").replace("  cell: small\n", "")
    path.write_text(text, encoding="utf-8")
    edit(folder, "installations/bench.yaml", "default: large", "default: small")
    _, events = open_case(
        Request(store=str(tmp_path), site="Ford"), Screen(True), load_knowledge(folder)
    )
    assert events[0].data["variants"]["cell"] == "small"
