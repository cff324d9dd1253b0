"""Closing a case and calling back: what is asked, what is filed, what it means afterwards."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from diagnose.casebook.files import FileStore
from diagnose.casebook.store import CaseHeader, status_of
from diagnose.cli import app
from diagnose.cli.closing import leading, parse_day, steps_of, verified_by_checks
from diagnose.errors import DiagnoseError
from diagnose.interview.events import Event, new_event
from diagnose.interview.state import is_closed
from tests.people import standard_session

runner = CliRunner()
WELDED = ("relay_module", "contact_welded")
TODAY = datetime.date(2026, 3, 1)


@pytest.fixture(scope="module")
def installed() -> Any:
    return standard_session().installation


@pytest.fixture
def store(tmp_path: Path) -> FileStore:
    return FileStore(tmp_path / "cases")


@pytest.fixture
def case(store: FileStore, installed: Any) -> str:
    """A callout on the standard installation up to a repair whose check has passed."""
    variants = dict(installed.choices)
    opened = new_event(
        "opened",
        **{"title": "", "site": "Demo Lane 4", "installation": installed.type.id},
        **{"variants": variants, "qualification": "licensed", "knowledge": "d"},
    )
    unit, mode = mode_of(installed)
    events = [
        opened,
        new_event("complaint", ids=["overflows"]),
        new_event("answered", question="present", choice="now"),
        new_event("act", act="isolate", minutes=6.0),
        new_event(
            "finding",
            **{"test": "relay_contact_released", "raw": "0.1", "outcome": "closed"},
            **{"sure": "yes", "minutes": 4.0, "shown": {f"{unit}.{mode}": 0.7}},
        ),
        new_event("concluded", status="concluded", unit=unit, failure_mode=mode, probability=0.9),
        new_event("repaired", unit=unit, failure_mode=mode, minutes=30.0),
        new_event("verified", check="gone", result="pass"),
        new_event("verified", check="manual", result="cannot"),
    ]
    head = CaseHeader("", "", "Demo Lane 4", installed.type.id, variants, opened.at, "d")
    name = store.create(head, events[:1]).id
    for event in events[1:]:
        store.append(name, event)
    return name


def mode_of(installed: Any) -> tuple[str, str]:
    """The welded contact as it is called here."""
    name = next(n for n, m in installed.modes.items() if "weld" in m.title)
    unit, _, mode = name.partition(".")
    return unit, mode


def run(store: FileStore, *words: str, typed: str = "") -> str:
    result = runner.invoke(app, [*words, "--store", store.name], input=typed)
    assert result.exit_code == 0, (result.output, result.exception)
    return result.stdout


def refused(store: FileStore, *words: str) -> str:
    result = runner.invoke(app, [*words, "--store", store.name])
    assert isinstance(result.exception, DiagnoseError), result.output
    (issue,) = result.exception.issues
    return str(issue)


def last(store: FileStore, case: str) -> Event:
    return store.events(case)[-1]


def test_enter_takes_what_is_proposed(store: FileStore, case: str, installed: Any) -> None:
    """Found, how, minutes, parts, call-back: one key each; the verification is known."""
    shown = run(store, "close", case, typed=5 * "\n")
    unit, mode = mode_of(installed)
    assert last(store, case).data == {
        **{"unit": unit, "failure_mode": mode, "confirmed": "verification", "minutes": 40.0},
        **{"took": {}, "parts": [], "verified": "passed", "call_back": ""},
    }
    assert "Relay contact open when released" in shown
    assert max(len(line) for line in shown.splitlines() if "> " not in line) <= 80


def test_two_causes_at_once_are_no_words_of_ones_own(
    store: FileStore, case: str, installed: Any
) -> None:
    """The file has room for one; what else was repaired stands in the repairs."""
    unit, mode = mode_of(installed)
    both = f"{unit}.{mode}, {unit}.{mode}"
    assert "more than one cause" in refused(store, "close", case, "--found", both)
    shown = run(store, "close", case, typed=f"1, 2\n{both}\n" + 5 * "\n")
    assert shown.count("One only") == 2
    assert last(store, case).data["failure_mode"] == mode


@pytest.mark.parametrize(("chosen", "found"), [("1", None), ("9\n", "welded")])
def test_own_words_that_a_known_cause_holds_are_asked_back(
    chosen: str, found: str | None, store: FileStore, case: str, installed: Any
) -> None:
    """Else what the knowledge base has would be counted as missing from it."""
    shown = run(store, "close", case, typed=f"welded\n{chosen}\n" + 5 * "\n")
    assert ("Type a number from 1 to" in shown) == (found is not None)
    data = last(store, case).data
    if found is None:
        named = f"{data['unit']}.{data['failure_mode']}"
        assert "weld" in installed.modes[named].title
        assert "not in the knowledge base" not in shown
    else:
        assert data["found"] == found


def test_only_steps_that_differ_are_put_right(store: FileStore, case: str) -> None:
    shown = run(
        store,
        "close",
        case,
        typed="1\n3\n2 = 12\n3=0,75 h\n3 = 1 kg\n3 = 50 min\n\nrelay, , screws\n45\n",
    )
    data = last(store, case).data
    ids = {e.kind: e.id for e in store.events(case) if e.data.get("minutes")}
    assert data["took"] == {ids["finding"]: 12.0, ids["repaired"]: 50.0}
    assert data["minutes"] == 68.0
    assert data["parts"] == ["relay", "screws"]
    assert "Enter: 63" in shown, "three quarters of an hour in place of 30 minutes"
    assert "Enter: 68" in shown
    wanted = (datetime.date.today() + datetime.timedelta(days=45)).isoformat()
    assert data["call_back"] == wanted


def test_spares_of_the_repair_are_proposed_and_only_those_picked_are_noted(
    store: FileStore, case: str, installed: Any
) -> None:
    spares = installed.modes[".".join(mode_of(installed))].mode.spares
    assert spares
    shown = run(store, "close", case, typed="1\n\n\n99\n1, screws\n\n")
    asked = shown.partition("Parts that this repair calls for")[2]
    assert f"1  {spares[0]}" in asked
    assert f"Type a number from 1 to {len(spares)}." in asked
    assert last(store, case).data["parts"] == [spares[0], "screws"]


def test_all_of_it_by_options(store: FileStore, case: str, installed: Any) -> None:
    unit, mode = mode_of(installed)
    run(
        *(store, "close", case, "--found", f"{unit}.{mode}", "--confirmed", "measured"),
        *("--took", "relay_contact_released=9", "--took", "1 = 2,5", "--part", "relay"),
        *("--verified", "failed", "--call-back", "2026-12-24"),
    )
    data = last(store, case).data
    assert sorted(data["took"].values()) == [2.5, 9.0]
    assert data["minutes"] == 41.5
    assert (data["verified"], data["call_back"]) == ("failed", "2026-12-24")


def test_what_is_not_legal_is_refused_before_anything_is_asked(store: FileStore, case: str) -> None:
    full = ("close", case, "--found", "ants", "--confirmed", "measured")
    before = len(store.events(case))
    assert "is not STEP=MINUTES" in refused(store, *full, "--took", "1")
    assert "no step 'rail'" in refused(store, *full, "--took", "rail=3")
    assert "relay_contact_released" in refused(store, *full, "--took", "9=3")
    assert "no day and no number of days" in refused(store, *full, "--call-back", "soon")
    assert "not a result of a verification" in refused(store, *full, "--verified", "maybe")
    assert "not a way of confirming" in refused(store, "close", case, "--confirmed", "felt")
    assert "is not a failure mode here" in refused(store, "close", case, "--found", "relay.x")
    assert "what was found is empty" in refused(store, "close", case, "--found", " ")
    assert len(store.events(case)) == before


def test_a_repair_that_did_not_hold_opens_the_case_again(
    store: FileStore, case: str, installed: Any
) -> None:
    unit, mode = mode_of(installed)
    found = ("--found", f"{unit}.{mode}", "--confirmed", "verification")
    assert "is not closed" in refused(store, "close", case, "--called-back", "held")
    run(store, "close", case, *found, "--call-back", "2026-04-01")
    assert store.counts().cases == 1
    assert "is closed already" in refused(store, "close", case, *found)
    assert "is not what a repair does" in refused(store, "close", case, "--called-back", "perhaps")
    due = run(store, "cases", "--due", "--on", "2026-04-01")
    assert due.startswith(f"2026-04-01  {case}")
    assert "Nobody is to be called" in run(store, "cases", "--due", "--on", "2026-03-31")
    assert "--on 'then' is not a date" in refused(store, "cases", "--on", "then")
    run(store, "close", case, "--called-back", "held", "--text", "all is well", "--minutes", "3")
    assert last(store, case).data == {"held": "yes", "text": "all is well", "minutes": 3.0}
    assert status_of(store.events(case)) == "closed"
    assert "Nobody is to be called" in run(store, "cases", "--due", "--on", "2026-04-01")
    assert store.counts().cases == 1
    shown = run(store, "close", case, "--called-back", "not held")
    assert f"diagnose callout --resume {case}" in shown
    assert not is_closed(store.events(case))
    assert "reopened" in run(store, "cases")
    assert "it has not held" in " ".join(run(store, "cases", "show", case).split())
    assert store.counts().cases == 0
    turn = standard_session().turn(store.events(case))
    assert turn.step.kind != "done"
    assert turn.state.repairs
    assert not turn.state.verifying
    assert store.latest() == case
    shown = run(store, "close", case, typed="\n2\n\n\n1\n\n")
    assert "Has everything been checked" in shown
    assert store.counts().cases == 1
    assert [e.kind for e in store.events(case)][-4:] == [
        *("closed", "called_back", "called_back", "closed"),
    ]


def test_a_case_that_was_opened_again_goes_on(store: FileStore, case: str) -> None:
    run(store, "close", case, "--found", "ants", "--confirmed", "measured")
    closed = runner.invoke(app, ["callout", "--resume", case, "--store", store.name])
    assert "is closed" in str(closed.exception)
    run(store, "close", case, "--called-back", "not-held", "--text", "it overflows again")
    result = runner.invoke(
        app, ["callout", "--resume", case, "--store", store.name], input="stop\n"
    )
    assert result.exit_code in (0, 130), (result.output, result.exception)
    assert "Going on after" in result.stdout
    assert "resumed" in [e.kind for e in store.events(case)]


def test_minutes_put_right_before_stay(store: FileStore, case: str) -> None:
    words = ("--found", "ants", "--confirmed", "measured")
    run(store, "close", case, *words, "--took", "1=9")
    run(store, "close", case, "--called-back", "not-held")
    run(store, "close", case, *words, "--took", "2=8")
    assert sorted(last(store, case).data["took"].values()) == [8.0, 9.0]


def test_a_case_is_shown_with_its_end(store: FileStore, case: str) -> None:
    words = ("--found", "ants in the socket", "--confirmed", "measured", "--part", "socket")
    run(store, "close", case, *words, "--call-back", "2026-04-01")
    shown = " ".join(run(store, "cases", "show", case).split())
    assert "closed: ants in the socket; measured on the part itself" in shown
    assert "verification passed; 40 min; parts: socket; call back on 2026-04-01" in shown
    assert run(store, "cases").split("  ")[2].strip() == "ants in the socket"


def test_days() -> None:
    assert parse_day("30", TODAY) == "2026-03-31"
    assert parse_day("2 days", TODAY) == "2026-03-03"
    assert parse_day(" 2026-12-24 ", TODAY) == "2026-12-24"
    assert parse_day("", TODAY) == parse_day("no", TODAY) == ""
    for wrong in ("soon", "2026-13-01", "24.12.2026", "-3"):
        with pytest.raises(DiagnoseError, match="no day and no number of days"):
            parse_day(wrong, TODAY)


def test_what_is_proposed_and_what_the_checks_say() -> None:
    one = new_event("finding", test="t", outcome="o", shown={"c.d": 0.4, "a.b": 0.3})
    done = new_event("concluded", unit="a", failure_mode="b", status="concluded")
    assert leading([one, done]) == ["a.b", "c.d"]
    assert leading([one, done, new_event("withdrawn", event=one.id)]) == ["a.b"]
    assert leading([]) == []
    checked = [new_event("verified", check=str(k), result=r) for k, r in enumerate(("pass",) * 2)]
    failed = new_event("verified", check="0", result="fail")
    assert verified_by_checks([]) is None
    assert verified_by_checks(checked) == "passed"
    assert verified_by_checks([*checked, failed]) == "failed"
    assert verified_by_checks([failed, *checked]) == "passed"
    assert verified_by_checks([new_event("verified", check="0", result="cannot")]) == "not_made"
    assert verified_by_checks([failed, new_event("repaired", unit="a", failure_mode="b")]) is None
    assert verified_by_checks([*checked, new_event("called_back", held="no")]) is None


def test_steps_have_titles() -> None:
    session = standard_session()
    events = [
        new_event("act", act="prove_dead", minutes=5.0),
        new_event("finding", test="relay_contact_released", outcome="closed", minutes=4.0),
        new_event("finding", test="lamp_fed@dry_lamp", outcome="lit", minutes=2.0),
        new_event("answered", question="q", choice="c"),
        new_event("repaired", unit="relay_module", failure_mode="x", minutes=30.0),
        new_event("repaired", unit="relay", failure_mode="contacts_welded", minutes=30.0),
    ]
    steps = steps_of(events, session.knowledge, session.installation)
    assert [s.minutes for s in steps] == [5.0, 4.0, 2.0, 30.0, 30.0]
    assert steps[0].title == "Prove dead"
    assert steps[1].title == "Relay contact open when released"
    assert steps[2].title == "Sump-dry lamp fed from 5 V"
    assert steps[3].title == "Repair: relay module, x"
    assert steps[4].title == "Repair: relay module: Relay contacts welded"
