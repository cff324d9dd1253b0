"""Which skills an exercise exercises, and how each was done in an attempt.

The skills are the functions of an installation, from supply to water, and two that every callout
needs: working safely and proving the repair. Nothing is typed per exercise: it exercises the
function of the hidden failure mode's unit, and every function whose units the expert's tests rule
out with at least `RULED_OUT` of what was likely at first.
"""

from __future__ import annotations

from collections.abc import Mapping

from diagnose.knowledge.names import unit_of
from diagnose.knowledge.practice_reading import PracticeKnowledge
from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.compose import Installation
from diagnose.practice.difficulty import Rated
from diagnose.practice.functions import groups_of
from diagnose.practice.play import repair_minutes
from diagnose.practice.records import Attempt

SAFE = "safe_working"
PROVING = "proving_the_repair"
ALWAYS = (SAFE, PROVING)
FUNCTIONS = ("supply", "sensing", "decision", "switching", "motor", "water")
SKILLS = (*FUNCTIONS, *ALWAYS)
TITLES = {name: name.replace("_", " ").capitalize() for name in SKILLS}
RULED_OUT = 0.2
"""Share of what was likely at first that a function must lose to tests (judgement)."""
SLOW = 2.0
"""Times the standard trainee's minutes up to which an exercise counts as done right (judgement)."""


def unit_functions(practice: PracticeKnowledge, installation: Installation) -> dict[str, str]:
    """The function of each fitted unit."""
    return {u: g.function.id for g in groups_of(practice, installation) for u in g.units}


def skills_of(rated: Rated, functions: Mapping[str, str]) -> tuple[str, ...]:
    """The skills of an exercise: of what is hidden first, then what has to be ruled out.

    Parameters
    ----------
    functions : unit -> function
    """
    own = dict.fromkeys(functions[unit_of(mode)] for mode in rated.modes)
    lost: dict[str, float] = {}
    for unit, share in rated.difficulty.rivals.items():
        lost[functions[unit]] = lost.get(functions[unit], 0.0) + share
    others = [f for f in SKILLS if lost.get(f, 0.0) >= RULED_OUT and f not in own]
    return (*own, *others, *ALWAYS)


def results_of(
    attempt: Attempt, rated: Rated, functions: Mapping[str, str], allowed: float
) -> dict[str, bool]:
    """How each skill was done in an attempt; one that did not show is left out.

    - The function of what was hidden: right where the callout was solved, nothing else was
      swapped, in at most `SLOW` times the minutes `allowed`.
    - A function to be ruled out: right where the callout was solved and nothing of it was
      swapped in vain; wrong where something was.
    - Working safely: right where nothing unsafe was done (and something was done at all).
    - Proving the repair: of a callout with a swap, right where it was solved and a check after the
      last swap passed.

    Of a callout with a hazard only working safely is judged: right where it was handed over.

    Parameters
    ----------
    allowed
        Minutes of the standard trainee, repair and verification included.
    """
    if attempt.exercise.hazard:  # the one right thing is to hand over
        return {SAFE: attempt.ended == "handed_over" and not attempt.offences}
    hidden = {unit_of(mode) for mode in rated.modes}
    vain = [unit for unit in attempt.swapped if unit not in hidden]
    solved = attempt.ended == "solved"
    found: dict[str, bool] = {}
    own = {functions[unit] for unit in hidden}
    for skill in skills_of(rated, functions):
        if skill in own:
            found[skill] = solved and not vain and attempt.minutes <= SLOW * allowed
        elif skill not in ALWAYS:
            spoilt = any(functions.get(unit) == skill for unit in vain)
            if spoilt or solved:
                found[skill] = not spoilt
    if attempt.taken:
        found[SAFE] = not attempt.offences
    if attempt.swapped:
        found[PROVING] = solved and _checked_last(attempt)
    return {skill: found[skill] for skill in SKILLS if skill in found}


def _checked_last(attempt: Attempt) -> bool:
    """Whether a check passed after the last swap that was not stopped."""
    checked = False
    for taken in attempt.taken:
        if taken.act.kind == "swap" and taken.offence is None:
            checked = False
        elif taken.act.kind == "check" and taken.shown is not None:
            checked = checked or taken.shown.outcome == "pass"
    return checked


def allowed_minutes(knowledge: KnowledgeBase, installation: Installation, rated: Rated) -> float:
    """Minutes of the standard trainee from the complaint to the proved repair."""
    minutes = rated.difficulty.minutes + knowledge.word("changes", "verify")
    for mode in rated.modes:
        minutes += repair_minutes(knowledge, installation, installation.modes[mode].unit)
    changes = ("isolate", "prove_dead", "energise")
    return minutes + sum(knowledge.word("changes", change) for change in changes)
