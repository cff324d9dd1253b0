"""The supply that was switched for one test is not switched back for another before a test."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from diagnose.interview.drive import Reply, drive
from diagnose.interview.events import Event, new_event
from diagnose.interview.session import Session, Turn
from diagnose.interview.steps import Step
from diagnose.reasoning.belief import Belief
from diagnose.reasoning.strategy import FLAT, Candidate, Choice, Terrain
from tests.people import SimulatedPerson, standard_session

ENOUGH = 90
"""Steps after which the person has had enough."""
SWITCHED = {"isolate", "energise"}


class Contrary:
    """Always prefers what asks for the most change from here, as two outlooks may by turns."""

    name = "contrary"

    def rank(
        self, belief: Belief, candidates: Sequence[Candidate], terrain: Terrain = FLAT
    ) -> list[Choice]:
        order = sorted(candidates, key=lambda c: c.alone - c.minutes)
        return [Choice(c, 0.5, 1 / c.minutes) for c in order]


class Patient(SimulatedPerson):
    """Does what is asked for, so many times."""

    steps = 0

    def reply(self, turn: Turn, step: Step) -> Reply:
        self.steps += 1
        return Reply("leave") if self.steps > ENOUGH else super().reply(turn, step)


def test_no_test_is_left_for_one_in_the_other_state() -> None:
    usual = standard_session()
    session = Session(usual.knowledge, usual.installation, usual.matrix, Contrary(), usual.rules)
    opened = {"qualification": "licensed", "meter_category": "cat_iv"}
    events: list[Event] = [new_event("opened", installation="tank_and_sump", **opened)]
    drive(session, events, Patient(session, "relay.contacts_welded"))
    switched = [str(e.data.get("act", "")) for e in events if e.data.get("act") != "prove_dead"]
    assert sum(act in SWITCHED for act in switched) >= 4  # contrary enough to be told
    assert not [pair for pair in pairwise(switched) if set(pair) == SWITCHED]
