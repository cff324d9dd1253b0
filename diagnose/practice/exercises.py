"""Drawing an exercise by its seed, and checking one that was put together by hand."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from diagnose.errors import DiagnoseError, fail
from diagnose.interview.session import Session
from diagnose.knowledge.names import unit_of
from diagnose.plant.pairs import clash
from diagnose.practice.bench import Workshop
from diagnose.practice.customer import BAD
from diagnose.practice.draws import chance, chosen
from diagnose.practice.records import Exercise

SHOWN = 0.2
"""A failure mode must show a complaint in at least this share of what it can look like."""
HAZARDS = 0.08
"""Share of exercises that hold a hazard (judgement)."""
MOST_PAIRS = 30
"""Second faults that are tried beside a first one: some change the same thing, some hide it."""
SMALL_METERS = 0.25
"""Share of exercises that begin with a meter below CAT III in hand (judgement)."""


def draw_exercise(
    session: Session, seed: int, complaint: str = "", modes: Sequence[str] = (), plain: bool = False
) -> Exercise:
    """The exercise of a seed on a session's installation.

    The failure mode is drawn by its rate among those that show the complaint, the complaint
    among those that it shows. A complaint that is itself the report of a hazard comes with that
    hazard, and only where it or a failure mode is chosen: drawn, any callout may hold one.

    Parameters
    ----------
    complaint, modes
        What is chosen instead of drawn; two modes are two faults at once.
    plain
        Without a hazard, unless such a complaint is chosen, and with a rated meter in hand.

    Raises
    ------
    DiagnoseError
        There is no such complaint or mode here, or the mode never shows the complaint.
    """
    complaints = session.matrix.complaints
    if complaint and complaint not in complaints:
        message = f"there is no complaint '{complaint}' here"
        raise fail("unknown-id", message, None, complaints)
    rows = {name: k for k, name in enumerate(session.matrix.rows)}
    for mode in modes:
        if mode not in session.installation.modes:
            near = [m for m in session.installation.modes if unit_of(m) == unit_of(mode)]
            message = f"there is no failure mode '{mode}' on this installation"
            raise fail("unknown-id", message, None, near or sorted(session.installation.instances))

    harmless = [c for c in complaints if c not in session.reports]

    def shows(mode: str) -> dict[str, float]:
        wanted = harmless if plain or not modes else list(complaints)
        wanted = [complaint] if complaint else wanted
        shares = {c: float(complaints[c][rows[mode]]) for c in wanted}
        return {c: p for c, p in shares.items() if p >= SHOWN}

    hidden = tuple(str(mode) for mode in modes)
    if not hidden:
        names = [name for name in session.installation.modes if shows(name)]
        if not names:
            raise fail("impossible", f"no single failure mode shows '{complaint}' here")
        weights = [session.rates[name] for name in names]
        hidden = (str(names[chosen(seed, weights, "mode")]),)
    said = {c: p for mode in hidden for c, p in shows(mode).items()}
    if not said:
        what = f"'{complaint}'" if complaint else "any complaint"
        raise fail("impossible", f"{' and '.join(hidden)} hardly ever shows {what}")
    told = str(list(said)[chosen(seed, list(said.values()), "complaint")])
    hazard = next(iter(session.reports.get(told, ())), "" if plain else drawn_hazard(seed))
    small = not plain and chance(seed, "meter") < SMALL_METERS
    return Exercise(
        id=f"{session.installation.type.id}-{seed}",
        kind=str(session.installation.type.id),
        variants={str(k): str(v) for k, v in session.installation.choices.items()},
        modes=hidden,
        complaint=told,
        seed=seed,
        wording=int(chance(seed, "wording") * 1000),
        hazard=hazard,
        meter="cat_ii" if small else "cat_iii",
    )


def drawn_hazard(seed: int) -> str:
    """The safety question whose answer is bad in the callout of a seed; "" in most."""
    if chance(seed, "hazard") >= HAZARDS:
        return ""
    return list(BAD)[chosen(seed, np.ones(len(BAD)).tolist(), "which hazard")]


def draw_two_faults(
    session: Session, workshop: Workshop, seed: int, complaint: str = "", plain: bool = False
) -> Exercise:
    """The exercise of a seed with two faults at once, of two units.

    The first is drawn as ever, the second by its rate among those that would bring a complaint by
    themselves, so that it is noticed once the first is repaired. See `draw_exercise`.

    Raises
    ------
    DiagnoseError
        There is no such complaint here, or no second fault goes with the first.
    """
    (first,) = draw_exercise(session, seed, complaint, plain=plain).modes
    modes, rows = session.installation.modes, {n: k for k, n in enumerate(session.matrix.rows)}
    shares = np.array(list(session.matrix.complaints.values())).max(axis=0)
    names = [name for name in modes if shares[rows[name]] >= SHOWN]
    weights = [session.rates[name] for name in names]
    for again in range(MOST_PAIRS):
        second = names[chosen(seed, weights, "second", again)]
        if clash(session.installation, modes[first], modes[second]):
            continue
        exercise = draw_exercise(session, seed, complaint, (first, second), plain)
        try:
            workshop.bench(exercise)
        except DiagnoseError as error:
            if error.issues[0].code != "impossible":
                raise
            continue
        return exercise
    raise fail("impossible", f"no second fault goes with the first of seed {seed}: try another")
