"""The end of the technician's record: repair, verification, prevention, safety tests."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from diagnose.cli import formats
from diagnose.cli.matter import Matter, found_mode, free, parts_of, title_of
from diagnose.cli.record_safety import RESULTS, safety_of
from diagnose.cli.render import sentence
from diagnose.interview.account import Repair
from diagnose.interview.events import CONFIRMED
from diagnose.language import gettext as _
from diagnose.language import marked
from diagnose.report.document import (
    Block,
    Bullets,
    Caution,
    Column,
    Heading,
    KeyValues,
    Paragraph,
    Table,
    em,
    runs,
    strong,
)

VERIFIED = {
    "passed": marked("passed"),
    "failed": marked("failed"),
    "not_made": marked("not made"),
}
ACTS = {
    "isolate": marked("isolated"),
    "prove_dead": marked("proved dead"),
    "energise": marked("switched on"),
    "found_on": marked("seen to be on"),
    "part": marked("disconnected for the insulation test"),
    "discharge": marked("discharged"),
    "rejoin": marked("reconnected"),
}


def end_of_record(matter: Matter) -> Iterator[Block]:
    """What follows the causes ruled out."""
    yield from _repairs(matter)
    yield from _prevention(matter)
    yield from _closed(matter)
    yield from safety_of(matter)
    if "circuit" in matter.pictures:
        yield matter.pictures["circuit"]


def _repairs(matter: Matter) -> Iterator[Block]:
    repairs = matter.account.repairs
    yield Heading(2, _("Repair and verification"))
    if not repairs:
        yield Paragraph(runs(_("Nothing was repaired.")))
    for number, repair in enumerate(repairs, 1):
        yield from _repair(repair, number if len(repairs) > 1 else 0)
    if matter.account.open_checks:
        yield Heading(3, _("Still open"))
        items = tuple(runs(f"{_(one.title)} ({one.by})") for one in matter.account.open_checks)
        yield Bullets(items)
    if matter.account.acts:
        log = "; ".join(
            f"{formats.clock(at)} {_(ACTS[act]) if act in ACTS else act}"
            for at, act in matter.account.acts
        )
        yield Paragraph(runs(strong(_("Electrical state:")), " ", log), "small")


def _repair(repair: Repair, number: int) -> Iterator[Block]:
    title = sentence(repair.title)
    if number:
        title = _("Repair {number}: {title}").format(number=number, title=repair.title)
    yield Heading(3, title)
    yield Paragraph(runs(em(f"{formats.moment(repair.at)} "), repair.remedy))
    if repair.checks:
        columns = (Column(_("Check"), width=5), Column(_("Result"), width=2))
        rows = tuple(
            (
                runs(free(name)),
                runs(strong(_(RESULTS[r])) if r == "fail" else _(RESULTS.get(r, r))),
            )
            for _check, name, r in repair.checks
        )
        failed = tuple(k for k, (_c, _n, r) in enumerate(repair.checks) if r == "fail")
        yield Table("", columns, rows, failed)
    else:
        yield Paragraph(runs(_("No check was made.")))


def _prevention(matter: Matter) -> Iterator[Block]:
    conclusion, found = matter.account.conclusion, found_mode(matter)
    if found is None:
        return
    yield Heading(2, _("Root cause and prevention"))
    mode = found.mode
    causes = mode.root_causes
    advice = conclusion.recommendations if conclusion is not None else ()
    cautions = conclusion.cautions if conclusion is not None else ()
    if conclusion is not None and f"{conclusion.unit}.{conclusion.failure_mode}" == found.id:
        causes = conclusion.root_causes
    rows = [(_("Cause"), runs(title_of(matter, found.id)))]
    if mode.remedy and found.id not in {repair.mode for repair in matter.account.repairs}:
        rows.append((_("Repair"), runs(_(mode.remedy))))
    if mode.licensed:
        rows.append((_("By"), runs(_("a licensed electrician only"))))
    if mode.spares:
        rows.append((_("Spares"), runs("; ".join(_(s) for s in mode.spares))))
    if causes:
        rows.append((_("Look for"), runs("; ".join(_(c) for c in causes))))
    if mode.prevention:
        rows.append((_("Prevent"), runs(_(mode.prevention))))
    rows += [(_("Advice"), runs(sentence(_(text)))) for text in advice]
    yield KeyValues(tuple(rows))
    for text in cautions:
        yield Caution(_(text))


def _closed(matter: Matter) -> Iterator[Block]:
    closed = matter.closed
    if closed is not None:
        yield Heading(2, _("What was really found"))
        name = f"{closed.get('unit', '')}.{closed.get('failure_mode', '')}"
        known = name in matter.installation.modes
        found = title_of(matter, name) if known else free(str(closed.get("found", "")) or name)
        confirmed = str(closed.get("confirmed", ""))
        rows = [(_("Found"), runs(strong(found)))]
        if confirmed:
            rows.append((_("Confirmed"), runs(_(CONFIRMED.get(confirmed, confirmed)))))
        if closed.get("verified"):
            result = str(closed["verified"])
            rows.append((_("Verification"), runs(_(VERIFIED.get(result, result)))))
        rows.append((_("Parts"), runs("; ".join(parts_of(closed)) or _("none noted"))))
        yield KeyValues(tuple(rows))
    yield from _times(matter)
    if matter.account.called_back:
        yield Heading(2, _("Called back"))
        held = {"yes": _("the repair has held"), "no": _("the repair has NOT held")}
        yield KeyValues(
            tuple(
                (formats.day(at), runs(held.get(said, said), f"; {free(text)}" if text else ""))
                for at, said, text in matter.account.called_back
            )
        )


def _times(matter: Matter) -> Iterator[Block]:
    """Minutes as planned and as they really were, where somebody noted them."""
    took = (matter.closed or {}).get("took")
    if not isinstance(took, dict) or not took:
        return
    titles = {r.event: r.title for r in matter.account.readings}
    titles |= {r.event: r.title for r in matter.account.repairs}
    rows = []
    for event in matter.events:
        if event.id in took:
            name = titles.get(event.id) or _(ACTS.get(str(event.data.get("act", "")), event.kind))
            planned = str(event.data.get("minutes", "–"))
            rows.append((runs(free(name)), runs(_minutes(planned)), runs(_minutes(took[event.id]))))
    columns = (
        Column(_("Work"), width=6),
        Column(_("Planned, min"), "end", 1.6),
        Column(_("Took, min"), "end", 1.6),
    )
    if rows:
        yield Heading(2, _("Time"))
        yield Table("", columns, tuple(rows))


def _minutes(value: Any) -> str:
    try:
        return formats.number(float(value), 1)
    except (TypeError, ValueError):
        return free(str(value))
