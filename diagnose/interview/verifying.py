"""Verification: what proves the repair, in which order, and what is left open for whom."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from diagnose.interview.asking import act_before, act_step, tidy_step
from diagnose.interview.safety import INSULATION, WITH, cautions_of, forbidden, in_order
from diagnose.interview.state import SHOWS, State
from diagnose.interview.steps import Check, OpenCheck, Option, Step
from diagnose.language import gettext as _
from diagnose.language import marked
from diagnose.plant.compose import Installation
from diagnose.reasoning.guard import Exposure, Skill, after_act, refuse_act, refuse_step
from diagnose.reasoning.planner import Equipment, acts_needed
from diagnose.reasoning.rules import Inference

if TYPE_CHECKING:
    from diagnose.interview.session import Session

LICENSED = marked("by a licensed electrician")
INSTRUCTED = marked("by an instructed person or a licensed electrician")
INSTRUMENTS = {
    "multimeter": marked("with a multimeter"),
    "loz": marked("with a multimeter with a low-impedance range"),
    "clamp": marked("with a clamp meter"),
    "capacitance": marked("with a capacitance meter"),
    "insulation_tester": marked("with an insulation tester"),
    "bucket": marked("with a container of known volume"),
    "gauge": marked("with a pressure gauge"),
}
WATCHED = (
    "Bring about what led to the complaint, and watch long enough to be sure that it does not come "
    "back."
)
OPTIONS = (
    Option("pass", marked("as it should be")),
    Option("fail", marked("not as it should be")),
    Option("cannot", marked("cannot be checked now")),
)


def checks_for(installation: Installation) -> list[Check]:
    """Each start and stop that this variant provides, and what the repair must leave behind."""
    has = installation.has
    if has("pressure_switch"):
        return _checks_of_a_pressure_set(has("rcd"))
    start, stop = _by_the_sensor(installation)
    checks = [
        Check(
            "gone",
            "The complaint is gone",
            WATCHED,
            ("rotating_shaft",),
        ),
        Check(
            "starts_auto",
            "Starts by itself",
            f"Automatic mode, sump with water: {start}. The pump must start.",
            ("work_at_height",),
            ("will_not_start_auto", "will_not_start_at_all"),
        ),
        Check(
            "water",
            "Water arrives",
            "Look at the inlet of the roof tank while the pump runs.",
            ("work_at_height",),
            like={"flow_bucket": ("good",)},
        ),
        Check(
            "stops_auto",
            "Stops when full",
            f"While it runs, {stop}. The pump must stop.",
            ("work_at_height",),
            like={
                "high_float_stops" if has("roof_high_float") else "level_stops": ("rests",),
                "pump_as_found_full": ("rests",),
            },
        ),
    ]
    if has("sump_float"):
        lit = " and the sump-dry lamp must light" if has("dry_lamp") else ""
        checks.append(
            Check(
                "dry_protection",
                "Stops when the sump is dry",
                "While it runs, lift the sump float out by its lead, from outside, and let it "
                f"hang. The pump must stop{lit}.",
                ("confined_sump",),
                like={
                    "sump_float_stops": ("rests",),
                    "dry_output": ("high",),
                    "lamp_fed@dry_lamp": ("lit",),
                },
            )
        )
    checks += [
        Check(
            "manual",
            "Starts and stops by hand",
            _by_the_switch(installation),
            like={"motor_by_hand_call": ("turns",), "pump_heard_off": ("silent",)},
        ),
    ]
    if has("rcd"):
        checks.append(_rcd_button())
    checks += [
        _current(
            "Isolate, open the panel, put the clamp round the line core to the pump alone, close "
            "the panel as far as it goes, switch on. Compare with the nameplate while it pumps. "
            "Isolate before the clamp comes off, close the panel and switch on again.",
            "motor_current",
        ),
        _left_behind(
            "No jumper, no lifted lead, no forced mode; covers closed; drawing corrected."
        ),
    ]
    return checks


def _by_the_sensor(installation: Installation) -> tuple[str, str]:
    """What makes the pump start and stop, in words: floats by hand, all else by the water."""
    if installation.has("roof_low_float"):
        return "let both roof floats hang down by hand", "lift the high float by hand"
    if installation.has("roof_high_float"):
        return "let the roof float hang down by hand", "lift the roof float by hand"
    return (
        "draw water until the level is below its start mark",
        "let the tank fill to its stop mark",
    )


def _by_the_switch(installation: Installation) -> str:
    """How the pump is tried by hand, in words."""
    if installation.has("hand_off_auto"):
        return (
            "Turn the switch to hand and to off. The pump must follow each time. Put the switch "
            "back to automatic."
        )
    return (
        "Manual mode: switch the pump on and off. It must follow each time. Put the switch "
        "back to automatic."
    )


def _current(how: str, test: str) -> Check:
    """The running current, by the test that reads it."""
    return Check(
        "current",
        "Running current within the nameplate",
        how,
        ("mains_live", "meter_category"),
        like={test: ("light", "good")},
        state="live",
        by="instructed",
        instrument="clamp",
    )


def _left_behind(how: str) -> Check:
    """What must not stay in the installation."""
    return Check("left_behind", "Nothing left behind", how, state="any")


def _rcd_button() -> Check:
    return Check(
        "rcd_button",
        "Residual-current device trips on its test button",
        "Press the test button: it must trip. Switch it on again.",
    )


def _checks_of_a_pressure_set(rcd: bool) -> list[Check]:
    """Start at the cut-in, stop at the cut-out, and that the vessel keeps what it was given."""
    return [
        Check(
            "gone",
            "The complaint is gone",
            WATCHED,
            ("rotating_shaft",),
        ),
        Check(
            "starts_auto",
            "Starts at its cut-in pressure",
            "Open two taps and watch the gauge: the pump must start at the cut-in that is set, "
            "before the stream goes weak.",
            complaints=("will_not_start_at_all", "pressure_falls_away"),
            like={"set_starts": ("starts",)},
        ),
        Check(
            "stops_auto",
            "Stops at its cut-out pressure",
            "Shut every tap: the pump must stop at the cut-out that is set within two minutes.",
            ("hot_surfaces",),
            complaints=("will_not_stop",),
            like={"set_stops": ("stops",)},
        ),
        Check(
            "draws",
            "Rests while little is drawn",
            "Let one tap just run: the pump must rest until the vessel has given its share.",
            complaints=("short_cycling",),
            like={"set_small_draw": ("rests",)},
        ),
        Check(
            "holds",
            "Holds its pressure",
            "Every tap shut, pump at rest: the gauge must stand for ten minutes.",
            like={"set_holds": ("holds",)},
        ),
        *([_rcd_button()] if rcd else []),
        _current(
            "Isolate, open the pressure switch, put the clamp round its live lead alone, switch on "
            "with two taps open. Compare with the nameplate. Isolate before the clamp comes off "
            "and the cover goes on.",
            "set_motor_current",
        ),
        _left_behind(
            "No jumper, no lifted lead; cover on; valves open; settings noted on the drawing."
        ),
    ]


def verification(installation: Installation, inference: Inference) -> list[Check]:
    """The checks of this installation and those that the rules ask for, in the order to do them.

    What is done dead comes before the supply is on again, in the order of IEC 60364-6: inspection,
    continuity, then insulation, so that it is parted once; the panel is opened again last.
    """
    asked = [
        Check(
            f"rule_{f.get('what')}",
            f.words("what").capitalize(),
            f.words("how"),
            state=f.get("state") or "energised",
            by=f.get("by") or "anyone",
            instrument=f.get("instrument") or "none",
            least=f.get("least"),
            cautions=WITH.get(f.get("instrument"), ()),
        )
        for f in inference.concluded("verify")
    ]
    dead = sorted((c for c in asked if c.state == "dead"), key=lambda c: in_order(c.instrument))
    checks = checks_for(installation)
    return [*dead, *checks[:-2], *(c for c in asked if c not in dead), *checks[-2:]]


def verify_step(session: Session, state: State, inference: Inference) -> Step:
    """The next check, the change of state that it needs first, or the end of the verification."""
    equipment = session.equipment(state, inference)
    still_open = []
    for check in verification(session.installation, inference):
        result = state.checks.get(check.id, "")
        if result == "cannot":
            by = open_because(check, state, inference, equipment) or _("when it can be checked")
            still_open.append(OpenCheck(check.id, check.title, by))
        if result:
            continue
        because = open_because(check, state, inference, equipment)
        if because:
            still_open.append(OpenCheck(check.id, check.title, because))
            continue
        act = act_before(state, equipment, Exposure(check.state), check.instrument == INSULATION)
        if act:
            return act_step(session, state, act)
        asked = cautions_of(check.cautions, "", Exposure(check.state), check.instrument)
        cautions = session.texts(asked)
        return Step(
            "verify",
            check.id,
            check.title,
            check.how,
            measures(check.least) if check.least else OPTIONS,
            unit="Mohm" if check.least else "",
            healthy=check.least,
            state=check.state,
            instrument=check.instrument,
            cautions=cautions,
        )
    return tidy_step(session, state, equipment) or _end(state, tuple(still_open))


def measures(least: str) -> tuple[Option, ...]:
    """The answers to a check that is measured, beside a reading."""
    return (
        Option("pass", _("{least} or more").format(least=least)),
        Option("fail", _("less than {least}").format(least=least)),
        OPTIONS[-1],
    )


def _end(state: State, still_open: tuple[OpenCheck, ...]) -> Step:
    if not still_open:
        return Step("done", "verified", marked("The repair is verified"))
    title = marked("Nothing of the repair could be checked")
    if "pass" in state.checks.values():
        title = marked("What could be checked is as it should be")
    text = _("Still open") + ": " + "; ".join(f"{_(o.title)} ({o.by})" for o in still_open)
    return Step("done", "checks_open", title, text, open_checks=still_open)


def open_because(check: Check, state: State, inference: Inference, equipment: Equipment) -> str:
    """Who can make a check that this person cannot make now, with what or when; "" if it can."""
    return next(_obstacles(check, state, inference, equipment), "")


def _obstacles(
    check: Check, state: State, inference: Inference, equipment: Equipment
) -> Iterator[str]:
    safety, exposure = equipment.safety, Exposure(check.state)
    if check.by == "licensed" and safety.skill is not Skill.LICENSED:
        yield _(LICENSED)
    opens = exposure in (Exposure.LIVE, Exposure.DEAD)
    if safety.skill is Skill.UNQUALIFIED and (opens or check.by != "anyone"):
        yield _(INSTRUCTED)
    if check.instrument not in equipment.instruments:
        yield _(INSTRUMENTS[check.instrument])
    allowed = {f.get("step") for f in inference.concluded("allow")}
    clears = check.id in SHOWS and "clears" in allowed
    for fact in inference.concluded("forbid"):
        if fact.get("state") == check.state and not clears:
            yield _("not made: {why}").format(why=_(fact.words("why")))
    acts = acts_needed(state.electrical, exposure)
    if state.refused & set(acts):
        dead = exposure is Exposure.DEAD
        yield _("once it is isolated") if dead else _("once the supply is on")
    insulation = check.instrument == INSULATION
    act = act_before(state, equipment, exposure, insulation)
    refused = refuse_act(safety, act) if act else ""
    if act in forbidden(inference, "act"):
        yield _("once the supply is on") if act == "energise" else _("once it is isolated")
    place = "roof" if "work_at_height" in check.cautions else ""
    place = place or ("sump" if "confined_sump" in check.cautions else "")
    if place in forbidden(inference, "place"):
        yield _("when it can be checked")
    for change in acts:
        safety = replace(safety, electrical=after_act(safety.electrical, change))
    safety = replace(safety, parted=insulation, charged=False)
    refused = refused or refuse_step(
        safety, exposure, place=place, insulation=insulation, clears=check.id in SHOWS
    )
    if refused:
        yield _("not now: {why}").format(why=_(refused))
