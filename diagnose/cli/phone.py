"""``diagnose phone``: the call before the drive, led by a person or by an answers file."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path

from diagnose.casebook.answers import Scripted
from diagnose.casebook.sitefiles import load_site, sites_folder
from diagnose.casebook.store import CaseStore
from diagnose.cli.ask import Terminal
from diagnose.cli.callout import Narrated, header_of, on_file
from diagnose.cli.columns import padded
from diagnose.cli.common import INTERRUPTED, load, matrix_of, say_learned, settings, store_at
from diagnose.cli.render import INSTRUMENTS, Screen, Titles, name_of
from diagnose.cli.request import GO_ON, Request
from diagnose.cli.saving import Recorder, create
from diagnose.cli.setup import Setup
from diagnose.cli.shown import print_json
from diagnose.cli.sites import answers_of, show_notes
from diagnose.errors import fail
from diagnose.interview.describing import SITE, WIRING, asks_for
from diagnose.interview.drive import Outcome, drive
from diagnose.interview.events import Event, new_event
from diagnose.interview.phone import (
    LEVELS,
    Advice,
    PhoneSession,
    Plan,
    first_advice,
    first_questions,
    opened_by_phone,
    phone_result,
    phoned_event,
    status_of_call,
)
from diagnose.interview.session import Turn
from diagnose.interview.since import told_of
from diagnose.interview.state import PHONE, is_closed, withdrawn_ids
from diagnose.interview.steps import Step
from diagnose.knowledge.records import KnowledgeBase
from diagnose.language import ENGLISH, marked, use
from diagnose.language import gettext as _
from diagnose.plant.compose import Installation, compose_ready
from diagnose.reasoning.suspects import by_unit
from diagnose.reasoning.van import SHARE
from diagnose.report.pictures.values import percent

RULE = marked(
    "The customer only looks, listens and works dry, undamaged switches, taps and plugs with dry "
    "hands. Nothing is opened, nothing wet is touched, nobody climbs or reaches into the sump. If "
    "the customer is unsure, type 'cannot'."
)
URGENCY_TEXTS = {
    "emergency": marked("EMERGENCY: end the call so that help can be called"),
    "now": marked("now: drive at once"),
    "today": marked("today"),
    "soon": marked("within a few days"),
    "planned": marked("when it suits"),
}
SHOWN_CAUSES = 5


@dataclass(frozen=True)
class PhoneRequest(Request):
    """The command's argument and options."""

    share: float = SHARE


def run_phone(request: PhoneRequest) -> int:
    """Run the command; the exit code.

    Raises
    ------
    DiagnoseError
        Options that contradict one another, or input that cannot be used.
    """
    if not 0 < request.share <= 1:
        raise fail("option", f"--share {request.share:g} must lie above 0 and up to 1")
    request.refuse_contradictions()
    if request.answers is not None:
        return _scripted(request, request.answers)
    return _interactive(request)


class PhoneScreen(Screen):
    """What is read out to the customer; each caution once."""

    def __init__(self, plain: bool = False) -> None:
        super().__init__(plain)
        self._said: set[str] = set()

    def step(self, step: Step, number: int) -> None:
        """See `Screen.step`."""
        if step.kind != "test":
            super().step(step, number)
            return
        minutes = f"{max(step.minutes, 1):.0f}"
        self.rule(
            _("Question {number}").format(number=number),
            _("about {minutes} min").format(minutes=minutes),
        )
        self.para(step.title, style="bold")
        for caution in step.cautions:
            if caution not in self._said:
                self.field(_("CAUTION"), caution, "bold yellow")
        self._said.update(step.cautions)
        self.field(_("Ask"), step.text)
        self.field(_("Healthy"), step.healthy)
        self.options(step.options)


# ---------------------------------------------------------------------- by a person


def _interactive(request: PhoneRequest) -> int:
    screen = PhoneScreen(request.no_color)
    store = store_at(request.store)
    case_id = ""
    try:
        knowledge = load(request.knowledge)
        say_learned(screen, knowledge)
        setup = Setup(knowledge, screen)
        if request.resume:
            case_id = request.case or store.latest()
        else:
            events = _opening(request, screen, knowledge)
            case_id = create(store, header_of(events[0]), events, input).id
        with store.hold(case_id):
            return _lead(request, screen, setup, store, case_id)
    except (KeyboardInterrupt, EOFError):
        screen.line()
        if case_id:
            request.resume_hint(screen, "phone", case_id, GO_ON)
        return INTERRUPTED


def _opening(request: PhoneRequest, screen: Screen, knowledge: KnowledgeBase) -> list[Event]:
    """The first events of a call: at a site on file, with what is known of it."""
    if request.site is not None:
        site, installation = load_site(sites_folder(request.store), request.site, knowledge)
        show_notes(screen, site)
        name = str(site.name)
        return [_opened(knowledge, installation, [SITE, WIRING], name), *answers_of(site)]
    chosen = settings(request.variants)
    given = request.installation is not None or bool(chosen)
    installation = compose_ready(knowledge, request.installation, chosen)
    return [_opened(knowledge, installation, [WIRING] if given else [])]


def _opened(
    knowledge: KnowledgeBase, installation: Installation, known: Sequence[str], site: str = ""
) -> Event:
    event = new_event(
        "opened",
        title="telephone call",
        site=site,
        installation=installation.type.id,
        variants=dict(installation.choices),
        **told_of(knowledge),
    )
    return opened_by_phone(event, asks_for(knowledge, known))


