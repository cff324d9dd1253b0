"""The customer of a practice callout: the complaint in plain words, and answers to questions.

The customer tells the truth as far as it was seen: the wording is one that is true of this
installation, history is drawn as the failure modes make it likely, and a test that a customer
can do shows what it shows. No part is ever blamed.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import TYPE_CHECKING

from diagnose.interview.history import questions_for, rate_factors
from diagnose.practice.draws import chosen
from diagnose.practice.records import Shown

if TYPE_CHECKING:
    from diagnose.knowledge.practice_reading import Wording
    from diagnose.plant.compose import Installation
    from diagnose.practice.bench import Bench

USUAL = 0.6
"""Share of callouts in which nothing is known that bears on the cause (judgement)."""
BAD = {
    "danger": "yes",
    "tingle": "yes",
    "panel_wet": "yes",
    "burning": "now",
    "damage_seen": "yes",
}
"""Safety questions that can be an exercise's hazard, with the answer that is one."""
ASKED = ("safety", "history")
"""Kinds of questions that the customer is asked on site."""


def true_of(
    wordings: Iterable[Wording], held: Collection[int], installation: Installation
) -> list[Wording]:
    """The wordings of a complaint that are true here, where these alternatives of it hold."""
    return [
        wording
        for wording in wordings
        if (not wording.of or set(held) & set(wording.of)) and installation.fits(wording.needs)
    ]


class Customer:
    """Answers for one bench."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.questions = questions_for(bench.knowledge, bench.installation, *ASKED)

    def says(self) -> str:
        """The complaint in the customer's words: a wording that is true of this installation."""
        exercise = self.bench.exercise
        held = self.bench.alternatives(exercise.complaint)
        wordings = self.bench.practice.wordings[exercise.complaint]
        fitting = true_of(wordings, held, self.bench.installation)
        return fitting[exercise.wording % len(fitting)].says

    def answer(self, question: str) -> Shown:
        """The answer to a safety or a history question: the choice and its words."""
        record, exercise = self.questions[question], self.bench.exercise
        if record.kind == "safety":
            choice = BAD[question] if question == exercise.hazard else record.default
        elif question == "present":
            choice = "now"
        else:
            choice = self._history(question)
        return Shown(record.choices[choice], choice)

    def _history(self, question: str) -> str:
        """Drawn as likely as the hidden failure modes make each answer."""
        bench, record = self.bench, self.questions[question]
        others = (1 - USUAL) / max(1, len(record.choices) - 1)
        weights = []
        for choice in record.choices:
            factors = rate_factors(bench.knowledge, bench.installation, {question: choice})
            weight = USUAL if choice == record.default else others
            for mode in bench.exercise.modes:
                weight *= factors.get(mode, 1.0)
            weights.append(weight)
        return list(record.choices)[chosen(bench.exercise.seed, weights, "history", question)]

    def site(self) -> dict[str, str]:
        """Which words of the scale ``changes`` stand in for which at this site."""
        words: dict[str, str] = {}
        for question, record in self.questions.items():
            if record.minutes:
                words.update(record.minutes.get(self.answer(question).outcome, {}))
        return words
