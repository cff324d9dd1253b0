"""What a practice callout shows on the screen."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from diagnose.cli.columns import padded, wrapped
from diagnose.cli.practice_words import HELP
from diagnose.cli.render import INSTRUMENTS, STATES, Screen, sentence
from diagnose.interview.session import Session
from diagnose.interview.steps import Option
from diagnose.knowledge.names import unit_of
from diagnose.practice.bench import Bench
from diagnose.practice.functions import Group, function_of
from diagnose.practice.play import TANK
from diagnose.practice.records import Attempt, Taken
from diagnose.reasoning.guard import Electrical
from diagnose.reasoning.places import PANEL, TELEPHONE

STATE_WORDS = {"dead": "dead", "live": "LIVE", "energised": "on", "any": "as is"}
"""The state that a test asks for, in the list of tests."""
ELECTRICAL = {
    Electrical.ENERGISED: "on",
    Electrical.ISOLATED: "isolated",
    Electrical.PROVED_DEAD: "proved dead",
    Electrical.UNKNOWN: "unknown",
}
ENDED = {
    "solved": "Solved: what the customer complained of is gone for good.",
    "not_solved": "Not solved: the fault is still there, and you have left.",
    "handed_over": "Handed over.",
    "given_up": "Given up.",
}
BEARS = 0.3
"""A function's failure modes must move a test by this much on average to be listed with it."""


def prompt(attempt: Attempt) -> str:
    """Minutes, place and electrical state, and where to type."""
    safety = attempt.safety
    state = ELECTRICAL[safety.electrical]
    if safety.electrical is Electrical.ISOLATED and safety.locked:
        state = "isolated, locked"
    more = ", covers open" if safety.covers_open else ""
    return f"\n{attempt.minutes:.0f} min, {attempt.place}, {state}{more} > "


def opening(screen: Screen, bench: Bench, attempt: Attempt) -> None:
    """The callout: what it is, what the customer says, how everything stands."""
    installation, exercise = bench.installation, bench.exercise
    screen.rule("Practice callout", exercise.id)
    screen.para("Simulated: nothing here is real, and nothing is at risk but your score.", 2)
    screen.field("Customer", f'"{bench.customer.says()}"', "bold")
    screen.field("There", installation.type.title)
    for name, choice in installation.choices.items():
        variant = installation.type.variants[name]
        screen.para(f"- {variant.title}: {variant.choices[choice].title}", 12, hang=2)
    category = "CAT II" if exercise.meter == "cat_ii" else "CAT III"
    screen.field("In hand", f"a multimeter marked {category}, a two-pole tester, lock and tag")
    screen.field("Van", "a multimeter CAT III, clamp, insulation tester, gauge, all spares")
    if not attempt.taken:
        level = f"; the roof tank is {TANK[attempt.level]}" if attempt.level else ""
        screen.field("You stand", f"at the panel; the supply is on, covers are closed{level}")


def helped(screen: Screen, bench: Bench) -> None:
    """The words that may be typed."""
    for words, said, needs in HELP:
        nothing = words == "discharge" and not bench.capacitor
        if nothing or not bench.installation.fits(needs):
            continue
        text = said.format(places=", ".join(bench.places))
        if len(words) > 18:
            screen.para(f"{words}: {text}", 2, hang=4)
        else:
            screen.para(f"{padded(words, 12)}{text}", 2, hang=12)


def functions(screen: Screen, groups: Sequence[Group], open_still: Iterable[str] = ()) -> None:
    """The installation by function."""
    screen.rule("By function", "power and signals pass from 1 to the last")
    for number, group in enumerate(groups, 1):
        f = group.function
        screen.para(f"{number}  {f.title}: {f.does}", 2, "bold" if f.id in open_still else "", 3)
        screen.para(f"works when {f.works_when}", 5, hang=2)


def parts(screen: Screen, bench: Bench, groups: Sequence[Group]) -> None:
    """The installation by part, within each function."""
    screen.rule("By part")
    for group in groups:
        titles = "; ".join(bench.installation.instances[u].title for u in group.units)
        screen.para(f"{padded(group.function.title, 11)}{titles}", 2, hang=11)


def units(bench: Bench, groups: Sequence[Group]) -> list[Option]:
    """The units that can be repaired, by function."""
    modes = {mode.unit for mode in bench.installation.modes.values()}
    return [
        Option(unit, bench.installation.instances[unit].title)
        for group in groups
        for unit in group.units
        if unit in modes
    ]


def bearing(session: Session, groups: Sequence[Group]) -> dict[str, list[str]]:
    """Which functions each test bears on, first the one whose failure modes move it most.

    They move it on average, by rate.
    """
    matrix, rates = session.matrix, session.rates
    healthy = matrix.p[matrix.rows.index("healthy")]
    moved = []
    for group in groups:
        rows = [
            k
            for k, name in enumerate(matrix.rows)
            if function_of([group], unit_of(name)) and name in rates
        ]
        weights = np.array([rates[matrix.rows[k]] for k in rows])
        share = np.abs(matrix.p[rows] - healthy).sum(axis=2) / 2
        moved.append(weights @ share / weights.sum() if rows else np.zeros(len(matrix.tests)))
    found = {}
    for k, name in enumerate(matrix.tests):
        order = sorted(range(len(groups)), key=lambda g: -moved[g][k])
        some = [g for g in order if moved[g][k] >= BEARS] or order[:1]
        found[name] = [groups[g].function.id for g in some]
    return found


