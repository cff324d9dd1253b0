"""One attempt as a path: its steps, each weighed with the belief as it stood when it began.

A step is what was done to get ready, and the act that told something. For each:

- what it *could* tell: the expected information about the replaceable unit, bits;
- what it *did* tell: by how many bits the probability of what really failed rose (or fell);
- the strategy's best step at that point, as the interview chooses it (`Session.turn_at`);
- the minutes *lost*: what the step took more than the best step would take for as much
  information; for a repair, the minutes that it is expected to lose in vain beyond the best
  step's.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from diagnose.interview.verifying import checks_for
from diagnose.practice.account import Account, account_of
from diagnose.practice.best import Best, advise
from diagnose.practice.deeds import SAFETY
from diagnose.practice.events import made, state_after, until
from diagnose.practice.measures import checked, failed_units, groups, statement_of, wrong_parts
from diagnose.practice.records import Act, Attempt, Offence, Statement
from diagnose.reasoning.belief import Belief, information
from diagnose.reasoning.planner import way_of

if TYPE_CHECKING:
    from diagnose.interview.session import Session, Turn
    from diagnose.practice.bench import Bench

SAFE_WORK = ("lock_off", "prove_tester", "discharge", "disconnect", "close", "block", "meter")
"""Acts of safe work that no plan counts: whoever takes them loses nothing."""
UNSAID = Statement()
"""Nothing was stated."""
LEAST = 1e-9
"""Probability below which a cause is taken to have this much, so that bits stay finite."""


@dataclass(frozen=True)
class StepTold:
    """One step of a path.

    Attributes
    ----------
    first, last : int
        Positions of its acts in the attempt, from 0.
    kind, id, title, shown : str
        The act that ended it, in words, and what was shown or why it was stopped.
    began, minutes : float
        When it began and how long it took, offences included.
    could : float or None
        Information that it was expected to give, bits; None where that cannot be said (a check, a
        question, a repair).
    told : float or None
        Bits by which the probability of what really failed rose; None where it had no bearing.
    pays : bool
        Whether the strategy would have counted it worth its minutes.
    lost : float
        Minutes expected to be lost against the best step.
    held : float or None
        Of a repair: the probability that its part had when it was swapped.
    """

    first: int
    last: int
    kind: str
    id: str
    title: str
    shown: str
    began: float
    minutes: float
    could: float | None
    told: float | None
    pays: bool
    best: Best
    lost: float
    held: float | None = None
    offences: tuple[Offence, ...] = ()
    statement: Statement = UNSAID

    @property
    def as_best(self) -> bool:
        """Whether it was the strategy's best step; one check is as good as another."""
        same = self.id == self.best.id or self.kind in ("check", "finish")
        return self.kind == self.best.kind and same

    @property
    def rate(self) -> float | None:
        """Bits per minute that it could tell."""
        return None if self.could is None else self.could / max(self.minutes, 0.1)


@dataclass(frozen=True)
class Moment:
    """The suspicion at a time: of what really failed, and of the unit that leads."""

    minutes: float
    truth: float
    leading: float
    unit: str


@dataclass(frozen=True)
class Path:
    """One way through a callout."""

    steps: tuple[StepTold, ...]
    moments: tuple[Moment, ...]
    account: Account
    attempt: Attempt
    checked: float
    """Share of the checks after the last repair that were made and passed, 0..1."""

    @property
    def minutes(self) -> float:
        """All minutes."""
        return self.attempt.minutes

    @property
    def wrong_parts(self) -> tuple[str, ...]:
        """Sound units that were swapped."""
        return wrong_parts(self.attempt)


def path_of(session: Session, bench: Bench, attempt: Attempt) -> Path:
    """One attempt, step by step."""
    truth = failed_units(attempt)
    steps: list[StepTold] = []
    moments: list[Moment] = []
    for first, last in groups(attempt):
        walker = _Step(session, bench, attempt, first, last, truth)
        moments += walker.moments(bool(moments))
        steps.append(walker.told())
    return Path(
        steps=tuple(steps),
        moments=tuple(moments),
        account=account_of(bench, attempt, steps, truth),
        attempt=attempt,
        checked=checked(attempt, bench),
    )


