"""A visit without a complaint: the checklist, and what a filled-in one says."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np

from diagnose.errors import DiagnoseError, Issue
from diagnose.interview.asking import typed_unit
from diagnose.interview.explain import healthy_outcome, title_of
from diagnose.interview.facts import suspects
from diagnose.interview.session import Session
from diagnose.interview.steps import Check
from diagnose.interview.verifying import checks_for
from diagnose.knowledge.rule_records import Fact
from diagnose.plant.matrix import HEALTHY
from diagnose.plant.procedures import InstalledTest
from diagnose.reasoning.belief import Belief
from diagnose.reasoning.cover import REVEALS, Cover, cover, healthy_outcomes
from diagnose.reasoning.guard import Electrical, Exposure, SafetyState, Skill, refuse_step
from diagnose.reasoning.places import TELEPHONE
from diagnose.reasoning.wrong_answers import with_error

NOT_DONE = ("", "cannot", "-")
"""How a line that was not filled in may look."""
STATE_OF = {
    Exposure.LOOK: Electrical.ENERGISED,
    Exposure.ENERGISED: Electrical.ENERGISED,
    Exposure.LIVE: Electrical.ENERGISED,
    Exposure.DEAD: Electrical.PROVED_DEAD,
}


@dataclass(frozen=True)
class Line:
    """One test of the checklist, with all that is printed beside it."""

    test: str
    title: str
    do: str
    instrument: str
    minutes: float
    unit: str
    healthy: str
    outcomes: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    sole: tuple[str, ...]


@dataclass(frozen=True)
class Leg:
    """The lines of one stop."""

    round: str
    level: str
    place: str
    lines: tuple[Line, ...]


@dataclass(frozen=True)
class Unseen:
    """A failure mode that the checklist cannot reveal, and why."""

    mode: str
    title: str
    reason: str


@dataclass(frozen=True)
class Survey:
    """The checklist of one installation; `also` are function checks that end every visit."""

    legs: tuple[Leg, ...]
    unseen: tuple[Unseen, ...]
    also: tuple[Check, ...]
    cover: Cover
    threshold: float


@dataclass(frozen=True)
class Off:
    """An answer out of limits."""

    test: str
    title: str
    raw: str
    outcome: str
    healthy: str


@dataclass(frozen=True)
class Verdict:
    """What a filled-in checklist says.

    Attributes
    ----------
    advice : tuple of str
        What the rules say about the answers: what to leave off, whom to call.
    sound : float
        Probability that nothing is wrong, each answer taken to be wrong now and then. With
        something out of limits: that a wrong answer is all there is to it.
    ranking : failure mode, probability
        What it is, if something is wrong.
    missing : tuple of str
        Tests of the checklist that were not filled in.
    """

    off: tuple[Off, ...]
    within: int
    missing: tuple[str, ...]
    advice: tuple[str, ...]
    sound: float
    ranking: tuple[tuple[str, float], ...]


def permitted(
    session: Session, instruments: Collection[str] | None, skill: Skill, rated_meter: bool = True
) -> dict[str, InstalledTest]:
    """The tests that this person may make with these instruments (None: all there are)."""
    found = {}
    for name, test in session.tests.items():
        spec = test.spec
        exposure = Exposure(spec.state)
        state = SafetyState(STATE_OF[exposure], skill, rated_meter=rated_meter)
        at_hand = instruments is None or spec.instrument in {"none", *instruments}
        refused = refuse_step(state, exposure, spec.by == "licensed")
        if spec.place_at != TELEPHONE and at_hand and not refused:
            found[name] = test
    return found


def plan_survey(
    session: Session,
    instruments: Collection[str] | None = None,
    skill: Skill = Skill.INSTRUCTED,
    threshold: float = REVEALS,
) -> Survey:
    """The shortest checklist that would reveal every detectable failure mode."""
    tests = permitted(session, instruments, skill)
    chosen = cover(session.matrix, tests, session.ground.costs, threshold)
    legs = tuple(
        Leg(s.round, s.level, s.place, tuple(_line(session, name, chosen) for name in s.tests))
        for s in chosen.stops
    )
    return Survey(legs, _unseen(session, chosen, threshold), _also(session), chosen, threshold)


def _line(session: Session, name: str, chosen: Cover) -> Line:
    test = session.tests[name]
    return Line(
        name,
        test.title,
        test.do,
        test.spec.instrument,
        test.minutes,
        typed_unit(test),
        healthy_outcome(session, name),
        tuple((o.id, o.title) for o in test.outcomes),
        session.texts(test.spec.cautions),
        chosen.sole[name],
    )


def _also(session: Session) -> tuple[Check, ...]:
    return tuple(c for c in checks_for(session.installation) if c.id != "gone")


def _unseen(session: Session, chosen: Cover, threshold: float) -> tuple[Unseen, ...]:
    """Why each failure mode that is missed is missed."""
    if not chosen.missed:
        return ()
    everything = permitted(session, None, Skill.LICENSED)
    all_missed = {
        m.mode for m in cover(session.matrix, everything, session.ground.costs, threshold).missed
    }
    found = []
    for missed in chosen.missed:
        if missed.mode not in all_missed:
            reason = "only a test that this person or these instruments cannot make reveals it"
        elif missed.nearest:
            nearest = session.tests[missed.nearest].title
            reason = f"no test reveals it surely enough; nearest: {nearest} ({missed.chance:.0%})"
        else:
            reason = "no test looks different from a healthy installation's"
        found.append(Unseen(missed.mode, title_of(session, missed.mode), reason))
    return tuple(found)


def evaluate(session: Session, readings: Mapping[str, str], planned: Collection[str]) -> Verdict:
    """What the readings of a checklist say: what is out of limits and what is then suspected.

    Raises
    ------
    DiagnoseError
        With every test or reading that is not known, each with its place.
    """
    outcomes = _outcomes(session, readings)
    usual = healthy_outcomes(session.matrix)
    table = session.table("now")
    belief = Belief(table, table.prior())
    healthy = 0.0
    off = []
    for name, k in outcomes.items():
        column = table.test_index[name]
        test = session.tests[name]
        p = session.matrix.of(HEALTHY, name)[k : k + 1]
        healthy += float(np.log(with_error(p, len(test.outcomes), test.error)[0]))
        belief = belief.update(name, k)
        if not usual[column, k]:
            shown = test.outcomes[k].title
            raw = str(readings[name])
            off.append(Off(name, test.title, raw, shown, healthy_outcome(session, name)))
    faulty = session.knowledge.word("survey", "faulty")
    fault = float(np.logaddexp.reduce(belief.log_p)) + np.log(faulty)
    sound = float(1 / (1 + np.exp(fault - healthy - np.log(1 - faulty))))
    return Verdict(
        tuple(off),
        len(outcomes) - len(off),
        tuple(name for name in planned if name not in outcomes),
        _advice(session, outcomes, belief),
        sound,
        tuple(belief.ranking()),
    )


def _advice(session: Session, outcomes: Mapping[str, int], belief: Belief) -> tuple[str, ...]:
    """What the rules conclude from the answers, whatever their probability."""
    facts = [Fact.of("variant", name=n, choice=c) for n, c in session.installation.choices.items()]
    for name, k in outcomes.items():
        test = session.tests[name]
        said = {"test": test.spec.id, "it": test.it or "-", "outcome": test.outcomes[k].id}
        facts.append(Fact.of("finding", **said))
    facts += suspects(session.installation, belief)
    inference = session.rules.infer(facts)
    kinds = (("hold", "why"), ("hand_over", "why"), ("advise", "text"))
    found = [f.get(key) for kind, key in kinds for f in inference.concluded(kind)]
    return tuple(dict.fromkeys(text.replace("_", " ") for text in found))


def _outcomes(session: Session, readings: Mapping[str, str]) -> dict[str, int]:
    """The outcome behind each reading that was filled in."""
    issues: list[Issue] = []
    found = {}
    for name, typed in readings.items():
        if name not in session.tests:
            place = getattr(name, "place", None)
            message = f"there is no test '{name}' on this installation"
            issues.append(Issue("error", "unknown-id", message, place))
            continue
        if typed.strip() in NOT_DONE:
            continue
        try:
            found[str(name)] = session.outcome_index(name, session.read_answer(name, typed))
        except DiagnoseError as error:
            issues.extend(error.issues)
    if issues:
        raise DiagnoseError(issues)
    return found
