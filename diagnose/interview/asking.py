"""How each step is put: questions, changes of electrical state, tests; and how answers are read."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from diagnose.errors import fail
from diagnose.interview.explain import healthy_outcome, why
from diagnose.interview.safety import INSULATION, cautions_of, forbidden, resets
from diagnose.interview.state import State
from diagnose.interview.steps import Option, Step
from diagnose.knowledge.asked_records import Question
from diagnose.language import marked
from diagnose.plant.procedures import InstalledTest
from diagnose.plant.readings import outcome_of
from diagnose.quantities import QuantityError, parse_reading
from diagnose.reasoning.belief import Belief
from diagnose.reasoning.decision import Decision
from diagnose.reasoning.guard import (
    Electrical,
    Exposure,
    Skill,
    refuse_act,
    refuse_repair,
    refuse_step,
)
from diagnose.reasoning.places import PANEL
from diagnose.reasoning.planner import Equipment, acts_needed, way_of
from diagnose.reasoning.rules import Inference
from diagnose.reasoning.strategy import Choice
from diagnose.units import whole_number

if TYPE_CHECKING:
    from diagnose.interview.session import Session

UNDONE_BY = {"isolate": "energise", "energise": "isolate"}
"""What switches the supply back."""

TYPED_UNITS = {"insulation": "Mohm", "farads": "uF"}
"""The unit of a bare number where it is not the base unit: what such instruments show."""

ACT_TEXTS = {
    "isolate": (
        "Isolate the installation",
        "Switch off and lock off every source on all poles: pump circuit, control supply, any "
        "generator or inverter. Hang a tag.",
    ),
    "prove_dead": (
        "Prove dead",
        "Until this is done, all counts as live. Open the cover. Try the two-pole tester on a "
        "known source. Test every live conductor to every other, to neutral and to earth, and "
        "neutral to earth, at the place of work. Try the tester again. Where the motor has a "
        "capacitor: discharge it through a resistor and measure that it is empty.",
    ),
    "part": (
        "Disconnect before the insulation test",
        "Proved dead: take controller, electronics and surge arresters off the circuit, at both "
        "ends. Note every lead. Warn everybody: test voltage comes on the conductors.",
    ),
    "discharge": (
        "Discharge after the insulation test",
        "Leave the tester on until it has discharged the circuit, join the conductors to earth "
        "for a moment, and measure that no voltage is left.",
    ),
    "rejoin": (
        "Reconnect what was disconnected",
        "Put every lead of controller, electronics and surge arresters back as noted, and count "
        "them.",
    ),
    "energise": (
        "Switch the supply on, covers closed",
        "Refit every lifted lead, take tools and jumpers out, close the covers, warn everybody, "
        "then switch on.",
    ),
    "found_on": (
        "See whether the supply is on",
        "Look only, touch no switch: the covers are closed and the controller's lamp is lit. Where "
        "it is dark, whoever made the repair switches it on; 'cannot' where nobody is there to.",
    ),
}

STILL_OFF = marked("See that it is still isolated")
STILL_OFF_TEXTS = {
    "repaired": marked(
        "After the repair: it may have been switched on to try it, and what was worked on has new "
        "joints. So it counts as live. See that every source is still switched off and locked off "
        "on all poles with your tag on it; else switch off and lock off again. Then it is proved "
        "dead anew."
    ),
    "withdrawn": marked(
        "An answer was taken back, so what was done since is not sure and it counts as live. See "
        "that every source is still switched off and locked off on all poles with your tag on it; "
        "else switch off and lock off again. Then it is proved dead anew."
    ),
    "resumed": marked(
        "The work was interrupted, so it counts as live. See that every source is still switched "
        "off and locked off on all poles with your tag on it; else switch off and lock off again. "
        "Then it is proved dead anew."
    ),
}
"""Instead of isolating, where it had been isolated: by the event since which that is not sure.

