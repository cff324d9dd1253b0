"""What every store of cases must do, whatever stands behind it: a folder or PostgreSQL."""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from diagnose.casebook.copying import copy_all
from diagnose.casebook.counting import Counts, count
from diagnose.casebook.database import DatabaseStore
from diagnose.casebook.outcomes import outcome_of
from diagnose.casebook.store import CaseHeader, CaseStore, same_event
from diagnose.casebook.stores import open_store
from diagnose.casebook.text import canonical, case_text
from diagnose.cli import main
from diagnose.errors import DiagnoseError
from diagnose.interview.events import Event, new_event
from tests.database import Server
from tests.wild_cases import made_case

VARIANTS = {"module": "active_low", "drive": "contactor"}
Place = Callable[[], str]
_numbers = itertools.count()


@pytest.fixture(params=["folder", "database"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> Place:
    """Makes the name of an empty store of one kind, a new one each time."""
    if request.param == "folder":
        return lambda: str(tmp_path / f"cases-{next(_numbers)}")
    server: Server = request.getfixturevalue("postgresql")
    return lambda: server.address(f"cases_{next(_numbers)}")


@pytest.fixture
def store(place: Place) -> CaseStore:
    return open_store(place())


def header(site: str = "Mill Lane 3") -> CaseHeader:
    return CaseHeader("", "", site, "tank_and_sump", VARIANTS, "2026-03-01T09:30:00+00:00", "d1")


def opened() -> Event:
    return new_event("opened", site="Mill Lane 3", installation="tank_and_sump")


def finding(raw: str = "0.2 V") -> Event:
    return new_event(
        "finding",
        **{"test": "rail", "raw": raw, "outcome": "low", "sure": "no"},
        minutes=2.5,
        shown={"a.b": 0.5},
        chosen={"by": "rollout", "expansions": 12},
    )


def message(error: pytest.ExceptionInfo[DiagnoseError]) -> str:
    (issue,) = error.value.issues
    assert "\n" not in str(issue)
    return str(issue)


def test_events_come_back_as_they_were_filed(store: CaseStore) -> None:
    events = [opened(), new_event("complaint", ids=["overflows", "runs_dry"]), finding()]
    case = store.create(header(), events[:1])
    for event in events[1:]:
        store.append(case.id, event)
    read = store.events(case.id)
    assert len(read) == 3
    assert all(same_event(a, b) for a, b in zip(events, read, strict=True))
    assert [type(v) for v in read[2].data["shown"].values()] == [float]
    assert store.header(case.id) == case == replace(header(), id="2026-03-01-mill-lane-3")
    assert store.listing().cases == (case,)
    (summary,) = store.overview().cases
    assert (summary.id, summary.site, summary.status) == (case.id, "Mill Lane 3", "open")
    assert store.where(case.id)
    assert store.name


def test_a_case_is_not_filed_without_an_event(store: CaseStore) -> None:
    with pytest.raises(ValueError, match="at least one event"):
        store.create(header(), [])
    assert store.listing().cases == ()


def test_an_event_is_added_once(store: CaseStore, place: Place) -> None:
    case = store.create(header(), [opened()])
    event = finding()
    for _ in range(3):
        store.append(case.id, event)
    assert len(store.events(case.id)) == 2
    other = replace(event, data={**event.data, "raw": "0.3 V"})
    with pytest.raises(DiagnoseError) as caught:
        store.append(case.id, other)
    assert f"another event with the id {event.id}" in message(caught)
    assert store.events(case.id)[1].data["raw"] == "0.2 V"


def test_ids_are_dated_human_and_unique(store: CaseStore) -> None:
    ids = [store.create(header(), [opened()]).id for _ in range(6)]
    base = "2026-03-01-mill-lane-3"
    assert ids == [base, *(f"{base}-{k}" for k in range(2, 7))]
    assert store.create(header("  "), [opened()]).id == "2026-03-01-callout"
    listed = [c.id for c in store.listing().cases]
    assert listed == sorted([*ids, "2026-03-01-callout"])
    assert [c.id for c in store.overview().cases] == listed


def test_there_is_no_such_case(store: CaseStore) -> None:
    known = store.create(header(), [opened()]).id
    for wrong in ("nothing", "../nothing", f"x/../{known}", "", "a\0b"):
        for use in (store.events, store.header, store.where, lambda c: store.append(c, finding())):
            with pytest.raises(DiagnoseError) as caught:
                use(wrong)
            assert "there is no case" in message(caught)
    with pytest.raises(DiagnoseError, match="there is no case"), store.hold("nothing"):
        pass


def test_the_latest_open_case(store: CaseStore) -> None:
    with pytest.raises(DiagnoseError, match="no open case"):
        store.latest()
    one, two = (store.create(header(), [opened()]).id for _ in range(2))
    assert store.latest() == two
    store.append(one, finding())
    assert store.latest() == one
    store.append(one, new_event("closed", found="dirt", minutes=3.0))
    assert store.latest() == two
    store.append(one, new_event("called_back", held="yes", text=""))
    assert store.latest() == two
    store.append(one, new_event("called_back", held="no", text=""))
    assert store.latest() == one


def test_a_case_is_held_by_one_program(place: Place) -> None:
    name = place()
    store = open_store(name)
    case = store.create(header(), [opened()]).id
    with store.hold(case):
        store.append(case, finding())
        with pytest.raises(DiagnoseError) as caught, open_store(name).hold(case):
            pass
        assert "open in another program" in message(caught)
    with open_store(name).hold(case):
        pass


TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)
VALUES = st.recursive(
    TEXTS, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXTS, inner, max_size=3)
)
FINITE = st.floats(allow_nan=False, allow_infinity=False)


@settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=40, deadline=None
)
@example(raw="'); drop table cases; --", more={"$1": "%s :id"}, minutes=1.0, shown={'"x"': 0.5})
@given(raw=TEXTS, more=VALUES, minutes=FINITE, shown=st.dictionaries(TEXTS, FINITE, max_size=3))
def test_anything_that_was_typed_survives(
    store: CaseStore, raw: str, more: object, minutes: float, shown: dict[str, float]
) -> None:
    data = {"test": "rail", "raw": raw, "outcome": raw, "more": more, "minutes": minutes}
    event = new_event("finding", **data, shown=shown)
    case = store.create(header(raw[:5]), [opened(), event])
    read = store.events(case.id)[1]
    assert same_event(read, canonical(event))
    assert [read.data[k] for k in ("raw", "more", "minutes", "shown")] == [
        raw,
        more,
        minutes,
        shown,
    ]
    assert store.header(case.id).site == raw[:5]


# ---------------------------------------------------------------------- putting and copying


def test_a_case_that_is_there_gets_what_it_lacks(store: CaseStore) -> None:
    case = replace(header(), id="2026-03-01-kept")
    events = [opened(), finding("one"), finding("two"), finding("three")]
    assert store.put(case, events[:2]) == 2
    assert store.put(case, events[:2]) == 0
    assert store.put(case, [events[0], events[2]]) == 1
    assert store.put(case, events) == 1
    raws = [e.data.get("raw") for e in store.events(case.id)]
    assert raws == [None, "one", "two", "three"]
    store.append(case.id, finding("four"))
    assert len(store.events(case.id)) == 5


def test_what_contradicts_is_refused_whole(store: CaseStore) -> None:
    case = replace(header(), id="2026-03-01-kept")
    events = [opened(), finding("one")]
    store.put(case, events)
    with pytest.raises(DiagnoseError) as caught:
        store.put(replace(case, site="Elsewhere"), events)
    assert "with another site" in message(caught)
    changed = replace(events[1], data={**events[1].data, "raw": "1.1"})
    with pytest.raises(DiagnoseError) as caught:
        store.put(case, [events[0], finding("new"), changed])
    assert "has another event with the id" in message(caught)
    assert all(same_event(a, b) for a, b in zip(store.events(case.id), events, strict=True))


def test_no_case_is_filed_under_what_is_no_id(tmp_path: Path) -> None:
    store = open_store(str(tmp_path))
    for wrong in ("../2026-03-01-x", "x", ".2026-03-01-x", "2026-03-01/x"):
        with pytest.raises(DiagnoseError, match="is no id of a case"):
            store.put(replace(header(), id=wrong), [opened()])
    assert not list(tmp_path.iterdir())


def files(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.glob("*.yaml")}


@pytest.mark.parametrize("seed", [1, 2])
def test_a_round_trip_changes_no_byte(place: Place, tmp_path: Path, seed: int) -> None:
    chance = random.Random(seed)
    start, end = tmp_path / "start", tmp_path / "end"
    start.mkdir()
    for number in range(1, 15):
        case, events = made_case(chance, number)
        (start / f"{case.id}.yaml").write_text(case_text(case, events), encoding="utf-8")
    before = files(start)
    middle = place()
    for _ in range(2):
        there = copy_all(open_store(str(start)), open_store(middle))
        back = copy_all(open_store(middle), open_store(str(end)))
        assert not there.issues + back.issues
        assert files(start) == files(end) == before
    assert there.cases == there.events == back.cases == 0
    assert there.same == back.same == 14


def test_two_stores_that_went_on_apart_are_merged(place: Place, tmp_path: Path) -> None:
    here, there = open_store(str(tmp_path)), open_store(place())
    case = here.create(header(), [opened(), finding("both")])
    copy_all(here, there)
    here.append(case.id, finding("here"))
    there.append(case.id, finding("there"))
    copy_all(here, there)
    copied = copy_all(there, here)
    assert copied.events == 1
    for store in (here, there):
        raws = [str(e.data.get("raw")) for e in store.events(case.id)]
        assert sorted(raws) == ["None", "both", "here", "there"]
    assert copy_all(here, there).events == copy_all(there, here).events == 0


