"""Asking a person at the terminal."""

from __future__ import annotations

import re
import threading
from collections.abc import Callable, Sequence
from dataclasses import replace

from diagnose.cli.ending import ask_repair
from diagnose.cli.lines import (
    HELP,
    NOT_GUESSED,
    Said,
    by_words,
    clean,
    match,
    number_from,
    understand,
)
from diagnose.cli.render import Screen, Titles, name_of, sentence
from diagnose.cli.speaking import spoken
from diagnose.cli.typed_ahead import read_afresh
from diagnose.errors import DiagnoseError
from diagnose.interview.asking import other_meaning, typed_unit
from diagnose.interview.drive import Reply
from diagnose.interview.events import Event
from diagnose.interview.safety import REPORTS, reports
from diagnose.interview.session import Session, Turn
from diagnose.interview.state import PHONE, withdrawn_ids
from diagnose.interview.steps import Option, Step
from diagnose.interview.telling import taken_as
from diagnose.knowledge.asked_records import Question
from diagnose.language import gettext as _
from diagnose.language import marked

Read = Callable[[str], str]

TAKEN = {
    "complaint": marked("complaint"),
    "answered": marked("answered"),
    "finding": marked("finding"),
    "cannot": marked("cannot"),
    "verified": marked("verified"),
}
"""Kinds of answers that can be taken back."""

SAID_AT_ONCE = (
    ("hold", "why", marked("STOP"), "bold red"),
    ("dead_only", "why", marked("STOP"), "bold red"),
    ("advise", "text", marked("Advice"), ""),
)
"""Conclusions of the rules that an answer is followed by: their text, its label and style."""