The guard does not carry *proved dead* over any of these (EN 50110-1, 6.2.4, from memory: proved
dead once more where work was interrupted or not supervised throughout).
"""

ACT_CAUTIONS = {
    "isolate": ("isolate_first", "automatic_restart"),
    "prove_dead": ("isolate_first",),
    "energise": ("mains_live", "rotating_shaft"),
    "found_on": (),
    "part": ("insulation_test_voltage",),
    "discharge": ("capacitor_charge",),
    "rejoin": (),
}


def read_answer(test: InstalledTest, typed: str) -> str:
    """The outcome behind a typed answer: a reading, or an outcome's id.

    Raises
    ------
    DiagnoseError
        Neither; the message says what is legal.
    """
    ids = [o.id for o in test.outcomes]
    text = typed.strip()
    if text in ids:
        return text
    place = getattr(typed, "place", None)
    if not test.spec.unit:
        raise fail("answer", f"'{text}' is not an outcome of '{test.id}'", place, ids)
    try:
        value = parse_reading(text, typed_unit(test))
    except QuantityError as error:
        where = f"{test.id}: " if place is not None else ""
        raise fail("answer", f"{where}{error}", place, ids) from error
    return outcome_of(value, test.outcomes)


def read_check(step: Step, typed: str) -> str:
    """The result behind a reading typed to a check: passed where it reaches what is asked for.

    Raises
    ------
    DiagnoseError
        It is no reading; the message says what is legal.
    """
    try:
        value = parse_reading(str(typed), step.unit)
        least = parse_reading(step.healthy, step.unit)
    except QuantityError as error:
        place = getattr(typed, "place", None)
        raise fail("answer", f"{step.id}: {error}", place, [o.id for o in step.options]) from error
    return "pass" if value >= least else "fail"


def other_meaning(session: Session, step: Step, typed: str) -> Option | None:
    """The answer whose number a bare number might be, where it is another one as a reading.

    None where it is clear: with a unit or a decimal, and where both come to the same.
    """
    number = whole_number(typed)
    if not step.unit or number is None or not 1 <= number <= len(step.options):
        return None
    test = session.tests.get(step.id) if step.kind == "test" else None
    digits = str(number)  # of whatever script
    read = read_answer(test, digits) if test is not None else read_check(step, digits)
    option = step.options[number - 1]
    return option if option.id != read else None


def typed_unit(test: InstalledTest) -> str:
    """The unit of a bare number; "" where the answer is a choice."""
    return TYPED_UNITS.get(test.spec.kind, test.spec.unit)


def question_step(question: Question) -> Step:
    """A safety or history question."""
    options = tuple(Option(k, v) for k, v in question.choices.items())
    return Step("question", question.id, question.ask, "", options)


def test_step(
    session: Session,
    state: State,
    belief: Belief,
    equipment: Equipment,
    choice: Choice,
    decision: Decision,
) -> Step | None:
    """The chosen test, or the change of state that it needs first; None if refused."""
    test = session.tests[choice.candidate.test]
    exposure = Exposure(test.spec.state)
    spec = test.spec
    insulation = spec.instrument == INSULATION
    act = act_before(state, equipment, exposure, insulation)
    if act:
        no = act in state.refused or refuse_act(equipment.safety, act)
        return None if no else replace(act_step(session, state, act), towards=test.title)
    licensed, place = spec.by == "licensed", spec.place_at
    more = {"insulation": insulation, "hands": spec.hands}
    if refuse_step(equipment.safety, exposure, licensed, place, resets(test), **more):
        return None
    costs = session.ground_at(state).costs
    ready, _ = costs.reach(session.standing(state), way_of(test))
    way = test.spec.place_at if state.place == PANEL else ""
    walk = costs.move(state.place, way) if way else 0.0
    return Step(
        "test",
        test.id,
        test.title,
        test.do,
        tuple(Option(o.id, o.title) for o in test.outcomes),
        unit=typed_unit(test),
        minutes=test.minutes + ready,
        place=test.spec.place_at,
        state=test.spec.state,
        instrument=test.spec.instrument,
        points=session.points.of(test),
        healthy=healthy_outcome(session, test.id),
        cautions=session.texts(
            cautions_of(
                (*spec.cautions, *(("bridge_off",) if spec.bridge else ())),
                test.spec.place_at,
                exposure,
                test.spec.instrument,
            )
        ),
        again=decision.again,
        why=why(session, belief, choice, decision),
        own=test.minutes,
        walk=walk,
        way=way if walk else "",
    )


def act_before(
    state: State, equipment: Equipment, exposure: Exposure, insulation: bool = False
) -> str:
    """The act to ask for before a step of this exposure; "" where none is needed.

    `insulation`: the step puts the insulation tester on. Who may not switch may still see that the
    supply is on.
    """
    if state.charged or (state.parted and not insulation):
        tidy = "discharge" if state.charged else "rejoin"
        act = next(iter(acts_needed(state.electrical, Exposure.DEAD)), tidy)
        looks = exposure is Exposure.LOOK
        # who keeps away, or cannot, may still look
        away = equipment.safety.kept_away or equipment.safety.skill is Skill.UNQUALIFIED
        return "" if looks and (away or act in state.refused) else act
    if insulation and not state.parted:
        return next(iter(acts_needed(state.electrical, Exposure.DEAD)), "part")
    act = next(iter(acts_needed(state.electrical, exposure)), "")
    unqualified = equipment.safety.skill is Skill.UNQUALIFIED
    if act == "energise" and unqualified and state.electrical is Electrical.UNKNOWN:
        return "found_on"
    return act


def first_step(
    session: Session,
    state: State,
    belief: Belief,
    equipment: Equipment,
    decision: Decision,
    agreed: Callable[[Step], bool],
) -> Step | None:
    """The step towards the best test that can be offered; None where none can.

    The supply that was just switched for one test is not switched back for another before any test
    was made: two that look the better each from the other's state would have it switched for ever.
    """

    def offered(choices: Iterable[Choice]) -> Iterator[Step]:
        for choice in choices:
            step = test_step(session, state, belief, equipment, choice, decision)
            if step is not None and agreed(step):
                yield step

    def undoes(step: Step) -> bool:
        return step.kind == "act" and step.id == UNDONE_BY.get(state.switched)

    best = next(offered(decision.choices), None)
    if best is None or not undoes(best):
        return best
    by_score = sorted(decision.choices, key=lambda choice: -choice.score)
    return next((step for step in offered(by_score) if not undoes(step)), best)


def tidy_step(session: Session, state: State, equipment: Equipment) -> Step | None:
    """What an insulation test still asks for before anything else; None where nothing does."""
    act = act_before(state, equipment, Exposure.LOOK)
    return act_step(session, state, act) if act and not refuse_act(equipment.safety, act) else None


def way_to_repair(session: Session, state: State, inference: Inference, name: str) -> Step | None:
    """The act to ask for before the repair of a failure mode; None where none would allow it.

    One that was said to be impossible before is asked for again: without it there is no repair.
    """
    mode = session.installation.modes.get(name)
    if mode is None or mode.mode.repair_state != Exposure.DEAD.value:
        return None
    safety = session.equipment(state, inference).safety
    act = next(iter(acts_needed(state.electrical, Exposure.DEAD)), "")
    where = session.installation.instances[mode.unit].where
    ready = replace(safety, electrical=Electrical.PROVED_DEAD)
    if not act or refuse_repair(ready, Exposure.DEAD, where) or refuse_act(safety, act):
        return None
    return None if act in forbidden(inference, "act") else act_step(session, state, act)


def act_step(session: Session, state: State, act: str) -> Step:
    """A change of electrical state, or a look at it."""
    title, text = ACT_TEXTS[act]
    if act == "isolate" and state.was_off:
        title, text = STILL_OFF, STILL_OFF_TEXTS[state.was_off]
    costs = session.ground_at(state).costs
    return Step(
        "act",
        act,
        title,
        text,
        (Option("done", "done"),),
        minutes=costs.act(act) + costs.move(state.place, PANEL),
        own=costs.act(act),
        walk=costs.move(state.place, PANEL),
        way=state.place if state.place != PANEL else "",
        place=PANEL,
        cautions=session.texts(ACT_CAUTIONS[act]),
    )
