"""A practice callout act by act: what it takes, what it shows, what the referee stops.

Pure: the attempt so far and one act give the attempt after it, so a transcript of acts plays back
the same everywhere. Minutes are those of the planner (walks, changes of state, tests, repairs);
each way is walked as it is needed. The steps of making dead share the planner's minutes for it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.compose import Installation
from diagnose.practice.bench import Bench
from diagnose.practice.deeds import SAFETY, judge, named_test, named_unit
from diagnose.practice.records import (
    Act,
    Attempt,
    Exercise,
    Hazard,
    Offence,
    SafetyState,
    Shown,
    Taken,
)
from diagnose.practice.referee import Deed, after
from diagnose.practice.referee import offence as offence_of
from diagnose.reasoning.places import ANYWHERE, PANEL
from diagnose.reasoning.planner import Costs, level_found, repair_places

Needless = Callable[[Attempt, Act], bool]
"""Whether a dead test would tell (nearly) as much as the live one that an act names."""

WHERE = {
    **dict.fromkeys(("isolate", "lock_off", "disconnect", "block", "energise"), PANEL),
    "discharge": "pump",
}
"""Where an act is done; all others where one stands."""
MOST_PREPARATIONS = 40
DEAD = "Line to neutral 0 V, line to earth 0 V, neutral to earth 0 V."
DEAD_THREE = (
    "Each line to the other two 0 V, each line to neutral and to earth 0 V, neutral to earth 0 V."
)
DEAD_LEGS = (
    "Leg to leg 0 V, each leg to neutral and to earth 0 V, neutral to earth 0 V, at the pump too."
)
DEAD_BY = {"mains_three": DEAD_THREE, "mains_split": DEAD_LEGS}
"""What is measured where it is dead, by the part that brings the mains."""
TANK = {"empty": "empty", "mid": "half full", "full": "full"}
"""The roof tank's levels in words."""
BLOCKED = (
    ("selector", "Mode switch in manual, pump switch off."),
    ("hand_off_auto", "The hand-off-automatic switch stands at off."),
    ("", "There is no switch for it: everybody is clear of the pump, it may start by itself."),
)
"""How the pump is kept from starting: what must be fitted for it, and what is then said."""
DONE = {
    "isolate": "All poles are open.",
    "lock_off": "Your lock and tag are on the isolator, the key is in your pocket.",
    "prove_tester": "The tester indicates on the proving unit.",
    "discharge": "Discharged through the resistor; 0 V across it now.",
    "disconnect": "Nothing electronic is left on the circuit, nor a surge arrester.",
    "close": "All leads are back, the covers are closed.",
    "energise": "Your lock is off, the supply is on.",
}


def start(bench: Bench) -> Attempt:
    """The attempt before the first act: at the panel, everything as found."""
    exercise, fitted = bench.exercise, bench.capacitor
    safety = SafetyState(
        discharged=not fitted,
        rated=exercise.meter != "cat_ii",
        tripped=bench.tripped(),
    )
    level = level_found(bench.installation, bench.knowledge, (exercise.complaint,))
    return Attempt(exercise, level=level, safety=safety)


def play(
    bench: Bench, exercise: Exercise, acts: Iterable[Act], needless: Needless | None = None
) -> Attempt:
    """The whole attempt from its acts."""
    if exercise != bench.exercise:
        raise ValueError("the bench was made for another exercise")
    attempt = start(bench)
    for act in acts:
        attempt = step(bench, attempt, act, needless is not None and needless(attempt, act))
    return attempt


def costs_of(bench: Bench) -> Costs:
    """Minutes of walks and changes of state at the site of this exercise."""
    return Costs.of(bench.knowledge, bench.customer.site())


# ---------------------------------------------------------------------- one step


