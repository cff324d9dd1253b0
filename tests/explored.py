"""An interview led by chance: answers, acts, hazards, refusals, undo, repairs, resumes."""

from __future__ import annotations

import random
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

from diagnose.errors import DiagnoseError
from diagnose.interview.asking import way_to_repair
from diagnose.interview.drive import Reply, respond
from diagnose.interview.events import Event, new_event
from diagnose.interview.session import Session
from diagnose.interview.state import last_retractable
from diagnose.interview.steps import Step
from diagnose.knowledge.rule_records import Fact
from diagnose.reasoning.rules import Firing, Inference
from diagnose.reasoning.strategy import Greedy
from tests.promises import World, broken, repair_broken

CALM = 0.6
"""Share of safety questions that are answered with the default."""


class Unruly:
    """Rules that say nothing and permit everything: what the rules are when they are disabled."""

    def infer(self, facts: Any) -> Inference:
        """Every permit, and no hold or prohibition."""
        permits = [Fact.of("permit", state=s) for s in ("any", "energised", "live", "dead")]
        permits += [Fact.of("allow", step=s) for s in ("insulation", "other", "clears")]
        permits += [Fact.of("allow", repair=s) for s in ("dead", "any")]
        given = frozenset(facts)
        return Inference(given.union(permits), (Firing("all", (), tuple(permits)),), given)


def without_rules(session: Session) -> Session:
    """The same session with the rules disabled."""
    return twin(session, Unruly())


def twin(session: Session, rules: Any) -> Session:
    """The same session with other rules; nothing that is expensive is built again."""
    other = object.__new__(Session)
    other.__dict__.update(session.__dict__)
    other.rules = rules
    return other


@contextmanager
def without_guard() -> Iterator[None]:
    """The guard disabled: it refuses nothing, wherever it is asked."""
    with pytest.MonkeyPatch.context() as patch:
        for module in ("asking", "verifying"):
            for name in ("refuse_step", "refuse_act"):
                patch.setattr(f"diagnose.interview.{module}.{name}", lambda *a, **k: "")
        patch.setattr("diagnose.reasoning.planner.refuse_step", lambda *a, **k: "")
        for module in ("asking", "safety"):
            patch.setattr(f"diagnose.interview.{module}.refuse_repair", lambda *a, **k: "")
        yield


class Explorer:
    """One callout; `tried` counts the steps judged, `wrong` says which promise was broken."""

    def __init__(self, session: Session, skill: str, meter: str = "cat_iii") -> None:
        self.session = twin(session, session.rules)
        self.session.strategy = Greedy()
        opened = {"installation": session.installation.type.id, "variants": {}}
        self.events: list[Event] = [
            new_event("opened", qualification=skill, meter_category=meter, **opened)
        ]
        self.tried = self.repaired = 0
        self.wrong: list[str] = []
        self.step = self._look()

    def _look(self) -> Step:
        turn = self.session.turn(self.events)
        world = World.after(self.events)
        offered = [turn.step]
        if turn.decision is not None:
            names = [c.candidate.test for c in turn.decision.choices]
            with pytest.MonkeyPatch.context() as patch:  # the reasons are dear, and not judged
                patch.setattr("diagnose.interview.asking.why", lambda *a: None)
                offered += [s for s in (self.session.step_for(turn, n) for n in names) if s]
        for step in offered:
            self.tried += 1
            for promise in broken(step, world, self.session.tests):
                self.wrong.append(f"{step.kind} {step.id}: {promise} ({world})")
        self.turn = turn
        self.offered = offered
        return turn.step

    def say(self, kind: str, **data: Any) -> None:
        """Something happens, and what is offered then is judged."""
        self.events.append(new_event(kind, **data))
        self.step = self._look()

    def answer(self, pick: float, calm: bool) -> None:
        """Answer the step; `pick` in [0, 1) chooses among what may be answered."""
        step = self.step
        if step.kind == "done" or (step.conclusion is not None and not step.conclusion.unit):
            self.say("resumed")
        elif step.conclusion is not None:
            self.repair(f"{step.conclusion.unit}.{step.conclusion.failure_mode}")
        elif step.kind == "act":
            self.say("act", act=step.id)
        elif step.kind == "question":
            options = [o.id for o in step.options]
            choice = options[int(pick * len(options))]
            if step.id == "complaint":
                self.say("complaint", ids=[choice])
                return
            if calm:
                choice = self.session.knowledge.questions[step.id].default
            self.say("answered", question=step.id, choice=choice)
        else:
            # of all that is offered, the one that the person likes
            tests = [s for s in self.offered if s.kind in ("test", "act", "verify")]
            step = tests[int(pick * len(tests))]
            options = [o.id for o in step.options]
            choice = options[int(pick * 7919) % len(options)]
            if step.kind == "act":
                self.say("act", act=step.id)
            elif step.kind == "verify":
                self.say("verified", check=step.id, result=choice)
            else:
                self.say("finding", test=step.id, outcome=choice, raw=choice, sure="yes")

    def repair(self, name: str) -> None:
        """Say that a repair was made; where that is refused, do first what comes first."""
        for _ in range(3):
            told = Reply("repaired", name)
            try:
                event = respond(self.session, self.turn, self.step, told, self.events)
            except DiagnoseError:
                turn = self.turn
                first = way_to_repair(self.session, turn.state, turn.inference, name)
                if first is None:
                    break
                wrong = broken(first, World.after(self.events), self.session.tests)
                self.wrong += [f"on the way to a repair: {w}" for w in wrong]
                self.say("act", act=first.id)
                continue
            assert event is not None
            mode = self.session.installation.modes[name]
            where = self.session.installation.instances[mode.unit].where
            outside = mode.mode.repair_state == "any"
            world = World.after(self.events)
            self.wrong += [f"{name}: {w} ({world})" for w in repair_broken(world, outside, where)]
            self.repaired += 1
            self.events.append(event)
            self.step = self._look()
            return
        self.say("resumed")

    def hazard(self, question: str, choice: str) -> None:
        """A hazard is reported at any time."""
        self.say("answered", question=question, choice=choice)

    def refuse(self) -> None:
        """The step cannot be done."""
        if self.step.kind == "test":
            self.say("cannot", test=self.step.id, reason="no")
        elif self.step.kind == "act":
            self.say("cannot", act=self.step.id, reason="no")

    def undo(self) -> None:
        """The last answer is taken back."""
        event = last_retractable(self.events)
        if event is not None:
            self.say("withdrawn", event=event.id)


