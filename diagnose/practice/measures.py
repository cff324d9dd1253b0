"""What can be read off an attempt without weighing it: steps, repairs, checks, what was said."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from diagnose.knowledge.names import unit_of
from diagnose.practice.events import telling, went
from diagnose.practice.records import Attempt, Statement, Taken

if TYPE_CHECKING:
    from diagnose.practice.bench import Bench


def groups(attempt: Attempt) -> Iterator[tuple[int, int]]:
    """First and last act of each step: everything up to an act that tells something."""
    first = 0
    for k in range(len(attempt.taken)):
        if telling(attempt, k) or k == len(attempt.taken) - 1:
            yield first, k
            first = k + 1


def statement_of(acts: Sequence[Taken]) -> Statement:
    """What the trainee said among these acts, the last word on each."""
    said: dict[str, str] = {}
    for taken in acts:
        if taken.act.kind == "state":
            said.update({k: v for k, v in taken.act.data.items() if v.strip()})
    known = ("function", "expectation", "conclusion")
    return Statement(*(said.get(name, "") for name in known))


def failed_units(attempt: Attempt) -> set[str]:
    """The units of the hidden failure modes."""
    return {unit_of(name) for name in attempt.exercise.modes}


def wrong_parts(attempt: Attempt) -> tuple[str, ...]:
    """Units that were swapped although they were sound, a second swap among them."""
    seen: set[str] = set()
    wrong = []
    for unit in attempt.swapped:
        if unit not in failed_units(attempt) or unit in seen:
            wrong.append(unit)
        seen.add(unit)
    return tuple(wrong)


def checked(attempt: Attempt, bench: Bench) -> float:
    """Share of the bench's checks that were made and passed after the last repair, 0..1."""
    swaps = [k for k, t in enumerate(attempt.taken) if t.act.kind == "swap" and went(t)]
    after = attempt.taken[swaps[-1] :] if swaps else ()
    passed = {
        t.act.data["check"]
        for t in after
        if t.act.kind == "check" and t.shown is not None and t.shown.outcome == "pass"
    }
    return len(passed) / len(bench.checks)


def solved(attempt: Attempt) -> bool:
    """Ended as it should: repaired, or handed over where there was a hazard."""
    return attempt.ended == ("handed_over" if attempt.exercise.hazard else "solved")


def hints_taken(attempt: Attempt) -> tuple[int, ...]:
    """The levels of the hints asked for, in order."""
    return tuple(int(t.act.data["level"]) for t in attempt.taken if t.act.kind == "hint")


def stated(attempt: Attempt) -> float:
    """Share of function, expectation and conclusion that was stated with the tests, 0..1.

    A function that was stated holds until another is; an expectation belongs to the next test,
    a conclusion to the last one.
    """
    tests = said = 0
    function = expectation = False
    concluded = True
    for taken in attempt.taken:
        data = taken.act.data
        if taken.act.kind == "state":
            function = function or bool(data.get("function", "").strip())
            expectation = expectation or bool(data.get("expectation", "").strip())
            if data.get("conclusion", "").strip() and not concluded:
                concluded, said = True, said + 1
        elif taken.act.kind == "test" and (taken.shown is not None or not went(taken)):
            tests += 1
            said += function + expectation
            expectation = concluded = False
    return said / (3 * tests) if tests else 0.0
