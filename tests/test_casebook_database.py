"""Cases in PostgreSQL: versions of the tables, and what is said when the server is not there."""

from __future__ import annotations

import itertools
import random
import subprocess
import sys
import threading
from dataclasses import replace
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import text

from diagnose.casebook.connection import MIGRATIONS, VERSIONS, Database
from diagnose.casebook.database import DatabaseStore
from diagnose.casebook.store import CaseHeader
from diagnose.casebook.stores import open_store, shown_store
from diagnose.casebook.tables import metadata
from diagnose.cli import main
from diagnose.errors import DiagnoseError
from diagnose.interview.events import Event, new_event
from diagnose.interview.sites import older_site_key
from tests.campaigns.writers import run_writers
from tests.database import PASSWORD, Server, free_port, server
from tests.wild_cases import made_case

_numbers = itertools.count()
HEAD = CaseHeader("", "", "A", "k", {"a": "b"}, "2026-03-01T09:30:00+00:00", "d")


@pytest.fixture
def address(postgresql: Server) -> str:
    return postgresql.address(f"one_{next(_numbers)}")


def one_line(capsys: pytest.CaptureFixture[str], *args: str) -> str:
    """Run the program; its single line on stderr, with exit code 2 and no password."""
    with pytest.raises(SystemExit) as caught:
        main(args)
    assert caught.value.code == 2
    captured = capsys.readouterr()
    assert not captured.out
    assert PASSWORD not in captured.err
    assert PASSWORD.replace(" ", "%20") not in captured.err
    (line,) = captured.err.splitlines()
    return line


# ---------------------------------------------------------------------- versions


def test_the_migrations_make_the_tables_that_the_program_uses(address: str) -> None:
    store = DatabaseStore(address)
    assert store.listing().cases == ()
    with store.database.begin() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        found = compare_metadata(context, metadata)
    own = {"counted", "tallies"}  # used by counting alone, in plain SQL
    strange = [d for d in found if not (d[0] == "remove_table" and d[1].name in own)]
    assert not strange
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    scripts = ScriptDirectory.from_config(config)
    assert [s.revision for s in scripts.walk_revisions()][::-1] == list(VERSIONS)


