"""``diagnose learn``, ``review`` and ``score`` as a person would run them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from diagnose.casebook.store import CaseStore
from diagnose.cli import main
from diagnose.cli.common import store_at
from diagnose.interview.session import Session
from diagnose.knowledge.names import unit_of
from tests.made_cases import file_case
from tests.people import standard_session

COMPLAINT = "will_not_stop"
COMMON, RARE = "relay.contacts_welded", "relay.transistor_shorted"


def filled(folder: Path, causes: list[str]) -> Path:
    """A store of closed cases with these causes, in this order."""
    session = standard_session()
    for number, cause in enumerate(causes):
        unit, _, mode = cause.partition(".")
        closed = {"unit": unit, "failure_mode": mode} if mode else {"found": cause}
        file_case(folder, session, number, COMPLAINT, closed, _shows(session, cause), "North Yard")
    return folder


def _shows(session: Session, cause: str) -> list[tuple[str, str]]:
    if "." not in cause:
        return []
    p = session.matrix.of(cause, "tap_relay")
    return [("tap_relay", session.tests["tap_relay"].outcomes[int(p.argmax())].id)]


def run(capsys: pytest.CaptureFixture[str], *args: str | Path) -> tuple[int, str, str]:
    """Exit code, stdout and stderr of a command."""
    code = 0
    try:
        main([str(a) for a in args])
    except SystemExit as stop:
        code = int(stop.code or 0)
    out = capsys.readouterr()
    return code, out.out, out.err


def modes_of_unit(unit: str) -> list[str]:
    """Failure modes of a unit that bring about the complaint, the commonest first."""
    session = standard_session()
    said = session.matrix.complaints[COMPLAINT]
    names = [
        n
        for k, n in enumerate(session.matrix.rows[:-1])
        if n.startswith(f"{unit}.") and said[k] > 0.5
    ]
    return sorted(names, key=lambda n: -session.rates[n])


def one_of_each_unit() -> list[str]:
    """The commonest failure mode of each unit that brings about the complaint, commonest first."""
    units = dict.fromkeys(unit_of(n) for n in standard_session().matrix.rows[:-1])
    found = [modes[0] for unit in units if (modes := modes_of_unit(unit))]
    return sorted(found, key=lambda n: -standard_session().rates[n])


def test_learn_shows_first_and_writes_then(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    causes = modes_of_unit("relay")
    store = filled(tmp_path / "cases", [causes[-1]] * 25 + [causes[0]] * 5)
    overlay, picture = tmp_path / "learned.yaml", tmp_path / "learned.svg"
    where = ("--store", store, "--overlay", overlay)
    code, out, err = run(capsys, "learn", *where, "--dry-run", "--picture", picture)
    assert (code, err) == (0, "")
    assert not overlay.exists()
    assert "Nothing was written" in out
    assert "handbook → learned (95 %)" in out
    assert causes[-1] in out
    assert all(len(line) <= 80 for line in out.splitlines() if line.strip() != str(overlay))
    assert picture.read_text(encoding="utf-8").startswith("<svg")
    code, out, err = run(capsys, "learn", *where)
    assert (code, err) == (0, "")
    assert f"\n  {overlay}\n" in out
    text = overlay.read_text(encoding="utf-8")
    run(capsys, "learn", *where[:2], "--overlay", tmp_path / "shared.yaml", "--no-ids")
    shared = (tmp_path / "shared.yaml").read_text(encoding="utf-8")
    assert "north" not in shared.lower(), "no site by its name"
    line = next(x for x in text.splitlines() if x.strip().startswith(f"{causes[-1]}:"))
    assert "cases: 25" in line
    assert "ids: [2026-01-01-north-yard," in line
    # the same cases give the same file, but for the day
    run(capsys, "learn", *where)
    assert overlay.read_text(encoding="utf-8") == text

    answers = "cases/own-tank-overflows-welded-contact.yaml"
    code, out, err = run(capsys, "callout", "--answers", answers, "--overlay", overlay)
    assert code == 0
    assert "With numbers learned from 30 confirmed cases" in " ".join(out.split())
    code, out, _ = run(capsys, "callout", "--answers", answers, "--overlay", overlay, "--json")
    assert "+" in json.loads(out)["knowledge"], "the digest covers the overlay"


def test_what_foretells_worse_is_refused_with_the_figures(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # every few cases another unit fails, never one that failed before: what was learned misleads
    order = [mode for mode in one_of_each_unit()[:6] for _ in range(3)]
    store = filled(tmp_path / "cases", order)
    overlay = tmp_path / "learned.yaml"
    where = ("--store", store, "--overlay", overlay)
    code, out, err = run(capsys, "learn", *where, "--json")
    told = json.loads(out)
    assert told["foretold"]["learned"] > told["foretold"]["handbook"]
    assert (code, told["written"]) == (1, False)
    assert not overlay.exists()
    code, out, err = run(capsys, "learn", *where)
    assert code == 1
    assert "Refused" in out
    assert f"{told['foretold']['learned']:.3f}" in out
    code, out, err = run(capsys, "learn", *where, "--anyway")
    assert (code, err) == (0, "")
    assert overlay.exists()


def test_a_store_with_nothing_confirmed_and_an_overlay_that_is_not_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = tmp_path / "cases"
    session = standard_session()
    closed = {"unit": "relay", "failure_mode": "contacts_welded", "confirmed": "not_confirmed"}
    file_case(store, session, 0, COMPLAINT, closed)
    code, out, _ = run(capsys, "learn", "--store", store, "--overlay", tmp_path / "x.yaml")
    assert code == 0
    assert "Nothing to learn from: 1 cases are closed" in " ".join(out.split())
    code, out, err = run(capsys, "review", "--store", store, "--overlay", tmp_path / "x.yaml")
    assert code == 2
    assert err.strip() == f"there is no overlay '{tmp_path / 'x.yaml'}'"
    code, out, _ = run(capsys, "score", "--store", store)
    assert (code, out.strip()) == (0, "No confirmed case to score.")


def test_commands_that_reckon_with_rates_take_an_overlay(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One that is not there is refused, so it was asked for."""
    overlay, kind = tmp_path / "x.yaml", "pressure_set"
    for command in (
        ("circuit", kind, "--text"),
        ("chart", kind, "--complaint", COMPLAINT),
        ("handbook", kind),
        ("practice",),
        ("exam", "--seed", "1"),
    ):
        code, out, err = run(capsys, *command, "--overlay", overlay)
        assert (code, out) == (2, ""), command
        assert err.strip() == f"there is no overlay '{overlay}'", command


