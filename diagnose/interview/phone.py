"""Before the drive: the same case, held with the customer by telephone.

The customer looks, listens and works a dry, undamaged switch, tap or plug; nothing else is ever
offered. The call ends with what is urgent, what to switch off and what to load.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from diagnose.interview.advice import LEVELS, Plan, advice_of, urgency_of
from diagnose.interview.asking import question_step
from diagnose.interview.drive import Outcome, shown, summary
from diagnose.interview.events import Event, new_event
from diagnose.interview.explain import healthy_outcome, why
from diagnose.interview.history import answered, questions_for, rate_factors
from diagnose.interview.safety import asked_first
from diagnose.interview.session import Session, Turn
from diagnose.interview.state import PHONE, State
from diagnose.interview.steps import Option, Step
from diagnose.knowledge.asked_records import Question
from diagnose.knowledge.records import KnowledgeBase, TestSpec
from diagnose.plant.compose import Installation, fill
from diagnose.plant.matrix import DependencyMatrix
from diagnose.plant.procedures import InstalledTest, phone_error
from diagnose.reasoning.belief import Belief
from diagnose.reasoning.decision import Decision
from diagnose.reasoning.guard import DEAD_ONLY, Electrical, Exposure, Skill, refuse_step
from diagnose.reasoning.places import ANYWHERE, TELEPHONE
from diagnose.reasoning.planner import level_found
from diagnose.reasoning.rules import Inference
from diagnose.reasoning.strategy import Candidate, Choice, Greedy
from diagnose.reasoning.van import SHARE, instruments_for, load_for

WORTH = 0.02
"""A question to the customer that tells less than this, in bits, is not asked (judgement)."""
BEARS = 0.05
"""A question about the past is asked where an answer may move more of the belief (judgement)."""
SHOWS = 0.05
"""Chance from which a cause is said to bring about a complaint."""
LIKELY = 0.05
"""What would not be complained of like this is loaded for from this probability on (judgement)."""
STATES = ("any", "energised")
PLACES = (TELEPHONE, ANYWHERE, "panel", "pump")
POWERED = ("energised", "live")
DANGERS = ("work_at_height", "confined_sump")


def for_customers(spec: TestSpec) -> bool:
    """Whether a customer may be asked for this by telephone.

    A second mechanism beside the flag in the knowledge: no instrument, no cover, no roof, no
    sump, no lead moved, and only what needs no qualification.
    """
    return (
        spec.customer
        and bool(spec.by_phone)
        and spec.instrument == "none"
        and spec.state in STATES
        and spec.place_at in PLACES
        and spec.by != "licensed"
        and not (spec.lift or spec.bridge or set(spec.cautions) & set(DANGERS))
    )


def answered_from_afar(spec: TestSpec) -> bool:
    """Whether a customer can answer from where he stands, away from panel and pump."""
    return spec.state == "any" and spec.place_at in (TELEPHONE, ANYWHERE) and not spec.hands


def phone_tests(tests: Mapping[str, InstalledTest]) -> dict[str, InstalledTest]:
    """The tests of an installation that a customer can make."""
    return {name: test for name, test in tests.items() if for_customers(test.spec)}


def phone_errors(knowledge: KnowledgeBase, tests: Mapping[str, InstalledTest]) -> dict[str, float]:
    """Chance of a wrong answer: by telephone where a customer can make the test."""
    asked = phone_tests(tests)
    return {n: phone_error(knowledge, t) if n in asked else t.error for n, t in tests.items()}


class PhoneSession(Session):
    """The interview by telephone (`diagnose.interview.session.Session`)."""

    def __init__(
        self,
        knowledge: KnowledgeBase,
        installation: Installation,
        matrix: DependencyMatrix,
        share: float = SHARE,
    ) -> None:
        super().__init__(knowledge, installation, matrix, Greedy(WORTH))
        self.share = share
        self.asked = phone_tests(self.tests)
        self.errors = phone_errors(knowledge, self.tests)
        self.prices = {
            name: number.nominal for name, number in knowledge.scales["spare_prices"].words.items()
        }
        self.questions = {
            name: question
            for name, question in questions_for(
                knowledge, installation, "safety", "phone", "history"
            ).items()
            if question.by_phone
        }

    def state_of(self, events: Sequence[Event]) -> State:
        """The customer is unqualified and has no instruments; covers stay closed."""
        state = super().state_of(events)
        state.opened = {
            **state.opened,
            "qualification": Skill.UNQUALIFIED.value,
            "instruments": (),
            "meter_category": "none",
        }
        state.electrical = Electrical.ENERGISED
        return state

    def _before_search(self, state: State, belief: Belief, inference: Inference) -> Step | None:
        if state.closed is not None:
            return Step("done", "closed", "The case is closed")
        if urgency_of(inference)[0] == LEVELS[0]:
            return Step("done", LEVELS[0], "End the call: people first")
        if state.stopped:
            return Step("done", "stopped", "The call was ended")
        urgent = self._asked_first(state, inference)
        if urgent is not None:
            decision = Decision("test", (urgent,))
            return self._ask(belief, urgent, decision)
        return self._next_question(state, belief)

    def _asked_first(self, state: State, inference: Inference) -> Choice | None:
        """What the rules want to be told before anything else, whatever was reported."""
        safety = self.equipment(state, inference).safety
        for name in asked_first(self, state, inference):
            test = self.asked.get(name)
            if test is None or not answered_from_afar(test.spec):
                continue
            if not refuse_step(safety, Exposure(test.spec.state), hands=test.spec.hands):
                index = self.table("now").test_index[name]
                return Choice(Candidate(name, index, test.minutes), 0.0, 0.0)
        return None

    def _search(
        self, state: State, belief: Belief, inference: Inference
    ) -> tuple[Step | None, Decision]:
        choices = self._choices(state, belief, inference)
        if not choices:
            return Step("done", "prepared", "The call can end"), Decision("ambiguous")
        decision = Decision("test", tuple(choices))
        return self._ask(belief, choices[0], decision), decision

    def _next_question(self, state: State, belief: Belief) -> Step | None:
        kinds = [self.questions[name].kind for name in self.questions if name not in state.answers]
        if not state.complaints and "safety" not in kinds:
            known = self.knowledge.complaints
            options = tuple(Option(c, known[c].says) for c in self.matrix.complaints)
            return Step("question", "complaint", "What is the complaint?", "", options)
        shock = bool(state.told & DEAD_ONLY)  # no history then, as on site
        for question in self.questions.values():
            past = question.kind == "history"
            if answered(question, state.answers) or (past and shock):
                continue
            if self._bears(question, belief):
                return question_step(question)
        return None

    def _bears(self, question: Question, belief: Belief) -> bool:
        """Whether some answer to a question would change what is asked, loaded or advised."""
        if not question.factors:
            return True
        table = belief.table
        p = table.by_mode(belief.p)
        for choice in question.choices:
            factors = rate_factors(self.knowledge, self.installation, {question.id: choice})
            after = p * [factors.get(name, 1.0) for name in table.mode_names]
            if 0.5 * np.abs(after / after.sum() - p).sum() > BEARS:
                return True
        return False

    def _choices(self, state: State, belief: Belief, inference: Inference) -> list[Choice]:
        """What may be asked, in order of information per minute; at a telephone nobody walks."""
        states, tests = self.forbidden(inference)
        if "any" in states:
            return []
        safety = self.equipment(state, inference).safety
        done = {f.test for f in state.findings} | set(state.cannot)
        level = level_found(self.installation, self.knowledge, state.complaints)
        candidates = [
            Candidate(name, belief.table.test_index[name], test.minutes)
            for name, test in self.asked.items()
            if name not in done
            and name not in tests
            and test.spec.id not in tests
            and test.spec.state not in states
            and not (level and test.level and test.level != level)
            and not refuse_step(safety, Exposure(test.spec.state), hands=test.spec.hands)
        ]
        return self._as_found_first(self.strategy.rank(belief, candidates))

    def _as_found_first(self, choices: Sequence[Choice]) -> list[Choice]:
        """Before a switch is worked, what shows only while all is as found; the rest as ranked."""

        def works_a_switch(choice: Choice) -> bool:
            spec = self.asked[choice.candidate.test].spec
            situation = self.installation.type.situations.get(spec.situation)
            found = situation is not None and situation.found
            return spec.state == "energised" and not found

        def as_found(choice: Choice) -> bool:
            spec = self.asked[choice.candidate.test].spec
            return spec.state == "energised" and not works_a_switch(choice)

        if not choices or not works_a_switch(choices[0]):
            return list(choices)
        return sorted(choices, key=lambda choice: not as_found(choice))

    def _ask(self, belief: Belief, choice: Choice, decision: Decision) -> Step:
        test = self.asked[choice.candidate.test]
        cautions = ("wet_hands",) if test.spec.state == "energised" else ()
        return Step(
            "test",
            test.id,
            test.title,
            fill(test.spec.by_phone, self.installation, test.it),
            tuple(Option(o.id, o.title) for o in test.outcomes),
            minutes=test.minutes,
            place=test.spec.place_at,
            state=test.spec.state,
            instrument=test.spec.instrument,
            healthy=healthy_outcome(self, test.id),
            cautions=self.texts(cautions),
            why=why(self, belief, choice, decision),
        )

    def step_for(self, turn: Turn, test: str) -> Step | None:
        """See `Session.step_for`."""
        if turn.decision is None:
            return None
        for choice in turn.decision.choices:
            if choice.candidate.test == test:
                return self._ask(turn.belief, choice, turn.decision)
        return None

    def plan(self, turn: Turn) -> Plan:
        """What the call led to so far."""
        plan = advice_of(turn.inference)
        if not turn.state.complaints:
            return plan
        dead = bool(turn.state.told & DEAD_ONLY)
        on_site = {
            name: test.spec.instrument
            for name, test in self.tests.items()
            if test.spec.place_at != TELEPHONE and not (dead and test.spec.state in POWERED)
        }
        told_apart = instruments_for(turn.belief, on_site, self.share)
        wanted = {f.get("instrument") for f in turn.inference.concluded("take")}
        wanted &= {test.spec.instrument for test in self.tests.values()}
        return replace(
            plan,
            load=load_for(
                self.installation, self.prices, turn.belief, self.share, self._told(turn)
            ),
            instruments=tuple(sorted({*told_apart, *wanted})),
        )

    def _told(self, turn: Turn) -> set[str]:
        """The failure modes that would be complained of like this, or are likely all the same."""
        rows = self.matrix.rows
        columns = [self.matrix.complaints[c] for c in turn.state.complaints]
        shown = {n for k, n in enumerate(rows) if max(c[k] for c in columns) >= SHOWS}
        return shown | {name for name, p in turn.belief.ranking() if p >= LIKELY}


def status_of_call(turn: Turn) -> str:
    """``prepared``, ``stopped``, ``emergency`` or ``closed``."""
    return turn.step.id if turn.step.kind == "done" else "stopped"


def phone_result(
    session: PhoneSession, outcome: Outcome, events: Sequence[Event]
) -> dict[str, Any]:
    """What a call led to as plain data, with the keys that scripts rely on."""
    turn = outcome.turn
    plan = session.plan(turn)
    told = dict(summary(replace(outcome, conclusion=None), events))
    load = plan.load
    return {
        "status": status_of_call(turn),
        "ranking": told["ranking"],
        "steps": told["steps"],
        "minutes": told["minutes"],
        "urgency": {"level": plan.urgency, "reasons": list(plan.reasons)},
        "van": [
            {"spare": s.name, "covers": s.covers, "cost": s.cost}
            for s in (load.spares if load else ())
        ],
        "van_cost": load.cost if load else 0.0,
        "covered": load.covered if load else 0.0,
        "covered_with_no_spare_needed": load.covered_all if load else 0.0,
        "no_spare_needed": load.no_spare if load else 0.0,
        "share": session.share,
        "instruments": list(plan.instruments),
        "switch_off": [{"what": a.what, "how": a.how} for a in plan.switch_off],
        "keep_off": [{"what": a.what, "why": a.how} for a in plan.keep_off],
        "take": [{"what": a.what, "why": a.how} for a in plan.take],
    }


def phoned_event(plan: Plan, turn: Turn | None, status: str) -> Event:
    """The record of what a call led to."""
    spares = plan.load.spares if plan.load else ()
    return new_event(
        "phoned",
        status=status,
        urgency=plan.urgency,
        van=[s.name for s in spares],
        instruments=list(plan.instruments),
        switch_off=[a.what for a in plan.switch_off],
        keep_off=[a.what for a in plan.keep_off],
        shown=shown(turn) if turn is not None else {},
    )


def opened_by_phone(event: Event, asks: Sequence[str]) -> Event:
    """The first event of a case, as one that starts with a call; `asks`: what is asked later."""
    on_site = ("instruments", "qualification", "meter_category")
    data = {k: v for k, v in event.data.items() if k not in on_site}
    return replace(event, data={**data, "stage": PHONE, "asks": list(asks)})
