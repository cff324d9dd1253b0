"""The document as a value, and the parts of its renderers that texts go through."""

import dataclasses
import json

import pymupdf
import pytest
from fontTools.ttLib import TTFont
from rich.cells import cell_len

from diagnose import language
from diagnose.errors import DiagnoseError
from diagnose.language import visible
from diagnose.report import lettering
from diagnose.report.document import (
    Bar,
    Bars,
    Block,
    Bullets,
    Caution,
    Column,
    Document,
    Figure,
    Heading,
    KeyValues,
    Letterhead,
    Logo,
    PageBreak,
    Paragraph,
    SignatureLines,
    Table,
    data_of,
    em,
    mono,
    runs,
    strong,
    trimmed,
)
from diagnose.report.html import TEMPLATES, html
from diagnose.report.pdf import BREAK, breakable, pdf
from diagnose.report.terminal import columns, terminal

SVG = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 300 60" width="300" height="60">'
    '<rect width="300" height="60" fill="none" stroke="#000"/>'
    '<text x="10" y="30" font-family="Noto Sans">नमस्ते 230 V</text></svg>'
)
LONGEST_FONTS = 4_000_000
"""Bytes that all fonts may take together."""


def one_of_each() -> tuple[Block, ...]:
    return (
        Heading(1, "First chapter"),
        Paragraph(runs("plain ", strong("strong"), em(" apart "), mono("id-7f")), "lead"),
        Bullets((runs("one"), runs("two")), numbered=True),
        KeyValues((("Label", runs("value")),)),
        Heading(2, "A table"),
        Table("Caption", (Column("No", "end"), Column("Text", width=3)), ((runs("1"), runs("a")),)),
        Bars("Shares", (Bar("relay", 0.75, "75%"), Bar("too much", 7.0, "700%"))),
        Figure(SVG, "A drawing", "what it shows", 0.5),
        Caution("Mains kills."),
        PageBreak(),
        Heading(1, "Second chapter"),
        SignatureLines(("Customer", "Technician")),
    )


WORDS = (
    *("First chapter", "strong", "id-7f", "two", "Label", "value", "Caption", "75%", "relay"),
    *("A drawing", "Mains kills.", "Second chapter", "Technician"),
)


def document(*blocks: Block, **fields: object) -> Document:
    return dataclasses.replace(Document("Title", blocks or one_of_each()), **fields)  # type: ignore[arg-type]


def pages(data: bytes) -> list[str]:
    with pymupdf.open(stream=data, filetype="pdf") as opened:  # type: ignore[no-untyped-call]
        return [str(page.get_text()).replace(BREAK, "") for page in opened]


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_everything_is_on_the_pdf(paper: str) -> None:
    made = pdf(document(paper=paper, watermark="DRAFT", footer="foot", running="head"))
    text = " ".join(pages(made))
    for word in WORDS:
        assert word in " ".join(text.split()), word
    with pymupdf.open(stream=made, filetype="pdf") as opened:  # type: ignore[no-untyped-call]
        sizes = {"a4": (595, 842), "letter": (612, 792)}
        assert [(round(p.rect.width), round(p.rect.height)) for p in opened] == [sizes[paper]] * 2
        assert "page 1 of 2" in opened[0].get_text()
        assert "page 2 of 2" in opened[1].get_text()
        assert "head" not in opened[0].get_text().split()
        assert "head" in opened[1].get_text().split()
        assert all("DRAFT" in page.get_text() for page in opened)
        assert {font[3].split("+")[-1] for p in opened for font in p.get_fonts()} <= {
            *("NotoSans-Regular", "NotoSans-Bold", "DejaVuSansMono", "NotoSansDevanagari-Regular"),
        }


def test_metadata_of_the_pdf_and_the_same_bytes_again() -> None:
    asked = document(author="A firm", subject="A case", created="2026-03-01T09:30:00+05:30")
    made = pdf(asked)
    with pymupdf.open(stream=made, filetype="pdf") as opened:  # type: ignore[no-untyped-call]
        found = opened.metadata
    assert found["title"] == "Title"
    assert found["author"] == "A firm"
    assert found["subject"] == "A case"
    assert found["creationDate"].startswith("D:20260301040000")
    assert made == pdf(asked)
    assert b"/StructTreeRoot" in made or b"/MarkInfo" in made


def test_a_long_table_repeats_its_head_and_no_heading_stands_alone() -> None:
    columns = (Column("Number", "end"), Column("Words", width=4))
    for lines in range(20, 60, 3):
        rows = tuple((runs(str(k)), runs("some words here")) for k in range(80))
        filling = tuple(Paragraph(runs(f"line {k}")) for k in range(lines))
        found = pages(pdf(document(*filling, Heading(2, "Lonely"), Table("", columns, rows))))
        with_rows = [page for page in found if "some words here" in page]
        assert len(with_rows) >= 2
        assert all("Number" in page and "Words" in page for page in with_rows)
        (own,) = [page for page in found if "Lonely" in page]
        assert "some words here" in own


def test_contents_and_running_heads() -> None:
    first, *others = pages(pdf(document(contents=True, running="Handbook")))
    assert "Contents" in first
    assert "Second chapter" in first
    assert "Second chapter" in others[-1].splitlines()[:3]


def test_html_has_title_language_landmarks_and_headings() -> None:
    page = html(document(language="hi", letterhead=Letterhead("Firm", ("Lane 1",))))
    assert '<html lang="hi">' in page
    for part in ("<title>Title</title>", "<main>", "<header>", "<footer>", "<h1", "<h2", "<h3"):
        assert part in page
    assert '<th scope="col"' in page
    assert '<th scope="row"' in page
    assert 'alt="what it shows"' in page
    assert "width: 50.0%" in page
    assert (TEMPLATES / "document.css").read_text("utf-8") in page  # as it is, not escaped


