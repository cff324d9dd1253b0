"""The telephone stage: is the failed unit's spare in the van when the technician arrives?

``python -m tests.benchmarks.phone --json`` holds simulated calls with the interview that ships,
loads what it says, and compares with the same money spent by failure rate alone (the best that can
be bought for it, exactly) and, harder, by failure rate given the complaint. Simulated faults: they
say that the method works, not how it does in the field (see `tests.benchmarks.world`).
"""

from __future__ import annotations

import argparse
import json
import math
import os
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from diagnose.interview.drive import Outcome, Reply, drive
from diagnose.interview.events import Event, new_event
from diagnose.interview.phone import PhoneSession
from diagnose.interview.session import Turn
from diagnose.interview.steps import Step
from diagnose.knowledge.load import load_knowledge
from diagnose.plant.cache import matrix_for
from diagnose.plant.compose import compose
from diagnose.reasoning.van import SHARE, best_within, needs_of
from tests.benchmarks.efficiency import KIND, ROOT, VARIED, wilson
from tests.benchmarks.world import Callout, World

Needs = Mapping[frozenset[str], float]


@dataclass
class Customer:
    """Answers what a callout shows, wrong as often as the callout says."""

    callout: Callout
    session: PhoneSession

    def reply(self, turn: Turn, step: Step) -> Reply:
        """See `diagnose.interview.drive.Person`."""
        if step.kind == "question":
            return Reply("answer", self.session.knowledge.questions[step.id].default)
        return Reply("answer", step.options[self.callout.answer(step.id)].id)


@dataclass(frozen=True)
class Loaded:
    """One call: was the spare of the true cause in the van, and in those of the baselines?"""

    complaint: str
    needs_spare: bool
    ours: bool
    by_rate: bool
    by_complaint: bool
    cost: float
    tests: int
    minutes: float
    promised: float


class Caller:
    """All calls about one installation."""

    def __init__(self, session: PhoneSession) -> None:
        self.session = session
        modes = session.installation.modes
        self.rates = needs_of(session.installation, {n: session.rates[n] for n in modes})
        self._bought: dict[tuple[str, float], frozenset[str]] = {}
        self._needs: dict[str, Needs] = {"": self.rates}
        self._start: dict[str, list[Event]] = {}

    def _within(self, complaint: str, money: float) -> frozenset[str]:
        """The best load for so much money by rate, given the complaint or ("") given nothing."""
        if complaint not in self._needs:
            turn = self.session.turn(self.start(complaint))
            p = dict(turn.belief.ranking())
            self._needs[complaint] = needs_of(self.session.installation, p)
        key = (complaint, round(money, 6))
        if key not in self._bought:
            self._bought[key] = best_within(self._needs[complaint], self.session.prices, money)
        return self._bought[key]

    def start(self, complaint: str) -> list[Event]:
        """A call in which all questions got their usual answer."""
        if complaint not in self._start:
            said = [
                new_event("answered", question=name, choice=question.default)
                for name, question in self.session.questions.items()
            ]
            said.insert(0, new_event("opened", stage="phone"))
            self._start[complaint] = [*said, new_event("complaint", ids=[complaint])]
        return list(self._start[complaint])

    def hold(self, callout: Callout) -> Loaded:
        """One call from its first test to the van."""
        session = self.session
        events = self.start(callout.complaint)
        outcome: Outcome = drive(session, events, Customer(callout, session))
        load = session.plan(outcome.turn).load
        assert load is not None
        ours = frozenset(s.name for s in load.spares)
        spares = frozenset(session.installation.modes[callout.mode].mode.spares)
        return Loaded(
            callout.complaint,
            bool(spares),
            spares <= ours,
            spares <= self._within("", load.cost),
            spares <= self._within(callout.complaint, load.cost),
            load.cost,
            len(outcome.turn.state.findings),
            outcome.turn.state.minutes,
            load.covered,
        )


def summary(calls: Sequence[Loaded]) -> dict[str, Any]:
    """Shares in which the spare was there: of the calls that need one, and of all."""
    needing = [c for c in calls if c.needs_spare]
    count = max(len(needing), 1)
    ours = sum(c.ours for c in needing)
    return {
        "calls": len(calls),
        "need_a_spare": len(needing),
        "covered": ours / count,
        "wilson": list(wilson(ours, len(needing))),
        "covered_by_rate_alone": sum(c.by_rate for c in needing) / count,
        "covered_by_rate_and_complaint": sum(c.by_complaint for c in needing) / count,
        "covered_with_no_spare_needed": sum(c.ours for c in calls) / max(len(calls), 1),
        "promised": sum(c.promised for c in calls) / max(len(calls), 1),
        "mean_cost": sum(c.cost for c in calls) / max(len(calls), 1),
        "tests": sum(c.tests for c in calls) / max(len(calls), 1),
        "minutes": sum(c.minutes for c in calls) / max(len(calls), 1),
    }


def whole_stock(caller: Caller) -> float:
    """What one of every spare of an installation would cost."""
    names = {name for spares in caller.rates for name in spares}
    return math.fsum(caller.session.prices[name] for name in names)


def run(count: int, wrong: float, share: float, installations: int) -> dict[str, Any]:
    """Hold the calls, by rate over all complaints."""
    knowledge = load_knowledge(ROOT / "knowledge")
    calls: list[Loaded] = []
    stock = []
    for k, choices in enumerate(VARIED[:installations]):
        installation = compose(knowledge, KIND, choices)
        session = PhoneSession(knowledge, installation, matrix_for(knowledge, installation), share)
        caller = Caller(session)
        stock.append(whole_stock(caller))
        world = World(knowledge, installation, k)
        for callout in world.callouts(math.ceil(count / installations), wrong, seed=200 + k):
            calls.append(caller.hold(callout))
    complaints = sorted({c.complaint for c in calls})
    return {
        "cores": os.cpu_count(),
        "wrong_answers": wrong,
        "share": share,
        "all": summary(calls),
        "complaints": {n: summary([c for c in calls if c.complaint == n]) for n in complaints},
        "cost_of_one_of_every_spare": float(np.mean(stock)),
    }


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--calls", type=int, default=1200)
    parser.add_argument("--wrong", type=float, default=0.10)
    parser.add_argument("--share", type=float, default=SHARE)
    parser.add_argument("--installations", type=int, default=len(VARIED))
    options = parser.parse_args(arguments)
    result = run(options.calls, options.wrong, options.share, options.installations)
    json.dump(result, sys.stdout, indent=None if options.json else 2)
    print()
    return 0


if __name__ == "__main__":
    sys.exit(main())