class Terminal:
    """A person at the terminal (`diagnose.interview.drive.Person`)."""

    def __init__(
        self, session: Session, screen: Screen, events: Sequence[Event], read: Read = input
    ) -> None:
        self.session = session
        self.screen = screen
        self.events = events
        self.read = read
        self.titles = Titles(session)
        self._shown: tuple[int, str] | None = None

    # ------------------------------------------------------------------ drive's callbacks

    def reply(self, turn: Turn, step: Step) -> Reply:
        """See `diagnose.interview.drive.Person`."""
        step = spoken(step)
        now = (len(self.events), step.id)
        new, self._shown = self._shown != now, now
        if step.conclusion is not None:
            if new:
                self.screen.conclusion(step.conclusion, self.titles)
            return ask_repair(self, turn, step.conclusion)
        if new:
            self.screen.step(step, self._number())
        while True:
            line = self._read(step)
            said = understand(line, step.options, bool(step.unit))
            reply = self._reply(turn, step, said)
            if reply is not None and reply.kind == "answer" and not reply.typed:
                reply = replace(reply, typed=clean(line))
            if reply is not None:
                return reply

    def refused(self, error: DiagnoseError) -> bool:
        """Say what is wrong with an answer, and have it asked again."""
        for issue in error.issues:
            self.screen.para(str(issue), 2, "red")
        return True

    def after(self, before: Turn, now: Turn, event: Event) -> None:
        """Say what an answer changed; while a repair is checked, work ahead."""
        if event.kind == "repaired":
            threading.Thread(target=self.session.prepare, args=(now.state,), daemon=True).start()
        if event.kind == "withdrawn":
            taken = next((e for e in self.events if e.id == event.data["event"]), None)
            what = _(TAKEN[taken.kind]) if taken and taken.kind in TAKEN else _("an answer")
            taken_back = _("Taken back")
            about = self._name(taken) if taken else ""
            self.screen.para(f"{taken_back}: {what}{about and ': ' + about}", 2, hang=2)
            if now.state.electrical is not before.state.electrical:
                self.screen.para(_("The electrical state now counts as unknown, so as live."), 2)
        if event.kind in ("finding", "verified"):
            self._say_how_taken(before, event)
        if event.kind == "verified" and event.data["result"] == "fail":
            message = _("Then the fault, or a second one, is still there: the search goes on.")
            self.screen.para(message, 2, "bold")
        says_it_itself = now.step.conclusion is not None
        if event.kind in ("answered", "complaint") and not says_it_itself:
            self._say_at_once(before, now)
        searching = now.step.kind in ("act", "test", "conclusion")
        if event.kind in ("finding", "cannot", "withdrawn") and searching:
            self.screen.causes(now, self.titles)

    def _say_how_taken(self, before: Turn, event: Event) -> None:
        """A reading as it was understood, so that a slip of the hand is seen."""
        test = self.session.tests.get(str(event.data.get("test")))
        unit = typed_unit(test) if test is not None else before.step.unit
        titles = {
            o.id: o.title for o in (test.outcomes if test is not None else before.step.options)
        }
        given, raw = event.data.get("outcome", event.data.get("result")), event.data.get("raw")
        if unit and raw is not None:
            words = _(titles[str(given)])
            self.screen.field(_("Taken as"), taken_as(str(raw), unit, words, str(given)))

    def _say_at_once(self, before: Turn, now: Turn) -> None:
        """What an answer stops, and what the rules advise after it."""
        for kind, key, label, style in SAID_AT_ONCE:
            if kind == "advise" and now.state.stage == PHONE:  # to a technician, not a customer
                continue
            for fact in now.inference.concluded(kind):
                if fact not in before.inference.concluded(kind):
                    text = sentence(_(fact.words(key)))
                    self.screen.field(_(label), text, style)

    # ------------------------------------------------------------------ one line

    def _name(self, event: Event) -> str:
        """What an event is about, in words."""
        data = event.data
        test = self.session.tests.get(str(data.get("test", "")))
        question = self.session.questions.get(str(data.get("question", "")))
        if test is not None:
            return _(test.title)
        return _(question.ask) if question is not None else name_of(str(data.get("act", "")))

    def _number(self) -> int:
        gone = withdrawn_ids(self.events)
        return 1 + sum(e.kind == "finding" and e.id not in gone for e in self.events)

    def _read(self, step: Step) -> str:
        """A line; what is said about safety, an act or a repair is read only once it was asked."""
        prompt = self._prompt(step)
        question = self.session.questions.get(step.id) if step.kind == "question" else None
        if step.kind in ("act", "verify") or (question and question.kind == "safety"):
            return read_afresh(self.read, prompt, screen=self.screen)
        return self.read(prompt)

    def _prompt(self, step: Step) -> str:
        if step.kind == "act":
            return _("'done' when it is done, cannot, back, hazard, stop > ")
        if step.kind == "test":
            return _("answer, ? why, other, cannot, not sure, back, hazard, stop > ")
        if step.id == "complaint":
            return _("number, or several (1, 3); ? what each means > ")
        return "> "

    def _reply(self, turn: Turn, step: Step, said: Said) -> Reply | None:
        """The reply behind a line; None where it only asked for something to be shown."""
        complaint = step.kind == "question" and step.id == "complaint"
        if said.kind == "bad" and complaint:
            several = self._several(said, step)
            if several is not None:
                return several
        question = self.session.questions.get(step.id) if step.kind == "question" else None
        if said.kind == "bad":
            self.screen.para(said.text, 2, "red")
        elif question and question.kind == "safety" and (said.kind == "not sure" or not said.sure):
            self.screen.para(_(NOT_GUESSED), 2, "red")
        elif said.kind == "hazard":
            return self.hazard()
        elif said.kind == "answer":
            if unclear := self._unclear(step, said.text):
                self.screen.para(unclear, 2, "red")
                return None
            return Reply("answer", said.text, said.sure, (said.text,) if complaint else ())
        elif said.kind == "help":
            for word, meaning in HELP:
                self.screen.field(_(word), _(meaning))
        elif said.kind == "view":
            self.screen.view(turn, self.titles)
        elif said.kind.startswith("circuit"):
            self._circuit(said.kind, step)
        elif said.kind == "why":
            self._why(step)
        elif said.kind == "other":
            return self._other(turn)
        elif said.kind == "cannot" and question:
            return self._usual(question)
        elif said.kind == "not sure":
            return self._guess(step, question)
        else:
            return Reply(said.kind, said.text)
        return None

    def _unclear(self, step: Step, text: str) -> str:
        """What to type instead of a bare number that may be a reading or an answer's number."""
        option = other_meaning(self.session, step, text)
        if option is None:
            return ""
        message = _(
            "'{text}' could be a reading or an answer's number: type {text} {unit} for the "
            "reading, {word} for '{title}'"
        )
        return message.format(text=text, unit=step.unit, word=option.id, title=option.title)

    def _circuit(self, said: str, step: Step) -> None:
        from diagnose.cli.circuit import open_circuit, show_circuit

        if said == "circuit open":
            open_circuit(self.screen, self.session, self.events)
        else:
            near = step.points if said == "circuit" else ()
            show_circuit(self.screen, self.session, self.events, near)

    def _several(self, said: Said, step: Step) -> Reply | None:
        chosen = [match(part, step.options) for part in re.split(r"[,; ]+", said.line) if part]
        known = tuple(dict.fromkeys(c for c in chosen if c is not None))
        return Reply("answer", ids=known) if len(known) > 1 and None not in chosen else None

    def _why(self, step: Step) -> None:
        if step.why is not None:
            self.screen.why(step.why)
        elif step.kind == "act":
            self.screen.para(_("The next test needs this electrical state."), 2)
            self.screen.field(_("Next test"), step.towards)
        elif step.kind == "verify":
            self.screen.para(_("A repair counts only once it is shown to have worked."), 2)
        elif step.id == "complaint":
            known = self.session.knowledge.complaints
            for option in step.options:
                self.screen.para(f"{option.title}: {_(known[option.id].says)}", 2, hang=4)
        else:
            message = _("It bears on what is safe to do, or on which causes are likely.")
            self.screen.para(message, 2)

    def _other(self, turn: Turn) -> Reply | None:
        choices = turn.decision.choices if turn.decision is not None else ()
        tests = [c.candidate for c in choices if self.session.step_for(turn, c.candidate.test)]
        if not tests:
            self.screen.para(_("There is no other test that would tell anything now."), 2)
            return None
        options = [
            Option(
                t.test,
                _("{test} (about {minutes} min)").format(
                    test=sentence(_(self.session.tests[t.test].title)),
                    minutes=f"{max(t.minutes, 1):.0f}",
                ),
            )
            for t in tests[:9]
        ]
        self.screen.rule(_("Tests that would tell something now, the best first"))
        self.screen.options(options)
        chosen = self.choose(options, _("number, Enter to stay > "), optional=True)
        self._shown = None
        return Reply("other", chosen) if chosen else None

    def hazard(self) -> Reply | None:
        """What is reported, whatever was asked; None where nothing is."""
        options = [Option(f"{q}.{c}", _(REPORTS[q, c])) for q, c in reports(self.session)]
        self.screen.rule(_("What do you report?"))
        self.screen.options(options)
        prompt = _("number, Enter for none > ")
        chosen = self.choose(options, prompt, optional=True, among=options)
        self._shown = None
        return Reply("hazard", chosen) if chosen else None

    def _usual(self, question: Question) -> Reply | None:
        """What is taken to be so where nobody knows; safety is not guessed."""
        if question.kind == "safety":
            self.screen.para(_(NOT_GUESSED), 2, "red")
            return None
        taken = _("Taken to be: {answer}").format(answer=_(question.choices[question.default]))
        self.screen.para(taken, 2)
        return Reply("answer", question.default)

    def _guess(self, step: Step, question: Question | None) -> Reply | None:
        if step.kind not in ("test", "question"):
            self.screen.para(_("This needs a plain answer."), 2)
            return None
        line = self.read(_("your best guess, Enter if there is none > "))
        if not line.strip():
            if question:
                return self._usual(question)
            return Reply("cannot", "not sure") if step.kind == "test" else None
        said = understand(line, step.options, bool(step.unit))
        unclear = self._unclear(step, said.text) if said.kind == "answer" else ""
        if said.kind == "answer" and not unclear:
            return Reply("answer", said.text, False, (said.text,), f"not sure {clean(line)}")
        self.screen.para(unclear or said.text or _("That is no guess."), 2, "red")
        return None

    def choose(
        self,
        options: Sequence[Option],
        prompt: str,
        optional: bool = False,
        default: str = "",
        among: Sequence[Option] = (),
    ) -> str:
        """One of some options; "" (or the default) for an empty line where allowed.

        `among`: more than are shown; words that several of them hold show these instead.
        """
        while True:
            line = self.read(prompt)
            if not line.strip() and (optional or default):
                return default
            chosen = match(line, options)
            if chosen is not None:
                return chosen
            found = by_words(line, among)
            if len(found) == 1:
                return found[0].id
            if found:
                options = found
                self.screen.options(options)
                continue
            self.screen.para(number_from(len(options)), 2, "red")