def test_learning_opens_the_store_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    store, opened = filled(tmp_path / "cases", [COMMON] * 3), list[str | None]()
    from diagnose.cli import learn

    def counted(named: str | None) -> CaseStore:
        opened.append(named)
        return store_at(named)

    monkeypatch.setattr(learn, "store_at", counted)
    where = ("--store", store, "--overlay", tmp_path / "learned.yaml")
    assert run(capsys, "learn", *where, "--dry-run")[0] in (0, 1)
    assert opened == [str(store)]


def test_a_broken_overlay_is_one_line_and_exit_code_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    overlay = tmp_path / "learned.yaml"
    overlay.write_text(
        "format: 1\nlearned: 2026-01-01\nknowledge: 0\ncases: 1\ninstallations:\n"
        "  tank_and_sump:\n    rates:\n"
        "      relay.asleep: {value: 1 /Mh, handbook: 1 /Mh, low: 1 /Mh, high: 1 /Mh}\n",
        encoding="utf-8",
    )
    answers = "cases/own-tank-overflows-welded-contact.yaml"
    code, out, err = run(capsys, "callout", "--answers", answers, "--overlay", overlay)
    assert (code, out) == (2, "")
    assert err.count("\n") == 1
    assert f"{overlay}:8:7" in err
    assert "there is no entry of 'rates' 'relay.asleep'" in err


def test_score_and_review_print_objects_too(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    causes = modes_of_unit("relay")
    words = ["mouse nest in the box", "nest of mice in box", "mice nest, box"]
    store = filled(tmp_path / "cases", [causes[0]] * 6 + words + [causes[0]] * 3)
    picture = tmp_path / "score.svg"
    code, out, err = run(capsys, "score", "--store", store, "--json", "--picture", picture)
    told = json.loads(out)
    assert (code, told["cases"], err) == (0, 12, "")
    for stage in ("before", "after"):
        figures = told[stage]["log_loss"]
        low, high = figures["interval"]
        assert low <= figures["difference"] <= high
        assert figures["difference"] == pytest.approx(figures["learned"] - figures["handbook"])
    assert "svg" in picture.read_text(encoding="utf-8")[:10]
    code, out, _ = run(capsys, "score", "--store", store)
    assert all(len(line) <= 80 for line in out.splitlines())
    code, out, _ = run(capsys, "review", "--store", store, "--json")
    entries = json.loads(out)["entries"]
    assert [e["kind"] for e in entries if e["kind"] == "missing"] == ["missing"]
    code, out, _ = run(capsys, "review", "--store", store)
    assert "Not in the knowledge base: " in out
    assert "repair: refit" in out
