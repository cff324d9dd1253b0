"""``diagnose report``: the service report of one case, as PDF, HTML or text."""

from __future__ import annotations

import re
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.cli.shown import put_file
from diagnose.errors import DiagnoseError, fail

if TYPE_CHECKING:
    from diagnose.casebook.store import CaseHeader
    from diagnose.cli.firm import Firm
    from diagnose.cli.matter import Matter
    from diagnose.interview.events import Event
    from diagnose.interview.session import Session
    from diagnose.report.document import Document, Figure, Paper

TALL = 0.7
"""Height over width from which on a drawing has a page of its own."""
FORMATS = ("pdf", "html", "text")
SUFFIXES = {"pdf": "pdf", "html": "html", "text": "txt"}


@dataclass(frozen=True)
class Wanted:
    """What the options ask for: format, where to, paper; None where they say nothing."""

    format: str = ""
    output: Path | None = None
    paper: str | None = None
    firm: Path | None = None
    no_color: bool = False

    def checked(self) -> Wanted:
        """The same with the format settled: as asked, else by the file's name, else PDF.

        Raises
        ------
        DiagnoseError
            An option is not legal.
        """
        from diagnose.report.document import PAPERS

        chosen = self.format
        if not chosen and self.output is not None:
            known = {f".{suffix}": name for name, suffix in SUFFIXES.items()}
            chosen = known.get(self.output.suffix.lower(), "")
        chosen = chosen or "pdf"
        if chosen not in FORMATS:
            raise fail("option", f"'{chosen}' is not a format", None, FORMATS)
        if self.paper is not None and self.paper not in PAPERS:
            raise fail("option", f"'{self.paper}' is not a paper size", None, PAPERS)
        return Wanted(chosen, self.output, self.paper, self.firm, self.no_color)

    def paper_for(self, firm: Firm) -> Paper:
        """The paper: as asked, else as the firm uses, else A4."""
        from diagnose.report.document import PAPERS

        wanted = self.paper or firm.paper
        return next((paper for paper in PAPERS if paper == wanted), "a4")


def run_report(case_id: str, wanted: Wanted, store: str | None, knowledge: str | None) -> int:
    """Write the report of one case; the exit code.

    Raises
    ------
    DiagnoseError
        There is no such case, or an option cannot be used.
    """
    from diagnose.cli.common import load, session_for, store_at
    from diagnose.cli.firm import firm_at
    from diagnose.cli.service_report import service_report
    from diagnose.interview.state import variants_of
    from diagnose.plant.compose import compose

    wanted = wanted.checked()
    firm = firm_at(wanted.firm)
    cases = store_at(store)
    header, events = cases.header(case_id), cases.events(case_id)
    base = load(knowledge)
    installation = compose(base, header.installation, variants_of(header.variants, events))
    session = session_for(base, installation, wanted.no_color)
    matter = matter_of(session, header, events, firm)
    write(service_report(matter, wanted.paper_for(firm)), wanted, f"{case_id}-report")
    return 0


def matter_of(session: Session, header: CaseHeader, events: Sequence[Event], firm: Firm) -> Matter:
    """What a report is made from; see `diagnose.cli.matter.Matter`."""
    from diagnose.cli.matter import Matter
    from diagnose.interview.account import account
    from diagnose.interview.since import changed_since
    from diagnose.interview.state import closing

    site = header.site
    for event in events:
        if event.kind in ("opened", "described"):
            site = str(event.data.get("site", site))
    end = closing(events)
    return Matter(
        header=header,
        site=site,
        events=events,
        installation=session.installation,
        account=account(session, events),
        knowledge=session.knowledge.digest,
        firm=firm,
        closed=end.data if end is not None else None,
        closed_at=end.at if end is not None else "",
        pictures=pictures_of(session, events),
        since=changed_since(session, header.knowledge, events),
    )


def pictures_of(session: Session, events: Sequence[Event]) -> dict[str, Figure]:
    """The pictures of a case by name; none where it cannot be weighed."""
    from diagnose.cli.figures import figures_of
    from diagnose.interview.account import over
    from diagnose.interview.events import CONFIRMED
    from diagnose.interview.state import closing
    from diagnose.language import gettext as _
    from diagnose.report.document import Figure

    try:
        told = [e for e in events if not over(e)]
        end = closing(events)
        if end is not None and end.data.get("confirmed") in CONFIRMED.keys() - {"not_confirmed"}:
            found = {k: end.data[k] for k in ("unit", "failure_mode") if k in end.data}
            told.append(replace(end, data=found))  # what else it holds, a hand may have written
        figures = figures_of(session, told)
    except DiagnoseError:
        return {}
    return {
        "circuit": Figure(
            figures.circuit,
            _("The circuit: what failed, what is proved good, what was read where"),
            _("Circuit of the installation with numbered test points, readings and marks."),
            width=0.85,
            own_page=tall(figures.circuit),
        ),
        "suspicion": Figure(
            figures.suspicion,
            _("The probability of each unit after each answer"),
            _("Lines: the probability of each unit after each answer."),
        ),
        "measured": Figure(
            figures.ranges,
            _("Each reading beside what a healthy installation shows"),
            _("Each reading beside the range that a healthy installation shows."),
        ),
    }


def tall(svg: str) -> bool:
    """Whether a drawing is so much higher than wide that it needs a page of its own."""
    size = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', svg)
    return size is None or float(size[2]) > TALL * float(size[1])


def write(document: Document, wanted: Wanted, name: str) -> None:
    """Render a document and put it where it is wanted.

    Text goes to the screen where no file is named, HTML and PDF to a file named after `name`;
    ``-`` is standard output.

    Raises
    ------
    DiagnoseError
        The file cannot be written.
    """
    data = rendered(document, wanted)
    target = wanted.output
    if str(target) == "-" or (target is None and wanted.format == "text"):
        put_file(None, data)
        return
    target = target or Path(f"{name}.{SUFFIXES[wanted.format]}")
    put_file(target, data)
    print(target)


def rendered(document: Document, wanted: Wanted) -> bytes:
    """A document in a format."""
    if wanted.format == "html":
        from diagnose.report.html import html

        return html(document).encode()
    if wanted.format == "text":
        from diagnose.cli.render import Screen
        from diagnose.report.terminal import terminal

        screen = Screen(wanted.no_color)
        coloured = wanted.output is None and screen.console.is_terminal and not screen.plain
        encoding = (sys.stdout.encoding or "utf-8") if wanted.output is None else "utf-8"
        return terminal(document, coloured).encode(encoding, "replace")
    from diagnose.report.pdf import pdf

    return pdf(document)
