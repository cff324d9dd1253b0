"""``diagnose report`` and ``diagnose handbook`` from the command line, and what a report says."""

import dataclasses
import re
from html import unescape
from pathlib import Path
from typing import Any

import pymupdf
import pytest
from typer.testing import CliRunner

from diagnose.casebook.files import FileStore
from diagnose.cli import app, main
from diagnose.cli.firm import read_firm
from diagnose.cli.service_report import service_report
from diagnose.errors import DiagnoseError
from diagnose.interview.events import Event, new_event
from diagnose.report.document import Document, data_of, with_signs
from diagnose.report.terminal import terminal
from tests.reporting import at_times, closed, header, matter, repaired_in_vain, scripted

WELDED = "own-tank-overflows-welded-contact"
EARTH_FAULT = "own-trips-earth-fault-in-cable"


def said(document: Document) -> str:
    """All that a document says, on one line."""
    return " ".join(terminal(document, width=10_000).split())


def text_of(data: bytes) -> str:
    with pymupdf.open(stream=data, filetype="pdf") as opened:  # type: ignore[no-untyped-call]
        return "\n".join(page.get_text() for page in opened)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """A folder with one closed case and one that is open."""
    folder = tmp_path / "cases"
    cases = FileStore(folder)
    _session, events = scripted(WELDED)
    cases.create(dataclasses.replace(header(events), site="closed one"), closed(events))
    _session, events = scripted(EARTH_FAULT)
    cases.create(dataclasses.replace(header(events), site="open one"), events)
    return folder


def ids(store: Path) -> tuple[str, str]:
    """The closed case and the open one."""
    found = [case.id for case in FileStore(store).listing().cases]
    return next(i for i in found if "closed" in i), next(i for i in found if "open" in i)


def test_a_pdf_is_written_and_named(
    store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    case, _open = ids(store)
    result = CliRunner().invoke(app, ["report", case, "--store", str(store)])
    assert result.exit_code == 0, result.output
    assert result.output.strip() == f"{case}-report.pdf"
    text = text_of((tmp_path / f"{case}-report.pdf").read_bytes())
    assert "Relay module: relay contacts welded." in text
    assert "DRAFT" not in text


@pytest.mark.parametrize(("name", "start"), [("r.html", b"<!DOCTYPE"), ("r.txt", b"Service")])
def test_the_format_follows_the_name(store: Path, tmp_path: Path, name: str, start: bytes) -> None:
    case, _open = ids(store)
    file = tmp_path / name
    command = ["report", case, "--store", str(store), "--output", str(file)]
    assert CliRunner().invoke(app, command).exit_code == 0
    assert file.read_bytes().startswith(start)


def test_an_open_case_is_a_draft_in_every_format(store: Path, tmp_path: Path) -> None:
    _closed, case = ids(store)
    shown = CliRunner().invoke(app, ["report", case, "--store", str(store), "--format", "text"])
    assert "*** DRAFT ***" in shown.output
    assert max(map(len, shown.output.splitlines())) <= 80
    for name in ("r.pdf", "r.html"):
        file = tmp_path / name
        command = ["report", case, "--store", str(store), "--output", str(file)]
        assert CliRunner().invoke(app, command).exit_code == 0
        data = file.read_bytes()
        assert "DRAFT" in (text_of(data) if name == "r.pdf" else data.decode())


def test_letter_and_the_second_language(store: Path, tmp_path: Path) -> None:
    case, _open = ids(store)
    file = tmp_path / "r.pdf"
    command = ["report", case, "--store", str(store), "--output", str(file), "--paper", "letter"]
    assert CliRunner().invoke(app, [*command, "--language", "hi"]).exit_code == 0
    with pymupdf.open(file) as opened:  # type: ignore[no-untyped-call]
        assert (round(opened[0].rect.width), round(opened[0].rect.height)) == (612, 792)
        assert "NotoSansDevanagari" in str(opened[0].get_fonts())
        assert "सेवा" in opened[0].get_text()


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--format", "doc"], "'doc' is not a format (legal: pdf, html, text)"),
        (["--paper", "a3"], "'a3' is not a paper size (legal: a4, letter)"),
        (["--language", "tlh"], "there is no language 'tlh' (legal: en, hi)"),
        (["--output", "no/such/folder/r.pdf"], "cannot write 'no/such/folder/r.pdf'"),
        (["--firm", "nowhere.yaml"], "nowhere.yaml:1:1: cannot read the file"),
    ],
)
def test_bad_options_give_one_line(
    store: Path, capsys: pytest.CaptureFixture[str], options: list[str], message: str
) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["report", ids(store)[0], "--store", str(store), *options])
    assert ended.value.code == 2
    error = capsys.readouterr().err
    assert message in error
    assert len(error.splitlines()) == 1


