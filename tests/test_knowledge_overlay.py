"""The overlay: written, read, checked by place, applied, and never without a word."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from diagnose.errors import DiagnoseError
from diagnose.interview.session import Session
from diagnose.interview.sites import site_key
from diagnose.interview.state import State
from diagnose.knowledge.cache import knowledge_for
from diagnose.knowledge.folder import OVERLAY, digest_of, overlay_path
from diagnose.knowledge.names import unit_of
from diagnose.knowledge.overlay import applied, overlay_text, read_overlay, write_overlay
from diagnose.knowledge.overlay_records import Key, Learned, Overlay
from diagnose.plant.cache import matrix_key
from diagnose.plant.compose import compose
from diagnose.plant.learned import repair_minutes
from tests.people import standard_session
from tests.tiny import TINY, copy_tiny, tiny

KIND = "tank_and_sump"
SITE = site_key("Upper Farm")
NUMBERS: dict[Key, Learned] = {
    ("rates", KIND, "", "relay.contacts_welded"): Learned(30.0, 2.87, 20.0, 45.0, 31, ("a", "b")),
    ("rates", KIND, SITE, "roof_cable"): Learned(4.0, 1.0, 2.0, 7.0, 5),
    ("wrong_answers", KIND, "", "tap_relay"): Learned(0.2, 0.07, 0.1, 0.3, 40),
    ("wrong_by_phone", KIND, "", "tap_relay"): Learned(0.25, 0.12, 0.1, 0.4, 9),
    ("test_minutes", KIND, "", "tap_relay"): Learned(7.0, 1.0, 5.0, 9.0, 12),
    ("change_minutes", KIND, "", "panel_to_roof"): Learned(5.0, 4.0, 4.5, 6.0, 50),
    ("change_minutes", KIND, SITE, "panel_to_roof"): Learned(17.0, 4.0, 12.0, 21.0, 4),
    ("repair_minutes", KIND, "", "pump.seized"): Learned(99.0, 120.0, 80.0, 120.0, 6),
}


def overlay() -> Overlay:
    """An overlay with one number of each sort."""
    base = standard_session().knowledge
    return Overlay("2026-03-01", base.digest, 120, {"rates": 1.5}, NUMBERS)


def learned_session() -> Session:
    """The standard session with the numbers of `overlay`."""
    plain = standard_session()
    knowledge = applied(plain.knowledge, overlay())
    installation = compose(knowledge, KIND)
    return Session(knowledge, installation, plain.matrix, rules=plain.rules)


def test_what_is_written_is_what_is_read(tmp_path: Path) -> None:
    path = tmp_path / "sub" / OVERLAY
    write_overlay(overlay(), path)
    found = read_overlay(path, standard_session().knowledge)
    assert {k: replace(n, place=None) for k, n in found.numbers.items()} == NUMBERS
    assert (found.learned, found.cases, dict(found.weights)) == ("2026-03-01", 120, {"rates": 1.5})
    assert overlay_text(found) == path.read_text(encoding="utf-8") == overlay_text(overlay())
    assert [p.name for p in path.parent.iterdir()] == [OVERLAY]


def test_one_number_changed_is_one_line_changed() -> None:
    key = ("test_minutes", KIND, "", "tap_relay")
    other = replace(overlay(), numbers={**NUMBERS, key: replace(NUMBERS[key], value=8.0)})
    pairs = zip(overlay_text(overlay()).splitlines(), overlay_text(other).splitlines(), strict=True)
    assert [a.strip()[:9] for a, b in pairs if a != b] == ["tap_relay"]


def test_learned_numbers_take_the_place_of_the_handbooks() -> None:
    plain, session = standard_session(), learned_session()
    assert session.rates["relay.contacts_welded"] == 30.0
    assert session.rates["pump.seized"] == plain.rates["pump.seized"]
    test = session.tests["tap_relay"]
    assert (test.error, test.minutes) == (0.2, 7.0)
    assert (plain.tests["tap_relay"].error, plain.tests["tap_relay"].minutes) != (0.2, 7.0)
    assert repair_minutes(session.knowledge, session.installation, "pump.seized") == 99.0
    prior = dict(session.belief(State(complaints=("will_not_stop",))).ranking())
    before = dict(plain.belief(State(complaints=("will_not_stop",))).ranking())
    assert prior["relay.contacts_welded"] > 1.5 * before["relay.contacts_welded"]


def test_a_sites_numbers_hold_where_the_case_names_it() -> None:
    session = learned_session()
    here = State(opened={"site": "upper FARM"}, complaints=("overflows",))
    there = State(opened={"site": "Lower Farm"}, complaints=("overflows",))
    assert session.ground_at(here).costs.walk["roof"] == 17.0
    assert session.ground_at(there).costs.walk["roof"] == 5.0
    # measured at the very site, it holds whatever is said of the way
    here.answers["roof_way"] = there.answers["roof_way"] = "storeys"
    assert session.ground_at(here).costs.walk["roof"] == 17.0
    assert session.ground_at(there).costs.walk["roof"] == 8.0

    def cable(state: State) -> float:
        return sum(p for n, p in session.belief(state).ranking() if unit_of(n) == "roof_cable")

    assert cable(here) > 2 * cable(there)


def test_the_digest_covers_it_and_the_matrix_does_not_hang_on_it() -> None:
    plain = standard_session().knowledge
    changed = applied(plain, replace(overlay(), digest="0123456789abcdef0"))
    assert changed.digest == f"{plain.digest}+0123456789abcdef"
    assert applied(changed, replace(overlay(), digest="f" * 20)).digest.count("+") == 1
    assert matrix_key(changed, compose(changed, KIND)) == matrix_key(plain, compose(plain, KIND))


BENCH = "bench"
WHOLE = f"""\
format: 1
learned: 2026-03-01
knowledge: 0
cases: 12
installations:
  {BENCH}:
    test_minutes:
      NAME: {{value: 2 min, handbook: 1 min, low: 1 min, high: 3 min, cases: 4}}
