"""Every number on a report comes from the case file or the knowledge base.

The PDF is read back with an independent program (MuPDF), not taken from what it was made of.
Allowed is what stands in the case file or in the knowledge files, and what follows: the limits with
their prefix, probabilities computed here from the matrix, counts, dates, page numbers.
"""

import math
import re
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from pathlib import Path

import pymupdf
import pytest

from diagnose.casebook.files import event_text, header_text
from diagnose.cli.service_report import service_report
from diagnose.interview.events import Event
from diagnose.interview.session import Session
from diagnose.knowledge.load import find_knowledge
from diagnose.plant.points import points_of
from diagnose.quantities import format_quantity
from diagnose.report.pdf import pdf
from tests.reporting import closed, header, matter, repaired_in_vain, scripted

NUMBER = re.compile(r"\d+(?:[.,:]\d+)*")


def text_of(data: bytes) -> str:
    """The text of a PDF as a reader sees it; long words are put together again."""
    with pymupdf.open(stream=data, filetype="pdf") as document:  # type: ignore[no-untyped-call]
        pages = [page.get_text() for page in document]
    return "\n".join(pages).replace("\u200b", "")


def words_of(text: str) -> set[str]:
    return set(NUMBER.findall(text))


def knowledge_numbers() -> set[str]:
    found: set[str] = set()
    for path in sorted(Path(find_knowledge()).rglob("*.yaml")):
        found |= words_of(path.read_text("utf-8"))
    return found


def limits(session: Session) -> Iterator[str]:
    """Limits of all tests, as an instrument would show them and with all digits."""
    scales = (1e12, 1e9, 1e6, 1e3, 1.0, 1e-3, 1e-6)
    for test in session.tests.values():
        for outcome in test.outcomes:
            if outcome.below is not None and math.isfinite(outcome.below):
                yield format_quantity(outcome.below, test.spec.unit)
                yield from (f"{outcome.below * scale:.6g}" for scale in scales)


def probabilities(session: Session, events: Sequence[Event]) -> Iterator[float]:
    """Probabilities of causes and units after each event, computed afresh."""
    for k in range(1, len(events) + 1):
        before = [e for e in events[:k] if e.kind not in ("closed", "called_back")]
        belief = session.belief(session.state_of(before))
        yield from (p for _name, p in belief.ranking())
        yield from (float(p) for p in belief.unit_p)


def allowed(session: Session, events: Sequence[Event], pages: int) -> set[str]:
    """Every number that a report of these events may hold."""
    file = header_text(header(events)) + "".join(event_text(e) for e in events)
    found = knowledge_numbers() | words_of(file) | words_of(" ".join(limits(session)))
    found |= words_of(" ".join(event.at for event in events))
    found |= {f"{round(100 * p)}" for p in probabilities(session, events)}
    found |= {"99", "1"}  # >99 % and <1 %: certainty is never claimed
    for event in events:
        at = datetime.fromisoformat(event.at).astimezone()
        found |= {str(at.day), str(at.year), f"{at:%H:%M}", f"{at:%H:%M:%S}"}
    found |= {str(n) for n in range(1, pages + 1)}
    points = points_of(session.knowledge, session.installation)
    found |= {str(n) for n in points.numbers.values()}
    found |= {"0", "25", "50", "75", "100"}  # the axis of per cents
    counted = sum(e.kind == "finding" for e in events), len(events)
    found |= {str(n) for n in range(counted[0] + 1)} | {str(counted[1])}
    minutes = [float(e.data.get("minutes", 0.0)) for e in events if e.kind != "closed"]
    found |= {f"{sum(minutes):.0f}"}
    found |= {f"{float(m):.0f}" for m in minutes} | {f"{float(m):.1f}" for m in minutes}
    if "call_back" in events[-1].data:
        found |= {str(int(part)) for part in events[-1].data["call_back"].split("-")}
    return found | {f"{float(e.data['minutes']):.0f}" for e in events if e.kind == "closed"}


CASES: dict[str, Callable[[], tuple[Session, list[Event]]]] = {
    "welded": lambda: scripted("own-tank-overflows-welded-contact"),
    "handed over": lambda: scripted("own-trips-earth-fault-in-cable"),
    "not repaired": lambda: scripted("own-controller-resets-sagging-adapter"),
    "capacitor": lambda: scripted("own-pump-hums-weak-capacitor"),
    "in vain": lambda: repaired_in_vain(2),
}


@pytest.mark.parametrize("name", list(CASES))
@pytest.mark.parametrize("end", ["open", "closed"])
def test_every_number_is_traceable(name: str, end: str) -> None:
    session, events = CASES[name]()
    if end == "closed":
        took = {e.id: 7.5 for e in events if e.kind == "finding"}
        events = closed(events, took=took)
    data = pdf(service_report(matter(session, events)))
    text = text_of(data)
    with pymupdf.open(stream=data, filetype="pdf") as document:  # type: ignore[no-untyped-call]
        pages = document.page_count
    known = allowed(session, events, pages) | ({"0.1.0"} if "diagnose 0.1.0" in text else set())
    digest = session.knowledge.digest
    told = re.sub(r"\s+", " ", text)
    for word in (digest, "2026-03-01-invented"):
        assert word in re.sub(r"\s", "", text)
        told = re.sub(r"\s?".join(map(re.escape, word)), " ", told)
    found = words_of(told)
    assert len(found) >= 15
    strange = {n for n in found if n not in known and n.rstrip("0").rstrip(".") not in known}
    assert not strange, sorted(strange)


def test_a_number_from_nowhere_is_found() -> None:
    session, events = CASES["welded"]()
    known = allowed(session, events, 5)
    assert words_of("the coil has 123.4 ohm") - known == {"123.4"}
    assert words_of("98.765 %, 31:59") - known == {"98.765", "31:59"}