def step(
    bench: Bench, attempt: Attempt, act: Act, needless: bool = False, said: str = ""
) -> Attempt:
    """The attempt after one more act.

    Parameters
    ----------
    needless
        For a live test: a dead one would tell (nearly) as much.
    said
        What was answered to an act that only looks, asks for a hint or states something.

    Raises
    ------
    DiagnoseError
        The act is of an unknown kind or names what is not there.
    """
    verdict = judge(bench, attempt, act, needless)
    if verdict.why:
        return _took(attempt, act, 0.0, text=verdict.why, done=False)
    if verdict.rule:
        stopped = offence_of(verdict.rule, bench.practice.unsafe)
        return _took(attempt, act, stopped.minutes, offence=stopped, done=False)
    costs = costs_of(bench)
    place = _place(bench, attempt, act)
    minutes = costs.move(attempt.place, place) + _minutes(bench, costs, act)
    safety = after(attempt.safety, verdict.deed, bench.capacitor)
    moved = replace(attempt, place=place, safety=safety)
    if act.kind in ("test", "ask", "check"):
        return _observed(bench, attempt, moved, act, minutes, verdict.deed)
    if act.kind == "meter":
        moved = replace(moved, safety=replace(safety, rated=act.data.get("category") != "cat_ii"))
    elif act.kind == "level":
        moved = replace(moved, level=act.data["level"])
    elif act.kind == "swap":
        swapped = (*attempt.swapped, named_unit(bench, act))
        tripped = bench.tripped("", swapped)
        safety = replace(safety, reset=False, dead_tested=False, tripped=tripped)
        moved = replace(moved, swapped=swapped, safety=safety)
    elif act.kind == "finish":
        moved = replace(moved, ended=_ending(bench, attempt, act.data["as"]))
    text = DONE.get(act.kind, "")
    if act.kind == "meter":
        text = f"In hand: a multimeter marked {'CAT III' if moved.safety.rated else 'CAT II'}."
    elif act.kind == "level":
        text = f"The roof tank is {TANK[moved.level]} now."
    elif act.kind == "prove_dead":
        text = DEAD_BY.get(bench.installation.instances["mains"].part, DEAD)
    elif act.kind == "block":
        text = next(said for needs, said in BLOCKED if bench.installation.fits(needs))
    elif act.kind == "isolate" and safety.hazard is Hazard.KNOWN:
        text = "Switched off upstream, from a dry and safe place, on all poles."
    return _took(moved, act, minutes, text=said or text)


def _observed(
    bench: Bench, attempt: Attempt, moved: Attempt, act: Act, minutes: float, deed: Deed
) -> Attempt:
    """An act that shows something."""
    name = next(iter(act.data.values()))
    safety = moved.safety
    if act.kind == "check":
        shown = bench.checked(name, attempt.swapped)
        moved = replace(moved, safety=replace(safety, blocked=False))
        return _took(moved, act, minutes, shown)
    if name not in bench.tests:
        if name != SAFETY and bench.customer.questions[name].kind != SAFETY:
            return _took(moved, act, minutes, bench.customer.answer(name))
        shown, hazard = _safety_answers(bench)
        return _took(replace(moved, safety=replace(safety, hazard=hazard)), act, minutes, shown)
    look = 1 + sum(
        t.shown is not None and t.act.kind == act.kind and name in t.act.data.values()
        for t in attempt.taken
    )
    shown = bench.shown(name, look, attempt.swapped)
    condition = bench.tests[name].condition
    if condition is not None and condition.values.get("mode") == "auto":
        safety = replace(safety, blocked=False)
    if deed is Deed.RESET and (safety.tripped or bench.tripped(name, attempt.swapped)):
        again = bench.tripped(name, attempt.swapped)
        safety = replace(safety, tripped=again, reset=safety.reset or safety.tripped)
    return _took(replace(moved, safety=safety), act, minutes, shown)


