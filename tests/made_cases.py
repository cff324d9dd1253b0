"""Closed cases made without an interview: drawn causes, random tests, answers by the matrix."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from diagnose.casebook.files import FileStore
from diagnose.casebook.outcomes import Outcome, Seen
from diagnose.casebook.store import CaseHeader
from diagnose.interview.events import Event
from diagnose.interview.session import Session
from tests.people import harmless


def complaint_of(session: Session, mode: str) -> str:
    """The complaint that a failure mode brings about most surely."""
    row = session.matrix.rows.index(mode)
    shown = harmless(session)
    return max(shown, key=lambda c: (shown[c][row], c))


def made_outcome(
    session: Session,
    number: int,
    mode: str,
    rng: np.random.Generator,
    tests: Sequence[str] = (),
    shows: Mapping[str, str] | None = None,
    words: str = "",
    wrong: float = 0.05,
) -> Outcome:
    """A case with this cause: some tests, answered as the matrix says, now and then wrongly.

    Parameters
    ----------
    tests
        Asked for sure; five more are drawn.
    shows
        Tests with what they show whatever the matrix says.
    words
        What it was closed with in the place of the failure mode.
    """
    asked = dict.fromkeys([*tests, *rng.choice(session.matrix.tests, 5, replace=False)])
    findings = []
    for test in map(str, asked):
        ids = [o.id for o in session.tests[test].outcomes]
        p = session.matrix.of(mode, test)
        k = int(rng.choice(len(ids), p=p / p.sum()))
        if rng.random() < wrong:
            k = int(rng.choice([j for j in range(len(ids)) if j != k]))
        findings.append(Seen(test, (shows or {}).get(test, ids[k]), True, False))
    installation = session.installation
    return Outcome(
        case=f"case-{number:04}",
        day="2026-01-01",
        closed=f"2026-01-01T00:{number // 60:02}:{number % 60:02}",
        installation=installation.type.id,
        variants=tuple(sorted(installation.choices.items())),
        site="",
        complaints=(complaint_of(session, mode),),
        answers={},
        findings=tuple(findings),
        acts=(),
        repairs=(),
        concluded="",
        probability=0.0,
        cause="" if words else mode,
        words=words,
        confirmed=True,
    )


def drawn_modes(session: Session, count: int, rng: np.random.Generator) -> list[str]:
    """Causes drawn by the handbook's rates among those that somebody complains of."""
    modes = session.installation.modes
    weight = np.array([m.mode.rate.nominal for m in modes.values()])
    said = np.max([column[:-1] for column in session.matrix.complaints.values()], axis=0)
    weight = weight * said
    return [str(n) for n in rng.choice(list(modes), count, p=weight / weight.sum())]


def file_case(
    folder: Path,
    session: Session,
    number: int,
    complaint: str,
    closed: Mapping[str, Any],
    findings: Sequence[tuple[str, str]] = (),
    site: str = "",
) -> None:
    """File one closed case; the findings take two minutes each, as measured three."""
    installation = session.installation
    day = f"2026-{1 + number // 28:02}-{1 + number % 28:02}"
    opened = {"installation": installation.type.id, "variants": dict(installation.choices)}
    told: list[tuple[str, dict[str, Any]]] = [
        ("opened", {**opened, "site": site}),
        ("complaint", {"ids": [complaint]}),
        *(("finding", {"test": t, "outcome": o, "minutes": 2.0}) for t, o in findings),
    ]
    took = {f"{number}-{k}": 3.0 for k in range(2, 2 + len(findings))}
    told.append(("closed", {"confirmed": "measured", "took": took, **closed}))
    events = [
        Event(f"{number}-{k}", f"{day}T{8 + k:02}:00:00+00:00", kind, data)
        for k, (kind, data) in enumerate(told)
    ]
    header = CaseHeader(
        "", "", site, installation.type.id, installation.choices, f"{day}T08:00:00+00:00", "0"
    )
    FileStore(folder).create(header, events)
