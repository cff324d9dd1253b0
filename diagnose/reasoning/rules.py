"""The rule engine: what is categorical follows from the facts, with its proof.

Rules are stratified Datalog with negation as absence: a stratum runs to its end before the
next begins, so the conclusions do not depend on the order of firing [1]_. The engine keeps
nothing between two inferences, because a conclusion may rest on the absence of a fact that
the next turn brings.

References
----------
.. [1] K. R. Apt, H. A. Blair, A. Walker, "Towards a theory of declarative knowledge", in
   Foundations of Deductive Databases and Logic Programming, Morgan Kaufmann 1988
   (reference from memory).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from diagnose.errors import DiagnoseError, Issue
from diagnose.knowledge.records import KnowledgeBase
from diagnose.knowledge.rule_records import Fact, Rule
from diagnose.plant.compose import Installation, here
from diagnose.reasoning.experta_adapter import Network
from diagnose.reasoning.rule_checks import habit_issues, soundness_issues

MAX_FIRINGS = 10_000


class RulesFailed(RuntimeError):
    """The rules gave no answer. Nothing may be concluded, so nothing may be permitted."""


@dataclass(frozen=True)
class Firing:
    """One rule applied once.

    `matched` holds the facts of its positive patterns in the order written, `concluded` its
    conclusions in the order written, those included that were known already.
    """

    rule: str
    matched: tuple[Fact, ...]
    concluded: tuple[Fact, ...]


@dataclass(frozen=True)
class Inference:
    """What follows: `facts` are the given and the concluded, `firings` are in firing order."""

    facts: frozenset[Fact]
    firings: tuple[Firing, ...]
    given: frozenset[Fact] = frozenset()

    def concluded(self, kind: str) -> tuple[Fact, ...]:
        """Return the facts of one kind that some rule concluded, sorted."""
        return tuple(
            sorted({fact for f in self.firings for fact in f.concluded if fact.kind == kind})
        )

    def proof(self, fact: Fact) -> tuple[Firing, ...]:
        """Return the firings that led to a fact, in firing order.

        Of several firings with the same conclusion the first counts: it made the fact true,
        and so no proof rests on itself. A given or an absent fact has the empty proof.
        """
        first: dict[Fact, int] = {}
        for number, firing in enumerate(self.firings):
            for conclusion in firing.concluded:
                first.setdefault(conclusion, number)
        needed: set[int] = set()
        open_facts = [fact]
        while open_facts:
            current = open_facts.pop()
            number = first.get(current, -1)
            if number >= 0 and number not in needed and current not in self.given:
                needed.add(number)
                open_facts.extend(self.firings[number].matched)
        return tuple(self.firings[number] for number in sorted(needed))


class RuleEngine:
    """Rules ready to run; building takes longer than one inference.

    Not for use by two threads at once.

    Parameters
    ----------
    rules
        In any order: it has no influence on the result.

    Raises
    ------
    DiagnoseError
        The rules are unsound: see `soundness_issues`.
    """

    def __init__(self, rules: Sequence[Rule]) -> None:
        issues = soundness_issues(rules)
        if issues:
            raise DiagnoseError(issues)
        self._rules = tuple(rules)
        self._network: Network | None = Network(self._rules)

    def infer(self, facts: Iterable[Fact]) -> Inference:
        """Return everything that follows from the facts; their order has no influence.

        Raises
        ------
        RulesFailed
            Something went wrong on the way. There is no partial answer; the next call starts
            with a new network.
        """
        network, self._network = self._network, None
        try:
            given = frozenset(facts)
            strangers = [fact for fact in frozenset[object](given) if not isinstance(fact, Fact)]
            if strangers:
                raise TypeError(f"not a fact: {strangers[0]!r}")
            network = network or Network(self._rules)
            firings = tuple(Firing(*f) for f in network.run(sorted(given), MAX_FIRINGS))
        except Exception as error:
            raise RulesFailed(f"the rules failed: {error}") from error
        self._network = network  # only a network that came to rest is used again
        concluded = (fact for firing in firings for fact in firing.concluded)
        return Inference(given.union(concluded), firings, given)


def rules_at(knowledge: KnowledgeBase, installation: Installation) -> list[Rule]:
    """The rules with their conclusions in the words of what is fitted."""

    def said(fact: Fact) -> Fact:
        return Fact(fact.kind, tuple((k, here(text, installation)) for k, text in fact.fields))

    return [
        replace(rule, then=tuple(said(fact) for fact in rule.then))
        for rule in knowledge.rules.values()
    ]


def rule_issues(rules: Sequence[Rule]) -> tuple[Issue, ...]:
    """Return everything wrong with the rules, examples that do not behave included.

    The examples are tried on all rules together, and only when the rules are sound.
    """
    unsound = soundness_issues(rules)
    issues = [*unsound, *habit_issues(rules)]
    if not unsound:
        engine = RuleEngine(rules)
        for rule in rules:
            issues += _example_issues(engine, rule)
    return tuple(issues)


def check_rules(rules: Sequence[Rule]) -> list[str]:
    """Return `rule_issues` as one line each, with the place where it is known."""
    return [str(issue) for issue in rule_issues(rules)]


def _example_issues(engine: RuleEngine, rule: Rule) -> list[Issue]:
    issues = []
    wanted = [(facts, True) for facts in rule.fires_on]
    wanted += [(facts, False) for facts in rule.silent_on]
    for facts, must_fire in wanted:
        shown = "; ".join(str(fact) for fact in facts) or "no facts"
        try:
            fires = any(firing.rule == rule.id for firing in engine.infer(facts).firings)
        except RulesFailed as error:
            message = f"rule '{rule.id}': {error} (example: {shown})"
        else:
            if fires == must_fire:
                continue
            verb = "must fire on" if must_fire else "must stay silent on"
            message = f"rule '{rule.id}' {verb} its example, and does not: {shown}"
        issues.append(Issue("error", "rule-example", message, rule.place))
    return issues
