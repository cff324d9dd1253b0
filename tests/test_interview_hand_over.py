"""What a person without a licence finds, and may not repair, is handed over with its name.

Who may repair what is the knowledge base's own flag `licensed` and, for earth faults, common
practice (no source beyond EN 50110-1's electrically skilled and instructed persons, as given in
the references).
"""

from __future__ import annotations

import pytest

from diagnose.interview.drive import drive
from diagnose.interview.events import new_event
from diagnose.interview.facts import ending_fact
from diagnose.interview.session import Session
from diagnose.interview.steps import Conclusion
from tests.people import SimulatedPerson, standard_session


def ended(session: Session, mode: str, qualification: str) -> Conclusion:
    """How a callout ends where `mode` is there and everything is answered as it shows it."""
    opened = new_event(
        "opened",
        installation=session.installation.type.id,
        variants={},
        qualification=qualification,
        meter_category="cat_iii",
    )
    outcome = drive(session, [opened], SimulatedPerson(session, mode))
    assert outcome.conclusion is not None
    return outcome.conclusion


def licensed_modes() -> list[str]:
    modes = standard_session().installation.modes
    return [name for name, m in modes.items() if m.mode.licensed]


def test_an_earth_fault_of_the_pump_cable_is_handed_over_with_its_unit() -> None:
    end = ended(standard_session(), "pump_cable.earth_fault", "instructed")
    assert (end.status, end.unit) == ("handed_over", "pump_cable")
    assert any("licensed electrician" in reason for reason in end.reasons)
    assert end.probability > 0.6
    assert end.remedy


def test_a_licensed_electrician_is_given_the_plain_conclusion() -> None:
    end = ended(standard_session(), "pump_cable.earth_fault", "licensed")
    assert (end.status, end.unit) == ("concluded", "pump_cable")


def test_an_earth_fault_of_the_motor_is_handed_over_too() -> None:
    end = ended(standard_session(), "motor.earth_fault", "instructed")
    assert end.status == "handed_over"
    assert end.unit == "motor"


@pytest.mark.parametrize("qualification", ["instructed", "unqualified"])
def test_no_licensed_repair_is_concluded_for_others(qualification: str) -> None:
    session = standard_session()
    handed = 0
    assert len(licensed_modes()) > 15
    some = licensed_modes()[qualification == "instructed" :: 2]  # each half with one of the two
    for mode in some:
        end = ended(session, mode, qualification)
        named = f"{end.unit}.{end.failure_mode}"
        flagged = named in session.installation.modes and (
            session.installation.modes[named].mode.licensed
        )
        assert end.status != "concluded" or not flagged, (mode, named)
        handed += end.status == "handed_over"
    assert handed >= (5 if qualification == "instructed" else 1)


def test_what_an_instructed_person_may_repair_is_concluded() -> None:
    end = ended(standard_session(), "relay.coil_open", "instructed")
    assert (end.status, end.unit) == ("concluded", "relay")


def test_a_unit_counts_as_licensed_where_half_of_it_is() -> None:
    """The leading mode alone need not be flagged, nor be certain."""
    session = standard_session()
    table = session.table("now")
    belief = session.belief(session.state_of([new_event("complaint", ids=["trips"])]))
    breaker = [n for n in table.mode_names if n.startswith("breaker.")]
    flags = {n: session.installation.modes[n].mode.licensed for n in breaker}
    assert set(flags.values()) == {True, False}
    sharp = belief.scale(dict.fromkeys(breaker, 1000000000.0))
    free = next(n for n, flag in flags.items() if not flag)
    of_free = sum(p for n, p in sharp.ranking() if n == free)
    of_unit = sum(p for n, p in sharp.ranking() if n in flags)

    def licensed(share: float) -> str:
        """With the unflagged mode at this share of the unit."""
        factor = share / (1 - share) * (of_unit - of_free) / of_free
        fact = ending_fact(session.installation, sharp.scale({free: factor}), "concluded")
        assert fact.get("unit") == "breaker"
        return fact.get("licensed")

    assert list(flags.values()).count(False) == 1
    assert (licensed(0.45), licensed(0.97)) == ("yes", "no")