def test_one_case_that_contradicts_does_not_keep_the_others(place: Place, tmp_path: Path) -> None:
    here, there = open_store(str(tmp_path)), open_store(place())
    for site in ("A", "B", "C"):
        here.create(header(site), [opened()])
    there.put(replace(header("B"), id="2026-03-01-b", title="another"), [opened()])
    copied = copy_all(here, there)
    assert copied.cases == 2
    (issue,) = copied.issues
    assert "'2026-03-01-b'" in issue.message
    assert copy_all(here, there, ["2026-03-01-c"]).same == 1


def test_the_commands_that_copy_and_list(
    place: Place, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    here, name = open_store(str(tmp_path)), place()
    for site in ("A", "B"):
        case = here.create(header(site), [opened()])
    open_store(name).put(replace(case, title="another"), [opened()])

    def said(*words: str) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as caught:
            main(words)
        shown = capsys.readouterr()
        return int(caught.value.code or 0), " ".join(shown.out.split()), shown.err

    code, out, err = said("cases", "copy", "--from", str(tmp_path), "--to", name)
    assert code == 2
    assert out.startswith("1 cases with 1 new events copied")
    assert len(err.splitlines()) == 1
    assert "the case '2026-03-01-b' is in" in err
    copy = ("cases", "--store", str(tmp_path), "copy", "--to", name, "2026-03-01-a")
    assert said(*copy)[1].endswith("1 were there already.")
    assert said("cases", "--store", name)[1].startswith("2026-03-01-a open 2026-03-01-b open")
    code, out, _ = said("cases", "show", "2026-03-01-a", "--store", name)
    assert code == 0
    assert "Site A" in out


# ---------------------------------------------------------------------- counting


def assert_equal(counted: Counts, wanted: Counts) -> None:
    """Equal, the sums of logarithms to the rounding of another order of adding."""
    for table in ("cases", "causes", "sites", "history", "findings"):
        assert getattr(counted, table) == getattr(wanted, table), table
    assert counted.minutes.keys() == wanted.minutes.keys()
    for key, tally in wanted.minutes.items():
        assert counted.minutes[key].n == tally.n, key
        assert math.isclose(counted.minutes[key].total, tally.total, abs_tol=1e-9), key
        assert math.isclose(counted.minutes[key].squares, tally.squares, abs_tol=1e-9), key


@pytest.mark.parametrize("seed", range(2))
def test_every_store_counts_alike(place: Place, seed: int) -> None:
    chance = random.Random(seed)
    name = place()
    cases = [made_case(chance, number) for number in range(1, 81)]
    store = open_store(name)
    assert store.counts() == Counts()
    filed: list[tuple[CaseHeader, list[Event]]] = []

    def wanted() -> Counts:
        outcomes = (outcome_of(case, [canonical(e) for e in events]) for case, events in filed)
        return count(outcome for outcome in outcomes if outcome is not None)

    for start in range(0, len(cases), 20):
        for case, events in cases[start : start + 20]:
            cut = chance.randrange(1, len(events) + 1)
            store.put(case, events[:cut])
            filed.append((case, events[:cut]))
        assert_equal(store.counts(), wanted())
        for k in range(len(filed)):  # cases go on, are opened again, and take answers back
            if chance.random() < 0.6:
                case, events = filed[k][0], cases[k][1]
                store.put(case, events)
                filed[k] = (case, events)
        assert_equal(store.counts(), wanted())
        again = open_store(name)
        if isinstance(again, DatabaseStore):  # what was brought up to date equals what SQL counts
            again.tallies.refresh(anew=True)
        assert_equal(again.counts(), wanted())
    assert wanted().cases > 20
    assert all(getattr(wanted(), table) for table in ("sites", "history", "findings", "minutes"))
    outcomes = list(store.outcomes())
    assert len({outcome.case for outcome in outcomes}) == len(outcomes)
    assert_equal(count(outcomes), wanted())
    few = list(store.outcomes(3))
    assert all(outcome in outcomes for outcome in few)
    assert len(few) == (3 if isinstance(store, DatabaseStore) else len(outcomes))
    assert store.unreadable() == ()


def test_what_no_program_takes_back_is_counted_all_the_same(place: Place) -> None:
    chance = random.Random(5)
    case, events = made_case(chance, 1, wild=False)
    store = open_store(place())
    closed = new_event("closed", unit="relay", failure_mode="welded", confirmed="measured")
    events = [*(e for e in events if e.kind != "closed"), closed]
    store.put(case, events)
    assert store.counts().cases == 1
    assert case.id in {outcome.case for outcome in store.outcomes(1)}
    repaired = next(e for e in events if e.kind == "repaired")
    store.append(case.id, new_event("withdrawn", event=repaired.id))
    store.append(case.id, finding())
    assert_equal(store.counts(), count(store.outcomes()))
