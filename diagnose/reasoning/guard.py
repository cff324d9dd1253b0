"""The second, independent guard: what the present electrical state allows.

Deliberately free of the rule engine and of the knowledge base: one small table. Where the two
disagree, the stricter wins.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from diagnose.language import marked


class Electrical(Enum):
    """The electrical state of the installation as far as it has been shown."""

    UNKNOWN = "unknown"
    ENERGISED = "energised"
    ISOLATED = "isolated"
    PROVED_DEAD = "proved_dead"


class Exposure(Enum):
    """What a step exposes the person to."""

    LOOK = "any"
    ENERGISED = "energised"
    LIVE = "live"
    DEAD = "dead"


class Skill(Enum):
    """Qualification of the person at the panel."""

    LICENSED = "licensed"
    INSTRUCTED = "instructed"
    UNQUALIFIED = "unqualified"


@dataclass(frozen=True)
class SafetyState:
    """All that the guard looks at."""

    electrical: Electrical = Electrical.UNKNOWN
    skill: Skill = Skill.UNQUALIFIED
    hazard: bool = False
    rated_meter: bool = False


ACTS = ("isolate", "prove_dead", "energise", "found_on")
"""Changes of state, and `found_on`: to see, from outside, that the supply is on."""


def refuse_step(state: SafetyState, exposure: Exposure, licensed_only: bool = False) -> str:
    """Why a step may not be done now; "" where it may."""
    if licensed_only and state.skill is not Skill.LICENSED:
        return "only a licensed electrician may do this"
    if exposure is Exposure.LOOK:
        return ""
    if state.hazard:
        return marked("there is an immediate hazard: make it safe first")
    if exposure is Exposure.ENERGISED:
        if state.electrical in (Electrical.ENERGISED,):
            return ""
        return marked("the supply is not known to be on: re-energise with covers closed first")
    if exposure is Exposure.LIVE:
        if state.skill is Skill.UNQUALIFIED:
            return marked("live measurements need a qualified person")
        if not state.rated_meter:
            return marked("the meter is not rated for this place (measuring category)")
        if state.electrical is not Electrical.ENERGISED:
            return marked("the supply is not known to be on")
        return ""
    if state.skill is Skill.UNQUALIFIED:
        return marked("opening the panel needs an instructed or licensed person")
    if state.electrical is not Electrical.PROVED_DEAD:
        return marked("isolate and prove dead first")
    return ""


def refuse_act(state: SafetyState, act: str) -> str:
    """Why a change of state may not be made now; "" where it may."""
    if act not in ACTS:
        return f"'{act}' is not a known act"
    if act == "found_on":
        if state.hazard:
            return marked("there is an immediate hazard: keep away")
        if state.electrical is not Electrical.UNKNOWN:
            return marked("only where it is not known whether the supply is on")
        return ""
    if state.skill is Skill.UNQUALIFIED:
        return marked("isolating and re-energising need an instructed or licensed person")
    if act == "prove_dead" and state.electrical is not Electrical.ISOLATED:
        return marked("isolate and lock off before proving dead")
    if act == "energise" and state.hazard:
        return marked("there is an immediate hazard: do not re-energise")
    return ""


def after_act(state: Electrical, act: str) -> Electrical:
    """The electrical state once an act is reported done."""
    return {
        "isolate": Electrical.ISOLATED,
        "prove_dead": Electrical.PROVED_DEAD,
        "energise": Electrical.ENERGISED,
        "found_on": Electrical.ENERGISED,
    }.get(act, state)