def hanging(left: str, title: str, width: int) -> list[str]:
    """A title behind what stands left of it, as many lines as it takes: nothing is cut off."""
    return wrapped(title, width, left, " " * len(left))


def test_lines(bench: Bench, number: int, name: str, width: int) -> list[str]:
    """One test in the list of tests."""
    test = bench.tests[name]
    spec = test.spec
    where = "" if spec.place_at == "anywhere" else spec.place_at
    left = f"{number:>4}  {padded(where, 6)}{padded(STATE_WORDS[spec.state], 6)}"
    left += f"{test.minutes:>3.0f} min  " if test.minutes >= 1 else "<1 min   "
    return hanging(left, sentence(test.title), width)


def card(screen: Screen, bench: Bench, name: str, points: Sequence[int]) -> None:
    """A test before it is done."""
    test = bench.tests[name]
    spec = test.spec
    screen.rule(sentence(test.title), f"about {test.minutes:.0f} min" if test.minutes >= 1 else "")
    for caution in spec.cautions:
        screen.field("CAUTION", bench.knowledge.cautions[caution].text, "bold yellow")
    screen.field("Do", test.do)
    screen.field("Where", "" if spec.place_at == "anywhere" else spec.place_at)
    screen.field("With", INSTRUMENTS[spec.instrument])
    if points:
        numbers = " and ".join(map(str, points))
        screen.field("Points", f"{numbers} on the circuit")
    screen.field("State", STATES[spec.state], "bold red" if spec.state == "live" else "")
    if test.level:
        screen.field(
            "Water", f"the roof tank must really be {TANK[test.level]} (level {test.level})"
        )


def taken(screen: Screen, bench: Bench, attempt: Attempt) -> None:
    """The latest act: what it showed, or why it was stopped."""
    last: Taken = attempt.taken[-1]
    if last.offence is not None:
        stopped = last.offence
        screen.line()
        screen.para(f"STOPPED: {stopped.title}.", style="bold red", hang=2)
        screen.field("Why", stopped.why)
        screen.field("Instead", stopped.instead)
        screen.field("Costs", f"{stopped.minutes:.0f} min, and points for safety")
        return
    if last.shown is not None:
        label = {"ask": "Customer", "check": "Result"}.get(last.act.kind, "Shows")
        test = bench.tests.get(next(iter(last.act.data.values()), ""))
        text = last.shown.text
        if test is not None and test.spec.unit:
            title = next(o.title for o in test.outcomes if o.id == last.shown.outcome)
            text = f"{text}   ({title})"
        screen.field(label, text, "bold")
    elif last.text:
        screen.para(last.text, 2)
    elif last.act.kind == "swap":
        title = bench.installation.instances[last.act.data["unit"]].title
        text = f"Put right or replaced: {title}. Only checks show whether that was it."
        screen.para(text, 2)
    if last.minutes >= 1:
        before = attempt.taken[-2].place if len(attempt.taken) > 1 else PANEL
        moved = "" if last.place == before else f", you are at the {last.place} now"
        screen.para(f"({last.minutes:.0f} min{moved})", 2, "cyan")


def found(screen: Screen, bench: Bench, attempt: Attempt) -> None:
    """What has been shown and done so far."""
    screen.rule("Found and done", f"{attempt.minutes:.0f} min")
    screen.field("Customer", f'"{bench.customer.says()}"')
    for one in attempt.taken:
        name = next(iter(one.act.data.values()), "")
        if one.shown is not None:
            title = name
            if name in bench.tests:
                title = bench.tests[name].title
            elif one.act.kind == "ask" and name in bench.customer.questions:
                title = bench.customer.questions[name].ask
            elif one.act.kind == "check":
                title = bench.checks[name].title
            screen.para(f"- {sentence(title)}: {one.shown.text}", 2, hang=2)
        elif one.offence is not None:
            screen.para(f"- stopped: {one.offence.title}", 2, "red", 2)
        elif one.act.kind == "swap":
            title = bench.installation.instances[name].title
            screen.para(f"- repaired or replaced: {title}", 2, "bold", 2)


def phone_tests(bench: Bench) -> list[str]:
    """The tests that a customer can be asked to do or tell."""
    return [n for n, t in bench.tests.items() if t.spec.customer or t.spec.place_at == TELEPHONE]


def ending(screen: Screen, bench: Bench, attempt: Attempt) -> None:
    """How it ended, and what was hidden."""
    screen.rule("The end", f"{attempt.minutes:.0f} min")
    screen.para(ENDED[attempt.ended], 2, "bold")
    hazard = bench.exercise.hazard
    if hazard:
        right = attempt.ended == "handed_over"
        ask = bench.customer.questions[hazard].ask
        text = "handing over was right" if right else "this had to be made safe and handed over"
        screen.field("Hazard", f"{ask} Yes: {text}.")
    for name in bench.exercise.modes:
        mode = bench.installation.modes[name]
        title = bench.installation.instances[mode.unit].title
        screen.field("Hidden", f"{title}: {mode.title}")
        screen.field("Remedy", mode.mode.remedy)
    wrong = [
        bench.installation.instances[u].title
        for u in attempt.swapped
        if u not in {bench.installation.modes[m].unit for m in bench.exercise.modes}
    ]
    screen.field("In vain", ", ".join(wrong))
    for offence in attempt.offences:
        screen.field("Unsafe", f"{offence.title} ({offence.minutes:.0f} min)", "red")
    if not attempt.offences:
        screen.field("Safety", "nothing had to be stopped")
