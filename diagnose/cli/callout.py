"""``diagnose callout``: led by a person at the terminal, or by an answers file."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import nullcontext
from pathlib import Path
from typing import Any

from diagnose.casebook.answers import Answers, Scripted
from diagnose.casebook.store import CaseHeader, CaseStore
from diagnose.cli.ask import Terminal
from diagnose.cli.common import INTERRUPTED, load, say_learned, session_for, store_at
from diagnose.cli.render import Screen, Titles
from diagnose.cli.request import GO_ON, Request
from diagnose.cli.saving import Recorder, create
from diagnose.cli.setup import Setup
from diagnose.cli.shown import print_json
from diagnose.cli.speaking import spoken
from diagnose.errors import fail
from diagnose.interview.drive import Outcome, Reply, drive, summary
from diagnose.interview.events import Event, new_event
from diagnose.interview.session import Session, Turn
from diagnose.interview.since import changed_since
from diagnose.interview.state import is_closed
from diagnose.interview.steps import Option, Step
from diagnose.knowledge.records import KnowledgeBase
from diagnose.language import ENGLISH, use
from diagnose.language import gettext as _


def run_callout(request: Request) -> int:
    """Run the command; the exit code.

    Raises
    ------
    DiagnoseError
        Options that contradict one another, or input that cannot be used.
    """
    request.refuse_contradictions()
    if request.answers is not None:
        return _scripted(request, request.answers)
    return _interactive(request)


# ---------------------------------------------------------------------- by a person


def _interactive(request: Request) -> int:
    screen = Screen(request.no_color)
    store = store_at(request.store)
    case_id = ""
    try:
        knowledge = load(request.knowledge)
        say_learned(screen, knowledge)
        if request.resume:
            case_id = request.case or store.latest()
        else:
            from diagnose.cli.sites import open_case

            case_id = create(store, *open_case(request, screen, knowledge), input).id
        with store.hold(case_id):
            return _lead(request, screen, store, knowledge, case_id)
    except (KeyboardInterrupt, EOFError):
        screen.line()
        if case_id:
            request.resume_hint(screen, "callout", case_id, GO_ON)
        else:
            screen.para(_("Stopped before anything was answered: nothing is on file."))
        return INTERRUPTED


def on_file(case_id: str, store: CaseStore) -> str:
    """Where a case is kept, in a sentence."""
    return _("Case {case}, on file at {place}").format(case=case_id, place=store.where(case_id))


def header_of(opened: Event) -> CaseHeader:
    """The header of the case that an ``opened`` event starts."""
    data = opened.data
    return CaseHeader(
        id="",
        title=str(data.get("title", "")),
        site=str(data.get("site", "")),
        installation=str(data["installation"]),
        variants=data["variants"],
        opened=opened.at,
        knowledge=str(data.get("knowledge", "")),
    )


def _lead(
    request: Request, screen: Screen, store: CaseStore, knowledge: KnowledgeBase, case_id: str
) -> int:
    header, events = store.header(case_id), store.events(case_id)
    if is_closed(events):
        raise fail("closed", f"the case '{case_id}' is closed")
    screen.line()
    screen.para(on_file(case_id, store), hang=2)

    record = Recorder(store, case_id, input)
    if request.resume:
        event = new_event("resumed")
        record(event)
        events.append(event)
        done = sum(e.kind in ("described", "finding", "answered") for e in events)
        message = _(
            "Going on after {count} answers. The electrical state counts as unknown, so as live, "
            "until it is proved dead again."
        )
        screen.para(message.format(count=done))
    installation = Setup(knowledge, screen).go_on(header, events, record)
    session = session_for(knowledge, installation, screen.plain)
    if since := changed_since(session, header.knowledge, events):
        screen.para(since)
    person = Terminal(session, screen, events)
    outcome = drive(
        session,
        events,
        person,
        record=record,
        refused=person.refused,
        after=person.after,
    )
    if outcome.turn.step.kind != "done":
        request.resume_hint(screen, "callout", case_id, GO_ON)
        return 0
    return _offer_to_close(screen, store, knowledge, person, case_id)


def _offer_to_close(
    screen: Screen, store: CaseStore, knowledge: KnowledgeBase, person: Terminal, case_id: str
) -> int:
    from diagnose.cli.close import Closing, close_case

    step = person.session.turn(store.events(case_id)).step
    screen.rule(_(step.title))
    screen.open_checks(step)
    options = [Option("yes", _("yes")), Option("no", _("no, later: diagnose close"))]
    screen.para(_("Close the case now?"), style="bold")
    screen.options(options)
    if person.choose(options, _("number > ")) == "yes":
        confirmed = None if step.open_checks else "verification"
        close_case(store, case_id, Closing(confirmed=confirmed), screen, knowledge)
    return 0


# ---------------------------------------------------------------------- by a file


def _scripted(request: Request, path: Path) -> int:
    if request.json:
        use(ENGLISH)
    knowledge = load(request.knowledge)
    answers = request.answers_in(path, knowledge)
    screen = Screen(request.no_color)
    if not request.json:
        say_learned(screen, knowledge)
    session = session_for(knowledge, answers.installation, screen.plain)
    opened = answers.opened(knowledge)
    events = [opened]
    store: CaseStore | None = store_at(request.store) if request.store else None
    case_id = create(store, header_of(opened), events).id if store is not None else ""
    scripted = Scripted(answers, knowledge)
    person: Scripted | Narrated = scripted
    if not request.json:
        person = Narrated(scripted, session, screen, events)
        screen.para(answers.title, style="bold")
        if answers.note:
            screen.para(answers.note)
    with store.hold(case_id) if store is not None else nullcontext():
        outcome = drive(
            session,
            events,
            person,
            record=Recorder(store, case_id) if store is not None else None,
            after=person.after if isinstance(person, Narrated) else lambda a, b, c: None,
        )
    result = result_of(outcome, events, answers, knowledge, case_id)
    if request.json:
        print_json(result)
    else:
        minutes = f"{result['minutes']:.0f}"
        screen.rule(_("End"), _("{minutes} min in all").format(minutes=minutes))
        if outcome.turn.step.kind == "done":
            screen.para(_(outcome.turn.step.title), 2)
            screen.open_checks(outcome.turn.step)
        if answers.expect:
            expected = ", ".join(f"{k}: {v}" for k, v in answers.expect.items())
            verdict = _("as expected") if result["as_expected"] else _("NOT as expected")
            screen.para(f"{verdict} ({expected})", 2)
    return 0


def result_of(
    outcome: Outcome,
    events: Sequence[Event],
    answers: Answers,
    knowledge: KnowledgeBase,
    case_id: str = "",
) -> dict[str, Any]:
    """The object that ``--json`` prints."""
    result = dict(summary(outcome, events))
    result["case"] = {
        "id": case_id or None,
        "title": answers.title,
        "installation": answers.installation.type.id,
        "variants": dict(answers.installation.choices),
    }
    result["knowledge"] = knowledge.digest
    result["expected"] = dict(answers.expect)
    result["as_expected"] = (
        all(result.get(k) == (None if v == "unknown" else v) for k, v in answers.expect.items())
        if answers.expect
        else None
    )
    return result


class Narrated:
    """A scripted person whose questions and answers are put on the screen."""

    def __init__(
        self, person: Scripted, session: Session, screen: Screen, events: Sequence[Event]
    ) -> None:
        self.person = person
        self.session = session
        self.screen = screen
        self.events = events
        self.titles = Titles(session)
        self._terminal = Terminal(session, screen, events)

    def reply(self, turn: Turn, step: Step) -> Reply:
        """See `diagnose.interview.drive.Person`."""
        reply = self.person.reply(turn, step)
        step = spoken(step)
        if step.conclusion is not None:
            self.screen.conclusion(step.conclusion, self.titles)
            return reply
        if reply.kind == "cannot":
            not_measured = _("not measured")
            self.screen.para(f"- {not_measured}: {step.title}", 2, hang=2)
            return reply
        titles = {option.id: option.title for option in step.options}
        said = ", ".join(titles.get(t, t) for t in reply.ids or (reply.text,))
        if step.kind == "question":
            self.screen.para(f"{step.title} > {said}", hang=2)
            return reply
        number = 1 + sum(e.kind == "finding" for e in self.events)
        self.screen.step(step, number)
        self.screen.para(f"> {said}", style="bold")
        return reply

    def after(self, before: Turn, now: Turn, event: Event) -> None:
        """Say what an answer changed."""
        if event.kind == "finding":
            self._terminal.after(before, now, event)
