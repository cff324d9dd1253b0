"""Describing the installation, the instruments and the person, before the first step."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Mapping
from functools import partial

from diagnose.casebook.answers import METER_CATEGORIES, QUALIFICATIONS
from diagnose.casebook.store import CaseHeader
from diagnose.cli.lines import NOT_GUESSED, clean, known_words, match, number_from, understand
from diagnose.cli.ready import ask_ready, met_at, needed, title_of
from diagnose.cli.render import INSTRUMENTS as NAMES
from diagnose.cli.render import Screen, name_of
from diagnose.cli.typed_ahead import read_afresh
from diagnose.interview.describing import (
    DIFFERS,
    INSTRUMENTS,
    METER,
    SITE,
    STANDARD,
    VARIANT,
    WIRING,
    Ask,
    asks_for,
    described,
    instruments_used,
    left_to_ask,
    next_ask,
)
from diagnose.interview.events import Event, new_event
from diagnose.interview.since import told_of
from diagnose.interview.state import variants_of
from diagnose.interview.steps import Option
from diagnose.knowledge.records import KnowledgeBase
from diagnose.language import gettext as _
from diagnose.language import marked
from diagnose.plant.compose import Installation, compose_ready

CATEGORY_TEXTS = {
    "none": marked("none stated, or not known"),
    "cat_ii": marked("CAT II: for equipment at a socket outlet"),
    "cat_iii": marked("CAT III: for fixed installations and distribution boards"),
    "cat_iv": marked("CAT IV: for the origin of the installation"),
}
PERSON_TEXTS = {
    "licensed": marked("licensed electrician"),
    "instructed": marked("instructed person: may isolate, prove dead and measure"),
    "unqualified": marked("neither: looks, listens and operates only"),
}
FIRST = marked(
    "If anyone is hurt, or if there is smoke or water near mains: touch nothing, have the supply "
    "switched off from a dry place, call for help. Everything else can wait."
)
PROVING = marked(
    "A two-pole voltage tester is needed besides, whatever is listed here: nothing is touched "
    "before it is proved dead."
)
TAKEN_AS = marked(
    "Taken to be: {title}. Another kind: --installation; a site on file: --site. How it is wired "
    "is looked at on site."
)
SITE_PROMPT = marked("Name of the site or the customer's reference (Enter: none) > ")


class _Back(Exception):
    """The answer before is taken back."""


class Setup:
    """The first few questions; each answer becomes one event of the case."""

    def __init__(
        self, knowledge: KnowledgeBase, screen: Screen, read: Callable[[str], str] = input
    ) -> None:
        self.knowledge = knowledge
        self.screen = screen
        self.read = read
        self._goes_back = False

    def _line(self, prompt: str) -> str:
        """A typed line; `_Back` where it takes the answer before back, and that can be done."""
        line = self.read(prompt)
        if self._goes_back and known_words().get(line.strip().casefold()) == "back":
            raise _Back
        return line

    def begin(
        self,
        kind: str | None,
        chosen: Mapping[str, str],
        described: tuple[str, Installation] | None = None,
        sites: Mapping[str, Installation] | None = None,
    ) -> Event:
        """Ask the first question: the ``opened`` event that its answer makes.

        Parameters
        ----------
        kind
            A type or a ready installation, where it is known.
        described
            A site that is on file, and what stands there: nothing is asked about it.
        sites
            Sites on file that may be chosen by name.

        Raises
        ------
        DiagnoseError
            An unknown installation, variant or choice among the options.
        """
        sites = sites or {}
        known = [WIRING] if kind is not None or chosen else []
        asked = kind is None and not chosen and described is None
        asked = asked and needed(self.knowledge, list(sites))
        standard = None if asked or described else self._composed(kind, chosen)
        self.screen.rule(_("A new callout"))
        self.screen.para(_(FIRST), style="bold yellow")
        site = ""
        if asked:
            choice = ask_ready(self.screen, self.read, self.knowledge, list(sites))
            if choice.site:
                described = choice.site, sites[choice.site]
            else:
                standard = self._composed(choice.ready, {})
        elif standard is not None:
            site = clean(self.read(_(SITE_PROMPT)))
            known = [*known, SITE]
        if described is not None:
            site, standard = described
            known = [WIRING, SITE]
        assert standard is not None
        asks = asks_for(self.knowledge, known)
        nothing = {} if INSTRUMENTS in asks else {INSTRUMENTS: [], METER: "none"}
        return new_event(
            "opened",
            title="",
            site=site,
            installation=standard.type.id,
            variants=dict(standard.choices),
            asks=asks,
            **told_of(self.knowledge),
            **nothing,
        )

    def go_on(
        self,
        case: CaseHeader,
        events: list[Event],
        record: Callable[[Event], None],
        only: Collection[str] = (),
    ) -> Installation:
        """Ask what is left, record each answer before the next question; what is fitted.

        `only` names what is asked for now, where the rest can wait.

        Raises
        ------
        DiagnoseError
            The case is of an installation that the knowledge base does not hold.
        """
        standard = self._composed(case.installation, case.variants)
        given: list[Ask] = []
        again: Ask | None = None
        while True:
            ask = again or next_ask(self.knowledge, standard, events)
            if ask is None or (only and ask.id not in only):
                return self._composed(case.installation, variants_of(case.variants, events))
            if ask.id == WIRING:  # what a caller said of it already counts
                standard = self._composed(case.installation, variants_of(case.variants, events))
            if given and given[-1].id == VARIANT and (ask.id != VARIANT or ask.refused):
                given = []  # what is fitted was taken as a whole
            self._goes_back = True
            try:
                answer = self._answer(ask, standard)
            except _Back:
                if not given:
                    self.screen.para(_("There is nothing here to take back."), 2, "red")
                again = given.pop() if given else again
                continue
            finally:
                self._goes_back = False
            if given and given[-1].id == WIRING and ask.id == VARIANT:
                given = []
            event = new_event("described", **described(ask, answer))
            record(event)
            events.append(event)
            given.append(ask)
            again = None

    def by_phone(
        self, case: CaseHeader, events: list[Event], record: Callable[[Event], None]
    ) -> Installation:
        """Ask what a customer can know of the wiring; what is taken to be fitted until then.

        The rest stays as the case was opened, and is asked on site.
        """
        kind = self._composed(case.installation, case.variants).type
        if WIRING in left_to_ask(events):
            said = {
                name for e in events if e.kind == "described" for name in e.data.get(VARIANT, ())
            }
            self.screen.line()
            self.screen.para(_(TAKEN_AS).format(title=_(kind.title)), hang=2)
            for name, variant in kind.variants.items():
                if not variant.by_phone or name in said:
                    continue
                choices = {choice: change.title for choice, change in variant.choices.items()}
                chosen = self.one(variant.by_phone, choices, case.variants[name])
                event = new_event("described", **described(Ask(VARIANT, name), chosen))
                record(event)
                events.append(event)
        return self._composed(case.installation, variants_of(case.variants, events))

    def _answer(self, ask: Ask, standard: Installation) -> str | tuple[str, ...]:
        if ask.id == SITE:
            return clean(self._line(_(SITE_PROMPT)))
        if ask.id == WIRING:
            return self._wiring(standard)
        if ask.id == VARIANT:
            return self._variant(ask, standard)
        if ask.id == INSTRUMENTS:
            return self._instruments()
        if ask.id == METER:
            return self.one(
                _("Which measuring category is marked on the meter and its leads (the lower one)?"),
                {c: CATEGORY_TEXTS[c] for c in METER_CATEGORIES},
            )
        return self.one(
            _("Who does the work at the panel?"), {q: PERSON_TEXTS[q] for q in QUALIFICATIONS}
        )

    def _composed(self, kind: str | None, chosen: Mapping[str, str]) -> Installation:
        return compose_ready(self.knowledge, kind, chosen)

    def _wiring(self, standard: Installation) -> str:
        kind = standard.type
        self.screen.line()
        title, met = title_of(standard), met_at(standard)
        if met:
            self.screen.para(f"{_(title)}. {_(met)}")
            self.screen.para(_("It has:"), style="bold")
        else:
            standard_one = _("The standard one has:")
            self.screen.para(f"{_(title)}. {standard_one}", style="bold")
        for name, variant in kind.variants.items():
            choice = variant.choices[standard.choices[name]]
            self.screen.para(f"{_(variant.title)}: {_(choice.title)}", 4, hang=2)
        while True:
            prompt = marked("Enter: it is the standard one; 'no': it differs > ")
            if met:
                prompt = marked("Enter: that is what is fitted; 'no': it differs > ")
            line = self._line(_(prompt)).strip()
            if not line or line.casefold() in ("y", "yes", "standard", _("yes")):
                return STANDARD
            if line.casefold() in ("n", "no", "differs", _("no")):
                return DIFFERS
            self.screen.para(_("Press Enter, or type 'no'."), 2, "red")

    def _variant(self, ask: Ask, standard: Installation) -> str:
        for issue in ask.refused:
            self.screen.para(str(issue), 2, "red")
        if ask.refused:
            self.screen.para(_("Please go through the questions once more."), 2)
        variant = standard.type.variants[ask.variant]
        return self.one(variant.ask, {c: v.title for c, v in variant.choices.items()}, ask.default)

    def one(
        self,
        question: str,
        choices: Mapping[str, str],
        default: str = "",
        prompt: str = marked("number > "),
        afresh: bool = False,
    ) -> str:
        """Ask a question until one of its choices is taken; which one.

        `afresh`: nothing that was typed before it was asked is taken.
        """
        plain = [Option(k, _(v)) for k, v in choices.items()]
        standard = _("{choice} (as standard: Enter)")
        options = [
            Option(o.id, standard.format(choice=o.title) if o.id == default else o.title)
            for o in plain
        ]
        self.screen.line()
        self.screen.para(_(question), style="bold")
        self.screen.options(options)
        read = partial(read_afresh, self._line, screen=self.screen) if afresh else self._line
        while True:
            line = read(_(prompt))
            if not line.strip() and default:
                return default
            chosen = match(line, plain)
            if chosen is not None:
                return chosen
            unsure = afresh and understand(line, plain, False).kind in ("not sure", "cannot")
            self.screen.para(_(NOT_GUESSED) if unsure else number_from(len(options)), 2, "red")

    def _instruments(self) -> tuple[str, ...]:
        used = instruments_used(self.knowledge)
        order = [i for i in NAMES if i in used] + sorted(used - set(NAMES))
        options = [Option(i, name_of(i, NAMES)) for i in order]
        self.screen.line()
        self.screen.para(_("Which instruments are at hand?"), style="bold")
        self.screen.para(_(PROVING))
        self.screen.options(options)
        while True:
            line = self._line(_("numbers (1, 2), Enter: all, 0: none > ")).strip()
            if not line:
                return tuple(order)
            if line.casefold() in ("0", "none"):
                return ()
            chosen = [match(part, options) for part in re.split(r"[,; ]+", line) if part]
            if chosen and None not in chosen:
                return tuple(i for i in order if i in chosen)
            message = _("Type numbers from 1 to {count}, with commas.")
            self.screen.para(message.format(count=len(options)), 2, "red")
