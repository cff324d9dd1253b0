"""The referee of a practice callout: which deeds are unsafe in which state, and what follows.

Every act comes down to one deed of a small list; every rule names the deeds that it watches
and the states in which they are unsafe. The words, minutes and sources of the rules stand in
``practice/unsafe.yaml`` under the same ids. The order of making dead is that of EN 50110-1:
disconnect on all poles, secure against reconnection, verify dead with a tester proved before and
after; then discharge what keeps a charge; only then work. Plain functions, free of the rule
engine and of the plant.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from enum import Enum

from diagnose.errors import fail
from diagnose.knowledge.practice_reading import Unsafe
from diagnose.practice.records import Hazard, Offence, Proof, SafetyState
from diagnose.reasoning.guard import Electrical


class Deed(Enum):
    """What an act comes down to, as far as safety goes."""

    LOOK = "look, ask, walk"
    ISOLATE = "isolate"
    LOCK_OFF = "lock off"
    PROVE_TESTER = "prove the tester"
    PROVE_DEAD = "prove dead"
    DISCHARGE = "discharge the capacitor"
    DISCONNECT = "disconnect the electronics"
    CLOSE = "leads back, covers closed"
    BLOCK = "controller to manual, off"
    ENERGISE = "switch on"
    LEVEL = "bring the water to a level"
    OPERATE = "work the installation, covers closed"
    RESET = "reset a device and work the installation"
    LIVE = "measure live"
    LIVE_NEEDLESS = "measure live where a dead test would do"
    TOUCH = "touch or change parts"
    TOUCH_PUMP = "touch or change parts at the pump"
    MEASURE = "measure on the dead circuit"
    MEASURE_PUMP = "measure where the capacitor is in reach"
    INSULATION = "insulation test"
    INSULATION_PUMP = "insulation test where the capacitor is in reach"
    BYPASS_PROTECTION = "bridge a protective device"
    BYPASS_INTERLOCK = "bridge an interlock"


HARMLESS = frozenset({Deed.LOOK, Deed.ISOLATE, Deed.LOCK_OFF, Deed.PROVE_TESTER})
"""Done from outside, touching nothing that is not meant to be touched."""
BRIDGED = frozenset({Deed.BYPASS_PROTECTION, Deed.BYPASS_INTERLOCK})
METERED = frozenset({Deed.MEASURE, Deed.MEASURE_PUMP, Deed.INSULATION, Deed.INSULATION_PUMP})
"""Dead measurements: the instrument is a source or a short circuit of its own."""
HANDS = frozenset({Deed.TOUCH, Deed.TOUCH_PUMP, Deed.DISCHARGE, Deed.DISCONNECT})
INSIDE = METERED | HANDS
"""All that is done on conductors."""
AT_PUMP = frozenset({Deed.TOUCH_PUMP, Deed.MEASURE_PUMP, Deed.INSULATION_PUMP})
INSULATED = frozenset({Deed.INSULATION, Deed.INSULATION_PUMP})
ON_LIVE = frozenset({Deed.LIVE, Deed.LIVE_NEEDLESS})
WORKED = frozenset({Deed.OPERATE, Deed.RESET})
MAY_BE_LIVE = (Electrical.ENERGISED, Electrical.UNKNOWN)


@dataclass(frozen=True)
class Rule:
    """The deeds that a rule watches, and when they are unsafe."""

    id: str
    deeds: frozenset[Deed]
    when: Callable[[SafetyState, Deed], bool]


def _may_be_live(state: SafetyState, deed: Deed) -> bool:
    return state.electrical in MAY_BE_LIVE


def _open(state: SafetyState, deed: Deed) -> bool:
    return state.covers_open or state.parted


RULES: tuple[Rule, ...] = (
    Rule("bypass_protection", frozenset({Deed.BYPASS_PROTECTION}), lambda s, d: True),
    Rule("bypass_interlock", frozenset({Deed.BYPASS_INTERLOCK}), lambda s, d: True),
    Rule(
        "hazard_ignored",
        frozenset(Deed) - HARMLESS - BRIDGED,
        lambda s, d: s.hazard is Hazard.KNOWN,
    ),
    Rule("ohms_on_live", METERED, _may_be_live),
    Rule("touch_live", HANDS | {Deed.PROVE_DEAD}, _may_be_live),
    Rule("touch_live", frozenset({Deed.CLOSE}), lambda s, d: _may_be_live(s, d) and _open(s, d)),
    Rule(
        "hazard_not_asked",
        frozenset(Deed) - HARMLESS - BRIDGED,
        lambda s, d: s.hazard is Hazard.UNASKED,
    ),
    Rule("not_locked_off", INSIDE | {Deed.PROVE_DEAD}, lambda s, d: not s.locked),
    Rule(
        "tester_not_proved_before",
        frozenset({Deed.PROVE_DEAD}),
        lambda s, d: s.electrical is Electrical.ISOLATED and s.proof is Proof.NONE,
    ),
    Rule(
        "tester_not_proved_after",
        INSIDE,
        lambda s, d: s.electrical is Electrical.ISOLATED and s.proof is Proof.MEASURED,
    ),
    Rule(
        "not_proved_dead",
        INSIDE,
        lambda s, d: s.electrical is Electrical.ISOLATED and s.proof is not Proof.MEASURED,
    ),
    Rule("insulation_with_electronics", INSULATED, lambda s, d: not s.parted),
    Rule("charged_capacitor", AT_PUMP, lambda s, d: not s.discharged),
    Rule("covers_open", WORKED | {Deed.ENERGISE}, _open),
    Rule("restart_not_blocked", frozenset({Deed.ENERGISE}), lambda s, d: not s.blocked),
    Rule("second_reset", frozenset({Deed.RESET}), lambda s, d: s.tripped and s.reset),
    Rule(
        "reset_before_dead_tests",
        frozenset({Deed.RESET}),
        lambda s, d: s.tripped and not s.dead_tested,
    ),
    Rule("unrated_meter", ON_LIVE, lambda s, d: not s.rated),
    Rule("live_where_dead", frozenset({Deed.LIVE_NEEDLESS}), lambda s, d: True),
)
"""In the order in which they are asked: the first that is broken is the one explained."""
IDS = tuple(dict.fromkeys(rule.id for rule in RULES))


def broken(state: SafetyState, deed: Deed) -> str:
    """The id of the first rule that a deed breaks in a state; "" where it is safe."""
    for rule in RULES:
        if deed in rule.deeds and rule.when(state, deed):
            return rule.id
    return ""


def impossible(state: SafetyState, deed: Deed) -> str:
    """Why a deed, safe or not, makes no sense in this state; "" where it does."""
    if deed in WORKED | ON_LIVE and state.electrical is not Electrical.ENERGISED:
        return "The supply is off: there is nothing to see. Switch on first (energise)."
    if deed is Deed.LOCK_OFF and state.electrical in MAY_BE_LIVE:
        return "There is nothing to lock off yet: isolate first."
    if deed is Deed.ISOLATE and state.electrical not in MAY_BE_LIVE:
        return "It is isolated already."
    if deed is Deed.ENERGISE and state.electrical is Electrical.ENERGISED:
        return "It is on already."
    if deed is Deed.PROVE_DEAD and state.electrical is Electrical.PROVED_DEAD:
        return "It is proved dead already."
    return ""


def after(state: SafetyState, deed: Deed, capacitor: bool = True) -> SafetyState:
    """The state once a safe deed was done.

    Parameters
    ----------
    capacitor
        The motor has a run capacitor, which takes up a charge whenever the supply is on.
    """
    proved = state.electrical is Electrical.PROVED_DEAD
    if deed is Deed.ISOLATE:
        kept = Proof.TESTER if state.proof is Proof.TESTER else Proof.NONE
        return replace(
            state,
            electrical=Electrical.ISOLATED,
            locked=False,
            proof=kept,
            discharged=not capacitor,
        )
    if deed is Deed.LOCK_OFF:
        return replace(state, locked=True)
    if deed is Deed.PROVE_TESTER:
        if state.electrical is Electrical.ISOLATED and state.proof is Proof.MEASURED:
            return replace(state, electrical=Electrical.PROVED_DEAD)
        return state if proved else replace(state, proof=Proof.TESTER)
    if deed is Deed.PROVE_DEAD:
        return state if proved else replace(state, proof=Proof.MEASURED, covers_open=True)
    if deed is Deed.DISCHARGE:
        return replace(state, discharged=True, covers_open=True)
    if deed is Deed.DISCONNECT:
        return replace(state, parted=True, covers_open=True)
    if deed is Deed.CLOSE:
        return replace(state, parted=False, covers_open=False)
    if deed is Deed.BLOCK:
        return replace(state, blocked=True)
    if deed is Deed.ENERGISE:
        return replace(
            state,
            electrical=Electrical.ENERGISED,
            locked=False,
            proof=Proof.NONE,
            discharged=not capacitor,
        )
    if deed in METERED:
        return replace(state, dead_tested=True, covers_open=True)
    if deed in (Deed.TOUCH, Deed.TOUCH_PUMP):
        return replace(state, covers_open=True)
    return state


def offence(rule: str, words: Mapping[str, Unsafe]) -> Offence:
    """What is said of a broken rule, and what it costs.

    Raises
    ------
    DiagnoseError
        The practice files say nothing of the rule.
    """
    if rule not in words:
        raise fail("unknown-id", f"practice/unsafe.yaml does not explain '{rule}'", None, words)
    record = words[rule]
    return Offence(rule, record.title, record.why, record.instead, record.minutes)


TOWARDS: Mapping[str, Deed] = {
    "hazard_not_asked": Deed.LOOK,
    "not_locked_off": Deed.LOCK_OFF,
    "tester_not_proved_before": Deed.PROVE_TESTER,
    "tester_not_proved_after": Deed.PROVE_TESTER,
    "charged_capacitor": Deed.DISCHARGE,
    "insulation_with_electronics": Deed.DISCONNECT,
    "covers_open": Deed.CLOSE,
    "restart_not_blocked": Deed.BLOCK,
}
"""What puts right that which a rule stops; the rest hangs on the state (`remedy`)."""


def remedy(state: SafetyState, deed: Deed) -> Deed | None:
    """The next deed on the way to one that is stopped or makes no sense now; None: there is none.

    A dead measurement stands for what a first reset asks for, another meter for an unrated one.
    """
    if impossible(state, deed):
        return Deed.ENERGISE if deed in WORKED | ON_LIVE else None
    rule = broken(state, deed)
    if rule in ("ohms_on_live", "touch_live"):
        return Deed.ISOLATE
    if rule == "not_proved_dead":
        return Deed.PROVE_DEAD if state.proof is Proof.TESTER else Deed.PROVE_TESTER
    if rule == "reset_before_dead_tests":
        return Deed.MEASURE
    return TOWARDS.get(rule)