def _safety_answers(bench: Bench) -> tuple[Shown, Hazard]:
    """All safety questions at once: what is bad, or that nothing is."""
    hazard = bench.exercise.hazard
    if hazard:
        record = bench.customer.questions[hazard]
        return Shown(f"{record.ask} - {bench.customer.answer(hazard).text}", hazard), Hazard.KNOWN
    text = (
        "Nobody is hurt, nobody felt a shock, all is dry, nothing burns or is damaged; "
        "a second person is within call."
    )
    return Shown(text, "no"), Hazard.NONE


def _took(
    attempt: Attempt,
    act: Act,
    minutes: float,
    shown: Shown | None = None,
    text: str = "",
    offence: Offence | None = None,
    done: bool = True,
) -> Attempt:
    taken = Taken(
        act,
        attempt.minutes,
        minutes,
        attempt.place,
        attempt.safety.electrical.value,
        shown,
        offence,
        text,
        done,
    )
    return replace(attempt, taken=(*attempt.taken, taken), minutes=attempt.minutes + minutes)


def _ending(bench: Bench, attempt: Attempt, how: str) -> str:
    if how == "done":
        return "not_solved" if bench.left(attempt.swapped) else "solved"
    return {"hand_over": "handed_over", "give_up": "given_up"}[how]


# ---------------------------------------------------------------------- places and minutes


def _place(bench: Bench, attempt: Attempt, act: Act) -> str:
    if act.kind == "go":
        return act.data["place"]
    if act.kind == "swap":
        return repair_places(bench.installation)[named_unit(bench, act)]
    if act.kind == "test":
        place = named_test(bench, act).spec.place_at
        return attempt.place if place == ANYWHERE else place
    return WHERE.get(act.kind, attempt.place)


def _minutes(bench: Bench, costs: Costs, act: Act) -> float:
    """Minutes of an act itself, without the way."""
    word = bench.knowledge.word
    if act.kind in ("test", "ask"):
        name = next(iter(act.data.values()))
        if name in bench.tests:
            return bench.tests[name].minutes
        return word("minutes", "quick" if name == SAFETY else "glance")
    if act.kind == "swap":
        return repair_minutes(bench.knowledge, bench.installation, named_unit(bench, act))
    if act.kind == "level":
        return costs.level.get(act.data["level"], 0.0)
    if act.kind in ("check", "meter"):
        return word("minutes", "fair" if act.kind == "check" else "quick")
    return {
        "isolate": costs.isolate / 2,
        "lock_off": costs.isolate / 2,
        "prove_tester": costs.prove_dead / 4,
        "prove_dead": costs.prove_dead / 2,
        "close": costs.energise / 4,
        "block": costs.energise / 4,
        "energise": costs.energise / 2,
        "discharge": word("minutes", "quick"),
        "disconnect": word("minutes", "quick"),
    }.get(act.kind, 0.0)


def repair_minutes(knowledge: KnowledgeBase, installation: Installation, unit: str) -> float:
    """Minutes to put a unit right: as its likeliest failure mode asks for, whatever is hidden.

    The clock must not tell whether it was the right unit; only checks do.
    """
    known = [m.mode for m in installation.modes.values() if m.unit == unit]
    likeliest = max(known, key=lambda mode: mode.rate.nominal, default=None)
    word = "replace" if likeliest is None else likeliest.repair
    return knowledge.word("repair_minutes", word)


# ---------------------------------------------------------------------- doing it properly


def prepare(
    bench: Bench, attempt: Attempt, act: Act, needless: bool = False, depth: int = 0
) -> list[Act] | None:
    """The acts that must come first so that one is safe and makes sense; None: nothing helps."""
    acts: list[Act] = []
    for _ in range(MOST_PREPARATIONS):
        verdict = judge(bench, attempt, act, needless)
        if not verdict.why and not verdict.rule:
            return acts
        if verdict.fix is None or depth > 5:
            return None
        before = prepare(bench, attempt, verdict.fix, False, depth + 1)
        if before is None:
            return None
        for one in (*before, verdict.fix):
            attempt = step(bench, attempt, one)
            acts.append(one)
    return None
