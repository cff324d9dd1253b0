"""The facts that the rules see at each turn; all values are texts."""

from __future__ import annotations

from typing import TYPE_CHECKING

from diagnose.interview.safety import safety_facts
from diagnose.interview.state import PHONE, State
from diagnose.knowledge.names import unit_of
from diagnose.knowledge.rule_records import Fact
from diagnose.plant.compose import Installation
from diagnose.reasoning.belief import UNKNOWN_UNIT, Belief
from diagnose.reasoning.rule_reach import BANDS

if TYPE_CHECKING:
    from diagnose.interview.session import Session

MOST_SUSPECTS = 5
LICENSED_SHARE = 0.5
"""Share of what is weighed at which its failure modes flagged `licensed` decide (judgement)."""


def band_of(probability: float) -> str:
    """The word for a probability: certain, likely, possible, unlikely, or "" below them."""
    return next((word for limit, word in BANDS if probability >= limit), "")


def facts_of(session: Session, state: State, belief: Belief) -> list[Fact]:
    """Everything categorical about this moment."""
    opened = state.opened
    facts = [Fact.of("state", name="electrical", value=state.electrical.value)]
    if state.stage == PHONE:
        facts.append(Fact.of("state", name="stage", value=PHONE))
    facts += safety_facts(session, state)
    category = str(opened.get("meter_category", "cat_iii"))
    facts.append(Fact.of("answer", question="meter_category", choice=category))
    instruments = opened.get("instruments")
    if instruments is None:
        instruments = {t.spec.instrument for t in session.tests.values()} - {"none"}
    facts += [Fact.of("instrument", id=str(i)) for i in sorted(instruments)]
    facts.append(Fact.of("person", qualification=str(opened.get("qualification", "instructed"))))
    for name, choice in session.installation.choices.items():
        facts.append(Fact.of("variant", name=name, choice=choice))
    facts += [Fact.of("complaint", id=c) for c in state.complaints]
    for finding in state.findings:
        base, _, it = finding.test.partition("@")
        facts.append(Fact.of("finding", test=base, it=it or "-", outcome=finding.outcome))
    facts += [Fact.of("repaired", unit=u, mode=m) for u, m in state.repairs]
    facts += suspects(session.installation, belief)
    return list(dict.fromkeys(facts))


def suspects(installation: Installation, belief: Belief) -> list[Fact]:
    """The leading few causes, each with the type of its part and its band."""
    found = []
    for name, probability in belief.ranking()[:MOST_SUSPECTS]:
        unit, _, mode = name.partition(".")
        band = band_of(probability)
        if band and unit != UNKNOWN_UNIT:
            part = installation.instances[unit].part
            found.append(Fact.of("suspect", unit=unit, part=part, mode=mode, band=band))
    return found


def ending_fact(installation: Installation, belief: Belief, status: str) -> Fact:
    """What the search is about to end with, given to the rules once more before it does.

    ``licensed: yes`` where the repair belongs to a licensed electrician: ``concluded``, the
    leading failure mode of the unit is flagged so, or failure modes that are hold at least half of
    the unit's probability; ``ambiguous``, they hold at least half of all that is left.
    """
    unit, _ = belief.leading_unit()
    ranking = belief.ranking()
    leading = next(name for name, _ in ranking if unit_of(name) == unit)
    weighed = ranking
    if status == "concluded":
        weighed = [(n, p) for n, p in ranking if unit_of(n) == unit]
    modes = installation.modes
    flagged = sum(p for n, p in weighed if n in modes and modes[n].mode.licensed)
    licensed = flagged >= LICENSED_SHARE * sum(p for _, p in weighed)
    if status == "concluded" and leading in modes:
        licensed = licensed or modes[leading].mode.licensed
    mode = leading.partition(".")[2]
    return Fact.of(
        "ending", status=status, unit=unit, mode=mode, licensed="yes" if licensed else "no"
    )
