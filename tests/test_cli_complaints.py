"""Each complaint of the default installation, led key by key in a terminal to the right unit.

The fault is the likeliest failure mode, by rate, of those that always bring the complaint about
(a different unit each time, where one is left); every answer is what the dependency matrix holds
likeliest under it. The 80 columns are those of the terminal (common practice, no source).
"""

from pathlib import Path

import pytest

from diagnose.interview.session import Session, Turn
from diagnose.knowledge.names import unit_of
from tests.people import SimulatedPerson, standard_session
from tests.test_cli_terminal import Typist

COLUMNS = 80
SURE = 1 - 1e-9
MOST_STEPS = 60
COMPLAINTS = (
    "will_not_start_auto",
    "will_not_start_manual",
    "will_not_start_at_all",
    "controller_dark",
    "will_not_stop",
    "overflows",
    "runs_dry",
    "relay_chatters",
    "controller_resets",
    "hums",
    "trips",
    "short_cycling",
    "wrong_indication",
)


@pytest.fixture(scope="module")
def session() -> Session:
    return standard_session()


class Complaining(SimulatedPerson):
    """Complains of one thing."""

    def __init__(self, session: Session, mode: str, complaint: str) -> None:
        super().__init__(session, mode)
        self._complaint = complaint

    def complaint(self) -> str:
        return self._complaint


def likeliest_modes(session: Session) -> dict[str, str]:
    """For each complaint the likeliest mode that always brings it about.

    One of a unit that no complaint before it has taken, where there is one.
    """
    matrix = session.matrix
    chosen: dict[str, str] = {}
    for complaint in COMPLAINTS:
        column = matrix.complaints[complaint]
        sure = [n for r, n in enumerate(matrix.rows) if n in session.rates and column[r] >= SURE]
        assert sure, complaint
        taken = {unit_of(mode) for mode in chosen.values()}
        fresh = [name for name in sure if unit_of(name) not in taken]
        chosen[complaint] = max(fresh or sure, key=lambda name: session.rates[name])
    return chosen


def lead_to_conclusion(typist: Typist) -> Turn:
    """Answer until the interview concludes."""
    for _ in range(MOST_STEPS):
        typist.prompt()
        turn = typist.turn()
        if turn.step.conclusion is not None:
            return turn
        typist.type(typist.line(turn))
    raise AssertionError(f"no conclusion after {MOST_STEPS} steps:\n{typist.screen[-2000:]}")


def test_every_complaint_is_driven(session: Session) -> None:
    # a shock is handed over: tests/test_shock.py
    assert {*COMPLAINTS, *session.reports} == set(session.matrix.complaints)


@pytest.mark.parametrize("complaint", COMPLAINTS)
def test_a_complaint_ends_at_the_unit_that_failed(
    tmp_path: Path, session: Session, complaint: str
) -> None:
    mode = likeliest_modes(session)[complaint]
    typist = Typist(session, mode, tmp_path, "--no-color")
    typist.person = Complaining(session, mode, complaint)
    typist.describe()
    turn = lead_to_conclusion(typist)
    conclusion = turn.step.conclusion
    assert conclusion is not None
    assert turn.state.complaints == (complaint,)
    assert conclusion.unit == unit_of(mode), (mode, conclusion.status, conclusion.title)
    typist.type("stop")
    screen = typist.end()
    assert typist.child.exitstatus == 0
    assert "\x1b" not in screen
    lines = screen.replace("\r", "").split("\n")
    assert "Result" in screen
    assert conclusion.unit_title in " ".join(screen.split())
    lines = [line for line in lines if line.strip() != f"--store {tmp_path}"]  # not ours to break
    assert [line for line in lines if len(line) > COLUMNS] == []
