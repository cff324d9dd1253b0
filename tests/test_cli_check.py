"""`diagnose check`: the contract for scripts, exit codes, and a report that reads at 80 columns."""

import json
import os
import re
from pathlib import Path
from typing import Any

import pytest

from diagnose.cli import main
from diagnose.cli.check import run_check
from diagnose.errors import DiagnoseError
from diagnose.knowledge.checks_sources import numbers_by_source_kind
from diagnose.knowledge.load import load_knowledge
from diagnose.plant.cache import matrix_for
from diagnose.plant.matrix import HEALTHY
from diagnose.plant.wiring import compose_named, named_installations
from diagnose.reasoning import separation
from diagnose.reasoning.checks import matrix_issues
from tests.tiny import TINY, copy_tiny, edit, place_of, shown_place, tiny

KEYS = {
    *("errors", "warnings", "ambiguity_groups", "counts", "numbers_by_source_kind"),
    *("testability", "undetected", "useless_tests", "hanging_on_one_test", "installations"),
}
SHARED_CACHE = os.environ.get("DIAGNOSE_CACHE")
COUNTS = {"failure_modes", "units", "tests", "complaints", "rules", "installations"}


@pytest.fixture(autouse=True)
def _cache(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DIAGNOSE_CACHE", str(tmp_path_factory.getbasetemp() / "cache"))


def check(capsys: pytest.CaptureFixture[str], *options: str) -> tuple[int, str, str]:
    """Exit code, output and errors of ``diagnose check``, started as a person starts it."""
    capsys.readouterr()
    try:
        main(["check", *options])
        code = 0
    except SystemExit as stop:
        code = int(stop.code or 0)
    printed = capsys.readouterr()
    return code, printed.out, printed.err


def as_object(capsys: pytest.CaptureFixture[str], *options: str) -> tuple[int, dict[str, Any]]:
    """Exit code and the object printed with ``--json``."""
    code, out, _ = check(capsys, "--json", *options)
    return code, json.loads(out)


def test_the_object_has_what_scripts_count_on(capsys: pytest.CaptureFixture[str]) -> None:
    code, found = as_object(capsys, "--knowledge", str(TINY))
    assert code == 0
    assert set(found) == KEYS
    assert found["errors"] == []
    # written: battery 1, button 3, relay 2, outlet 1, heater 2; the spare button is a sixth unit
    expected = {"failure_modes": 9, "units": 6, "tests": 10, "complaints": 2, "rules": 2}
    assert found["counts"] == {**expected, "installations": 4}
    assert found["numbers_by_source_kind"] == numbers_by_source_kind(tiny())
    names = [named.name for named in named_installations(tiny())]
    assert names == ["default", "two_buttons", "cell=small", "cell=lone"]
    for key in KEYS - {"errors", "warnings", "counts", "numbers_by_source_kind"}:
        assert list(found[key]) == names
    assert found["installations"]["two_buttons"] == {
        "kind": "bench",
        "choices": {"second": "fitted", "cell": "large"},
        "counts": {"failure_modes": 12, "units": 6, "tests": 10},
    }


def test_the_object_says_what_the_tests_can_tell(capsys: pytest.CaptureFixture[str]) -> None:
    # 8 failure modes; swapped leads of a heater change nothing, so 7 are detected. A dead supply
    # and a flat battery look the same in every test made here: of 7, 5 are narrowed down to one
    # unit, 2 to two; mean group (5·1 + 2·2)/7.
    _, found = as_object(capsys, "--knowledge", str(TINY), "--installation", "default")
    figures = found["testability"]["default"]
    by_rate = figures.pop("by_rate")
    assert figures == {
        "failure_modes": 8,
        "detected": pytest.approx(7 / 8),
        "to_one": pytest.approx(5 / 7),
        "to_two": 1.0,
        "to_three": 1.0,
        "mean_group": pytest.approx(9 / 7),
    }
    # rates: five of 4 /Mh, stuck button 1, dead outlet 0.5, swapped leads 0.5
    assert by_rate["detected"] == pytest.approx(21.5 / 22)
    assert by_rate["to_one"] == pytest.approx((21.5 - 4.5) / 21.5)
    (group,) = found["ambiguity_groups"]["default"]
    assert group == {"modes": ["battery.flat", "outlet.dead"], "units": ["battery", "outlet"]}
    assert found["undetected"]["default"] == ["heater.leads_swapped"]
    assert found["useless_tests"]["default"] == ["filter_farads", "body_insulation"]
    # a stuck button and a welded relay leave it hot alike; only the relay browns
    (hanging,) = found["hanging_on_one_test"]["default"]
    assert hanging["test"] == "look_at_relay"
    assert {hanging["first"], hanging["second"]} == {"button.stuck", "relay.welded"}
    assert hanging["complaints"] == ["stays_hot"]


def test_an_error_gives_exit_code_one_and_its_place(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = copy_tiny(tmp_path)
    edit(folder, "tests/bench.yaml", "situation: pressed", "situation: squeezed")
    code, found = as_object(capsys, "--knowledge", str(folder))
    assert code == 1
    (error,) = found["errors"]
    assert (error["code"], error["legal"]) == (
        "unknown-id",
        ["dead", "found", "pressed", "released"],
    )
    _, line, column = place_of(folder, "tests/bench.yaml", "squeezed")
    assert (error["line"], error["column"]) == (line, column)
    assert Path(error["file"]) == folder / "tests/bench.yaml"
    assert found["ambiguity_groups"] == {}
    assert set(found["counts"]) == COUNTS
    code, out, _ = check(capsys, "--knowledge", str(folder))
    assert code == 1
    assert out.startswith("1 error\n")
    assert f"bench.yaml:{line}:{column}:" in re.sub(r"\s", "", out)
    assert "examined once the errors are mended" in out


def test_files_that_cannot_be_read_are_errors_too(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = copy_tiny(tmp_path)
    edit(folder, "complaints.yaml", "complaints:\n", "complaints: [\n")
    edit(folder, "parts/relay.yaml", "id: relay", "id: relay\nid: relay")
    code, found = as_object(capsys, "--knowledge", str(folder))
    assert code == 1
    assert set(found) == KEYS
    assert {e["code"] for e in found["errors"]} == {"yaml", "repeated-key"}
    assert set(found["counts"].values()) == {0}
    code, out, _ = check(capsys, "--knowledge", str(folder))
    assert code == 1
    assert out.startswith("2 errors\n")


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--knowledge", "/no/such/folder"), "there is no knowledge folder '/no/such/folder'"),
        (("--installation", "attic"), "there is no installation 'attic' (legal: default, two_b"),
        (("--installation", "cell=huge"), "'huge' is not a choice of 'cell' (legal: large, small"),
        (("--installation", "sofa=red"), "'sofa' is not a variant of 'bench' (legal: second"),
        (("--installation", "second=fitted,cell=lone"), "cannot be built: that battery has no"),
    ],
)
def test_what_is_asked_for_wrongly_is_one_line_and_exit_code_two(
    options: tuple[str, ...], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = check(capsys, "--knowledge", str(TINY), *options)
    assert (code, out) == (2, "")
    assert err.count("\n") == 1
    assert words in err


def test_which_installations_are_examined(capsys: pytest.CaptureFixture[str]) -> None:
    chosen = ("--installation", "cell=small", "--installation", "second=fitted,cell=small")
    _, found = as_object(capsys, "--knowledge", str(TINY), *chosen)
    assert list(found["installations"]) == ["cell=small", "second=fitted,cell=small"]
    _, found = as_object(capsys, "--knowledge", str(TINY), "--all")
    assert len(found["installations"]) == found["counts"]["installations"] == 4


def test_a_quick_check_examines_four(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = copy_tiny(tmp_path)
    more = (
        "  tiny_one: {title: one, met: here, variants: {cell: small}}\n"
        "  again: {title: two, met: here, variants: {second: fitted, cell: small}}\n"
    )
    edit(folder, "installations/bench.yaml", "presets:\n", f"presets:\n{more}")
    _, found = as_object(capsys, "--knowledge", str(folder))
    assert list(found["installations"]) == ["default", "tiny_one", "again", "two_buttons"]
    assert found["counts"]["installations"] == 5
    _, found = as_object(capsys, "--knowledge", str(folder), "--all")
    assert list(found["installations"])[-1] == "cell=lone"


def test_the_report_reads_at_eighty_columns(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = check(capsys, "--knowledge", str(TINY), "--all")
    assert (code, err) == (0, "")
    assert max(map(len, out.splitlines())) <= 80
    flat = " ".join(out.split())
    for words in (
        "0 errors 2 warnings",
        "Knowledge: 9 failure modes, 6 units, 10 tests, 2 complaints, 2 rules, 4 installations",
        "judgement or memory 1%",
        "Installation two_buttons: 12 failure modes, 6 units, 10 tests",
        "Detected 87.5%; of these narrowed down to one unit 71.4%, to two 100.0%",
        "- battery: Battery flat / outlet: Outlet dead",
        "- heater: Leads of the heater swapped",
        "Distinctions that hang on one test (1), by test: - 1 on 'look_at_relay'",
    ):
        assert words in flat
    assert not re.search(r"\x1b", out)


def test_it_is_the_same_in_a_terminal_without_colour_or_width(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    first = check(capsys, "--knowledge", str(TINY))
    monkeypatch.setenv("COLUMNS", "20")
    monkeypatch.setenv("NO_COLOR", "1")
    assert check(capsys, "--knowledge", str(TINY)) == first


def test_run_check_raises_what_is_no_fault_of_the_knowledge() -> None:
    with pytest.raises(DiagnoseError, match="there is no installation 'attic'"):
        run_check(str(TINY), True, ["attic"])


# --- what the matrices show -----------------------------------------------------------------


def test_a_complaint_of_a_healthy_installation_is_an_error(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = copy_tiny(tmp_path)
    edit(folder, "complaints.yaml", 'released: "heater.hot"', 'pressed: "heater.hot"')
    code, found = as_object(capsys, "--knowledge", str(folder), "--installation", "default")
    assert code == 1
    (error,) = found["errors"]
    assert error["code"] == "healthy"
    assert error["message"] == "complaint 'stays_hot' shows on a healthy installation"
    assert error["line"] == place_of(folder, "complaints.yaml", "id: stays_hot")[1]


def test_a_healthy_reading_on_a_limit_is_a_warning(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = copy_tiny(tmp_path)
    edit(folder, "tests/bench.yaml", "below: 6 V", "below: 12 V")  # the battery has 12 V ± 5 %
    code, found = as_object(capsys, "--knowledge", str(folder), "--installation", "default")
    assert code == 0
    healthy = [w for w in found["warnings"] if w["code"] == "healthy"]
    assert [w["message"] for w in healthy] == [
        "test 'battery_volts': a healthy installation straddles its outcomes"
    ]


def test_what_shows_nowhere_is_named_once_for_all_installations() -> None:
    kb = tiny()
    tried = []
    for named in named_installations(kb)[:2]:
        installation = compose_named(kb, named)

        tried.append((installation, matrix_for(kb, installation)))
    issues = matrix_issues(kb, tried)
    expected = [
        ("warning", "no-complaint", place_of(TINY, file, needle))
        for file, needle in (
            ("parts/button.yaml", "title: Spare button left"),
            ("parts/heater.yaml", "title: Leads of the heater"),
        )
    ]
    assert [(i.severity, i.code, shown_place(TINY, i.place)) for i in issues] == expected
    assert all(matrix.rows[-1] == HEALTHY for _, matrix in tried)
    # seen on one of the installations tried is enough
    assert {i.code for i in matrix_issues(kb, tried[:1])} == {"no-complaint"}


def test_the_shipped_knowledge_passes_its_own_check(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("DIAGNOSE_CACHE")
    if SHARED_CACHE:  # a matrix that another test has built serves here too
        monkeypatch.setenv("DIAGNOSE_CACHE", SHARED_CACHE)
    code, found = as_object(capsys, "--installation", "default")
    assert found["errors"] == []
    assert code == 0
    # the numbers asked of the knowledge in the issue that this room was built for
    assert found["counts"]["failure_modes"] >= 60
    assert found["counts"]["units"] >= 20
    assert found["counts"]["tests"] >= 70
    assert found["counts"]["complaints"] >= 10
    numbers = found["numbers_by_source_kind"]
    assert numbers["judgement"] + numbers["memory"] <= sum(numbers.values()) / 2
    assert separation.SEPARATED > 0.5


def test_the_made_up_knowledge_is_what_the_figures_above_were_worked_out_on() -> None:
    kb = load_knowledge(TINY)
    rates = {
        m.id: m.rate.nominal for part in kb.parts.values() for m in part.failure_modes.values()
    }
    assert rates == {
        **dict.fromkeys(("flat", "worn", "coil_open", "welded", "burnt_out"), 4.0),
        **{"stuck": 1.0, "left_out": 0.5, "dead": 0.5, "leads_swapped": 0.5},
    }
