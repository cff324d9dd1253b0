"""A careless person at the terminal: hazards halfway, guesses at safety, stopping early.

What must be seen then is common practice, no source; the order of steps is held by
`tests/test_safety.py`.
"""

from __future__ import annotations

import pytest

from diagnose.cli.ask import Terminal
from diagnose.cli.render import Screen
from diagnose.errors import DiagnoseError
from diagnose.interview.account import account
from diagnose.interview.drive import Reply, drive, respond
from diagnose.interview.events import Event, new_event
from diagnose.interview.safety import REPORTS, reports
from tests.explored import HAZARDS, settled
from tests.people import standard_session

LICENSED = {"skill": "licensed", "meter": "cat_iii"}


def typed(events: list[Event], *lines: str) -> None:
    """Drive a callout by typed lines, and stop where they run out."""
    session, said = standard_session(), [*lines]

    def read(prompt: str) -> str:
        return said.pop(0) if said else "stop"

    terminal = Terminal(session, Screen(True), events, read)
    drive(session, events, terminal, refused=terminal.refused, after=terminal.after)


def number_of(question: str, choice: str) -> str:
    return str(1 + reports(standard_session()).index((question, choice)))


def test_every_hazard_can_be_reported_at_any_time() -> None:
    assert set(reports(standard_session())) == set(HAZARDS)


@pytest.mark.parametrize("kind", ["test", "act", "verify", "conclusion"])
def test_a_shock_is_reported_halfway_whatever_is_asked(
    kind: str, capsys: pytest.CaptureFixture[str]
) -> None:
    explorer = settled(standard_session(), LICENSED, "overflows", "on")
    if kind == "act":
        explorer.hazard("burning", "earlier")
        while explorer.step.kind == "test":
            explorer.refuse()
    if kind == "verify":
        explorer.repair("delivery.gate_closed")
        while explorer.step.kind == "act":
            explorer.say("act", act=explorer.step.id)
    if kind == "conclusion":
        explorer.hazard("panel_wet", "yes")
        while explorer.step.conclusion is None:
            explorer.refuse()
    assert explorer.step.kind == kind
    before = len(explorer.events)
    typed(explorer.events, "hazard", number_of("tingle", "yes"))
    told = [e.data for e in explorer.events[before:] if e.kind == "answered"]
    assert [(d["question"], d["choice"]) for d in told] == [("tingle", "yes")]
    shown = capsys.readouterr().out
    assert "somebody felt a shock" in " ".join(shown.casefold().split())
    assert max(map(len, shown.splitlines())) <= 80


def test_what_is_reported_in_a_hurry_is_one_short_line_and_may_be_said_in_a_word(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A list of questions with their answers took more lines than a screen of 24 has."""
    explorer = settled(standard_session(), LICENSED, "overflows", "on")
    before = len(explorer.events)
    typed(explorer.events, "hazard", "sparking", "gas")
    shown = capsys.readouterr().out.partition("What do you report?")[2]
    assert "?" not in shown.partition("smoke, a burning smell, scorching or sparking now")[0]
    listed = [line for line in shown.splitlines() if line[4:].strip() in REPORTS.values()]
    assert len(listed) == len(HAZARDS) + 2, "one line each; two of them again, for the word"
    told = [e.data for e in explorer.events[before:] if e.kind == "answered"]
    assert [(d["question"], d["choice"]) for d in told] == [("burning", "gas")]


def test_who_hands_over_after_a_shock_is_told_first_what_to_keep_away_from(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The hand-over is the end of the callout, not of the danger."""
    person = {"skill": "instructed", "meter": "cat_iii"}
    explorer = settled(standard_session(), person, "overflows", "on")
    typed(explorer.events, "hazard", "shock")
    shown = " ".join(capsys.readouterr().out.partition("Result")[2].split())
    keep, why = "keep everybody off pump, pipes and panel", "tested by a licensed electrician"
    assert 0 < shown.index(keep) < shown.index(why)
    told = account(standard_session(), explorer.events).conclusion
    assert told is not None
    assert keep in told.reasons[0]


def test_what_is_no_hazard_is_not_reported_as_one() -> None:
    explorer = settled(standard_session(), LICENSED, "overflows", "on")
    for text in ("tingle.no", "tingle", "worked.new", ""):
        told = Reply("hazard", text)
        with pytest.raises(DiagnoseError, match="is no hazard here"):
            respond(explorer.session, explorer.turn, explorer.step, told, explorer.events)


def test_a_hazard_is_answered_with_what_to_do_at_once(capsys: pytest.CaptureFixture[str]) -> None:
    """Not only at the end, after all the other questions."""
    events = [new_event("opened", qualification="instructed", meter_category="cat_iii")]
    typed(events, "1", "1", "2")
    shown = " ".join(capsys.readouterr().out.split())
    assert shown.index("have it switched off upstream") < shown.index("Is there smoke")


def test_damage_seen_halfway_is_never_followed_by_switching_on(
    capsys: pytest.CaptureFixture[str],
) -> None:
    explorer = settled(standard_session(), {**LICENSED, "skill": "instructed"}, "overflows", "off")
    typed(explorer.events, "hazard", number_of("damage_seen", "yes"))
    assert "make the damaged insulation or the cover good first" in " ".join(
        capsys.readouterr().out.split()
    )
    explorer.say("resumed")
    for _step in range(12):
        assert explorer.step.id != "energise"
        assert explorer.step.state in ("", "any", "dead")
        explorer.refuse()
    assert not explorer.wrong


@pytest.mark.parametrize("lines", [("2",), ("stop",)])
def test_where_somebody_is_hurt_no_cause_is_guessed(
    lines: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    events = [new_event("opened", qualification="licensed", meter_category="cat_iii")]
    typed(events, *lines)
    shown = capsys.readouterr().out
    assert "%" not in shown
    assert "Spares" not in shown
    if lines == ("2",):
        assert "people first" in shown


def test_safety_is_not_guessed(capsys: pytest.CaptureFixture[str]) -> None:
    events = [new_event("opened", qualification="licensed", meter_category="cat_iii")]
    typed(events, "not sure", "not sure 1")
    assert not [e for e in events if e.kind == "answered"]
    assert capsys.readouterr().out.count("answer as if it were so") == 2
