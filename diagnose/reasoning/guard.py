"""The second, independent guard: what the present electrical state allows.

Deliberately free of the rule engine and of the knowledge base: one small table. Where the two
disagree, the stricter wins.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
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
    no_live: bool = False
    """Something was reported that rules out every live measurement."""
    stays_off: bool = False
    """Something was reported that is made good before anything is switched on or operated."""
    closed: frozenset[str] = frozenset()
    """Places where nobody may go now."""
    dead_only: bool = False
    """A shock was felt: nothing but looking, and dead work by a licensed electrician."""
    people_first: bool = False
    """Somebody is hurt or in danger: not even looking is a step."""
    tripped_again: bool = False
    """A protective device was reset, tripped again, and nothing was repaired since."""
    untested: bool = False
    """A protective device tripped, and insulation tests that can be made were not."""
    parted: bool = False
    """Electronics and surge arresters are off at both ends for an insulation test."""
    charged: bool = False
    """After an insulation test the circuit was not yet discharged."""

    @property
    def held(self) -> bool:
        """Nothing is switched on or measured live."""
        return self.hazard or self.dead_only

    @property
    def kept_away(self) -> bool:
        """Nothing is done but looking."""
        return self.hazard or (self.dead_only and self.skill is not Skill.LICENSED)


HELD = {
    ("danger", "yes"),
    ("danger", "water"),
    ("panel_wet", "yes"),
    ("panel_wet", "storm"),
    ("burning", "now"),
    ("burning", "gas"),
}
"""Answers (question, choice) that stop everything but looking."""
DEAD_ONLY = {("tingle", "yes")}
"""Answers that stop all but looking, and dead work by a licensed electrician."""
PEOPLE = {("danger", "yes"), ("danger", "water")}
"""Answers after which there is no step at all."""
NOT_LIVE = {("burning", "earlier"), ("damage_seen", "yes"), ("company", "alone")}
"""Answers that rule out live measurements, beside those in `HELD` and `DEAD_ONLY`."""
STAYS_OFF = {("burning", "earlier"), ("damage_seen", "yes")}
"""Answers after which nothing is switched on or operated before it is made good."""
LASTING = {
    ("tingle", "yes"),
    ("panel_wet", "yes"),
    ("burning", "now"),
    ("burning", "earlier"),
    ("damage_seen", "yes"),
}
"""Reports of a fault in the installation: they stand until all of `CLEARED_BY` was shown since."""
CLEARED_BY = frozenset({"repaired", "insulation", "inspected"})
"""The cause repaired, the insulation measured at 1 Mohm or more, the damage inspected."""
PASSING = {
    ("danger", "yes"),
    ("danger", "water"),
    ("panel_wet", "storm"),
    ("burning", "gas"),
    ("roof_way", "unsafe"),
}
"""Reports of what passes: asked anew when the callout goes on later."""
HANDS_ON = {"roof", "sump", "pump"}
"""Places where to look is to touch tap, tank, float or pump."""
HANDS_OFF = marked("after a shock nothing wet or metal is touched before it is proved dead")
CLOSED = {
    ("panel_wet", "storm"): ("roof", "sump", "pump"),
    ("burning", "gas"): ("sump",),
    ("roof_way", "unsafe"): ("roof",),
}
"""Answers that close places."""
TRIPS = frozenset({"breaker", "rcd", "at_once", "overload", "later"})
"""Outcomes of a reset after which the device is off again."""

JOINED = {
    "insulation_from_panel",
    "insulation_legs",
    "insulation_three",
    "box_insulation",
    "turn_insulation",
}
"""Insulation tests of cable and motor together, all live conductors joined."""
ONE_BY_ONE = (
    {"insulation_cable_live", "insulation_cable_neutral", "insulation_motor"},
    {"insulation_leg_1", "insulation_leg_2", "insulation_motor"},
    {"set_lead_insulation", "insulation_motor"},
)
"""Insulation tests that reach every live conductor of the pump circuit together."""
EACH = {"turn_insulation", "mains_float_earth"}
"""Insulation tests that are made on each of several pumps or floats, not on one for all."""


def sound(good: Iterable[str], fitted: Iterable[str]) -> bool:
    """Whether good insulation was shown of every live conductor: line and neutral, leg or phase.

    Parameters
    ----------
    good, fitted
        Insulation tests, ``test`` or ``test@instance``: those found good, those that can be made.
    """
    shown = set(good)
    made = {test.partition("@")[0] for test in shown}
    whole = bool(made & JOINED) or any(tests.issubset(made) for tests in ONE_BY_ONE)
    return whole and all(test in shown for test in fitted if test.partition("@")[0] in EACH)


def with_reports(
    state: SafetyState,
    told: Iterable[tuple[str, str]],
    tripped: bool = False,
    tripped_again: bool = False,
    shown: Iterable[str] = (),
    unsteady: bool = False,
) -> SafetyState:
    """The state with all that was reported, read here a second time beside the rules.

    Parameters
    ----------
    told : pairs of question and choice
        What was answered to the safety questions and the way to the roof.
    tripped
        A protective device tripped and the insulation is not yet `sound`.
    tripped_again
        A device that was reset tripped again, and nothing was repaired since.
    shown
        What was shown since the last report, of `CLEARED_BY`.
    unsteady
        The lights of the premises were found dim or unsteady: with a shock the supply's neutral
        and earth may be open together, and isolating here makes nothing dead that is earthed.
    """
    told = set(told)
    if CLEARED_BY.issubset(shown):
        told -= LASTING
    unwatched = ("other_source", "yes") in told or ("damage_seen", "yes") in told
    return replace(
        state,
        hazard=state.hazard
        or bool(told & HELD)
        or (unsteady and bool(told & DEAD_ONLY))
        or (unwatched and state.skill is Skill.UNQUALIFIED),
        dead_only=state.dead_only or bool(told & DEAD_ONLY),
        no_live=state.no_live or tripped or bool(told & NOT_LIVE),
        stays_off=state.stays_off or bool(told & STAYS_OFF),
        closed=state.closed.union(*(CLOSED.get(pair, ()) for pair in told)),
        people_first=state.people_first or bool(told & PEOPLE),
        tripped_again=state.tripped_again or tripped_again,
    )


ACTS = ("isolate", "prove_dead", "energise", "found_on", "part", "discharge", "rejoin")
"""Changes of state, and `found_on`: to see, from outside, that the supply is on.