def test_no_such_case(store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["report", "2026-01-01-nowhere", "--store", str(store)])
    assert ended.value.code == 2
    assert "there is no case" in capsys.readouterr().err


# ---------------------------------------------------------------------- the firm's file

FIRM = """\
name: Invented Pump Service
address: [1 Invented Lane, Nowhere]
logo: logo.svg
paper: letter
language: en
wording: {title: Visit report, closing: Kept with the drawing., technician: Done by}
"""
LOGO = '<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9"><circle r="4"/></svg>'


def test_the_firms_file(store: Path, tmp_path: Path) -> None:
    (tmp_path / "logo.svg").write_text(LOGO)
    (tmp_path / "firm.yaml").write_text(FIRM)
    case, _open = ids(store)
    file = tmp_path / "r.pdf"
    command = ["report", case, "--store", str(store), "--output", str(file)]
    result = CliRunner().invoke(app, [*command, "--firm", str(tmp_path / "firm.yaml")])
    assert result.exit_code == 0, result.output
    text = text_of(file.read_bytes())
    for word in ("Invented Pump Service", "Nowhere", "Visit report", "Done by"):
        assert word in text
    assert "Technician, date" not in text
    with pymupdf.open(file) as opened:  # type: ignore[no-untyped-call]
        assert round(opened[0].rect.width) == 612


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("address: [x]\n", "1:1: firm: 'name' is missing"),
        ("name: ''\n", "1:7: firm: 'name' is empty"),
        ("name: x\npaper: a3\n", "2:8: firm: 'a3' is not a legal 'paper' (legal: a4, letter)"),
        ("name: x\nlanguage: tlh\n", "2:11: firm: there is no language 'tlh' (legal: en, hi)"),
        ("name: x\nlogo: no.png\n", "2:7: firm: cannot read the logo"),
        ("name: x\nlogo: firm.yaml\n", "2:7: firm: the logo"),
        ("name: x\nwording: {tilte: y}\n", "2:11: wording: unknown key 'tilte'"),
        ("name: x\nname: y\n", "2:1: the key 'name' stands twice"),
        ("name: [x\n", "not valid YAML"),
        ("- x\n", "1:1: firm must be a mapping"),
    ],
)
def test_a_mistake_in_the_firms_file_has_its_place(tmp_path: Path, text: str, message: str) -> None:
    file = tmp_path / "firm.yaml"
    file.write_text(text)
    with pytest.raises(DiagnoseError) as refused:
        read_firm(file)
    lines = [str(issue) for issue in refused.value.issues]
    assert any(str(file) in line and message in line for line in lines), lines
    assert all("\n" not in line for line in lines)


# ---------------------------------------------------------------------- what it says


def parts(events: list[Event], session: Any, **changes: Any) -> str:
    return said(service_report(matter(session, events, **changes)))


def test_the_customers_page_is_one_page_and_plain() -> None:
    session, events = scripted(WELDED)
    blocks = [data_of(b) for b in service_report(matter(session, closed(events))).blocks]
    first = blocks[: [b["kind"] for b in blocks].index("PageBreak")]
    assert first[-1]["kind"] == "SignatureLines"
    page = str(first)
    for word in ("relay module, 10 A", "57 min", "15 January 2027", "The roof tank runs over."):
        assert word in page
    assert "%" not in page
    assert not re.search(r"relay\.contacts_welded|posterior|bit", page)


def test_readings_stand_with_unit_expectation_and_outcome() -> None:
    session, events = scripted("own-pump-hums-weak-capacitor")
    text = parts(events, session)
    assert "4.25 uF" in text
    assert "11.25 µF to 13.75 µF" in text  # 12.5 uF within 10 %, as the knowledge base has it
    assert "locked rotor or short" in text


def test_probability_and_evidence_are_those_of_the_interview() -> None:
    session, events = scripted(WELDED)
    last = next(k for k, e in enumerate(events) if e.kind == "concluded")
    unit, p = session.belief(session.state_of(events[:last])).leading_unit()
    assert events[last].data["unit"] == unit
    assert events[last].data["probability"] == pytest.approx(p, abs=1e-6)
    said = ">99%" if p > 0.994 else f"{round(100 * p)}%"
    assert f"{said} that it is this part" in parts(events, session)


