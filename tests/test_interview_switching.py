"""Changes of state round a test: not switched back before one, nor a dead one left for them."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from diagnose.interview.drive import Reply, drive
from diagnose.interview.events import Event, new_event
from diagnose.interview.session import Session, Turn
from diagnose.interview.steps import Step
from diagnose.reasoning.belief import Belief
from diagnose.reasoning.decision import Decision, once_more
from diagnose.reasoning.guard import Electrical
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


class Doubtful(SimulatedPerson):
    """Reads far too little once, and takes the answer before back when it is asked for again."""

    def __init__(self, session: Session, mode: str, odd: tuple[str, str]) -> None:
        super().__init__(session, mode)
        self.odd = odd
        self.withdrawn = ""
        self.next: list[tuple[str, str]] = []

    def reply(self, turn: Turn, step: Step) -> Reply:
        if self.withdrawn:
            self.next.append((step.kind, step.id))
            done = step.kind != "act"
            return Reply("leave") if done else super().reply(turn, step)
        if step.kind == "test" and step.again and step.id == self.odd[0]:
            assert turn.state.electrical is Electrical.PROVED_DEAD
            self.withdrawn = turn.state.findings[-1].test
            return Reply("back")
        if (step.kind, step.id) == ("test", self.odd[0]):
            return Reply("answer", self.odd[1])
        return super().reply(turn, step)


def test_a_dead_test_gone_back_over_is_asked_again_and_no_live_one_in_its_place() -> None:
    """Isolating anew makes it dearer than the live one; it once was skipped for that."""
    session = standard_session()
    opened = {"qualification": "instructed", "meter_category": "cat_iii"}
    events: list[Event] = [new_event("opened", installation="tank_and_sump", **opened)]
    person = Doubtful(session, "sump_pull.too_high", ("pull_value@sump_pull", "low"))
    drive(session, events, person)
    assert session.tests[person.withdrawn].spec.state == "dead"
    wanted = [("act", "isolate"), ("act", "prove_dead"), ("test", person.withdrawn)]
    assert person.next == wanted
    cannot = new_event("cannot", test=person.withdrawn, reason="board potted")
    assert session.turn([*events, cannot]).state.taken_back == "", "it is not insisted on"


def test_what_was_taken_back_comes_first_only_where_it_is_permitted_and_tells() -> None:
    session = standard_session()
    opened = {"qualification": "instructed", "meter_category": "cat_iii"}
    told = [
        new_event("answered", question=q, choice=x.default) for q, x in session.questions.items()
    ]
    complaint = new_event("complaint", ids=["overflows"])
    turn = session.turn(
        [new_event("opened", installation="tank_and_sump", **opened), complaint, *told]
    )
    index = session.table("now").test_index
    live = next(n for n, t in session.tests.items() if t.spec.state == "live" and n in index)
    offered = [Candidate(live, index[live], 1.0, live=True)]
    ended = Decision("concluded")
    for name in (live, "tap_relay", ""):
        assert once_more(ended, turn.belief, offered, name) == ended
    permitted = [Candidate("relay_contact_released", index["relay_contact_released"], 9.0)]
    anew = once_more(ended, turn.belief, permitted, "relay_contact_released")
    assert anew.kind == "test"
    assert [c.candidate.test for c in anew.choices] == ["relay_contact_released"]
    assert not anew.again