HAZARDS = [
    ("danger", "yes"),
    ("danger", "water"),
    ("tingle", "yes"),
    ("panel_wet", "yes"),
    ("panel_wet", "storm"),
    ("burning", "earlier"),
    ("burning", "now"),
    ("burning", "gas"),
    ("damage_seen", "yes"),
    ("company", "alone"),
    ("other_source", "yes"),
    ("roof_way", "unsafe"),
]


def wander(session: Session, seed: int, steps: int) -> Explorer:
    """A callout led by a seed."""
    draw = random.Random(seed)
    skill = draw.choice(["licensed", "licensed", "instructed", "unqualified"])
    meter = draw.choice(["cat_iii", "cat_iii", "cat_iv", "cat_ii", "none"])
    explorer = Explorer(session, skill, meter)
    for _ in range(steps):
        chance = draw.random()
        if chance < 0.04:
            explorer.hazard(*draw.choice(HAZARDS))
        elif chance < 0.07:
            explorer.refuse()
        elif chance < 0.10:
            explorer.undo()
        elif chance < 0.12:
            explorer.say("resumed")
        else:
            explorer.answer(draw.random(), draw.random() > 0.1)
    return explorer


def settled(session: Session, world: dict[str, str], complaint: str, supply: str) -> Explorer:
    """A callout past its questions: `world` says what is not answered with the default."""
    explorer = Explorer.__new__(Explorer)
    explorer.session = twin(session, session.rules)
    explorer.session.strategy = Greedy()
    explorer.tried, explorer.repaired, explorer.wrong = 0, 0, []
    answers = {q: r.default for q, r in session.questions.items()}
    answers |= {q: c for q, c in world.items() if q in answers}
    events = [
        new_event(
            "opened",
            installation=session.installation.type.id,
            variants={},
            qualification=world["skill"],
            meter_category=world["meter"],
        ),
        new_event("complaint", ids=[complaint]),
    ]
    events += [new_event("answered", question=q, choice=c) for q, c in answers.items()]
    acts = {"on": [], "off": ["isolate"], "dead": ["isolate", "prove_dead"]}
    if supply == "not known":
        events.append(new_event("resumed"))
    events += [new_event("act", act=a) for a in acts.get(supply, [])]
    explorer.events = events
    explorer.step = explorer._look()
    return explorer