def _lead(
    request: PhoneRequest, screen: PhoneScreen, setup: Setup, store: CaseStore, case_id: str
) -> int:
    header, events = store.header(case_id), store.events(case_id)
    if not on_the_phone(events):
        raise fail("stage", f"'{case_id}' is no call: diagnose callout --resume {case_id}")

    record = Recorder(store, case_id, input)

    def add(event: Event) -> None:
        record(event)
        events.append(event)

    screen.line()
    screen.para(on_file(case_id, store), hang=2)
    screen.rule(_("A telephone call"))
    screen.para(_(RULE), style="bold yellow")
    if request.resume:
        add(new_event("resumed", stage=PHONE))
    knowledge = setup.knowledge
    plan = _safety(setup, events, add)
    if plan.urgency == LEVELS[0]:
        add(phoned_event(plan, None, LEVELS[0]))
        show_plan(screen, plan, request.share)
        screen.line()
        request.resume_hint(screen, "phone", case_id, marked("When nobody is in danger any more:"))
        return 0
    setup.go_on(header, events, record, (SITE,))
    installation = setup.by_phone(header, events, record)
    matrix = matrix_of(knowledge, installation, screen.plain)
    session = PhoneSession(knowledge, installation, matrix, request.share)
    person = Terminal(session, screen, events)
    outcome = drive(
        session, events, person, record=record, refused=person.refused, after=person.after
    )
    turn = outcome.turn
    plan = session.plan(turn)
    add(phoned_event(plan, turn, status_of_call(turn)))
    show_plan(screen, plan, request.share, session, turn)
    screen.line()
    hint = marked("On site, the case goes on from here:")
    request.resume_hint(screen, "callout", case_id, hint)
    return 0


def on_the_phone(events: Sequence[Event]) -> bool:
    """Whether a case started with a call and nobody is on site yet."""
    arrived = [e for e in events if e.kind == "resumed" and e.data.get("stage") != PHONE]
    closed = is_closed(events)
    return events[0].data.get("stage") == PHONE and not arrived and not closed


def _safety(setup: Setup, events: Sequence[Event], add: Callable[[Event], None]) -> Plan:
    """Ask what has not been answered about safety, before anything else."""
    knowledge, gone = setup.knowledge, withdrawn_ids(events)
    answers = {
        str(e.data["question"]): str(e.data["choice"])
        for e in events
        if e.kind == "answered" and e.id not in gone
    }
    if first_advice(knowledge, answers).urgency == LEVELS[0]:
        answers = {}
    said: set[Advice] = set()
    for question in first_questions(knowledge):
        if question.id in answers:
            continue
        chosen = setup.one(question.ask, question.choices, prompt="> ", afresh=True)
        add(new_event("answered", question=question.id, choice=chosen))
        answers[question.id] = chosen
        plan = first_advice(knowledge, answers)
        if plan.urgency == LEVELS[0]:
            return plan
        show_advice(setup.screen, plan, said)  # whoever felt a shock is not asked on first
    return first_advice(knowledge, answers)


# ---------------------------------------------------------------------- what it leads to


def show_advice(screen: Screen, plan: Plan, said: set[Advice]) -> None:
    """What to switch off and what to keep away from, but for what was `said` before."""
    for label, advice in ((_("OFF"), plan.switch_off), (_("KEEP OFF"), plan.keep_off)):
        for item in advice:
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
        if suspect.probability >= 0.01:
            screen.para(titles.suspected(suspect), 2, hang=6)
    screen.rule(_("Load the van"), _("needed / price in min of work"))
    room = screen.width - 24
    for spare in load.spares:
        screen.line(
            f"  [ ] {padded(_(spare.name), room)} {percent(spare.covers):>5} / {spare.cost:>5.0f}"
        )
    if not load.spares:
        screen.para(_("No spare: what is still likely needs none."), 2)
    together = _(
        "{cost} min; {covered} of the causes that need a spare are covered ({share} asked for); "
        "{none} need none."
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
    tools = [_("two-pole voltage tester, locks and tags")]
    tools += [name_of(i, INSTRUMENTS) for i in plan.instruments]
    screen.field(_("Tools"), ", ".join(tools))


# ---------------------------------------------------------------------- by a file


def _scripted(request: PhoneRequest, path: Path) -> int:
    if request.json:
        use(ENGLISH)
    knowledge = load(request.knowledge)
    answers = request.answers_in(path, knowledge)
    screen = PhoneScreen(request.no_color)
    if not request.json:
        say_learned(screen, knowledge)
    matrix = matrix_of(knowledge, answers.installation, screen.plain)
    session = PhoneSession(knowledge, answers.installation, matrix, request.share)
    opened = opened_by_phone(answers.opened(knowledge), asks_for(knowledge, [SITE, WIRING]))
    events = [opened]
    store = store_at(request.store) if request.store else None
    case_id = create(store, header_of(opened), events).id if store is not None else ""
    save = Recorder(store, case_id) if store is not None else None
    person: Scripted | Narrated = Scripted(answers, knowledge)
    if not request.json:
        person = Narrated(Scripted(answers, knowledge), session, screen, events)
        screen.para(answers.title, style="bold")

    def record(event: Event) -> None:
        if save is not None:
            save(event)

    with store.hold(case_id) if store is not None else nullcontext():
        after = person.after if isinstance(person, Narrated) else lambda before, now, event: None
        outcome: Outcome = drive(session, events, person, record=record, after=after)
        turn = outcome.turn
        plan = session.plan(turn)
        record(phoned_event(plan, turn, status_of_call(turn)))
    if request.json:
        result = phone_result(session, outcome, events)
        result["case"] = {"id": case_id or None, "title": answers.title}
        result["knowledge"] = knowledge.digest
        print_json(result)
    else:
        show_plan(screen, plan, request.share, session, turn)
    return 0