"""


@pytest.mark.parametrize(
    ("old", "new", "message", "line", "column"),
    [
        ("NAME", "no_such_test", "no entry of 'test_minutes' 'no_such_test'", 8, 7),
        (BENCH, "garage", "no installation type 'garage'", 6, 3),
        ("2 min", "2 V", "'value' must be in min", 8, 0),
        ("2 min", "0 min", "'value' must be above 0", 8, 0),
        ("2 min", "9 min", "between 'low' and 'high'", 8, 0),
        ("low: 1 min, ", "", "'low' is missing", 8, 0),
        ("cases: 4", "cases: few", "'cases' must be a number", 8, 0),
        ("format: 1", "format: 7", "not a legal 'format'", 1, 9),
        ("test_minutes", "test_hours", "unknown key 'test_hours'", 7, 5),
        ("cases: 12", "cases: [", "", 9, 0),
    ],
)
def test_a_broken_overlay_is_named_by_its_place(
    tmp_path: Path, old: str, new: str, message: str, line: int, column: int
) -> None:
    knowledge = tiny()
    name = next(iter(knowledge.tests))
    path = tmp_path / OVERLAY
    text = WHOLE.replace(old, new) if old != "NAME" else WHOLE.replace("NAME", new)
    path.write_text(text.replace("NAME", name), encoding="utf-8")
    with pytest.raises(DiagnoseError) as caught:
        read_overlay(path, knowledge)
    issue = caught.value.issues[0]
    assert message in issue.message
    assert issue.place is not None
    assert Path(issue.place.file).name == OVERLAY
    if message:
        assert issue.place.line == line
    assert issue.place.column == column or not column
    good = WHOLE.replace("NAME", name)
    path.write_text(good, encoding="utf-8")
    assert read_overlay(path, knowledge).cases == 12


def test_it_lies_beside_knowledge_that_can_be_written_to(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("DIAGNOSE_OVERLAY", raising=False)
    folder = copy_tiny(tmp_path)
    assert overlay_path(folder) == folder / OVERLAY
    packaged = tmp_path / "_data" / "knowledge"
    packaged.mkdir(parents=True)
    assert overlay_path(packaged).parent != packaged
    assert overlay_path(folder, tmp_path / "mine.yaml") == tmp_path / "mine.yaml"
    monkeypatch.setenv("DIAGNOSE_OVERLAY", str(tmp_path / "theirs.yaml"))
    assert overlay_path(folder) == tmp_path / "theirs.yaml"


def test_the_cache_tells_an_overlay_from_none_and_from_another(tmp_path: Path) -> None:
    knowledge, kept = tiny(), tmp_path / "cache"
    name = next(iter(knowledge.tests))
    path = tmp_path / OVERLAY
    path.write_text(WHOLE.replace("NAME", name), encoding="utf-8")
    before = digest_of(TINY)
    for _ in range(2):
        plain = knowledge_for(TINY, kept)
        found = knowledge_for(TINY, kept, overlay=path)
        assert plain.overlay is None
        assert plain.digest == before
        assert found.overlay is not None
        assert found.digest.startswith(f"{before}+")
        assert found.overlay.numbers["test_minutes", BENCH, "", name].value == 2.0
    path.write_text(WHOLE.replace("NAME", name).replace("2 min", "1.5 min"), encoding="utf-8")
    again = knowledge_for(TINY, kept, overlay=path)
    assert again.overlay is not None
    assert again.overlay.numbers["test_minutes", BENCH, "", name].value == 1.5
    assert again.digest != found.digest
