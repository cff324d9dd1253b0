"""The technician's record: what the next technician needs, with all that it rests on."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING, Any

from diagnose.cli import formats
from diagnose.cli.render import INSTRUMENTS, STATES, STATUS_TEXTS, name_of, sentence
from diagnose.interview.account import Repair
from diagnose.interview.steps import Evidence
from diagnose.interview.telling import Reading
from diagnose.language import gettext as _
from diagnose.language import marked
from diagnose.report.document import (
    Bar,
    Bars,
    Block,
    Bullets,
    Caution,
    Column,
    Heading,
    KeyValues,
    Paragraph,
    Run,
    Runs,
    Table,
    em,
    mono,
    runs,
    strong,
    trimmed,
)

if TYPE_CHECKING:
    from diagnose.cli.service_report import Matter

STRONGLY = 2.0
"""Bits from which on a finding speaks strongly (as in the interview)."""
RESULTS = {
    "pass": marked("passed"),
    "fail": marked("FAILED"),
    "cannot": marked("could not be made"),
}
VERIFIED = {
    "passed": marked("passed"),
    "failed": marked("failed"),
    "not_made": marked("not made"),
}
CONFIRMED = {
    "verification": marked("all checks after the repair passed"),
    "measured": marked("measured on the part itself, on the bench or taken apart"),
    "replaced": marked("the fault went with the part that was replaced"),
    "not_confirmed": marked("not confirmed"),
}
ACTS = {
    "isolate": marked("isolated"),
    "prove_dead": marked("proved dead"),
    "energise": marked("switched on"),
    "found_on": marked("seen to be on"),
}


def free(text: str) -> str:
    """A free text, cut where it is very long, with a notice."""
    return trimmed(text, _("[cut: {count} characters in the case file]"))


def record_of(matter: Matter) -> Iterator[Block]:
    """Everything after the customer's page."""
    account = matter.account
    yield Heading(1, _("Technician's record"))
    if account.weighed:
        yield Paragraph(
            runs(
                strong(_("Not weighed.")),
                " ",
                _("With the knowledge now loaded this case cannot be weighed again: {why}.").format(
                    why=free(account.weighed)
                ),
            ),
            "note",
        )
    if matter.header.knowledge != matter.knowledge:
        yield Paragraph(runs(strong(_("Other knowledge.")), " ", _other_knowledge()), "note")
    yield KeyValues(tuple(_about(matter)))
    yield from _cause(matter)
    if "suspicion" in matter.pictures:
        yield matter.pictures["suspicion"]
    yield from _evidence(matter)
    if "circuit" in matter.pictures:
        yield matter.pictures["circuit"]
    yield from _readings(matter)
    if "measured" in matter.pictures:
        yield matter.pictures["measured"]
    yield from _ruled_out(matter)
    yield from _repairs(matter)
    yield from _prevention(matter)
    yield from _closed(matter)
    yield from _reproduced(matter)


def _other_knowledge() -> str:
    return _(
        "The case was opened with another version of the knowledge base than the one now loaded. "
        "The answers are as they were given; probabilities, expected values and the causes ruled "
        "out are computed anew and may differ from what was on the screen then."
    )


def _about(matter: Matter) -> Iterator[tuple[str, Runs]]:
    opened: dict[str, Any] = {}
    for event in matter.events:
        if event.kind in ("opened", "described"):
            opened.update({k: v for k, v in event.data.items() if k != "variants"})
    if matter.header.title:
        yield _("Title"), runs(free(matter.header.title))
    yield _("Site"), runs(free(matter.site) or "–")
    yield _("Opened"), runs(formats.moment(matter.header.opened))
    if matter.closed is not None:
        yield _("Closed"), runs(formats.moment(matter.closed_at))
    yield _("Status"), runs(_("closed") if matter.closed is not None else _("open: a draft"))
    for title, _says in matter.account.complaints:
        yield _("Complaint"), runs(title)
    kind = matter.installation.type
    chosen = [
        f"{_(kind.variants[name].title)}: {_(kind.variants[name].choices[choice].title)}"
        for name, choice in matter.installation.choices.items()
    ]
    yield _("Installation"), runs(_(kind.title))
    yield _("Fitted"), runs("; ".join(chosen))
    for label, key, words in (
        (_("Work by"), "qualification", QUALIFICATIONS),
        (_("Meter"), "meter_category", CATEGORIES),
    ):
        if opened.get(key):
            said = str(opened[key])
            yield label, runs(_(words[said]) if said in words else free(said))
    used = [_(name_of(i, INSTRUMENTS)) for i in matter.account.instruments]
    yield _("Instruments used"), runs(formats.listed(used) or _("none"))
    for question, answer in matter.account.answers:
        yield "", runs(em(f"{question} "), answer)


