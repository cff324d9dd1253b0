"""Hostile texts in every free field: shown literally or cut with a notice, and nothing breaks.

Fields: site, title, a reading as typed, why something could not be measured, what was found, parts,
the day to call back, what was said then, and every text of the firm's file.
"""

import re
from collections import Counter
from html.parser import HTMLParser

import pymupdf
import pytest
from rich.cells import cell_len

from diagnose.cli.service_report import service_report
from diagnose.language import visible
from diagnose.report.document import Document
from diagnose.report.html import html
from diagnose.report.lettering import held
from diagnose.report.pdf import pdf
from diagnose.report.terminal import terminal
from tests.reporting import HOSTILE, hostile_firm, matter, scripted, with_text

CASE = "own-controller-resets-sagging-adapter"
MARGIN = 34.0
"""Points: the narrowest margin of a page, less what a glyph may stand out."""
CUT = "characters in the case file]"
SCRAMBLED = ("right to left", "override", "emoji")
"""Texts whose characters a PDF reader gives back in another order or as one glyph."""


def report_of(text: str) -> Document:
    """A report with the text in every free field."""
    session, events = scripted(CASE)
    return service_report(matter(session, with_text(events, text), hostile_firm(text)))


def squeezed(text: str) -> str:
    """The text without white space and joiners."""
    return re.sub(r"[\s\u200b-\u200d\u2060\ufe0f]", "", text)


def start_of(text: str) -> str:
    """The beginning of a text, as every format must show it."""
    return squeezed(visible(text).strip())[:60]


def cut_or_whole(found: str, text: str) -> None:
    """A short text is shown whole, a long one cut with the notice."""
    if not 40 < len(text) < 1000:
        assert (squeezed(CUT) in found) == (len(text) >= 1000)


@pytest.mark.parametrize("name", list(HOSTILE))
def test_pdf(name: str) -> None:
    text = HOSTILE[name]
    data = pdf(report_of(text))
    for word in (b"/JavaScript", b"/JS", b"/Launch", b"/URI", b"/EmbeddedFile"):
        assert word not in data
    with pymupdf.open(stream=data, filetype="pdf") as document:  # type: ignore[no-untyped-call]
        assert 3 <= document.page_count <= 12
        found = "".join(squeezed(page.get_text()) for page in document)
        for page in document:
            assert not list(page.get_links())
            for block in page.get_text("dict")["blocks"]:
                for line in block.get("lines", []):
                    for span in line["spans"]:
                        if span["text"].strip() and line["dir"] == (1.0, 0.0):
                            left, _top, right, bottom = span["bbox"]
                            assert left >= MARGIN, span["text"]
                            assert right <= page.rect.width - MARGIN, span["text"]
                            assert bottom <= page.rect.height, span["text"]
        record = squeezed(document[1].get_text())
    assert "Technician'srecord" in record
    expected = squeezed(held(start_of(text)))
    if name in SCRAMBLED:
        missing = Counter(c for c in expected if c.isalnum()) - Counter(found)
        assert not missing
    else:
        assert found.count(expected) >= (8 if expected else 0)
    cut_or_whole(found, text)


class Outline(HTMLParser):
    """The elements and attributes of a page, and its text."""

    def __init__(self) -> None:
        super().__init__()
        self.elements: Counter[str] = Counter()
        self.attributes: list[tuple[str, str]] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements[tag] += 1
        self.attributes += [(name, value or "") for name, value in attrs]

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def outline(text: str) -> Outline:
    """A page, parsed."""
    parsed = Outline()
    parsed.feed(text)
    parsed.close()
    return parsed


@pytest.mark.parametrize("name", list(HOSTILE))
def test_html(name: str) -> None:
    page = outline(html(report_of(HOSTILE[name])))
    plain = outline(html(report_of("plain")))
    assert set(page.elements) <= set(plain.elements) | {"br"}
    for tag in ("script", "iframe", "object", "embed", "link", "base", "form", "use"):
        assert not page.elements[tag]
    for attribute, value in page.attributes:
        assert not attribute.startswith("on")
        if attribute in ("src", "href"):
            assert value.startswith(("data:image/", "#"))
    found = squeezed("".join(page.text))
    assert found.count(start_of(HOSTILE[name])) >= 8 or not start_of(HOSTILE[name])
    cut_or_whole(found, HOSTILE[name])


@pytest.mark.parametrize("colour", [False, True])
@pytest.mark.parametrize("name", list(HOSTILE))
def test_terminal(name: str, colour: bool) -> None:
    shown = terminal(report_of(HOSTILE[name]), colour)
    plain = re.sub(r"\x1b\[[0-9;]*m", "", shown)
    assert (plain == shown) != colour
    assert not [c for c in plain if not c.isprintable() and c not in "\n\u200c\u200d"]
    assert max(cell_len(line) for line in plain.split("\n")) <= 80
    found = squeezed(plain)
    assert found.count(start_of(HOSTILE[name])) >= 8 or not start_of(HOSTILE[name])
    assert "http" not in shown or "\x1b]8" not in shown


def test_every_field_carries_the_text() -> None:
    found = squeezed("".join(outline(html(report_of("mark-me-7f"))).text))
    session, events = scripted(CASE)
    readings = sum(e.kind == "finding" for e in events)
    firm_and_case = 15  # 8 of the firm, site twice, found twice, parts, title, reason, words ...
    assert found.count("mark-me-7f") >= readings + firm_and_case
    assert session.installation.type.title.replace(" ", "") in found
