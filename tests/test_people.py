"""Whoever simulates a person tells a story that some fault tells: that of one regime."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import yaml

from diagnose.casebook.files import FileStore
from diagnose.interview.session import Session
from tests.benchmarks.latency import Leaving
from tests.campaigns.many_cases import fill
from tests.people import standard_session
from tests.test_cli_phone_survey import fill_in


@pytest.fixture(scope="module")
def session() -> Session:
    return standard_session()


def apart(session: Session) -> list[str]:
    """Modes of which the average over the regimes, test by test, is what no regime shows."""
    table = session.table("now")
    found = []
    for mode in session.matrix.rows[:-1]:
        own = table.clean[table.positions(mode)]
        told = [own[k].argmax(axis=-1) for k in range(len(own))]
        mean = np.array([session.matrix.of(mode, t).argmax() for t in session.matrix.tests])
        if not any(np.array_equal(one, mean) for one in told):
            found.append(mode)
    return found


def fits_one_regime(session: Session, mode: str, said: dict[str, str]) -> bool:
    """Whether some regime of the mode shows all that was said."""
    table = session.table("now")
    names = {t: [o.id for o in session.tests[t].outcomes] for t in said}
    return any(
        all(names[t][int(row[table.test_index[t]].argmax())] == o for t, o in said.items())
        for row in table.clean[table.positions(mode)]
    )


def test_some_modes_have_an_average_that_no_fault_shows(session: Session) -> None:
    modes = apart(session)
    assert modes
    mode = modes[0]
    mean = {
        t: session.tests[t].outcomes[int(session.matrix.of(mode, t).argmax())].id
        for t in session.matrix.tests
    }
    assert not fits_one_regime(session, mode, mean)


def test_the_person_of_the_latency_benchmark_tells_one_story(session: Session) -> None:
    for mode in apart(session):
        row = session.matrix.rows.index(mode)
        for complaint in [c for c, p in session.matrix.complaints.items() if p[row] > 0][:2]:
            person = Leaving(session, mode, complains=complaint)
            said = {t: person.outcome(t) for t in session.matrix.tests}
            assert person.complaint() == complaint
            assert fits_one_regime(session, mode, said), (mode, complaint)


def test_a_list_filled_in_tells_one_story(session: Session, tmp_path: Path) -> None:
    for mode in apart(session):
        path = fill_in(session, mode, list(session.matrix.tests), tmp_path / "filled.yaml")
        said = yaml.safe_load(path.read_text(encoding="utf-8"))
        assert fits_one_regime(session, mode, said), mode


def test_each_of_many_cases_tells_one_story(session: Session, tmp_path: Path) -> None:
    folder = tmp_path / "cases"
    left_open = fill(folder, 40)
    store = FileStore(folder)
    for path in folder.glob("*.yaml"):
        if path.stem == left_open:
            continue
        events = store.events(path.stem)
        said = {e.data["test"]: e.data["outcome"] for e in events if e.kind == "finding"}
        mode = "{unit}.{failure_mode}".format(**events[-1].data)
        assert said
        assert fits_one_regime(session, mode, said), mode
