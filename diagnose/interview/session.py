"""One callout on one installation: from the events so far to the next step."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

from diagnose.errors import fail
from diagnose.interview import asking
from diagnose.interview.conclusions import conclusion_of, ending_step
from diagnose.interview.events import Event
from diagnose.interview.facts import ending_fact, facts_of
from diagnose.interview.history import answered, questions_for
from diagnose.interview.remaining import Remaining
from diagnose.interview.safety import (
    STOPPED_BY,
    agreed,
    asked_first,
    blocked_tests,
    equipment_of,
    forbidden,
    forbidden_tests,
    reasons,
)
from diagnose.interview.since import only_known
from diagnose.interview.sites import site_of
from diagnose.interview.state import PHONE, Finding, State, replay
from diagnose.interview.steps import Conclusion, Option, Step
from diagnose.interview.verifying import verify_step
from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.compose import Installation
from diagnose.plant.learned import change_minutes, failure_rates
from diagnose.plant.matrix import DependencyMatrix, MatrixBuilder
from diagnose.plant.points import points_of
from diagnose.plant.procedures import InstalledTest, installed_tests, phone_error
from diagnose.reasoning.belief import Belief, Hypotheses
from diagnose.reasoning.decision import Decision, decide, once_more
from diagnose.reasoning.lookahead import Lookahead
from diagnose.reasoning.planner import (
    Costs,
    Equipment,
    Ground,
    Standing,
    level_found,
    repair_places,
)
from diagnose.reasoning.rules import Inference, RuleEngine, rules_at
from diagnose.reasoning.stakes import Stakes
from diagnose.reasoning.strategy import Candidate, Choice, Strategy
from diagnose.reasoning.suspects import without_excluded
from diagnose.reasoning.two_faults import Answer

MOST_TIMES = 2
"""Times that one test is asked for."""
SOMETIMES_SHOWN = 0.5
"""Share of the time that an intermittent fault shows while it is being looked for (judgement)."""
NOT_SURE_WEIGHT = 0.5
"""Weight of an answer given as *not sure* (judgement)."""


@dataclass(frozen=True, repr=False)
class Turn:
    """All that one turn computed: state, belief, what the rules say, the decision."""

    state: State
    belief: Belief
    inference: Inference
    decision: Decision | None
    step: Step


class Session:
    """Everything that stays the same during a callout, built once."""

    def __init__(
        self,
        knowledge: KnowledgeBase,
        installation: Installation,
        matrix: DependencyMatrix,
        strategy: Strategy | None = None,
        rules: RuleEngine | None = None,
    ) -> None:
        self.knowledge = knowledge
        self.installation = installation
        self.matrix = matrix
        self.strategy = strategy or Lookahead()
        said = (fact for rule in knowledge.rules.values() for fact in rule.then)
        self.permits = any(fact.kind == "permit" for fact in said)
        self.rules = rules or RuleEngine(rules_at(knowledge, installation))
        circuit = MatrixBuilder.circuit_of(installation)
        self.tests: dict[str, InstalledTest] = installed_tests(knowledge, installation, circuit)
        self.points = points_of(knowledge, installation)
        self.reports = {name: c.reports for name, c in knowledge.complaints.items() if c.reports}
        self.places = {name: (t.spec.place_at, t.level) for name, t in self.tests.items()}
        self.rates = failure_rates(knowledge, installation)
        self.errors = {name: t.error for name, t in self.tests.items()}
        self._grounds: dict[tuple[str, tuple[tuple[str, str], ...]], Ground] = {}
        self._tables: dict[str, Hypotheses] = {}
        self._remaining = Remaining(self)
        self.ground = self._ground("", ())
        self.stakes = Stakes.of(knowledge, installation, self.table("now"))
        self.questions = questions_for(knowledge, installation, "safety", "history")

    # ------------------------------------------------------------------ belief

    def table(self, present: str) -> Hypotheses:
        """Hypotheses; where the fault shows only sometimes, intermittent modes are diluted."""
        if present not in self._tables:
            matrix = self.matrix
            if present not in ("", "now"):
                modes = self.installation.modes.items()
                some = {name for name, m in modes if present in m.mode.intermittent}
                matrix = matrix.diluted(some, SOMETIMES_SHOWN)
            self._tables[present] = Hypotheses.of(matrix, self.rates, self.errors)
        return self._tables[present]

    def belief(self, state: State) -> Belief:
        """Posterior from the complaint, the history, the findings and the repairs made."""
        table = self.table(state.answers.get("present", "now"))
        for complaint in state.complaints:
            if complaint not in table.complaint:
                raise fail("unknown-id", f"'{complaint}' cannot occur here", None, table.complaint)
        return self._remaining.belief(state, table)[0]

    def counted(self, state: State) -> list[Finding]:
        """Findings that still count: later repairs do not bear on what they showed."""
        table = self.table(state.answers.get("present", "now"))
        return self._remaining.belief(state, table)[1]

    def prepare(self, state: State) -> None:
        """Work ahead for a check that may fail; for a thread of its own, no result changes."""
        self._remaining.prepare(state, self.table(state.answers.get("present", "now")))

    def answer(self, finding: Finding) -> Answer:
        """A finding as evidence."""
        k = self.outcome_index(finding.test, finding.outcome)
        strength = 1.0 if finding.sure else NOT_SURE_WEIGHT
        test = self.tests[finding.test]
        wrong = phone_error(self.knowledge, test) if finding.by_phone else test.error
        return Answer(finding.test, k, wrong, strength, finding.by_phone)

    def outcome_index(self, test: str, outcome: str) -> int:
        """Position of an outcome of a test.

        Raises
        ------
        DiagnoseError
            The test has no such outcome.
        """
        ids = [o.id for o in self.tests[test].outcomes]
        if outcome not in ids:
            place = getattr(outcome, "place", None)
            raise fail("unknown-id", f"'{outcome}' is not an outcome of '{test}'", place, ids)
        return ids.index(outcome)

    def read_answer(self, test: str, typed: str) -> str:
        """The outcome behind a typed answer: a reading, or an outcome's id or number.

        Raises
        ------
        DiagnoseError
            Neither; the message says what is legal.
        """
        return asking.read_answer(self.tests[test], typed)

    # ------------------------------------------------------------------ safety

    def equipment(self, state: State, inference: Inference) -> Equipment:
        """Instruments at hand and the guard's view of the person and the place."""
        return equipment_of(self, state, inference)

    def forbidden(self, inference: Inference) -> tuple[set[str], set[str]]:
        """States and base tests that the rules forbid now."""
        tests = forbidden(inference, "test") | forbidden_tests(self.tests, inference)
        return forbidden(inference, "state"), tests

    # ------------------------------------------------------------------ the turn

    def state_of(self, events: Sequence[Event]) -> State:
        """Where the callout stands; on site, safety is asked anew whatever was said by phone."""
        state = only_known(self, replay(events, self.places, self.reports))
        for name in state.phoned if state.stage != PHONE else ():
            if name in self.questions and self.questions[name].kind == "safety":
                del state.answers[name]
        return state

    def turn(self, events: Sequence[Event]) -> Turn:
        """The next step after these events: belief, rules, strategy, veto, in this order."""
        return self.turn_at(self.state_of(events))

    def turn_at(self, state: State) -> Turn:
        """The next step from where the callout stands."""
        belief = self.belief(state)
        facts = facts_of(self, state, belief)
        inference = self.rules.infer(facts)
        belief = without_excluded(belief, inference)
        step = self._before_search(state, belief, inference)
        if step is not None:
            return Turn(state, belief, inference, None, step)
        step, decision = self._search(state, belief, inference)
        if step is None:
            step = asking.tidy_step(self, state, self.equipment(state, inference))
        if step is None:
            if decision.kind in ("concluded", "ambiguous"):
                fact = ending_fact(self.installation, belief, decision.kind)
                inference = self.rules.infer([*facts, fact])
            step = self._last(state, belief, inference, decision)
        return Turn(state, belief, inference, decision, step)

    def _before_search(self, state: State, belief: Belief, inference: Inference) -> Step | None:
        """What comes before any test: an end, a question, a check; None where nothing does."""
        if state.closed is not None:
            return Step("done", "closed", "The case is closed")
        if state.stopped:
            return ending_step(self, state, belief, inference, "stopped", [state.stopped])
        if "any" in self.forbidden(inference)[0]:
            held = reasons(inference, "hold")
            return ending_step(self, state, belief, inference, "stopped", held)
        complained = any(c in self.reports for c in state.complaints)
        alarm = inference.concluded("dead_only") or (complained and inference.concluded("hold"))
        question = self._question(state, history=not alarm)
        if question is not None:
            return question
        if state.verifying:
            return verify_step(self, state, inference)
        handed = reasons(inference, "hand_over")
        tidy = asking.tidy_step(self, state, self.equipment(state, inference)) if handed else None
        if tidy is not None:
            return tidy
        if handed:
            why = [*reasons(inference, *STOPPED_BY), *handed]
            return ending_step(self, state, belief, inference, "handed_over", why)
        return None

    def _search(
        self, state: State, belief: Belief, inference: Inference
    ) -> tuple[Step | None, Decision]:
        """The best test that can be offered, or none and how the search ends."""
        equipment = self.equipment(state, inference)
        offered = self.possible(state, inference, equipment)
        terrain = self.ground_at(state).terrain(self.standing(state))
        first = {name: k for k, name in enumerate(asked_first(self, state, inference))}
        urgent = sorted((c for c in offered if c.test in first), key=lambda c: first[c.test])
        decision = (
            Decision("test", tuple(Choice(c, 0.0, 0.0) for c in urgent))
            if urgent
            else decide(belief, offered, self.strategy, terrain, self.stakes)
        )
        decision = once_more(decision, belief, offered, "" if urgent else state.taken_back)
        if decision.kind != "test":
            return None, decision
        agreed = partial(self._agreed, inference=inference)
        step = asking.first_step(self, state, belief, equipment, decision, agreed)
        return step, decision if step is not None else decide(belief, [], self.strategy)

    def _last(self, state: State, belief: Belief, inference: Inference, decision: Decision) -> Step:
        """How the search ends; what the rules hand over is handed over, whatever was found."""
        handed = reasons(inference, "hand_over")
        held = reasons(inference, *STOPPED_BY)
        why, status = [*held, *handed], decision.kind
        if status == "unknown":
            why = ["no cause in the knowledge base explains the findings", *why]
        elif status == "ambiguous" and not why:
            why = ["no permitted test tells the remaining causes apart"]
        elif status == "ambiguous" or handed:
            status = "handed_over"
        status = "handed_over" if status == "unknown" else status
        return ending_step(self, state, belief, inference, status, why, decision.doubt)

    def _agreed(self, step: Step, inference: Inference) -> bool:
        """Whether the rules permit a test in the state that is reached."""
        return step.kind != "test" or agreed(self, inference, step.state, step.instrument)

    def possible(self, state: State, inference: Inference, equipment: Equipment) -> list[Candidate]:
        """Permitted tests that were not yet done, or only once."""
        blocked = blocked_tests(self, state, inference)
        index = self.table(state.answers.get("present", "now")).test_index
        done = [finding.test for finding in self.counted(state) if not finding.by_phone]
        often = {test for test in done if done.count(test) >= MOST_TIMES}
        return self.ground_at(state).candidates(
            self.tests, index, self.standing(state), equipment, blocked | set(state.cannot) | often
        )

    def ground_at(self, state: State) -> Ground:
        """What walks and changes of state cost here, as far as the answers tell."""
        known = self.knowledge.questions
        words = [
            pair
            for question, choice in state.answers.items()
            if question in known
            for pair in known[question].minutes.get(choice, {}).items()
        ]
        site = site_of(state.opened)
        return self._ground(site if self.knowledge.overlay is not None else "", tuple(words))

    def _ground(self, site: str, words: tuple[tuple[str, str], ...]) -> Ground:
        if (site, words) not in self._grounds:
            kind = self.installation.type.id
            general = change_minutes(self.knowledge, kind)
            here = change_minutes(self.knowledge, kind, site)
            measured = {word: m for word, m in here.items() if m != general[word]}
            costs = Costs.of(self.knowledge, dict(words), general, measured)
            ground = Ground(self.tests, costs, repair_places(self.installation))
            self._grounds[site, words] = ground
        return self._grounds[site, words]

    def standing(self, state: State) -> Standing:
        """Where the person stands, the electrical state and the water's level."""
        level = state.level or level_found(self.installation, self.knowledge, state.complaints)
        return Standing(state.place, state.electrical, level)

    def step_for(self, turn: Turn, test: str) -> Step | None:
        """The step towards a test that the person chose instead; None where it is not offered."""
        state, decision = turn.state, turn.decision
        if decision is None:
            return None
        equipment = self.equipment(state, turn.inference)
        for choice in decision.choices:
            if choice.candidate.test == test:
                step = asking.test_step(self, state, turn.belief, equipment, choice, decision)
                return step if step and self._agreed(step, turn.inference) else None
        return None

    def _question(self, state: State, history: bool) -> Step | None:
        """The next question; without `history` only those of safety, and the complaint."""
        for kind in ("safety", "history"):
            if kind == "history" and not state.complaints:
                known = self.knowledge.complaints
                options = tuple(Option(c, known[c].title) for c in self.matrix.complaints)
                return Step("question", "complaint", "What is the complaint?", "", options)
            if kind == "history" and not history:
                continue
            for question in self.questions.values():
                if question.kind == kind and not answered(question, state.answers):
                    return asking.question_step(question)
        return None

    def texts(self, cautions: Sequence[str]) -> tuple[str, ...]:
        """Caution texts by id."""
        known = self.knowledge.cautions
        return tuple(known[c].text for c in cautions if c in known)

    def conclude(self, turn: Turn, status: str, reason: str) -> Conclusion:
        """A conclusion on demand: what is known when the person stops."""
        return conclusion_of(
            self, turn.state, turn.belief, turn.inference, status, [reason] if reason else []
        )