Round an insulation test: `part` electronics and surge arresters at both ends, `discharge` after
it, `rejoin` what was parted.
"""
DEAD_ACTS = ("part", "discharge", "rejoin")
"""Acts on conductors: only where it was proved dead."""


def refuse_step(
    state: SafetyState,
    exposure: Exposure,
    licensed_only: bool = False,
    place: str = "",
    reset: bool = False,
    insulation: bool = False,
    clears: bool = False,
    hands: bool = False,
) -> str:
    """Why a step may not be done now; "" where it may.

    `reset`: a protective device is reset; `insulation`: the insulation tester is put on; `clears`:
    it shows that the cause of a hold is gone, which a licensed electrician does dead; `hands`:
    whoever looks also touches (a float, a lid, a tap, the keys of a panel).
    """
    if licensed_only and state.skill is not Skill.LICENSED:
        return "only a licensed electrician may do this"
    if state.people_first:
        return "people first"
    if place in state.closed:
        return "nobody may go there now"
    if exposure is Exposure.LOOK:
        return _refuse_look(state, place, hands)
    if reset and state.tripped_again:
        return "it tripped again after a reset: leave it off until the cause is repaired"
    if reset and state.untested:
        return "measure the insulation dead before the reset"
    if state.charged or (state.parted and not insulation):
        return marked("after the insulation test: discharge and reconnect first")
    clearing = clears and exposure is Exposure.DEAD and state.skill is Skill.LICENSED
    stopped = state.kept_away if exposure is Exposure.DEAD else state.held
    if stopped and not clearing:
        return marked("there is an immediate hazard: make it safe first")
    if exposure is Exposure.ENERGISED:
        if state.stays_off:
            return marked("after what was reported it stays off until it is made good")
        if state.electrical is Electrical.ENERGISED:
            return ""
        return marked("the supply is not known to be on: re-energise with covers closed first")
    if exposure is Exposure.LIVE:
        if state.skill is Skill.UNQUALIFIED:
            return marked("live measurements need a qualified person")
        if not state.rated_meter:
            return marked("the meter is not rated for this place (measuring category)")
        if state.electrical is not Electrical.ENERGISED:
            return marked("the supply is not known to be on")
        if state.no_live:
            return "after what was reported nothing is measured live"
        return ""
    if state.skill is Skill.UNQUALIFIED:
        return marked("opening the panel needs an instructed or licensed person")
    if state.electrical is not Electrical.PROVED_DEAD:
        return marked("isolate and prove dead first")
    if insulation and not state.parted:
        return marked("disconnect electronics and surge arresters at both ends first")
    return ""


def _refuse_look(state: SafetyState, place: str, hands: bool) -> str:
    """Why nobody may look there, or touch what has to be touched for it."""
    if hands and state.kept_away:
        return marked("there is an immediate hazard: make it safe first")
    if state.electrical is Electrical.PROVED_DEAD:
        return ""
    if state.dead_only and (hands or place in HANDS_ON):
        return HANDS_OFF
    return marked("isolate and prove dead first") if hands and state.stays_off else ""


def refuse_repair(state: SafetyState, exposure: Exposure, place: str = "") -> str:
    """Why a repair may not be reported as made now; "" where it may.

    Parameters
    ----------
    exposure
        ``dead``, or ``any`` for what is put right with every cover closed.
    place
        Where the unit is.
    """
    if state.people_first:
        return marked("people first")
    if place in state.closed:
        return marked("nobody may go there now")
    if state.held and state.skill is not Skill.LICENSED:
        return marked("a hazard was reported: a licensed electrician makes this repair")
    if exposure is Exposure.LOOK and not state.held:
        return ""
    if state.skill is Skill.UNQUALIFIED:
        return marked("a qualified person makes this repair, isolated and proved dead")
    if state.electrical is not Electrical.PROVED_DEAD:
        return marked("isolate and prove dead before the repair")
    if state.charged or state.parted:
        return marked("after the insulation test: discharge and reconnect first")
    return ""


def refuse_act(state: SafetyState, act: str) -> str:
    """Why a change of state may not be made now; "" where it may."""
    if act not in ACTS:
        return f"'{act}' is not a known act"
    if act == "found_on":
        if state.held:
            return marked("there is an immediate hazard: keep away")
        if state.electrical is not Electrical.UNKNOWN:
            return marked("only where it is not known whether the supply is on")
        return ""
    if state.skill is Skill.UNQUALIFIED:
        return marked("isolating and re-energising need an instructed or licensed person")
    if act == "prove_dead" and state.electrical is not Electrical.ISOLATED:
        return marked("isolate and lock off before proving dead")
    if act in DEAD_ACTS and state.electrical is not Electrical.PROVED_DEAD:
        return marked("isolate and prove dead first")
    if act == "rejoin" and state.charged:
        return marked("discharge first")
    if act == "energise" and (state.charged or state.parted):
        return marked("after the insulation test: discharge and reconnect first")
    if act == "energise" and state.stays_off:
        return marked("after what was reported it stays off until it is made good")
    if act == "energise" and state.held:
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
