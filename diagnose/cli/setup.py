"""Describing the installation, the instruments and the person, before the case is opened."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from diagnose.casebook.answers import METER_CATEGORIES, QUALIFICATIONS
from diagnose.cli.ask import clean, match
from diagnose.cli.render import INSTRUMENTS, Screen, name_of
from diagnose.errors import DiagnoseError
from diagnose.interview.steps import Option
from diagnose.knowledge.records import InstallationType, KnowledgeBase
from diagnose.plant.compose import Installation, compose

CATEGORY_TEXTS = {
    "none": "none stated, or not known",
    "cat_ii": "CAT II: for equipment at a socket outlet",
    "cat_iii": "CAT III: for fixed installations and distribution boards",
    "cat_iv": "CAT IV: for the origin of the installation",
}
PERSON_TEXTS = {
    "licensed": "licensed electrician",
    "instructed": "instructed person: may isolate, prove dead and measure",
    "unqualified": "neither: looks, listens and operates only",
}
FIRST = (
    "If anyone is hurt, or if there is smoke or water near mains: touch nothing, have the supply "
    "switched off from a dry place, call for help. Everything else can wait."
)
PROVING = (
    "A two-pole voltage tester is needed besides, whatever is listed here: nothing is touched "
    "before it is proved dead."
)
METERS = ("multimeter", "loz", "clamp", "capacitance", "insulation_tester")


@dataclass(frozen=True)
class Described:
    """Everything the first event of a case needs."""

    installation: Installation
    site: str
    instruments: tuple[str, ...]
    meter_category: str
    qualification: str


class Setup:
    """The first few questions."""

    def __init__(
        self, knowledge: KnowledgeBase, screen: Screen, read: Callable[[str], str] = input
    ) -> None:
        self.knowledge = knowledge
        self.screen = screen
        self.read = read

    def describe(self, kind: str | None, chosen: Mapping[str, str]) -> Described:
        """Ask for what the options do not say.

        Raises
        ------
        DiagnoseError
            An unknown installation, variant or choice among the options.
        """
        given = kind is not None or bool(chosen)
        kind = kind or self._kind()
        installation = compose(self.knowledge, kind, chosen)
        self.screen.rule("A new callout")
        self.screen.para(FIRST, style="bold yellow")
        site = self.read("Name of the site or the customer's reference (Enter: none) > ")
        if not given:
            installation = self._variants(installation)
        instruments = self._instruments()
        category = "none"
        if set(METERS) & set(instruments):
            category = self._one(
                "Which measuring category is marked on the meter and its leads (the lower one)?",
                {c: CATEGORY_TEXTS[c] for c in METER_CATEGORIES},
            )
        person = self._one(
            "Who does the work at the panel?", {q: PERSON_TEXTS[q] for q in QUALIFICATIONS}
        )
        return Described(installation, clean(site), instruments, category, person)

    def _kind(self) -> str:
        kinds = {k: i.title for k, i in self.knowledge.installations.items()}
        if len(kinds) == 1:
            return next(iter(kinds))
        return self._one("Which kind of installation is it?", kinds)

    def _variants(self, standard: Installation) -> Installation:
        kind = standard.type
        self.screen.line()
        self.screen.para(f"{kind.title}. The standard one has:", style="bold")
        for name, variant in kind.variants.items():
            choice = variant.choices[standard.choices[name]]
            self.screen.para(f"{variant.title}: {choice.title}", 4, hang=2)
        while True:
            line = self.read("Enter: it is the standard one; 'no': it differs > ").strip()
            if not line or line.casefold() in ("y", "yes", "standard"):
                return standard
            if line.casefold() in ("n", "no", "differs"):
                return self._each(kind, dict(standard.choices))
            self.screen.para("Press Enter, or type 'no'.", 2, "red")

    def _each(self, kind: InstallationType, choices: dict[str, str]) -> Installation:
        while True:
            for name, variant in kind.variants.items():
                if len(variant.choices) > 1:
                    named = {c: v.title for c, v in variant.choices.items()}
                    choices[name] = self._one(variant.ask, named, choices[name])
            try:
                return compose(self.knowledge, kind.id, choices)
            except DiagnoseError as error:
                for issue in error.issues:
                    self.screen.para(str(issue), 2, "red")
                self.screen.para("Please go through the questions once more.", 2)

    def _one(self, question: str, choices: Mapping[str, str], default: str = "") -> str:
        options = [
            Option(k, f"{v} (as standard: Enter)" if k == default else v)
            for k, v in choices.items()
        ]
        plain = [Option(k, v) for k, v in choices.items()]
        self.screen.line()
        self.screen.para(question, style="bold")
        self.screen.options(options)
        while True:
            line = self.read("number > ")
            if not line.strip() and default:
                return default
            chosen = match(line, plain)
            if chosen is not None:
                return chosen
            self.screen.para(f"Type a number from 1 to {len(options)}.", 2, "red")

    def _instruments(self) -> tuple[str, ...]:
        used = {t.instrument for t in self.knowledge.tests.values()} - {"none"}
        order = [i for i in INSTRUMENTS if i in used] + sorted(used - set(INSTRUMENTS))
        if not order:
            return ()
        options = [Option(i, name_of(i, INSTRUMENTS)) for i in order]
        self.screen.line()
        self.screen.para("Which instruments are at hand?", style="bold")
        self.screen.para(PROVING)
        self.screen.options(options)
        while True:
            line = self.read("numbers (1, 2), Enter: all, 0: none > ").strip()
            if not line:
                return tuple(order)
            if line.casefold() in ("0", "none"):
                return ()
            chosen = [match(part, options) for part in re.split(r"[,; ]+", line) if part]
            if chosen and None not in chosen:
                return tuple(i for i in order if i in chosen)
            self.screen.para(f"Type numbers from 1 to {len(options)}, with commas.", 2, "red")
