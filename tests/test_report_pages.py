"""Pages that can be handed over: nothing torn apart, nothing asserted that nobody confirmed.

What a report says of supply, protection and tests follows IEC 60364-6 (6.4.3) and the form for
minor works in BS 7671, appendix 6; what looks right on a page is common practice, no source.
"""

from __future__ import annotations

import re
from dataclasses import replace

import pymupdf
import pytest

from diagnose.cli.ready import built_as
from diagnose.cli.report import tall
from diagnose.cli.service_report import service_report
from diagnose.interview.events import new_event
from diagnose.plant.compose import compose_ready
from diagnose.report.document import (
    Block,
    Column,
    Document,
    Figure,
    Heading,
    KeyValues,
    Paragraph,
    Table,
    runs,
)
from diagnose.report.html import html
from diagnose.report.pdf import BREAK, pdf
from diagnose.report.terminal import terminal
from tests.reporting import at_times, closed, knowledge, matter, scripted

WELDED = "own-tank-overflows-welded-contact"
EARTH_FAULT = "own-trips-earth-fault-in-cable"


def pages(*blocks: Block) -> list[str]:
    with pymupdf.open(stream=pdf(Document("Title", blocks)), filetype="pdf") as opened:  # type: ignore[no-untyped-call]
        return [str(page.get_text()).replace(BREAK, "") for page in opened]


def lines(count: int) -> list[Block]:
    """Text that fills so many lines."""
    return [Paragraph(runs("\n".join("line" for _ in range(count))))]


def said(document: Document) -> str:
    return " ".join(terminal(document, width=10_000).split())


# ---------------------------------------------------------------------- the pages


def test_text_fills_the_page_that_a_drawing_is_too_tall_for() -> None:
    svg = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 90" width="100" height="90"/>'
    after = Paragraph(runs("Next"))
    first, second = pages(*lines(30), Figure(svg, "the drawing", ""), *lines(5), after)
    assert "Next" in first
    assert "the drawing" in second


@pytest.mark.parametrize("before", range(28, 56, 3))
def test_a_short_table_is_on_one_page_with_its_heading(before: int) -> None:
    rows = (*((runs(f"check {k}"), runs("passed")) for k in range(10)), ((), runs("")))
    table = Table("", (Column("Check"), Column("Result")), rows)
    made = pages(*lines(before), Heading(2, "Verification"), table)
    holding = [k for k, page in enumerate(made) if "check" in page or "Verification" in page]
    assert len(holding) == 1


@pytest.mark.parametrize("before", range(38, 56, 6))
def test_labels_with_their_values_are_on_one_page(before: int) -> None:
    made = pages(*lines(before), KeyValues(tuple((f"label {k}", runs("v")) for k in range(8))))
    assert len([page for page in made if "label" in page]) == 1


def test_units_are_printed_as_signs() -> None:
    text = "below 0.1 Mohm; 500 kohm or more; 12.5 uF; 2 ohm; an ohmmeter; no ohm"
    signs = "below 0.1 MΩ; 500 kΩ or more; 12.5 µF; 2 Ω; an ohmmeter; no ohm"
    assert signs in " ".join(pages(Paragraph(runs(text)))[0].split())
    assert signs in html(Document("Title", (Paragraph(runs(text)),)))


def test_only_a_tall_drawing_has_a_page_of_its_own() -> None:
    assert tall('<svg viewBox="0 0 1000 1400.5">')
    assert not tall('<svg viewBox="0 0 1000 450">')


# ---------------------------------------------------------------------- what it says


def test_the_report_says_which_ready_installation_it_is() -> None:
    base = knowledge()
    assert built_as(compose_ready(base, "two_legs")).startswith("Pump on 240 V between two legs")
    assert built_as(compose_ready(base, "tank_and_sump")) == "the standard installation"
    changed = built_as(compose_ready(base, "two_legs", {"brown_out": "low"}))
    assert changed.endswith("except: Brown-out detector: about 2.7 V")
    session, events = scripted(WELDED)
    text = said(service_report(matter(session, closed(events))))
    assert text.count(f"Built as {built_as(session.installation)}") == 2  # customer and record


def test_no_part_is_asserted_that_nobody_noted() -> None:
    session, events = scripted(WELDED)
    assert "Parts used none noted" in said(
        service_report(matter(session, closed(events, parts=[])))
    )
    draft = said(service_report(matter(session, events)))
    assert "Parts called for" in draft
    assert "Parts fitted" not in draft


def test_a_long_site_is_not_cut() -> None:
    session, events = scripted(WELDED)
    site = "Invented Residents' Association of a Housing Estate with a Long Name, Pump House B"
    named = [replace(events[0], data={**events[0].data, "site": site}), *events[1:]]
    text = said(service_report(matter(session, closed(named))))
    assert f"Site {site} Installation" in text


def test_the_customer_is_not_told_how_to_repair() -> None:
    session, events = scripted(WELDED)
    text = said(service_report(matter(session, closed(events))))
    done = text.partition("What was done")[2].partition("What it means")[0]
    remedy = session.installation.modes["relay.contacts_welded"].mode.remedy
    assert "Repair: Relay module: relay contacts welded." in done
    assert remedy not in done


def test_how_the_supply_was_left_and_who_did_the_work() -> None:
    session, events = scripted(WELDED)
    done = [*events, new_event("act", act="energise"), new_event("act", act="isolate")]
    page = said(service_report(matter(session, closed(done)))).partition("Technician's record")[0]
    assert "Supply left switched off and isolated (as last noted)" in page
    assert re.search(r"Work by an? ", page)
    assert "Date of work 1 March 2026" in page


def test_tests_that_a_certificate_asks_for_are_told_and_no_more() -> None:
    session, events = scripted(EARTH_FAULT)
    text = said(service_report(matter(session, events)))
    schedule = text.partition("Supply, protection and safety tests")[2]
    assert "This report is no certificate" in schedule
    assert re.search(r"Insulation resistance Insulation of cable and motor to earth: 0", schedule)
    for missing in ("Earthing system", "Earth fault loop", "Direction of rotation"):
        assert f"{missing} not on record" in schedule


def test_a_hand_over_that_was_closed_still_says_switched_off() -> None:
    session, events = scripted(EARTH_FAULT)
    ended = [e for e in events if e.kind in ("opened", "complaint", "concluded")]
    words = {"found": "handed over", "unit": "", "failure_mode": "", "verified": "not_made"}
    handed = closed(at_times(ended), **words, confirmed="not_confirmed", parts=[])
    text = said(service_report(matter(session, handed)))
    assert "Until then leave the installation switched off." in text
    assert "No test was made. No repair is noted." in text
    assert "[drawing] Each reading" not in text  # nothing was read


def test_what_was_confirmed_at_the_closing_is_marked_as_failed() -> None:
    session, events = scripted(EARTH_FAULT)
    unit = next(e for e in reversed(events) if e.kind == "concluded").data["unit"]
    for confirmed, failed in (("measured", True), ("not_confirmed", False)):
        ended = closed(events, unit=unit, failure_mode="", confirmed=confirmed)
        assert ("FAILED" in matter(session, ended).pictures["circuit"].svg) == failed