class _Step:
    """One step with the belief before and after it."""

    def __init__(
        self,
        session: Session,
        bench: Bench,
        attempt: Attempt,
        first: int,
        last: int,
        truth: set[str],
    ) -> None:
        self.session = session
        self.attempt = attempt
        self.first, self.last = first, last
        self.acts = attempt.taken[first : last + 1]
        self.end = attempt.taken[last]
        self.start = until(attempt, first)
        advice = advise(session, bench, self.start)
        self.state, self.best = advice.state, advice.best
        self.turn: Turn = advice.turn
        self.left = truth - set(self.start.swapped)
        self.after = session.belief(state_after(until(attempt, last + 1), session))

    def moments(self, begun: bool) -> Iterator[Moment]:
        """What the picture shows of this step: before the first one, and after each."""
        if not begun:
            yield self._moment(self.acts[0].began, self.turn.belief)
        if self.left:
            ended = self.end.began + self.end.minutes
            mended = self.left <= set(until(self.attempt, self.last + 1).swapped)
            if self.end.act.kind in ("test", "ask", "check", "swap"):
                yield self._moment(ended, self.turn.belief if mended else self.after)

    def _moment(self, minutes: float, belief: Belief) -> Moment:
        unit, leading = belief.leading_unit()
        return Moment(minutes, of_units(belief, self.left), leading, unit)

    def told(self) -> StepTold:
        """The step, weighed."""
        act = self.end.act
        could = self._could()
        done = self.end.offence is None and act.kind in ("test", "ask", "check")
        told = bits_between(self.turn.belief, self.after, self.left) if done and self.left else None
        step = StepTold(
            first=self.first,
            last=self.last,
            kind=act.kind,
            id=next(iter(act.data.values()), ""),
            title=title_of(self.session, act),
            shown=self.end.shown.text if self.end.shown else self.end.text,
            began=self.acts[0].began,
            minutes=sum(t.minutes for t in self.acts),
            could=could,
            told=told,
            pays=self._pays(could),
            best=self.best,
            lost=0.0,
            held=of_units(self.turn.belief, {act.data["unit"]}) if act.kind == "swap" else None,
            offences=tuple(t.offence for t in self.acts if t.offence is not None),
            statement=statement_of(self.acts),
        )
        return step if step.as_best else replace(step, lost=self._lost(step))

    def _test(self) -> str:
        """The installed test of this step, done or stopped."""
        act = self.end.act
        name = act.data.get("test", "") if act.kind == "test" else made(self.end)
        return name if name in self.session.tests else ""

    def _could(self) -> float | None:
        test, belief = self._test(), self.turn.belief
        if not test:
            return None
        return float(information(belief, np.array([belief.table.test_index[test]]))[0])

    def _pays(self, could: float | None) -> bool:
        if could is None:
            return True
        index = np.array([self.turn.belief.table.test_index[self._test()]])
        minutes = np.array([self._planned(self._test())])
        stakes = self.session.stakes
        return bool(stakes.pays(self.turn.belief, np.array([could]), minutes, index)[0])

    def _planned(self, test: str) -> float:
        """Minutes of a test from where the step began, as the strategy counts them."""
        installed = self.session.tests[test]
        costs = self.session.ground_at(self.state).costs
        ready, _ = costs.reach(self.session.standing(self.state), way_of(installed))
        return ready + installed.minutes

    def _spent(self) -> float:
        """Minutes of the step without offences and without the acts of safe work."""
        return sum(
            t.minutes - (t.offence.minutes if t.offence else 0.0)
            for t in self.acts
            if t.act.kind not in SAFE_WORK
        )

    def _lost(self, step: StepTold) -> float:
        best = step.best
        if step.kind == "swap":
            return self._lost_in_vain(step.id, best)
        if step.kind == "finish":
            return 0.0
        spent = self._spent()
        if best.kind != "test" or step.could is None:
            return spent if step.kind != "ask" or step.could is not None else 0.0
        return max(0.0, spent - step.could / best.rate) if best.rate > 0 else 0.0

    def _lost_in_vain(self, unit: str, best: Best) -> float:
        """Minutes that repairing a unit now is expected to lose, beyond the best step's.

        What a repair in vain costs beyond its own minutes (`trust`) is left out.
        """
        belief, stakes = self.turn.belief, self.session.stakes
        trust = self.session.knowledge.word("trust", "repair_in_vain")
        wrong = dict(zip(belief.table.unit_names, stakes.wrong - trust, strict=True))

        def vain(name: str) -> float:
            return (1.0 - of_units(belief, {name})) * float(wrong.get(name, max(wrong.values())))

        instead = vain(best.id) if best.kind == "swap" else best.minutes
        return max(0.0, vain(unit) - instead)


def of_units(belief: Belief, units: set[str]) -> float:
    """Probability that it is one of these units."""
    pairs = zip(belief.table.unit_names, belief.unit_p.tolist(), strict=True)
    return float(sum(p for name, p in pairs if name in units))


def bits_between(before: Belief, after: Belief, units: set[str]) -> float:
    """By how many bits the probability of these units rose."""
    one, two = (max(of_units(belief, units), LEAST) for belief in (before, after))
    return math.log2(two / one)


def title_of(session: Session, act: Act) -> str:
    """An act in words."""
    name = next(iter(act.data.values()), "")
    if name in session.tests:
        return session.tests[name].title
    if act.kind == "swap" and name in session.installation.instances:
        return f"Repair: {session.installation.instances[name].title}"
    if act.kind == "check":
        titles = {c.id: c.title for c in checks_for(session.installation)}
        return f"Check: {titles[name].lower()}"
    if act.kind == "ask" and name == SAFETY:
        return "Ask the safety questions"
    if name in session.questions:
        return session.questions[name].ask
    if act.kind == "finish":
        return {"done": "Finish", "hand_over": "Hand over", "give_up": "Give up"}[name]
    return f"{act.kind.replace('_', ' ')} {name.replace('_', ' ')}".strip().capitalize()
