"""The review names what was planted, and hardly anything where nothing was; scores do not peek."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np

from diagnose.casebook.counting import Counts, count
from diagnose.casebook.missing import stems
from diagnose.casebook.outcomes import Outcome
from diagnose.casebook.replays import replayed
from diagnose.casebook.review import Entry, review
from diagnose.casebook.scoring import blocks_of, calibration, in_blocks, interval, score, state_of
from diagnose.casebook.wirings import Wirings
from diagnose.interview.session import Session
from diagnose.knowledge.load import find_knowledge, load_knowledge
from diagnose.knowledge.rule_records import Fact, Pattern, Rule
from diagnose.reasoning.rules import RuleEngine
from tests.made_cases import complaint_of, drawn_modes, made_outcome
from tests.people import standard_session

WORDS = ("wasp nest in the vent", "nest of wasps, vent blocked", "vent closed by a wasps' nest")


def reviewed(session: Session, outcomes: list[Outcome]) -> list[Entry]:
    """The entries for some cases."""
    return review([replayed(outcome, session) for outcome in outcomes])


def ordinary(session: Session, count: int, seed: int) -> list[Outcome]:
    """Cases that are as the knowledge says."""
    rng = np.random.default_rng(seed)
    modes = drawn_modes(session, count, rng)
    return [made_outcome(session, k, mode, rng) for k, mode in enumerate(modes)]


def test_nothing_is_named_where_nothing_is_wrong() -> None:
    session = standard_session()
    assert reviewed(session, ordinary(session, 60, 1)) == []


def test_a_wrong_likelihood_is_named_with_its_cases() -> None:
    session, rng = standard_session(), np.random.default_rng(2)
    mode, test = "relay.contacts_welded", "relay_contact_released"
    p = session.matrix.of(mode, test)
    ids = [o.id for o in session.tests[test].outcomes]
    never = ids[int(np.argmin(p))]
    cases = ordinary(session, 40, 3)
    for k in range(40, 45):
        cases.append(made_outcome(session, k, mode, rng, [test], {test: never}))
    found = [e for e in reviewed(session, cases) if e.kind == "likelihood"]
    assert [(e.data["cause"], e.data["test"], e.data["outcome"]) for e in found] == [
        (mode, test, never)
    ]
    assert {f"case-{k:04}" for k in range(40, 45)} <= set(found[0].cases)


def test_a_wrong_rule_is_named_and_a_right_one_is_not() -> None:
    plain, rng = standard_session(), np.random.default_rng(4)
    mode = "relay.contacts_welded"
    complaint = complaint_of(plain, mode)
    rule = Rule(
        id="planted",
        title="Planted",
        source="judgement",
        stratum=1,
        when=(Pattern.of("complaint", id=complaint),),
        then=(Fact.of("exclude", unit="relay", why="planted"),),
    )
    rules = {**plain.knowledge.rules, "planted": rule}
    knowledge = replace(plain.knowledge, rules=rules)
    session = Session(knowledge, plain.installation, plain.matrix)
    cases = ordinary(plain, 40, 5)
    cases += [made_outcome(plain, k, mode, rng, ["relay_contact_released"]) for k in range(40, 46)]
    found = [e for e in reviewed(session, cases) if e.kind == "rule"]
    assert [e.about for e in found] == ["planted"]
    assert mode in found[0].data["causes"]
    # Six cases among 46 are more of this cause than expected, but it is not ranked low.
    assert not [e for e in reviewed(plain, cases) if e.kind == "rule"]


def test_a_missing_cause_is_named_with_a_stub_that_the_knowledge_can_read(tmp_path: Path) -> None:
    session, rng = standard_session(), np.random.default_rng(7)
    cases = ordinary(session, 30, 8)
    others = ("label covered the button", "ladder stood on the hose")
    for k, words in enumerate([*WORDS, WORDS[0], *others], 30):
        cases.append(made_outcome(session, k, "roof_tank.leaking", rng, words=words))
    found = [e for e in reviewed(session, cases) if e.kind == "missing"]
    assert len(found) == 1
    assert set(found[0].cases) == {f"case-{k:04}" for k in range(30, 34)}
    assert found[0].about in WORDS
    # the stub, put where its first line says, is read without an issue
    root = Path(shutil.copytree(find_knowledge(), tmp_path / "knowledge"))
    part = found[0].stub.split("parts/")[1].split(".yaml")[0]
    path = root / "parts" / f"{part}.yaml"
    text = path.read_text(encoding="utf-8").rstrip() + "\n"
    path.write_text(text.replace("failure_modes:\n", f"failure_modes:\n{found[0].stub}"), "utf-8")
    modes = load_knowledge(root).parts[part].failure_modes
    assert len(modes) == len(session.knowledge.parts[part].failure_modes) + 1


def test_words_are_compared_by_their_beginnings_in_any_script() -> None:
    assert stems("The wasps' nests are in the vents") == stems("vent: wasp nest")
    assert stems("गाद भर गई")
    assert not stems("of the")


def test_what_came_before_the_latest_cases_is_one_block() -> None:
    session = standard_session()
    outcomes = ordinary(session, 24, 9)
    blocks = blocks_of(count(outcomes), outcomes[-10:], 5)
    assert blocks[0].cases == sum(o.confirmed for o in outcomes[:-10])
    assert len(blocks) == 6
    assert sum(blocks, Counts()).causes == count(outcomes).causes
    assert blocks_of(count(outcomes), outcomes, 5) == [
        replace(count(block), sites={}, findings={}, minutes={}) for block in in_blocks(outcomes, 5)
    ]


def test_scores_use_earlier_cases_only() -> None:
    """Changing the last block changes no figure of the blocks before it."""
    session = standard_session()
    choices = tuple(sorted(session.installation.choices.items()))
    wirings = Wirings(session.knowledge, lambda installation: session.matrix)
    assert wirings.of(session.installation.type.id, choices) is not None
    rules: RuleEngine = session.rules
    outcomes = ordinary(session, 24, 9)
    blocks = in_blocks(outcomes)
    assert [o for block in blocks for o in block] == outcomes
    whole = score(outcomes, wirings, rules)
    changed = [
        *outcomes[:-2],
        *(replace(o, cause="motor.winding_open") for o in outcomes[-2:]),
    ]
    again = score(changed, wirings, rules)
    for stage in ("before", "after"):
        for measure in ("log_loss", "brier"):
            a = whole.column("learned", stage, measure)
            b = again.column("learned", stage, measure)
            assert np.array_equal(a[:-2], b[:-2])
            assert not np.array_equal(a[-2:], b[-2:])
    first = len(blocks[0])
    old, new = (whole.column(k, "before", "log_loss") for k in ("handbook", "learned"))
    assert np.allclose(old[:first], new[:first]), "nothing is known before the first block"
    bins = calibration(whole.judged["handbook", "after"])
    assert sum(n for _, _, n in bins) == 24
    # and what is scored is what a callout believes
    state = state_of(outcomes[0], session, tested=True)
    p = dict(session.belief(state).ranking())[outcomes[0].cause]
    assert whole.judged["handbook", "after"][0].log_loss == -np.log(p)


def test_a_bootstrap_interval_is_about_as_wide_as_theory_says() -> None:
    x = np.random.default_rng(10).normal(0.3, 1.0, 400)
    low, high = interval(x)
    assert low < x.mean() < high
    assert abs((high - low) / (2 * 1.96 * x.std() / 20) - 1) < 0.1
