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
from diagnose.cli.common import INTERRUPTED, load, matrix_of, say_learned, settings, store_at
from diagnose.cli.phone_plan import show_advice, show_plan
from diagnose.cli.render import Screen
from diagnose.cli.request import GO_ON, Request
from diagnose.cli.saving import Recorder, create
from diagnose.cli.setup import Setup
from diagnose.cli.shown import print_json
from diagnose.cli.sites import answers_of, show_notes
from diagnose.errors import fail
from diagnose.interview.advice import (
    LEVELS,
    Advice,
    Plan,
    advice_of,
    first_inference,
    first_questions,
    first_tests,
)
from diagnose.interview.describing import SITE, WIRING, asks_for
from diagnose.interview.drive import Outcome, drive
from diagnose.interview.events import Event, new_event
from diagnose.interview.phone import (
    PhoneSession,
    for_customers,
    opened_by_phone,
    phone_result,
    phoned_event,
    status_of_call,
)
from diagnose.interview.session import Turn
from diagnose.interview.since import told_of
from diagnose.interview.state import PHONE, is_closed, variants_of, withdrawn_ids
from diagnose.interview.steps import Step
from diagnose.knowledge.records import KnowledgeBase, TestSpec
from diagnose.language import ENGLISH, marked, use
from diagnose.language import gettext as _
from diagnose.plant.compose import Installation, compose_ready, fill
from diagnose.reasoning.rules import RuleEngine, rules_at
from diagnose.reasoning.van import SHARE

RULE = marked(
    "The customer only looks, listens and works dry, undamaged switches, taps and plugs with dry "
    "hands. Nothing is opened, nothing wet is touched, nobody climbs or reaches into the sump. "
    "Unsure about what is safe: take the worse answer. Unsure of what is seen or heard: 'cannot'."
)
UNKNOWN = "not_known"


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


class Caller(Terminal):
    """Whoever reads the questions out; what presses is read out as soon as it follows."""

    def __init__(
        self, session: PhoneSession, screen: Screen, events: Sequence[Event], said: set[Advice]
    ) -> None:
        super().__init__(session, screen, events)
        self._advice_said = said

    def after(self, before: Turn, now: Turn, event: Event) -> None:
        """See `diagnose.interview.drive.drive`; at the end of the call all is said once more."""
        super().after(before, now, event)
        if now.step.kind != "done":
            show_advice(self.screen, advice_of(now.inference), self._advice_said, True)


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
    said: set[Advice] = set()
    chosen = variants_of(header.variants, events)
    begun = compose_ready(knowledge, header.installation, chosen)
    plan = _safety(setup, events, add, begun, said)
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
    person = Caller(session, screen, events, said)
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


def _safety(
    setup: Setup,
    events: Sequence[Event],
    add: Callable[[Event], None],
    installation: Installation,
    said: set[Advice],
) -> Plan:
    """Ask what has not been answered about safety, before anything else."""
    knowledge, gone = setup.knowledge, withdrawn_ids(events)
    rules = RuleEngine(rules_at(knowledge, installation))
    left = [e for e in events if e.id not in gone]
    answers = {str(e.data["question"]): str(e.data["choice"]) for e in left if e.kind == "answered"}
    found = {str(e.data["test"]): str(e.data["outcome"]) for e in left if e.kind == "finding"}
    tried = {str(e.data.get("test")) for e in left if e.kind in ("finding", "cannot")}
    inference = first_inference(rules, answers, found)
    if advice_of(inference).urgency == LEVELS[0]:
        answers = {}
    for question in first_questions(knowledge):
        if question.id in answers:
            continue
        chosen = setup.one(question.ask, question.choices, prompt="> ", afresh=True)
        add(new_event("answered", question=question.id, choice=chosen))
        answers[question.id] = chosen
        inference = first_inference(rules, answers, found)
        plan = advice_of(inference)
        if plan.urgency == LEVELS[0]:
            return plan
        show_advice(setup.screen, plan, said, only_at_once=True)
        for test in first_tests(knowledge, inference, tried):
            if not (for_customers(test) and installation.fits(test.needs)):
                continue
            outcome = _told_first(setup, test, installation)
            tried.add(test.id)
            if outcome:
                found[test.id] = outcome
                add(new_event("finding", test=test.id, outcome=outcome, raw=outcome))
            else:
                add(new_event("cannot", test=test.id, reason="not known"))
            plan = advice_of(first_inference(rules, answers, found))
            show_advice(setup.screen, plan, said, only_at_once=True)
    return advice_of(first_inference(rules, answers, found))


def _told_first(setup: Setup, test: TestSpec, installation: Installation) -> str:
    """The outcome of a test that is asked about right after a hazard; "" where nobody knows."""
    options = {o.id: o.title for o in test.outcomes} | {UNKNOWN: marked("not known")}
    asked = fill(test.by_phone, installation, "")
    outcome = setup.one(asked, options, prompt="> ", afresh=True)
    return "" if outcome == UNKNOWN else outcome


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
