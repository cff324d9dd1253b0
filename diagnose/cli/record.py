"""The technician's record: what the next technician needs, with all that it rests on."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from diagnose.cli import formats
from diagnose.cli.matter import Matter, free, title_of
from diagnose.cli.ready import built_as
from diagnose.cli.record_end import end_of_record
from diagnose.cli.render import INSTRUMENTS, STATES, STATUS_TEXTS, name_of, sentence
from diagnose.interview.steps import Evidence
from diagnose.interview.telling import Reading
from diagnose.language import gettext as _
from diagnose.language import marked
from diagnose.report.document import (
    Bar,
    Bars,
    Block,
    Bullets,
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

STRONGLY = 2.0
"""Bits from which on a finding speaks strongly (as in the interview)."""


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
    if matter.since:
        told = (strong(_("Other knowledge.")), " ", free(matter.since), " ", _other_knowledge())
        yield Paragraph(runs(*told), "note")
    yield KeyValues(tuple(_about(matter)))
    yield from _cause(matter)
    yield Paragraph(
        runs(
            _(
                "Probabilities come from the failure rates and limits of the knowledge base, each "
                "answer taken to be wrong now and then. They are no certainty."
            )
        ),
        "small",
    )
    yield from _evidence(matter)
    read = bool(account.readings)
    if read and "suspicion" in matter.pictures:
        yield matter.pictures["suspicion"]
    yield from _readings(matter)
    if read and "measured" in matter.pictures:
        yield matter.pictures["measured"]
    yield from _ruled_out(matter)
    yield from _asked_first(matter)
    yield from end_of_record(matter)


def _other_knowledge() -> str:
    return _(
        "Probabilities, expected values and the causes ruled out are computed anew and may differ "
        "from what was on the screen then."
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
    yield _("Built as"), runs(built_as(matter.installation))
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
    yield from _made_from(matter)


def _made_from(matter: Matter) -> Iterator[tuple[str, Runs]]:
    """With what this report can be made again."""
    try:
        program = version("diagnose")
    except PackageNotFoundError:
        program = "?"
    made = _("{program}, from {count} events on file; times in {zone}").format(
        program=f"diagnose {program}",
        count=len(matter.events),
        zone=formats.zone(matter.header.opened),
    )
    yield _("Made with"), runs(made)
    yield _("Knowledge"), runs(mono(matter.knowledge))
    if matter.header.knowledge != matter.knowledge:
        yield _("At the opening"), runs(mono(free(matter.header.knowledge)))


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
            Column(_("No."), "end", 1.2),
            Column(_("Test"), width=4.8),
            Column(_("With, state"), width=4.8),
            Column(_("Reading"), width=2.8),
            Column(_("Expected"), width=3.4),
            Column(_("Outcome"), width=2.8),
        )
        rows = tuple(_row(reading) for reading in readings)
        off = tuple(k for k, reading in enumerate(readings) if not reading.as_expected)
        yield Table(_("Set off: not as expected of a healthy installation"), columns, rows, off)
    if matter.account.cannot:
        yield Heading(2, _("Could not be measured"))
        together: dict[str, list[str]] = {}
        for title, reason in matter.account.cannot:
            together.setdefault(free(reason) if reason.strip() else "", []).append(title)
        yield Bullets(
            tuple(
                runs("; ".join(titles) + (f": {reason}" if reason else ""))
                for reason, titles in together.items()
            )
        )


def _row(reading: Reading) -> tuple[Runs, ...]:
    used = reading.instrument != "none"
    how = _(name_of(reading.instrument, INSTRUMENTS)) if used or not reading.state else ""
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
        runs(how, em(f"\n{state}" if how else state)) if state else runs(how),
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
        by = "; ".join(f"{_(e.title)}: {_(e.outcome)}" for e in one.by)
        rows.append(
            (
                runs(one.title),
                runs(formats.percent(one.most)),
                runs(formats.percent(one.left)),
                runs(by or _("all findings together")),
            )
        )
    yield Table(_("Suspected at some time, and hardly any more at the end"), columns, tuple(rows))


def _asked_first(matter: Matter) -> Iterator[Block]:
    if not matter.account.answers:
        return
    yield Heading(2, _("Answers before the first test"))
    columns = (Column(_("Question"), width=6), Column(_("Answer"), width=4))
    rows = tuple((runs(free(q)), runs(free(a))) for q, a in matter.account.answers)
    yield Table("", columns, rows)
