"""The service report: a page for the customer, then the technician's record."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from diagnose.cli import formats
from diagnose.cli.matter import LINE, Matter, found_mode, parts_of, short
from diagnose.cli.ready import built_as
from diagnose.cli.record import QUALIFICATIONS, record_of
from diagnose.cli.render import sentence
from diagnose.language import current, ngettext
from diagnose.language import gettext as _
from diagnose.report.document import (
    Block,
    Bullets,
    Caution,
    Document,
    Heading,
    KeyValues,
    Letterhead,
    PageBreak,
    Paper,
    Paragraph,
    Run,
    Runs,
    SignatureLines,
    runs,
    strong,
)

if TYPE_CHECKING:
    from diagnose.interview.account import Repair

WORDS = 120
BUILT = 240
"""Characters for what differs from a ready installation."""
MOST = 4
"""Items of a list on the customer's page; the record has the rest."""


def service_report(matter: Matter, paper: Paper = "a4") -> Document:
    """The report as a document, in the language in use."""
    firm, words = matter.firm, matter.firm.wording
    named = words.get("title", "")
    title = short(named, 50) or _("Service report")
    site = " ".join(matter.site.split()) or _("site not named")
    opened = formats.day(matter.header.opened)
    head = None
    if firm.name:
        lines = tuple(short(line) for line in firm.address[:4])
        head = Letterhead(short(firm.name), lines, firm.logo)
    return Document(
        title=title,
        subtitle=f"{site} · {opened}" if len(site) <= LINE else opened,
        blocks=(
            *customer_page(matter),
            PageBreak(),
            *record_of(matter),
        ),
        language=current().tag,
        paper=paper,
        author=short(firm.name),
        subject=_("Case {case}").format(case=matter.header.id),
        created=(matter.events[-1].at if matter.events else matter.header.opened),
        watermark="" if matter.closed is not None else _("DRAFT"),
        running=f"{short(named, 30) or title} · {matter.header.id}",
        footer=_("Case {case}").format(case=matter.header.id),
        letterhead=head,
    )


# ---------------------------------------------------------------------- the customer's page


