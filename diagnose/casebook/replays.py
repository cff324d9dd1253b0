"""Closed cases gone through once more: what was believed, which rules fired, what tests moved."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from diagnose.casebook.outcomes import Outcome
from diagnose.casebook.scoring import in_order, state_of
from diagnose.casebook.wirings import Wirings
from diagnose.interview.facts import facts_of
from diagnose.interview.session import Session
from diagnose.interview.state import State
from diagnose.knowledge.records import KnowledgeBase
from diagnose.knowledge.rule_records import Fact
from diagnose.plant.compose import compose
from diagnose.reasoning.belief import UNKNOWN_UNIT, Belief
from diagnose.reasoning.rules import Firing, RuleEngine

CLAIMS = ("exclude", "contradiction", "hand_over", "look_for")
"""What a rule may conclude that a confirmed cause can prove wrong."""
HELPS = 0.02
"""Bits by which an answer must change the belief about the unit to have helped."""


@dataclass(frozen=True)
class Claim:
    """What a rule concluded of a case, the first time that it did.

    Attributes
    ----------
    wrong : bool
        Whether the confirmed cause says otherwise.
    chance : float
        The model's own chance, at that moment, that it would.
    """

    rule: str
    text: str
    wrong: bool
    chance: float


@dataclass(frozen=True)
class Asked:
    """An answer: its test, whether it helped, and the chance beforehand that it would."""

    test: str
    outcome: str
    helped: bool
    chance: float


@dataclass(frozen=True)
class Replayed:
    """One case gone through with the present knowledge.

    Attributes
    ----------
    believed : mapping of failure mode to probability
        After the last test before any repair.
    rank : int
        Place of the confirmed cause then, from 1; 0 where it is not in the knowledge base.
    """

    outcome: Outcome
    session: Session
    believed: Mapping[str, float]
    rank: int
    claims: tuple[Claim, ...]
    asked: tuple[Asked, ...]


def replay_all(
    outcomes: Sequence[Outcome],
    knowledge: KnowledgeBase,
    wirings: Wirings,
    rules: RuleEngine,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> list[Replayed]:
    """Go through every confirmed case whose wiring the knowledge holds, in order."""
    sessions: dict[object, Session] = {}
    found = []
    chosen = in_order(outcomes)
    for number, outcome in enumerate(chosen, 1):
        wiring = wirings.of(outcome.installation, outcome.variants)
        progress(number, len(chosen))
        if wiring is None or any(c not in wiring.matrix.complaints for c in outcome.complaints):
            continue
        key = (outcome.installation, outcome.variants)
        if key not in sessions:
            installation = compose(knowledge, key[0], dict(key[1]))
            sessions[key] = Session(knowledge, installation, wiring.matrix, rules=rules)
        found.append(replayed(outcome, sessions[key]))
    return found


def replayed(outcome: Outcome, session: Session) -> Replayed:
    """Go through one case, answer by answer."""
    whole = state_of(outcome, session, tested=True)
    claims: dict[tuple[str, str], Claim] = {}
    asked = []
    state = replace(whole, findings=[])
    belief = session.belief(state)
    for claim in _claims(session, state, belief, outcome):
        claims.setdefault((claim.rule, claim.text), claim)
    for number, finding in enumerate(whole.findings, 1):
        if not finding.by_phone:
            place = session.outcome_index(finding.test, finding.outcome)
            asked.append(Asked(finding.test, finding.outcome, *_helps(belief, finding.test, place)))
        state = replace(whole, findings=whole.findings[:number])
        belief = session.belief(state)
        for claim in _claims(session, state, belief, outcome):
            claims.setdefault((claim.rule, claim.text), claim)
    ranking = belief.ranking()
    names = [name for name, _ in ranking]
    rank = names.index(outcome.cause) + 1 if outcome.cause in names else 0
    return Replayed(outcome, session, dict(ranking), rank, tuple(claims.values()), tuple(asked))


def _helps(belief: Belief, test: str, outcome: int) -> tuple[bool, float]:
    """Whether an answer changes what is believed of the unit, and the chance that one does."""
    k = belief.table.test_index[test]
    joint = belief.joint(np.array([k]))[:, 0, : int(belief.table.sizes[k])]
    chance = joint.sum(axis=0)
    after = joint / np.maximum(chance, 1e-300)
    before = belief.unit_p[:, None]
    ratio = np.where(after > 0, after / np.maximum(before, 1e-300), 1.0)
    moved = (after * np.log2(ratio)).sum(axis=0) >= HELPS
    return bool(moved[outcome]), float(chance[moved].sum())


# ---------------------------------------------------------------------- rules


def _claims(session: Session, state: State, belief: Belief, outcome: Outcome) -> Iterator[Claim]:
    """What the rules say now that the confirmed cause can judge."""
    inference = session.rules.infer(facts_of(session, state, belief))
    units = dict(zip(belief.table.unit_names, belief.unit_p.tolist(), strict=True))
    for firing in inference.firings:
        for fact in firing.concluded:
            if fact.kind in CLAIMS:
                claim = _claim(session, belief, units, outcome, firing, fact)
                if claim is not None:
                    yield claim


def _claim(
    session: Session,
    belief: Belief,
    units: Mapping[str, float],
    outcome: Outcome,
    firing: Firing,
    fact: Fact,
) -> Claim | None:
    cause = outcome.cause
    mode = session.installation.modes.get(cause)
    if fact.kind == "contradiction":
        return _contradiction(session, belief, outcome, firing, fact)
    if fact.kind == "exclude":
        unit = fact.get("unit")
        wrong = mode is not None and mode.unit == unit
        return Claim(firing.rule, f"excludes {unit}", wrong, units.get(unit, 0.0))
    if fact.kind == "look_for":
        unit = fact.get("unit")
        if unit not in units:
            return None
        wrong = mode is None or mode.unit != unit
        return Claim(firing.rule, f"looks for a cause behind {unit}", wrong, 1.0 - units[unit])
    named = [f for f in firing.matched if f.kind == "suspect"]
    if not named:  # handing over for what was seen is a precaution, and never wrong
        return None
    unit = named[0].get("unit")
    wrong = mode is None or mode.unit != unit
    return Claim(firing.rule, f"hands over for {unit}", wrong, 1.0 - units.get(unit, 0.0))


def _contradiction(
    session: Session, belief: Belief, outcome: Outcome, firing: Firing, fact: Fact
) -> Claim | None:
    """Two answers that a rule calls impossible together, and whether the cause shows both."""
    seen = [f for f in firing.matched if f.kind == "finding"]
    if len(seen) < 2:
        return None
    shown: list[np.ndarray[tuple[int], np.dtype[np.float64]]] = []
    for found in seen[:2]:
        it = found.get("it")
        test = found.get("test") + (f"@{it}" if it not in ("", "-") else "")
        shown.append(
            belief.table.clean[
                :, belief.table.test_index[test], session.outcome_index(test, found.get("outcome"))
            ]
        )
    both = shown[0] * shown[1]
    own = belief.table.positions(outcome.cause)
    if own.stop == own.start or outcome.cause.startswith(UNKNOWN_UNIT):
        return None
    likely = float(both[own].max()) >= 0.5
    text = f"{fact.get('first')} against {fact.get('second')}"
    return Claim(firing.rule, text, likely, float(belief.p[both >= 0.5].sum()))