QUALIFICATIONS = {
    "licensed": marked("a licensed electrician"),
    "instructed": marked("an instructed person"),
    "unqualified": marked("a person without qualification: looks, listens and operates only"),
}
CATEGORIES = {
    "none": marked("no measuring category stated"),
    "cat_ii": marked("CAT II"),
    "cat_iii": marked("CAT III"),
    "cat_iv": marked("CAT IV"),
}


def _cause(matter: Matter) -> Iterator[Block]:
    conclusion, recorded = matter.account.conclusion, matter.account.recorded
    yield Heading(2, _("Likely cause"))
    if conclusion is None:
        yield Paragraph(runs(_("The search has not ended.")))
    else:
        rows: list[tuple[str, Runs]] = []
        if conclusion.unit:
            rows.append((_(STATUS_TEXTS[conclusion.status]), runs(strong(conclusion.title))))
            sure = _("{part} that it is this part, {way} that it fails in this way").format(
                part=formats.percent(conclusion.probability),
                way=formats.percent(conclusion.mode_probability),
            )
            rows.append((_("How sure"), runs(sure)))
        else:
            rows.append((_("Cause"), runs(_("none of those in the knowledge base"))))
        rows += [(_("Because"), runs(sentence(_(reason)))) for reason in conclusion.reasons]
        shown = f"{recorded.get('unit', '')}.{recorded.get('failure_mode', '')}"
        if recorded.get("unit") and shown != f"{conclusion.unit}.{conclusion.failure_mode}":
            rows.append((_("On the screen then"), runs(mono(free(shown)))))
        yield KeyValues(tuple(rows))
    moments = matter.account.moments
    ranking = conclusion.ranking if conclusion is not None else ()
    shares = [(n, p) for n, _unit, p in ranking] or list(moments[-1].ranking if moments else ())
    left = [(n, p) for n, p in shares[:6] if p >= 0.005]
    if left:
        yield Bars(
            _("How likely each cause is, given the complaint, the history and every answer"),
            tuple(Bar(title_of(matter, n), p, formats.percent(p)) for n, p in left),
        )


def title_of(matter: Matter, name: str) -> str:
    """A failure mode in words, with its unit."""
    modes = matter.installation.modes
    if name not in modes:
        return _("a cause that is not in the knowledge base")
    unit = _(matter.installation.instances[modes[name].unit].title)
    mode = _(modes[name].title)
    return f"{unit}: {mode[0].lower()}{mode[1:]}"


def _evidence(matter: Matter) -> Iterator[Block]:
    conclusion = matter.account.conclusion
    if conclusion is None or not (conclusion.supports or conclusion.against):
        return
    yield Heading(2, _("What speaks for and against it"))
    rows = [_weight(e, _("for")) for e in conclusion.supports]
    rows += [_weight(e, _("against")) for e in conclusion.against]
    columns = (
        Column(_("Test"), width=5),
        Column(_("Outcome"), width=4),
        Column(_("Speaks"), width=2.4),
    )
    yield Table("", columns, tuple(rows))


def _weight(item: Evidence, side: str) -> tuple[Runs, ...]:
    strength = _("strongly") if abs(item.bits) >= STRONGLY else _("somewhat")
    return runs(_(item.title)), runs(_(item.outcome)), runs(f"{side}, {strength}")


def _readings(matter: Matter) -> Iterator[Block]:
    readings = matter.account.readings
    yield Heading(2, _("Every reading"))
    if not readings:
        yield Paragraph(runs(_("No test was made.")))
    else:
        columns = (
            Column(_("No."), "end", 0.9),
            Column(_("Test"), width=5),
            Column(_("With, state"), width=3.2),
            Column(_("Reading"), width=3),
            Column(_("Expected"), width=3.8),
            Column(_("Outcome"), width=3.2),
        )
        rows = tuple(_row(reading) for reading in readings)
        off = tuple(k for k, reading in enumerate(readings) if not reading.as_expected)
        yield Table(_("Set off: not as expected of a healthy installation"), columns, rows, off)
    if matter.account.cannot:
        yield Heading(2, _("Could not be measured"))
        items = [
            runs(title + (f": {free(reason)}" if reason.strip() else ""))
            for title, reason in matter.account.cannot
        ]
        yield Bullets(tuple(items))