def test_repairs_in_vain_are_told_in_order() -> None:
    session, events = repaired_in_vain(2)
    text = parts(events, session)
    places = [text.index(f"Repair {number}:") for number in (1, 2, 3)]
    assert places == sorted(places)
    assert text.count("FAILED") == 2
    assert "The checks then showed that a fault was still there." in text


def test_a_case_handed_over_says_so_to_the_customer() -> None:
    session, events = scripted(EARTH_FAULT)
    text = parts(events, session)
    assert "work for a licensed electrician" in text
    assert "Nothing has been repaired yet." in text
    assert "Leave pump and panel switched off" in text


def test_other_knowledge_is_named() -> None:
    session, events = scripted(WELDED)
    plain = parts(events, session, knowledge=session.knowledge.digest)
    other = parts(events, session, knowledge="0" * 64)
    assert "Other knowledge." not in plain
    assert "Other knowledge." in other
    assert "0" * 64 in other
    assert session.knowledge.digest in other


def test_a_case_that_cannot_be_weighed_is_still_reported() -> None:
    session, events = scripted(WELDED)
    events = [
        dataclasses.replace(e, data={"ids": ["pressure_falls_away"]})
        if e.kind == "complaint"
        else e
        for e in events
    ]
    text = parts(closed(events), session)
    assert "Not weighed." in text  # a complaint of another installation
    assert "0.1 ohm" in text
    assert "relay contacts welded" in text


def test_called_back() -> None:
    session, events = scripted(WELDED)
    held = [*closed(events), new_event("called_back", held="yes", text="runs well")]
    text = parts(at_times(held), session)
    assert "the repair has held; runs well" in text
    assert "DRAFT" not in text
    failed = [*closed(events), new_event("called_back", held="no", text="over again")]
    text = parts(at_times(failed), session)
    assert "the repair has NOT held; over again" in text
    assert "The repair did not hold" in text
    assert "DRAFT" in text


def test_minutes_that_were_noted_stand_beside_the_planned_ones() -> None:
    session, events = scripted(WELDED)
    finding = next(e for e in events if e.kind == "finding")
    text = parts(closed(events, took={finding.id: 12.5}), session)
    assert "Took, min" in text
    assert "12.5" in text


@pytest.mark.parametrize(
    "data",
    [
        {"parts": "one text", "minutes": "?", "took": "x", "call_back": "soon"},
        {"parts": [], "minutes": None, "took": {}, "call_back": ""},
        {"parts": [["nested"]], "verified": "maybe", "confirmed": "hearsay"},
    ],
)
def test_closed_events_with_odd_data_are_read_with_defaults(data: dict[str, Any]) -> None:
    session, events = scripted(WELDED)
    text = parts(closed(events, **data), session)
    assert "What was really found" in text


# ---------------------------------------------------------------------- the handbook


def test_the_handbook_holds_every_mode_test_and_source(tmp_path: Path) -> None:
    file = tmp_path / "h.html"
    command = ["handbook", "tank_and_sump", "--output", str(file)]
    result = CliRunner().invoke(app, command)
    assert result.exit_code == 0, result.output
    shown = unescape(re.sub(r"<[^>]*>", "", file.read_text("utf-8")))
    squeezed = re.sub(r"\s", "", shown)
    session, _events = scripted(WELDED)
    for mode in session.installation.modes.values():
        assert mode.title.replace(" ", "") in squeezed
    for test in session.tests.values():
        assert with_signs(test.do).replace(" ", "") in squeezed
    for name in {t.spec.source for t in session.tests.values() if t.spec.source}:
        assert with_signs(session.knowledge.sources[name].title).replace(" ", "") in squeezed


def test_the_handbook_as_pdf_has_contents_and_running_heads(tmp_path: Path) -> None:
    file = tmp_path / "h.pdf"
    wiring = ("--set", "drive=contactor", "--set", "overload=fitted")
    command = ["handbook", *wiring, "--paper", "letter", "--output", str(file)]
    assert CliRunner().invoke(app, command).exit_code == 0
    with pymupdf.open(file) as opened:  # type: ignore[no-untyped-call]
        assert opened.page_count > 20
        first, last = opened[0].get_text(), opened[-1].get_text()
        assert len(opened.get_toc()) > 40
    assert "Contents" in first
    assert "Failure modes" in first
    assert "Sources" in last.splitlines()[:3]
    assert f"page {1} of" in first


def test_no_such_installation(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["handbook", "nowhere"])
    assert ended.value.code == 2
    assert "tank_and_sump" in capsys.readouterr().err
