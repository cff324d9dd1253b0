"""The installation by function, and what the tool says to a trainee's suspicion.

Schaafstal, Schraagen and van Berlo (Human Factors 42(1), 2000; recalled, not read): the functional
decomposition is what was taught. Which part does what is common practice, no source.
"""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import pytest

from diagnose.errors import DiagnoseError
from diagnose.interview.session import Session
from diagnose.interview.state import Finding, State
from diagnose.knowledge.load import load_knowledge
from diagnose.knowledge.practice_reading import load_practice, practice_issues
from diagnose.plant.compose import compose
from diagnose.plant.matrix import ITSELF
from diagnose.practice.customer import true_of
from diagnose.practice.functions import Coach, function_of, groups_of, suspicion
from diagnose.reasoning.belief import Belief
from diagnose.reasoning.planner import level_found
from tests.people import standard_session
from tests.tiny import copy_tiny, edit, found, place_of, tiny

ORDER = ["supply", "sensing", "decision", "switching", "motor", "water"]


@pytest.fixture(scope="module")
def session() -> Session:
    return standard_session()


@pytest.fixture(scope="module")
def coach(session: Session) -> Coach:
    return Coach(session, load_practice(session.knowledge))


def belief(session: Session, complaint: str, *findings: tuple[str, str]) -> Belief:
    seen = [Finding(str(k), t, o, o, True, 1.0, 0) for k, (t, o) in enumerate(findings)]
    return session.belief(State(complaints=(complaint,), findings=seen))


NOT_THERE = {
    "roof_tank": ("roof", "tank"),
    "selector": ("manual",),
    "controller": ("controller", "5 V"),
    "vessel": ("pressure comes", "no pressure"),
}
"""Words that a customer or a function must not use where this is not fitted."""


@pytest.mark.parametrize("kind", ["pressure_set", "relay_logic", "tank_and_sump", "two_pumps"])
def test_nobody_speaks_of_what_is_not_fitted(session: Session, kind: str) -> None:
    kb = session.knowledge
    practice, installation = load_practice(kb), compose(kb, kind)
    said = [t for g in groups_of(practice, installation) for t in (g.function.does,)]
    said += [g.function.works_when for g in groups_of(practice, installation)]
    for name, complaint in kb.complaints.items():
        for position, alternative in enumerate(complaint.when):
            asked = ITSELF.findall(" ".join(alternative.values()))
            here = all(map(installation.has, asked))
            if here and set(alternative) <= set(installation.type.situations):
                fitting = true_of(practice.wordings[name], (position,), installation)
                assert fitting, (name, position)
                said += [w.says for w in fitting if w.of] or [w.says for w in fitting]
        assert level_found(installation, kb, (name,)) in ("", "empty", "mid", "full")
    for unit, words in NOT_THERE.items():
        if not installation.has(unit):
            assert [t for t in said for word in words if word in t] == []


def test_every_unit_of_every_wiring_has_one_function(session: Session) -> None:
    practice = load_practice(session.knowledge)
    kind = session.installation.type
    wirings = [compose(session.knowledge, kind.id)]
    for name, variant in kind.variants.items():
        for choice in variant.choices if name != "drive" else ():
            # some choices cannot be built with this drive
            with suppress(DiagnoseError):
                chosen = {"drive": "contactor", name: choice}
                wirings.append(compose(session.knowledge, kind.id, chosen))
    assert len(wirings) > 15
    for installation in wirings:
        groups = groups_of(practice, installation)
        assert [g.function.id for g in groups] == ORDER
        units = [u for g in groups for u in g.units]
        assert sorted(units) == sorted(installation.instances)


def test_parts_stand_where_the_trade_puts_them(coach: Coach) -> None:
    for unit, function in {
        "rcd": "supply",
        "adapter": "supply",
        "roof_high_float": "sensing",
        "sump_pull": "sensing",
        "program": "decision",
        "relay": "switching",
        "capacitor": "motor",
        "foot_valve": "water",
    }.items():
        assert function_of(coach.groups, unit) == function
    path = coach.session.installation.type.path
    seen = [function_of(coach.groups, u) for u in path if coach.session.installation.has(u)]
    order = [ORDER.index(f) for f in seen]
    assert order == sorted(order)  # the path from mains to water passes the functions in order


def test_suspicion_by_function_is_the_belief_by_unit(session: Session, coach: Coach) -> None:
    now = belief(session, "hums")
    shares = suspicion(coach.groups, now)
    unknown = dict(zip(now.table.unit_names, now.unit_p.tolist(), strict=True))
    assert sum(shares.values()) == pytest.approx(1 - unknown["unknown"], abs=1e-9)
    assert shares["decision"] < 0.02 < shares["motor"]