def test_an_empty_database_is_made_ready_by_many_at_once(address: str) -> None:
    failed: list[BaseException] = []

    def start() -> None:
        try:
            DatabaseStore(address).create(HEAD, [new_event("opened", site="A")])
        except DiagnoseError as error:
            failed.append(error)

    threads = [threading.Thread(target=start) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not failed
    assert len(DatabaseStore(address).listing().cases) == 6


def test_tables_of_another_version_are_refused(
    address: str, capsys: pytest.CaptureFixture[str]
) -> None:
    main_ok(capsys, "store", "upgrade", "--store", address)
    database = Database(address)

    def set_version(version: str) -> None:
        with database.engine.begin() as connection:
            update = text("update alembic_version set version_num = :v")
            connection.execute(update, {"v": version})

    set_version("9999")
    for command in (("cases",), ("callout", "--resume"), ("store", "upgrade")):
        line = one_line(capsys, *command, "--store", address)
        assert "of version 9999, newer than this program" in line
    set_version(VERSIONS[-1])
    assert main_ok(capsys, "cases", "--store", address).startswith("No cases in")


def test_older_tables_are_brought_up_to_date(
    address: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    said = main_ok(capsys, "store", "upgrade", "--store", address)
    assert f"is of version {VERSIONS[-1]}" in " ".join(said.split())
    monkeypatch.setattr("diagnose.casebook.connection.VERSIONS", (*VERSIONS, "9999"))
    line = one_line(capsys, "cases", "--store", address)
    older = f"of version {VERSIONS[-1]}, older than this program"
    assert f"{older} (legal: diagnose store upgrade)" in line


def test_sites_in_hindi_get_their_own_keys_when_tables_are_brought_up_to_date(
    address: str, capsys: pytest.CaptureFixture[str]
) -> None:
    # two invented names that differ in a vowel sign only, one in Latin letters, and no name
    store, named = DatabaseStore(address), {}
    for site in ("नीला खेत", "नाला खेत", "North Yard", ""):
        event = new_event("opened", **({"site": site} if site else {}))
        named[store.create(replace(HEAD, site=site), [event]).id] = site

    def keys(table: str) -> dict[str, str]:
        of_case = "select id, site from cases"
        of_event = "select c.id, e.site from events e join cases c on c.number = e.case_number"
        with store.database.begin() as connection:
            found = connection.execute(text(of_case if table == "cases" else of_event)).all()
        return {row.id: row.site for row in found}

    new = keys("cases")
    with store.database.begin() as connection:  # as version 0001 had them
        for case, site in named.items():
            told = {"key": older_site_key(site), "id": case}
            connection.execute(text("update cases set site = :key where id = :id"), told)
        connection.execute(
            text("update events set site = c.site from cases c where c.number = case_number")
        )
        connection.execute(text("insert into counted values (true, 7)"))
        connection.execute(text("update alembic_version set version_num = '0001'"))
    assert (len(set(keys("cases").values())), len(set(new.values()))) == (3, 4)
    main_ok(capsys, "store", "upgrade", "--store", address)
    assert keys("cases") == keys("events") == new
    with store.database.begin() as connection:
        assert not connection.scalar(text("select count(*) from counted"))


def main_ok(capsys: pytest.CaptureFixture[str], *args: str) -> str:
    """Run the program; what it prints."""
    with pytest.raises(SystemExit) as caught:
        main(args)
    assert caught.value.code == 0
    return capsys.readouterr().out


# ---------------------------------------------------------------------- what can go wrong


def test_a_bad_address_is_one_line(
    address: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    port = free_port()
    wrong = {
        address.replace("an%20invented", "another"): "password authentication failed",
        address.replace("/one_", "/none_"): "does not exist",
        f"postgresql+psycopg://me@127.0.0.1:{port}/cases": "Connection refused",
        "postgresql+psycopg://me@nowhere.invalid/cases": "nowhere.invalid",
        "postgresql+psycopg://me@127.0.0.1:many/cases": "that is not the address of a database",
        "postgresql+psycopg://me@127.0.0.1": "names no database",
        "postgresql+psycopg://": "names no database",
        "mysql://me@127.0.0.1/cases": "cases cannot be kept in 'mysql://",
        "sqlite:///cases.db": "cases cannot be kept in 'sqlite://",
        "://": "cases cannot be kept in '://",
    }
    for name, said in wrong.items():
        assert said in one_line(capsys, "cases", "--store", name), name
    close = ("close", "x", "--found", "dirt", "--confirmed", "measured")
    name = f"postgresql+psycopg://me@127.0.0.1:{port}/cases"
    assert "Connection refused" in one_line(capsys, *close, "--store", name)
    assert "Connection refused" in one_line(capsys, "callout", "--resume", "--store", name)
    assert "there is no case 'x'" in one_line(capsys, *close, "--store", address)
    monkeypatch.setitem(sys.modules, "psycopg", None)
    line = one_line(capsys, "cases", "--store", address)
    assert "needs the package 'psycopg' (legal: pip install 'diagnose[postgresql]')" in line
    folder = ("store", "upgrade", "--store", "somewhere")
    assert "nothing to bring up to date" in one_line(capsys, *folder)


def test_no_password_is_shown(address: str) -> None:
    shown = shown_store(address)
    assert "invented" not in shown
    assert shown == open_store(address).name
    assert shown == address.replace(":an%20invented%20password", "")
    assert shown_store(f"{shown}?password=secret&sslmode=prefer") == f"{shown}?sslmode=prefer"


def test_an_answer_that_cannot_be_saved_is_shown(tmp_path: Path) -> None:
    """The server dies in the middle of a closing; it is tried again once it is back."""
    with server() as running:
        address = running.address("cases")
        store = open_store(address)
        opened = new_event("opened", site="A", installation="tank_and_sump", variants={})
        head = CaseHeader("", "", "A", "tank_and_sump", {}, opened.at, "d")
        case = store.create(head, [opened]).id
        command = [sys.executable, "-m", "diagnose", "close", case, "--store", address]
        child = subprocess.Popen(
            [*command, "--found", "ants"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        assert child.stdin is not None
        assert child.stdout is not None
        read_until(child, "number > ")  # how it was confirmed
        child.stdin.write("2\n")
        child.stdin.flush()
        read_until(child, ") > ")
        running.stop()
        child.stdin.write("\n\n3\n\n")  # minutes, parts, verification, call-back
        child.stdin.flush()
        read_until(child, "leave without it > ")
        running.start()
        child.stdin.write("\n")
        child.stdin.close()
        said = child.stdout.read()
        assert "is closed: ants" in said
        assert child.stderr is not None
        errors = child.stderr.read()
        assert child.wait() == 0
        assert "NOT SAVED" in errors
        assert "found: ants" in errors
        assert PASSWORD not in errors
        events = open_store(address).events(case)
        assert [e.kind for e in events] == ["opened", "closed"]
        assert events[-1].data["found"] == "ants"


def read_until(child: subprocess.Popen[str], end: str) -> str:
    """What a program writes, up to a prompt."""
    assert child.stdout is not None
    said = ""
    while not said.endswith(end):
        letter = child.stdout.read(1)
        assert letter, f"ended before {end!r}: {said}"
        said += letter
    return said


def test_an_answer_is_shown_where_nobody_can_try_again(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, address: str
) -> None:
    store = open_store(address)
    opened = new_event("opened", site="A", installation="tank_and_sump", variants={})
    head = CaseHeader("", "", "A", "tank_and_sump", {}, opened.at, "d")
    case = store.create(head, [opened]).id

    def refuse(self: object, case_id: str, event: Event) -> None:
        raise DiagnoseError([*error.value.issues])

    nowhere = f"postgresql+psycopg://me@127.0.0.1:{free_port()}/cases"
    with pytest.raises(DiagnoseError) as error:
        open_store(nowhere).events(case)
    monkeypatch.setattr(DatabaseStore, "append", refuse)
    with pytest.raises(SystemExit) as caught:
        main(
            ("close", case, "--found", "ants", "--confirmed", "measured", "--store", address),
        )
    assert caught.value.code == 2
    shown = capsys.readouterr().err
    assert "NOT SAVED" in shown
    assert "found: ants" in shown
    assert "Connection refused" in shown.splitlines()[-1]


def test_an_answer_is_not_taken_back_by_a_lost_connection(address: str) -> None:
    """A client that does not know whether its event was taken hands it over again."""
    store = DatabaseStore(address)
    case = store.create(HEAD, [new_event("opened", site="A")]).id
    event = new_event("stopped", reason="rain")
    store.append(case, event)
    with store.database.engine.connect() as connection:
        connection.execute(
            text(
                "select pg_terminate_backend(pid) from pg_stat_activity "
                "where datname = :d and pid <> pg_backend_pid()"
            ),
            {"d": store.database.url.database},
        )
    store.append(case, event)
    assert [e.kind for e in store.events(case)] == ["opened", "stopped"]


# ---------------------------------------------------------------------- several writers


@pytest.mark.parametrize("kind", ["folder", "database"])
def test_several_writers_lose_nothing_and_double_nothing(
    request: pytest.FixtureRequest, tmp_path: Path, kind: str
) -> None:
    """The campaign of ``tests.campaigns.writers``, small and with a fixed seed."""
    name = str(tmp_path) if kind == "folder" else request.getfixturevalue("address")
    report = run_writers(name, writers=3, cases=8, seed=3)
    assert report.acknowledged > 30
    assert report.cases > 16
    assert report.lost == 0
    assert report.duplicated == 0
    assert report.unreadable == 0


def test_counting_while_others_write_misses_nothing(address: str) -> None:
    chance = random.Random(4)
    made = [made_case(chance, number) for number in range(1, 61)]
    store = open_store(address)
    assert store.counts().cases == 0

    def write(part: int) -> None:
        own = open_store(address)
        for case, events in made[part::3]:
            own.put(case, events[: len(events) // 2])
            own.put(case, events)

    threads = [threading.Thread(target=write, args=(part,)) for part in range(3)]
    for thread in threads:
        thread.start()
    while any(thread.is_alive() for thread in threads):
        store.counts()
    for thread in threads:
        thread.join()
    counted = store.counts()
    again = DatabaseStore(address)
    again.tallies.refresh(anew=True)
    assert counted.cases == again.counts().cases > 10
    for table in ("causes", "sites", "history", "findings"):
        assert getattr(counted, table) == getattr(again.counts(), table), table