def _row(reading: Reading) -> tuple[Runs, ...]:
    how = _(name_of(reading.instrument, INSTRUMENTS))
    state = _(name_of(reading.state, STATES)) if reading.state else ""
    remarks = []
    if reading.by_phone:
        remarks.append(_("by telephone"))
    if not reading.sure:
        remarks.append(_("not sure"))
    if reading.after_repairs:
        remarks.append(_("after repair {number}").format(number=reading.after_repairs))
    remark = em(f"\n{', '.join(remarks)}") if remarks else Run("")
    outcome = reading.outcome
    return (
        runs(str(reading.number)),
        runs(free(reading.title), remark),
        runs(how, em(f"\n{state}") if state else Run("")),
        runs(trimmed(reading.raw, _("[cut: {count} characters in the case file]"), 80)),
        runs(reading.expected or "–"),
        runs(outcome if reading.as_expected else strong(outcome)),
    )


def _ruled_out(matter: Matter) -> Iterator[Block]:
    if not matter.account.ruled_out:
        return
    yield Heading(2, _("Causes ruled out, and by what"))
    columns = (
        Column(_("Cause"), width=5),
        Column(_("At most"), "end", 1.3),
        Column(_("Left"), "end", 1.1),
        Column(_("By"), width=5.5),
    )
    rows = []
    for one in matter.account.ruled_out:
        by = "\n".join(f"{_(e.title)}: {_(e.outcome)}" for e in one.by)
        rows.append(
            (
                runs(one.title),
                runs(formats.percent(one.most)),
                runs(formats.percent(one.left)),
                runs(by or _("all findings together")),
            )
        )
    yield Table(_("Suspected at some time, and hardly any more at the end"), columns, tuple(rows))


def _repairs(matter: Matter) -> Iterator[Block]:
    repairs = matter.account.repairs
    yield Heading(2, _("Repair and verification"))
    if not repairs:
        yield Paragraph(runs(_("Nothing was repaired.")))
    for number, repair in enumerate(repairs, 1):
        yield from _repair(repair, number if len(repairs) > 1 else 0)
    if matter.account.open_checks:
        yield Heading(3, _("Still open"))
        items = tuple(runs(f"{one.title} ({one.by})") for one in matter.account.open_checks)
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
    conclusion = matter.account.conclusion
    if conclusion is None or not conclusion.unit:
        return
    yield Heading(2, _("Root cause and prevention"))
    rows = []
    if conclusion.remedy:
        rows.append((_("Repair"), runs(_(conclusion.remedy))))
    if conclusion.licensed:
        rows.append((_("By"), runs(_("a licensed electrician only"))))
    if conclusion.spares:
        rows.append((_("Spares"), runs("; ".join(_(s) for s in conclusion.spares))))
    if conclusion.root_causes:
        rows.append((_("Look for"), runs("; ".join(_(c) for c in conclusion.root_causes))))
    if conclusion.prevention:
        rows.append((_("Prevent"), runs(_(conclusion.prevention))))
    rows += [(_("Advice"), runs(sentence(_(text)))) for text in conclusion.recommendations]
    yield KeyValues(tuple(rows))
    for text in conclusion.cautions:
        yield Caution(_(text))


def _closed(matter: Matter) -> Iterator[Block]:
    from diagnose.cli.service_report import parts_of

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
        rows.append((_("Parts"), runs("; ".join(parts_of(closed)) or _("none"))))
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


def _reproduced(matter: Matter) -> Iterator[Block]:
    yield Heading(2, _("How this report can be made again"))
    try:
        program = version("diagnose")
    except PackageNotFoundError:
        program = "?"
    rows = [
        (_("Case"), runs(mono(matter.header.id))),
        (_("Events"), runs(_("{count} on file").format(count=len(matter.events)))),
        (_("Knowledge of the case"), runs(mono(free(matter.header.knowledge)))),
        (_("Knowledge loaded now"), runs(mono(matter.knowledge))),
        (_("Program"), runs(mono(f"diagnose {program}"))),
        (_("Times are in"), runs(formats.zone(matter.header.opened))),
    ]
    yield KeyValues(tuple(rows))
    yield Paragraph(
        runs(
            _(
                "Probabilities come from the failure rates and limits of the knowledge base, each "
                "answer taken to be wrong now and then. They are no certainty."
            )
        ),
        "small",
    )