def test_a_suspicion_that_the_evidence_speaks_against_is_told(
    session: Session, coach: Coach
) -> None:
    now = belief(session, "hums")
    assert "leaves it open" in coach.on_function(now, "motor")
    said = coach.on_function(now, "decision")
    assert "hardly" in said
    assert "Motor" in said


def test_an_expectation_is_set_against_the_model(session: Session, coach: Coach) -> None:
    now = belief(session, "will_not_start_at_all")
    said = coach.on_expectation(now, "supply", "panel_voltage", "none")
    assert "A healthy installation shows: 207 to 253 V." in said
    assert "parts your suspicion" in said
    same = coach.on_expectation(now, "water", "panel_voltage", "good")
    assert "what is likely" in same
    useless = coach.on_expectation(belief(session, "hums"), "motor", "tank_inlets", "found")
    assert "does not part" in useless


def test_a_conclusion_is_set_against_the_odds(session: Session, coach: Coach) -> None:
    now = belief(session, "will_not_start_at_all")
    bits = coach.split(now, "supply", "panel_voltage").bits("none")
    assert bits > 2
    assert coach.on_conclusion(now, "supply", "panel_voltage", "none", "for").startswith("Yes")
    assert coach.on_conclusion(now, "motor", "panel_voltage", "none", "for").startswith("Not so")
    # the odds move by exactly this much
    after = belief(session, "will_not_start_at_all", ("panel_voltage", "none"))
    before, then = suspicion(coach.groups, now), suspicion(coach.groups, after)
    odds = then["supply"] / (1 - then["supply"]) * (1 - before["supply"]) / before["supply"]
    assert odds == pytest.approx(2**bits, rel=1e-6)


# ---------------------------------------------------------------------- the files

FUNCTIONS = """functions:
  - {id: all, title: All, does: heats, works_when: it is hot, parts: [PARTS], source: guess}
"""
SPOKEN = """complaints:
  stays_cold:
    - {says: It stays cold.}
  stays_hot:
    - {says: It stays hot., of: [1]}
"""
UNSAFE = """unsafe:
  - {id: a, title: A, why: B, instead: C, minutes: {value: 5 min, source: guess}, source: guess}
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    root = copy_tiny(tmp_path)
    (root / "practice").mkdir()
    parts = FUNCTIONS.replace("PARTS", ", ".join(tiny().parts))
    for name, text in (("functions", parts), ("complaints", SPOKEN), ("unsafe", UNSAFE)):
        (root / "practice" / f"{name}.yaml").write_text(text, encoding="utf-8")
    return root


def test_the_shipped_practice_files_are_sound_and_a_folder_needs_none(session: Session) -> None:
    assert practice_issues(session.knowledge) == []
    assert practice_issues(tiny()) == []


@pytest.mark.parametrize(
    ("file", "old", "new", "code", "where"),
    [
        ("functions", "[", "[nonsense, ", "unknown-id", "nonsense"),
        ("functions", "battery, ", "", "function", ""),
        ("functions", "battery", "battery, battery", "function", "battery, ¦battery"),
        ("functions", "source: guess", "source: nobody", "unknown-id", "nobody"),
        ("complaints", "stays_cold:", "nonsense:", "unknown-id", "nonsense"),
        ("complaints", "of: [1]", "of: [2]", "unknown-id", "¦{says: It stays hot"),
        ("complaints", "of: [1]", "of: [x]", "structure", "¦[x]"),
        ("complaints", "says: It stays cold.", "said: It", "unknown-key", "said"),
        ("unsafe", "value: 5 min", "value: 5 parsecs", "number", "¦{value"),
        ("unsafe", "why: B", "whence: B", "unknown-key", "whence"),
    ],
)
def test_what_is_wrong_is_said_with_its_place(
    folder: Path, file: str, old: str, new: str, code: str, where: str
) -> None:
    assert practice_issues(load_knowledge(folder)) == []
    edit(folder, f"practice/{file}.yaml", old, new)
    knowledge = load_knowledge(folder)
    issues = practice_issues(knowledge)
    places = found(folder, issues)
    assert code in {c for c, _ in places}, issues
    if where:
        assert (code, place_of(folder, f"practice/{file}.yaml", where)) in places, places
    with pytest.raises(DiagnoseError):
        load_practice(knowledge)