def customer_page(matter: Matter) -> Iterator[Block]:
    """One page in plain words."""
    words, account = matter.firm.wording, matter.account
    if "opening" in words:
        yield Paragraph(runs(short(words["opening"], WORDS)))
    yield KeyValues(tuple(_about(matter)))
    yield Heading(1, _("What was wrong"))
    yield Paragraph(_wrong(matter), "lead")
    yield Heading(1, _("What was done"))
    yield from _done(matter)
    yield Heading(1, _("What it means"))
    yield Paragraph(runs(_meaning(matter)))
    watch = _watch(matter)
    if watch:
        yield Heading(1, _("What to watch"))
        yield Bullets(tuple(watch))
    yield Heading(1, _("Parts and time"))
    yield KeyValues(tuple(_parts(matter)))
    for text in [*account.cautions[:2], *_standing_caution(matter)]:
        yield Caution(_(text))
    if "closing" in words:
        yield Paragraph(runs(short(words["closing"], WORDS // 2)))
    if "terms" in words:
        yield Paragraph(runs(short(words["terms"], WORDS // 2)), "small")
    yield SignatureLines(
        (
            short(words.get("customer", ""), 30) or _("Customer: name, signature, date"),
            short(words.get("technician", ""), 30) or _("Technician: name, signature, date"),
        )
    )


def _about(matter: Matter) -> Iterator[tuple[str, Runs]]:
    yield _("Site"), runs(short(matter.site, WORDS) or "–")
    yield _("Installation"), runs(_(matter.installation.type.title))
    yield _("Built as"), runs(short(built_as(matter.installation), BUILT))
    yield _("Case"), runs(Run(matter.header.id, "mono"))
    yield _("Date of work"), runs(_dates(matter))
    said = _qualification(matter)
    if said:
        yield _("Work by"), runs(said)
    complaints = matter.account.complaints
    if complaints:
        yield _("You reported"), runs("; ".join(says for _title, says in complaints))


def _dates(matter: Matter) -> str:
    """The day of the work, or the first and the last one."""
    first = formats.day(matter.header.opened)
    last = formats.day(matter.closed_at) if matter.closed is not None else first
    return first if last == first else _("{first} to {last}").format(first=first, last=last)


def _qualification(matter: Matter) -> str:
    """Who did the work, as stated; "" where nothing was."""
    said = ""
    for event in matter.events:
        if event.kind in ("opened", "described"):
            said = str(event.data.get("qualification", said))
    return _(QUALIFICATIONS[said]) if said in QUALIFICATIONS else ""


def _left(matter: Matter) -> str:
    """How the supply was left, as last noted; "" where nothing was."""
    for _at, act in reversed(matter.account.acts):
        if act in ("energise", "found_on"):
            return _("switched on")
        if act in ("isolate", "prove_dead"):
            return _("switched off and isolated")
    return ""


def _plain(unit: str, cause: str) -> str:
    """A cause with its unit, which is named once."""
    if cause.casefold().startswith(unit.casefold()):
        return sentence(cause)
    return f"{sentence(unit)}: {cause[0].lower()}{cause[1:]}"


def _found(matter: Matter) -> tuple[str, str]:
    """Unit and cause in words, or free text."""
    closed, found = matter.closed or {}, found_mode(matter)
    if found is not None:
        return _(matter.installation.instances[found.unit].title), _(found.title)
    return "", short(str(closed.get("found", "")), WORDS)


def _wrong(matter: Matter) -> Runs:
    unit, cause = _found(matter)
    conclusion = matter.account.conclusion
    if not cause:
        if conclusion is None:
            return runs(_("The cause has not been found yet."))
        return runs(_("The cause is none of those known; the findings are in the record."))
    if not unit:
        return runs(strong(sentence(cause)))
    text = _("{what}.").format(what=_plain(unit, cause))
    settled = matter.closed is not None or bool(matter.account.repairs)
    if not settled and conclusion is not None and conclusion.status != "concluded":
        return runs(_("Not certain yet; the likeliest cause:"), " ", strong(text))
    return runs(strong(text))


def _done(matter: Matter) -> Iterator[Block]:
    repairs = matter.account.repairs
    count = len(matter.account.readings)
    tests = ngettext("{count} test was made.", "{count} tests were made.", count)
    tests = tests.format(count=count) if count else _("No test was made.")
    if not repairs and matter.closed is not None and not _worked(matter.closed):
        yield Paragraph(runs(tests, " ", _("No repair is noted.")))
        return
    if not repairs and matter.closed is not None:
        yield Paragraph(
            runs(_("What was done is noted below; no repair was recorded step by step."))
        )
        return
    if not repairs:
        yield Paragraph(runs(_("Nothing has been repaired yet."), " ", tests))
        return
    items = []
    for repair in repairs[-MOST:]:
        outcome = {
            True: _("The checks that were made were passed."),
            False: _("The checks then showed that a fault was still there."),
            None: _("It could not be checked yet."),
        }[repair.held]
        items.append(runs(_("Repair:"), " ", strong(_repaired(matter, repair)), f" {outcome}"))
    yield Bullets(tuple(items), numbered=len(items) > 1)


def _worked(closed: Mapping[str, Any]) -> bool:
    """Whether a closing tells of a repair that no event tells of."""
    replaced = closed.get("confirmed") == "replaced"
    return replaced or closed.get("verified") == "passed" or bool(parts_of(closed))


def _repaired(matter: Matter, repair: Repair) -> str:
    """What was put right; how it is to be done stands in the record, for who may do it."""
    mode = matter.installation.modes.get(repair.mode)
    if mode is None:
        return _("{what}.").format(what=sentence(repair.title))
    unit = _(matter.installation.instances[mode.unit].title)
    return _("{what}.").format(what=_plain(unit, _(mode.title)))


def _meaning(matter: Matter) -> str:
    account, conclusion = matter.account, matter.account.conclusion
    verified = str((matter.closed or {}).get("verified", ""))
    if account.called_back and account.called_back[-1][1] == "no":
        return _("The repair did not hold: the fault came back. The search goes on.")
    handed = conclusion is not None and conclusion.status == "handed_over"
    if handed and not account.repairs and verified != "passed":
        return _(
            "What remains is work for a licensed electrician. Until then leave the installation "
            "switched off."
        )
    if matter.closed is not None and not account.repairs and verified != "failed":
        if verified == "passed":
            return _("The repair was checked: the installation starts and stops as it should.")
        return _("The case is closed. Whether the installation works as it should was not checked.")
    if not account.repairs:
        return _("The fault is still there. Do not rely on the installation until it is repaired.")
    held = account.repairs[-1].held
    if verified == "failed" or held is False:
        return _("A fault is still there after the repair. Do not rely on the installation yet.")
    if held is None and verified != "passed":
        return _("The repair has not been checked yet. Do not rely on the installation yet.")
    if account.open_checks:
        return _(
            "What could be checked after the repair is as it should be. Some checks are still "
            "open; they are listed below."
        )
    return _("The repair was checked: the installation starts and stops as it should.")


def _watch(matter: Matter) -> list[Runs]:
    items: list[Runs] = []
    account, conclusion, found = matter.account, matter.account.conclusion, found_mode(matter)
    if found is not None and found.mode.prevention:
        items.append(runs(_(found.mode.prevention)))
    if conclusion is not None:
        items += [runs(sentence(_(text))) for text in conclusion.recommendations]
    items = items[:MOST]
    if account.open_checks:
        names = [f"{_(one.title)} ({one.by})" for one in account.open_checks[:MOST]]
        more = len(account.open_checks) - len(names)
        if more > 0:
            names.append(_("{count} more in the record").format(count=more))
        items.append(runs(_("Still to be checked: {checks}.").format(checks="; ".join(names))))
    return items


def _parts(matter: Matter) -> Iterator[tuple[str, Runs]]:
    closed, left = matter.closed, _left(matter)
    if left:
        yield _("Supply left"), runs(left, " ", _("(as last noted)"))
    if closed is not None:
        yield _("Parts used"), runs("; ".join(parts_of(closed)) or _("none noted"))
        minutes = _as_number(closed.get("minutes"))
        if minutes is not None:
            yield _("Working time"), runs(formats.minutes(minutes))
        if closed.get("call_back"):
            when = formats.day(short(str(closed["call_back"]), 40))
            yield _("We call you on"), runs(when)
        return
    modes, found = matter.installation.modes, found_mode(matter)
    repaired = [modes[r.mode] for r in matter.account.repairs if r.mode in modes]
    causes = repaired or ([found] if found is not None else [])
    spares = list(dict.fromkeys(_(spare) for cause in causes for spare in cause.mode.spares))
    yield _("Parts called for"), runs("; ".join(spares) or _("none"))
    planned = formats.minutes(matter.account.minutes)
    yield _("Time so far"), runs(planned, " ", _("(as planned)"))


def _standing_caution(matter: Matter) -> list[str]:
    account, conclusion = matter.account, matter.account.conclusion
    done = (matter.closed or {}).get("verified") == "passed"
    handed = conclusion is not None and conclusion.status == "handed_over" and not done
    failed = bool(account.repairs) and account.repairs[-1].held is False
    if handed or failed or (not account.repairs and matter.closed is None):
        return [
            _(
                "Leave pump and panel switched off and do not open them: mains voltage kills. "
                "Work on them belongs to a licensed electrician under the local code."
            )
        ]
    return [
        _(
            "Never open the panel, and never reach or climb into the sump. If a breaker or "
            "another protective device trips again, leave it off and call."
        )
    ]


def _as_number(value: Any) -> float | None:
    try:
        return float(value)
    except (TypeError, ValueError):
        return None
