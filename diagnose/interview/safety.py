"""What the two safety mechanisms see of a callout, and what each of them takes away.

The guard reads answers and findings for itself (`guard.with_reports`), the rules conclude holds,
prohibitions and permits. A step is offered only where neither speaks against it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from diagnose.interview.state import State
from diagnose.knowledge.names import unit_of
from diagnose.knowledge.rule_records import Fact
from diagnose.language import marked
from diagnose.plant.procedures import InstalledTest
from diagnose.reasoning.guard import (
    DEAD_ONLY,
    HANDS_ON,
    HELD,
    LASTING,
    NOT_LIVE,
    PASSING,
    TRIPS,
    Electrical,
    Exposure,
    SafetyState,
    Skill,
    refuse_repair,
    sound,
    with_reports,
)
from diagnose.reasoning.places import PANEL
from diagnose.reasoning.planner import Equipment, acts_needed
from diagnose.reasoning.rules import Inference

if TYPE_CHECKING:
    from diagnose.interview.session import Session

CAT_RATED = ("cat_iii", "cat_iv")
RESET = "reset_once"
"""The caution by which a test says that it resets a protective device."""
UNSTEADY = {("premises_power", "flicker"), ("premises_power", "dim")}
"""Findings (test, outcome) that the lights of the premises are dim or unsteady."""
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
INSULATION = "insulation_tester"
DEAD = ("isolate", "prove_dead", "part")
ISOLATE_FIRST = marked("isolate and prove dead before the repair")
PLACE_CLOSED = marked("nobody may go there now")

REPORTS = {
    ("danger", "yes"): marked("somebody is hurt, or may be touching something live"),
    ("danger", "water"): marked("somebody is in the water of sump, well or tank"),
    ("tingle", "yes"): marked("somebody felt a tingle or a shock"),
    ("panel_wet", "yes"): marked("panel, plug or cable is wet, or somebody stands in water there"),
    ("panel_wet", "storm"): marked("rain or a thunderstorm, and the work is outdoors"),
    ("burning", "earlier"): marked(
        "there was smoke, a burning smell, scorching or sparking, not now"
    ),
    ("burning", "now"): marked("smoke, a burning smell, scorching or sparking now"),
    ("burning", "gas"): marked("bad air or gas in sump or well"),
    ("damage_seen", "yes"): marked("damaged insulation, bare conductors or a missing cover"),
    ("company", "alone"): marked("I am alone now"),
    ("other_source", "yes"): marked("a generator, inverter or second supply can feed this place"),
    ("roof_way", "unsafe"): marked("there is no safe way up to the roof tank now"),
}
"""What may be reported at any time, by question and choice, as it is said in a hurry."""

STOPPED_BY = ("hold", "dead_only")
"""Conclusions of the rules after which the supply stays off."""


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


def reasons(inference: Inference, *kinds: str) -> list[str]:
    """Why something is held or handed over, in words, kind by kind."""
    return [fact.words("why") for kind in kinds for fact in inference.concluded(kind)]


def reports(session: Session) -> list[tuple[str, str]]:
    """What may be reported at any time: question and choice, in the order of the questions."""
    known = {*HELD, *DEAD_ONLY, *NOT_LIVE, *LASTING, *PASSING, ("other_source", "yes")}
    asked = session.questions.values()
    return [(q.id, c) for q in asked for c in q.choices if (q.id, c) in known]


def in_order(instrument: str) -> int:
    """Place of dead work in the order of IEC 60364-6: inspection, continuity, insulation."""
    return 2 if instrument == INSULATION else int(instrument != "none")


def asked_first(session: Session, state: State, inference: Inference) -> list[str]:
    """Tests that the rules want made before any other, and that were not tried yet, in order."""
    wanted = {f.get("test") for f in inference.concluded("first")}
    tried = {f.test for f in state.findings} | set(state.cannot)
    left = [n for n, t in session.tests.items() if t.spec.id in wanted and n not in tried]
    return sorted(left, key=lambda n: in_order(session.tests[n].spec.instrument))


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
        dead_only=bool(inference.concluded("dead_only")),
        rated_meter=str(opened.get("meter_category", "cat_iii")) in CAT_RATED,
        untested=untested(session, state),
        parted=state.parted,
        charged=state.charged,
    )
    tripped, again = _tripped(session, state), _again(session, state)
    unsteady = any((f.test, f.outcome) in UNSTEADY for f in state.findings)
    safety = with_reports(safety, state.told, tripped, again, state.shown, unsteady)
    chosen = frozenset(known if instruments is None else {"none", *instruments})
    return Equipment(chosen, safety)


def untested(session: Session, state: State) -> bool:
    """A device tripped, and an insulation test that this person can make was not made since."""
    skill = str(state.opened.get("qualification", "instructed"))
    instruments = state.opened.get("instruments")
    at_hand = instruments is None or INSULATION in instruments
    able = at_hand and skill != Skill.UNQUALIFIED.value and not state.refused & set(DEAD)
    measured = any(
        session.tests[f.test].spec.instrument == INSULATION
        and f.after_repairs == len(state.repairs)
        for f in state.findings
    )
    left = any(
        t.spec.instrument == INSULATION
        and t.spec.place_at == PANEL
        and name not in state.cannot
        and (t.spec.by != "licensed" or skill == Skill.LICENSED.value)
        for name, t in session.tests.items()
    )
    return TRIPPED in state.complaints and able and left and not measured


def safety_facts(session: Session, state: State) -> list[Fact]:
    """What the rules see of the reports, of what clears them, and of the insulation test."""
    circuit = "charged" if state.charged else "parted" if state.parted else "whole"
    facts = [Fact.of("answer", question=q, choice=c) for q, c in sorted(state.told)]
    facts += [Fact.of("since_report", what=what) for what in sorted(state.shown)]
    facts.append(Fact.of("state", name="circuit", value=circuit))
    if untested(session, state):
        facts.append(Fact.of("state", name="insulation", value="unmeasured"))
    good = _found_good(state)
    for name, test in session.tests.items():
        if test.spec.instrument == INSULATION and name not in good:
            facts.append(Fact.of("unproved", test=test.spec.id, it=test.it or "-"))
    return facts


def agreed(session: Session, inference: Inference, exposure: str, instrument: str) -> bool:
    """Whether the rules permit a step in its exposure, and with the circuit parted as it is."""
    work = "insulation" if instrument == INSULATION else "other"
    allowed = {f.get("step") for f in inference.concluded("allow")}
    whole = exposure == "any" or not session.permits or work in allowed
    return whole and permitted(session, inference, exposure)


def repair_refused(session: Session, state: State, inference: Inference, name: str) -> str:
    """Why the repair of a failure mode may not be reported as made now; "" where it may."""
    mode = session.installation.modes[name].mode
    where = session.installation.instances[unit_of(name)].where
    safety = equipment_of(session, state, inference).safety
    refused = refuse_repair(safety, Exposure(mode.repair_state), where)
    if refused:
        return refused
    allowed = {f.get("repair") for f in inference.concluded("allow")}
    if session.permits and mode.repair_state not in allowed:
        return ISOLATE_FIRST
    return PLACE_CLOSED if where in forbidden(inference, "place") else ""


def _tripped(session: Session, state: State) -> bool:
    """A device tripped and the insulation was not measured good on every live conductor."""
    fitted = {n for n, t in session.tests.items() if t.spec.instrument == INSULATION}
    return TRIPPED in state.complaints and not sound(_found_good(state), fitted)


def _found_good(state: State) -> set[str]:
    """Tests that were found good."""
    return {f.test for f in state.findings if f.outcome == "good"}


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
    looks = forbidden(inference, "look")
    outside = HANDS_ON if "outside" in looks else set()
    return {
        name
        for name, t in tests.items()
        if t.spec.place_at in places
        or t.spec.by in by
        or (again and resets(t))
        or (t.spec.state == Exposure.LOOK.value and t.spec.place_at in outside)
        or (t.spec.hands and "hands" in looks)
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


def blocked_tests(session: Session, state: State, inference: Inference) -> set[str]:
    """Tests that are not asked for now, whatever they would tell.

    Forbidden ones, those whose state cannot be reached, and, once the circuit is parted, all but
    insulation tests until one of them was made or given up.
    """
    states, tests = session.forbidden(inference)
    states |= refused_states(state, inference)
    insulation = {n for n, t in session.tests.items() if t.spec.instrument == INSULATION}
    blocked = {
        n
        for n, t in session.tests.items()
        if t.spec.state in states or t.spec.id in tests or n in tests
    }
    if "part" in state.refused:
        return blocked | insulation
    return blocked | (set(session.tests) - insulation if state.untried else set())


def permitted(session: Session, inference: Inference, exposure: str) -> bool:
    """Whether the rules permit an exposure now; knowledge without such rules permits all."""
    if not session.permits:
        return True
    return any(f.get("state") == exposure for f in inference.concluded("permit"))
