"""The set-up as a pure function of the events: what is asked next, wherever it was cut off."""

from __future__ import annotations

import pytest

from diagnose.casebook.store import CaseHeader, status_of
from diagnose.cli.render import Screen
from diagnose.cli.setup import Setup
from diagnose.interview.describing import (
    DIFFERS,
    INSTRUMENTS,
    METER,
    METERS,
    PERSON,
    SITE,
    STANDARD,
    VARIANT,
    WIRING,
    Ask,
    asks_for,
    described,
    left_to_ask,
    next_ask,
)
from diagnose.interview.events import Event, new_event
from diagnose.interview.state import replay, variants_of
from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.compose import Installation, compose
from tests.bench import shipped
from tests.tiny import tiny


@pytest.fixture(scope="module")
def kb() -> KnowledgeBase:
    return tiny()


@pytest.fixture(scope="module")
def bench(kb: KnowledgeBase) -> Installation:
    return compose(kb, "bench")


def opened(kb: KnowledgeBase, standard: Installation, *known: str) -> Event:
    return new_event(
        "opened",
        site="here",
        installation=standard.type.id,
        variants=dict(standard.choices),
        asks=asks_for(kb, [SITE, *known]),
    )


def asked(
    kb: KnowledgeBase, standard: Installation, answers: list[object], *known: str
) -> tuple[list[Ask], list[Event]]:
    """The questions that these answers meet, and the events they make."""
    events = [opened(kb, standard, *known)]
    asks = []
    for answer in answers:
        ask = next_ask(kb, standard, events)
        assert ask is not None
        asks.append(ask)
        events.append(new_event("described", **described(ask, answer)))
    assert next_ask(kb, standard, events) is None
    return asks, events


def test_the_standard_installation(kb: KnowledgeBase, bench: Installation) -> None:
    answers: list[object] = [STANDARD, ("multimeter",), "cat_ii", "licensed"]
    asks, events = asked(kb, bench, answers)
    assert [ask.id for ask in asks] == [WIRING, INSTRUMENTS, METER, PERSON]
    state = replay(events, {})
    assert state.opened["variants"] == bench.choices
    assert state.opened[INSTRUMENTS] == ["multimeter"]
    assert (state.opened[METER], state.opened[PERSON]) == ("cat_ii", "licensed")
    assert state.opened["site"] == "here"


def test_each_variant_is_an_answer(kb: KnowledgeBase, bench: Installation) -> None:
    answers: list[object] = [DIFFERS, "none", "small", ("multimeter",), "cat_ii", "licensed"]
    asks, events = asked(kb, bench, answers)
    assert [(ask.id, ask.variant, ask.default) for ask in asks[1:3]] == [
        (VARIANT, "second", "none"),
        (VARIANT, "cell", "large"),
    ]
    assert variants_of(bench.choices, events) == {"second": "none", "cell": "small"}
    assert replay(events, {}).opened["variants"] == {"second": "none", "cell": "small"}


def test_what_cannot_be_built_is_asked_anew(kb: KnowledgeBase, bench: Installation) -> None:
    answers: list[object] = [DIFFERS, "fitted", "lone", "fitted", "small", (), "licensed"]
    asks, events = asked(kb, bench, answers)
    assert [ask.variant for ask in asks[1:5]] == ["second", "cell"] * 2
    assert [ask.default for ask in asks[1:5]] == ["none", "large", "fitted", "lone"]
    assert [bool(ask.refused) for ask in asks] == [False] * 3 + [True] + [False] * 3
    assert "no terminal for it" in str(asks[3].refused[0])
    assert variants_of(bench.choices, events) == {"second": "fitted", "cell": "small"}


def test_without_a_meter_there_is_no_category_to_ask_for(
    kb: KnowledgeBase, bench: Installation
) -> None:
    asks, events = asked(kb, bench, [STANDARD, (), "unqualified"])
    assert METER not in [ask.id for ask in asks]
    assert replay(events, {}).opened[METER] == "none"  # else a missing one counts as rated


def test_what_options_say_is_not_asked(kb: KnowledgeBase, bench: Installation) -> None:
    asks, _ = asked(kb, bench, [("multimeter",), "cat_iii", "licensed"], WIRING)
    assert [ask.id for ask in asks] == [INSTRUMENTS, METER, PERSON]


def test_a_case_of_one_piece_asks_nothing(kb: KnowledgeBase, bench: Installation) -> None:
    events = [new_event("opened", installation="bench", variants={}, qualification="licensed")]
    assert next_ask(kb, bench, events) is None
    assert left_to_ask(events) == []
    assert status_of(events) == "open"


def test_a_case_is_being_set_up_until_the_last_answer(
    kb: KnowledgeBase, bench: Installation
) -> None:
    answers: list[object] = [DIFFERS, "none", "small", ("multimeter",), "cat_ii", "licensed"]
    _, events = asked(kb, bench, answers)
    for count in range(1, len(events)):
        assert status_of(events[:count]) == "being set up"
        assert status_of([*events[:count], new_event("resumed")]) == "being set up"
    assert status_of(events) == "open"


def test_the_shipped_installation_with_every_choice() -> None:
    kb = shipped()
    standard = compose(kb, next(iter(kb.installations)))
    names = [n for n, v in standard.type.variants.items() if len(v.choices) > 1]
    assert len(names) > 5
    for last in (0, -1):
        chosen: dict[str, str] = {}
        events = [opened(kb, standard)]
        while (ask := next_ask(kb, standard, events)) is not None and len(events) < 60:
            answer: object = {WIRING: DIFFERS, INSTRUMENTS: METERS, METER: "cat_ii"}.get(ask.id)
            if ask.id == VARIANT:
                legal = list(standard.type.variants[ask.variant].choices)
                answer = legal[last] if ask.variant not in chosen else legal[0]
                chosen[ask.variant] = str(answer)
            events.append(new_event("described", **described(ask, answer or "licensed")))
        assert ask is None
        assert list(chosen) == names
        built = compose(kb, standard.type.id, variants_of(standard.choices, events))
        assert {n: built.choices[n] for n in names} == chosen


@pytest.mark.parametrize(
    ("lines", "expected"),
    [
        (
            ("back", "", "", "4", "back", "back", "1", "2", "2"),
            {METER: "cat_ii", PERSON: "instructed", INSTRUMENTS: ["multimeter"]},
        ),
        (("", "0", "back", "1", "3", "1"), {METER: "cat_iii", PERSON: "licensed"}),
        (
            ("no", "2", "back", "1", "small", "back", "", "1", "3"),
            {"variants": {"second": "none", "cell": "small"}, PERSON: "unqualified"},
        ),
    ],
)
def test_a_slip_in_the_set_up_is_taken_back(
    lines: tuple[str, ...],
    expected: dict[str, object],
    kb: KnowledgeBase,
    bench: Installation,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Who is taken for licensed by a slip would be offered live tests to the end."""
    events, said = [opened(kb, bench)], iter(lines)
    header = CaseHeader("", "", "here", bench.type.id, dict(bench.choices), events[0].at, "")
    Setup(kb, Screen(True), lambda prompt: next(said)).go_on(header, events, lambda event: None)
    assert next(said, None) is None
    told = replay(events, {}).opened
    assert {key: told[key] for key in expected} == expected
    nothing = lines[0] in ("back", "no")
    assert ("nothing here to take back" in capsys.readouterr().out) == nothing
