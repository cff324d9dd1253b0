"""What the two safety mechanisms see of a callout, and what each of them takes away.

The guard reads answers and findings for itself (`guard.with_reports`), the rules conclude holds,
prohibitions and permits. A step is offered only where neither speaks against it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from diagnose.interview.state import State
from diagnose.plant.procedures import InstalledTest
from diagnose.reasoning.guard import TRIPS, Electrical, Exposure, SafetyState, Skill, with_reports
from diagnose.reasoning.planner import Equipment, acts_needed
from diagnose.reasoning.rules import Inference

if TYPE_CHECKING:
    from diagnose.interview.session import Session

CAT_RATED = ("cat_iii", "cat_iv")
RESET = "reset_once"
"""The caution by which a test says that it resets a protective device."""
TRIPPED = "trips"
"""The complaint that a protective device trips."""
PLACES = {
    "roof": ("work_at_height",),
    "sump": ("confined_sump",),
    "pump": ("rotating_shaft",),
}
"""Cautions of every step at a place, whatever the step itself says."""
WITH = {"insulation_tester": ("insulation_test_voltage", "capacitor_charge")}
"""Cautions of every step with an instrument."""
LIVE = ("mains_live", "meter_category")


def cautions_of(
    own: tuple[str, ...], place: str, exposure: Exposure, instrument: str
) -> tuple[str, ...]:
    """The cautions of a step: its own, and those that its place, state and instrument ask for.

    Above the level of the ground or over water the first; nothing in reach moves that was proved
    dead, so the one for the pump is for a pump that may start.
    """
    more = PLACES.get(place, ()) if place != "pump" or exposure is Exposure.ENERGISED else ()
    live = LIVE if exposure is Exposure.LIVE else ()
    return tuple(dict.fromkeys([*own, *more, *live, *WITH.get(instrument, ())]))


def resets(test: InstalledTest) -> bool:
    """Whether a test resets a protective device."""
    return RESET in test.spec.cautions and test.spec.state != "any"


def equipment_of(session: Session, state: State, inference: Inference) -> Equipment:
    """Instruments at hand and the guard's view of the person, the place and what was reported."""
    opened = state.opened
    known = {t.spec.instrument for t in session.tests.values()} | {"none"}
    instruments = opened.get("instruments")
    safety = SafetyState(
        electrical=state.electrical,
        skill=Skill(str(opened.get("qualification", "instructed"))),
        hazard=bool(inference.concluded("hold")),
        rated_meter=str(opened.get("meter_category", "cat_iii")) in CAT_RATED,
    )
    safety = with_reports(safety, state.answers, _tripped(session, state), _again(session, state))
    chosen = frozenset(known if instruments is None else {"none", *instruments})
    return Equipment(chosen, safety)


def _tripped(session: Session, state: State) -> bool:
    """A device tripped and no insulation was measured good."""
    good = any(
        f.outcome == "good" and session.tests[f.test].spec.instrument == "insulation_tester"
        for f in state.findings
    )
    return TRIPPED in state.complaints and not good


def _again(session: Session, state: State) -> bool:
    """A device tripped again after a reset, and nothing was repaired since."""
    return any(
        resets(session.tests[f.test])
        and (f.outcome in TRIPS or f.outcome == "trips")
        and f.after_repairs == len(state.repairs)
        for f in state.findings
    )


def forbidden(inference: Inference, slot: str) -> set[str]:
    """What the rules forbid now, of one kind: ``state``, ``test``, ``place``, ``act``, ``by``."""
    return {f.get(slot) for f in inference.concluded("forbid")} - {""}


def forbidden_tests(tests: Mapping[str, InstalledTest], inference: Inference) -> set[str]:
    """The tests that the rules forbid by their place, who makes them, or the reset in them."""
    places, by = forbidden(inference, "place"), forbidden(inference, "by")
    again = bool(forbidden(inference, "reset"))
    return {
        name
        for name, t in tests.items()
        if t.spec.place_at in places or t.spec.by in by or (again and resets(t))
    }


def refused_states(state: State, inference: Inference) -> set[str]:
    """Exposures that need a change of state which the rules forbid or the person cannot make.

    Who may not switch on may see that it is on (`guard.ACTS`), where that is not known.
    """
    acts = forbidden(inference, "act")
    if state.electrical is Electrical.UNKNOWN:
        acts -= {"energise"}
    acts |= state.refused
    return {e.value for e in Exposure if acts & set(acts_needed(state.electrical, e))}


def permitted(session: Session, inference: Inference, exposure: str) -> bool:
    """Whether the rules permit an exposure now; knowledge without such rules permits all."""
    if not session.permits:
        return True
    return any(f.get("state") == exposure for f in inference.concluded("permit"))
