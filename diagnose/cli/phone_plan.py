"""What is read out and noted of a call: what to switch off, how urgent it is, what to load."""

from __future__ import annotations

from diagnose.cli.columns import padded
from diagnose.cli.render import INSTRUMENTS, Screen, Titles, name_of
from diagnose.interview.advice import Advice, Plan
from diagnose.interview.describing import METERS
from diagnose.interview.phone import PhoneSession
from diagnose.interview.session import Turn
from diagnose.language import gettext as _
from diagnose.language import marked
from diagnose.reasoning.suspects import by_unit
from diagnose.report.pictures.values import percent

URGENCY_TEXTS = {
    "emergency": marked("EMERGENCY: end the call so that help can be called"),
    "now": marked("now: drive at once"),
    "today": marked("today"),
    "soon": marked("within a few days"),
    "planned": marked("when it suits"),
}
SHOWN_CAUSES = 5
WORTH_SAYING = 0.03
"""A unit less likely than this is not named as a likely one (judgement)."""
CATEGORY = marked(
    "meter and leads marked CAT III, CAT IV at the meter board (IEC 61010-2-030, -031)"
)


def show_advice(screen: Screen, plan: Plan, said: set[Advice], only_at_once: bool = False) -> None:
    """What to switch off and what to keep away from, but for what was `said` before.

    `only_at_once`: what can wait for the end of the call is left out, unless something is kept
    away from: then what to switch off is no less pressing.
    """
    pressing = bool(plan.keep_off)
    for label, advice in ((_("OFF"), plan.switch_off), (_("KEEP OFF"), plan.keep_off)):
        for item in advice:
            if only_at_once and not (item.at_once or pressing):
                continue
            if item not in said:
                screen.field(label, f"{_(item.what)}: {_(item.how)}", "bold yellow")
                label = ""
            said.add(item)


def show_plan(
    screen: Screen,
    plan: Plan,
    share: float,
    session: PhoneSession | None = None,
    turn: Turn | None = None,
) -> None:
    """How urgent it is, what to switch off, what to load."""
    screen.rule(_("End of the call"), _(plan.urgency))
    screen.field(_("Urgent"), _(URGENCY_TEXTS[plan.urgency]), "bold")
    for reason in plan.reasons:
        screen.field("", _(reason))
    screen.line()
    show_advice(screen, plan, set())
    load = plan.load
    if session is None or turn is None or load is None:
        return
    titles = Titles(session)
    screen.rule(_("Likeliest so far"))
    for suspect in by_unit(turn.belief.ranking())[:SHOWN_CAUSES]:
        if suspect.probability >= WORTH_SAYING:
            screen.para(titles.suspected(suspect), 2, hang=6)
    screen.rule(_("Load the van"), _("needed / price in min of work"))
    room = screen.width - 24
    for spare in load.spares:
        screen.line(
            f"  [ ] {padded(_(spare.name), room)} {percent(spare.covers):>5} / {spare.cost:>5.0f}"
        )
    if load.spares:
        together = _(
            "{cost} min; {covered} of the causes that need a spare are covered ({share} asked "
            "for); {none} need none."
        )
        screen.field(
            _("Together"),
            together.format(
                cost=f"{load.cost:.0f}",
                covered=percent(load.covered),
                share=f"{share:.0%}",
                none=percent(load.no_spare),
            ),
        )
    else:
        screen.para(_("No spare: what is still likely needs none."), 2)
    tools = [_("two-pole voltage tester, locks and tags")]
    tools += [name_of(i, INSTRUMENTS) for i in plan.instruments]
    screen.field(_("Tools"), ", ".join(tools))
    if set(METERS) & set(plan.instruments):
        screen.field("", _(CATEGORY))
    for item in plan.take:
        screen.field("", f"{_(item.what)}: {_(item.how)}")