@pytest.mark.parametrize("width", [40, 60, 80])
def test_the_terminal_keeps_to_its_width_and_says_everything(width: int) -> None:
    shown = terminal(document(letterhead=Letterhead("Firm")), width=width)
    assert max(cell_len(line) for line in shown.splitlines()) <= width
    for word in WORDS:
        assert word in " ".join(shown.split()), word


def test_colour_changes_no_text() -> None:
    coloured = terminal(document(), colour=True)
    assert "\x1b[1m" in coloured
    assert "\x1b" not in terminal(document())


def test_a_row_needs_all_its_cells() -> None:
    with pytest.raises(ValueError, match="every row needs 2 cells"):
        Table("t", (Column("a"), Column("b")), ((runs("1"),),))


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("plain é ☃", "plain é ☃"),
        ("a\x00b\x1b[31m", "a␀b␛[31m"),
        ("a\tb\r\nc", "a b\nc"),
        ("x\u202ey\u2066", "x[U+202E]y[U+2066]"),
        ("\ud800", "[U+D800]"),
        ("\x7f\x85", "␡[U+0085]"),
        ("👩\u200d👧", "👩\u200d👧"),
    ],
)
def test_what_acts_is_made_visible(text: str, shown: str) -> None:
    assert visible(text) == shown
    assert data_of(Heading(1, text))["text"] == shown


def test_a_long_text_is_cut_with_a_notice() -> None:
    notice = "[cut: {count} characters]"
    assert trimmed("x" * 10_000, notice, 50) == "x" * 50 + " … [cut: 10000 characters]"
    assert trimmed("x" * 55, notice, 50) == "x" * 55
    assert trimmed("  a  ", notice, 50) == "a"


def test_long_words_may_break_and_marks_stay_with_their_letters() -> None:
    assert breakable("ordinary words stay") == "ordinary words stay"
    broken = breakable("क्षत्रिय" * 10)
    assert BREAK in broken
    assert broken.replace(BREAK, "") == "क्षत्रिय" * 10
    for after in broken.split(BREAK)[1:]:
        assert after[0] not in "्िीुूेैोौंा"
    assert max(map(len, breakable("x" * 100).split(BREAK))) <= 4


def test_the_list_of_characters_is_that_of_the_fonts() -> None:
    listed = json.loads(lettering.COVERAGE.read_text("utf-8"))
    files = sorted(lettering.FONTS.glob("*.ttf"))
    assert sum(file.stat().st_size for file in files) < LONGEST_FONTS
    regular = {}
    for file in files:
        font = TTFont(file)
        assert "OFL" in str(font["name"].getDebugName(14)) or "OFL" in file.with_name(
            "OFL.txt"
        ).read_text("utf-8")
        if file.stem.endswith("-Regular"):
            regular[font["name"].getDebugName(1)] = {c for c in font.getBestCmap() if c >= 0x20}
    assert regular.keys() == listed.keys() - {"DejaVu Sans Mono"}  # that one comes with typst
    for family, codes in regular.items():
        assert codes == {c for first, last in listed[family] for c in range(first, last + 1)}


def test_what_no_font_holds_is_given_by_number() -> None:
    assert lettering.held("Ω 漢 नमस्ते 😀 ≤") == "Ω [U+6F22] नमस्ते 😀 ≤"
    (page,) = pages(pdf(document(Paragraph(runs("漢字")))))
    assert "[U+6F22][U+5B57]" in page


def test_a_drawing_names_the_font_of_every_script() -> None:
    done = lettering.lettered(SVG)
    assert '<tspan font-family="Noto Sans Devanagari">नमस्ते </tspan>230 V' in done.replace(
        "ns0:", ""
    )
    assert lettering.lettered(SVG.replace("नमस्ते", "Hello")) == SVG.replace("नमस्ते", "Hello")
    with pytest.raises(DiagnoseError, match="a drawing cannot be read"):
        lettering.lettered("<svg>é")


def test_a_picture_that_is_none_gives_one_line() -> None:
    spoilt = Letterhead("Firm", (), Logo(b"\x89PNG\r\n\x1a\nnothing", "png"))
    with pytest.raises(DiagnoseError) as refused:
        pdf(document(letterhead=spoilt))
    assert len(refused.value.issues) == 1


def test_devanagari_is_shaped_not_strung_together() -> None:
    """The virama joins: क + ् + ष is one glyph (Unicode Standard, chapter 12.1, rule R5)."""
    with language.using("en"):
        made = pdf(document(Paragraph(runs("क्षक्ष"))))
    with pymupdf.open(stream=made, filetype="pdf") as opened:  # type: ignore[no-untyped-call]
        spans = [
            span
            for block in opened[0].get_text("rawdict")["blocks"]
            for line in block.get("lines", [])
            for span in line["spans"]
            if "Devanagari" in span["font"]
        ]
        wide = sum(span["bbox"][2] - span["bbox"][0] for span in spans)
        size = spans[0]["size"]
    apart = TTFont(lettering.FONTS / "NotoSansDevanagari-Regular.ttf")
    advance = {c: apart["hmtx"][apart.getBestCmap()[ord(c)]][0] for c in "कष"}
    strung = 2 * sum(advance.values()) * size / apart["head"].unitsPerEm
    assert wide < 0.8 * strung


def test_vowel_signs_that_a_terminal_may_give_a_column_do_not_overflow() -> None:
    asked = document(Paragraph(runs("पानी भरा हुआ है, रिले खिंची हुई है और पंप चलता है " * 10)))
    lines = terminal(asked, width=60).splitlines()
    assert len(lines) > 8
    assert max(map(columns, lines)) <= 60
