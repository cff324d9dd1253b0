"""Cases in PostgreSQL, for a firm that outgrows one machine.

A case's row is locked while events are added to it, so its events have one order; ids are unique
within a case. An answer is acknowledged once its transaction is on the server's disk.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, replace
from typing import Any

from sqlalchemy import Connection, insert, select, text, update
from sqlalchemy.dialects.postgresql import insert as insert_new

from diagnose.casebook import tables
from diagnose.casebook.connection import Database
from diagnose.casebook.counting import Counts
from diagnose.casebook.facts import COLUMNS, Fact, complaints_text, facts_of, sql_text
from diagnose.casebook.outcomes import Outcome, outcome_or_none
from diagnose.casebook.store import (
    CaseHeader,
    Listing,
    Overview,
    Summary,
    first_free,
    missing,
    new_id,
    summary_of,
)
from diagnose.casebook.tallies import WRITING, Tallies
from diagnose.casebook.text import canonical
from diagnose.errors import Issue, fail
from diagnose.interview.events import Event
from diagnose.interview.state import is_closed

HOLDING = 0x64696103
"""Class of the locks with which cases are held."""
AT_ONCE = 1000


class DatabaseStore:
    """A `CaseStore` in a PostgreSQL database, whose tables are made when they are first needed."""

    def __init__(self, address: str) -> None:
        self.database = Database(address)
        self.tallies = Tallies(self.database)

    @property
    def name(self) -> str:
        """See `CaseStore.name`."""
        return self.database.name

    # ------------------------------------------------------------------ writing

    def create(self, case: CaseHeader, events: Sequence[Event]) -> CaseHeader:
        """See `CaseStore.create`."""
        if not events:
            raise ValueError("a case starts with at least one event")
        with self.database.begin() as connection:
            while True:

                def taken(number: int) -> bool:
                    query = select(tables.cases.c.number)
                    return (
                        connection.scalar(query.where(tables.cases.c.id == new_id(case, number)))
                        is not None
                    )

                named = replace(case, id=new_id(case, first_free(taken)))
                if _file(connection, named, [canonical(event) for event in events]):
                    return named

    def append(self, case_id: str, event: Event) -> None:
        """See `CaseStore.append`."""
        with self.database.begin() as connection:
            self._add(connection, case_id, None, [canonical(event)])

    def put(self, case: CaseHeader, events: Sequence[Event]) -> int:
        """See `CaseStore.put`."""
        told = [canonical(event) for event in events]
        with self.database.begin() as connection:
            if _file(connection, case, told):
                return len(told)
            return self._add(connection, case.id, case, told)

    def _add(
        self,
        connection: Connection,
        case_id: str,
        header: CaseHeader | None,
        events: Sequence[Event],
    ) -> int:
        """Add what is missing of `events` to a case; how many."""
        cases = tables.cases.c
        query = select(cases.number, cases.header).where(cases.id == sql_text(case_id))
        row = connection.execute(query.with_for_update()).one_or_none()
        if row is None:
            raise self._no_such(connection, case_id)
        kept = CaseHeader(**row.header)
        there = _events(connection, row.number)
        new = missing(header or kept, events, kept, there, self.name)
        if not new:
            return 0
        before, after = facts_of(kept, there), facts_of(kept, [*there, *new])
        number = row.number
        change = _change(connection)
        _insert(connection, number, change, len(there), new, after[len(there) :])
        for seq, (old, now) in enumerate(zip(before, after, strict=False)):
            if old != now:
                place = (tables.events.c.case_number == number) & (tables.events.c.seq == seq)
                connection.execute(
                    update(tables.events).where(place).values(**_columns(connection, now))
                )
        changed = _case_columns(connection, kept, [*there, *new], after)
        connection.execute(
            update(tables.cases).where(cases.number == number).values(**changed, changed=change)
        )
        return len(new)

    @contextmanager
    def hold(self, case_id: str) -> Iterator[None]:
        """See `CaseStore.hold`."""
        with self.database.begin() as connection:
            number = self._number(connection, case_id)
        with self.database.alone() as connection:
            lock = text("select pg_try_advisory_lock(:kind, :number)")
            if not connection.scalar(lock, {"kind": HOLDING, "number": number}):
                raise fail("busy", f"the case '{case_id}' is open in another program")
            yield

    # ------------------------------------------------------------------ reading

    def _number(self, connection: Connection, case_id: str) -> int:
        query = select(tables.cases.c.number).where(tables.cases.c.id == sql_text(case_id))
        number = connection.scalar(query)
        if number is None:
            raise self._no_such(connection, case_id)
        return int(number)

    def _no_such(self, connection: Connection, case_id: str) -> Exception:
        ids = tables.cases.c.id
        last = connection.scalars(select(ids).order_by(ids.desc()).limit(8))
        known = sorted(last)
        return fail("unknown-id", f"there is no case '{case_id}' in {self.name}", None, known)

    def header(self, case_id: str) -> CaseHeader:
        """See `CaseStore.header`."""
        with self.database.begin() as connection:
            number = self._number(connection, case_id)
            cases = tables.cases.c
            header = connection.scalar(select(cases.header).where(cases.number == number))
            return CaseHeader(**(header or {}))

    def events(self, case_id: str) -> list[Event]:
        """See `CaseStore.events`."""
        with self.database.begin() as connection:
            return _events(connection, self._number(connection, case_id))

    def where(self, case_id: str) -> str:
        """See `CaseStore.where`."""
        with self.database.begin() as connection:
            self._number(connection, case_id)
        return self.name

    def listing(self) -> Listing:
        """See `CaseStore.listing`."""
        cases = tables.cases.c
        with self.database.begin() as connection:
            query = select(cases.header).order_by(cases.id)
            return Listing(tuple(CaseHeader(**h) for h in connection.scalars(query)))

    def overview(self) -> Overview:
        """See `CaseStore.overview`."""
        cases = tables.cases.c
        with self.database.begin() as connection:
            query = select(cases.summary).order_by(cases.id)
            return Overview(tuple(Summary(*s) for s in connection.scalars(query)))

    def latest(self) -> str:
        """See `CaseStore.latest`."""
        cases = tables.cases.c
        query = select(cases.id).where(~cases.closed).order_by(cases.changed.desc()).limit(1)
        with self.database.begin() as connection:
            found = connection.scalar(query)
        if found is None:
            raise fail("no-case", f"there is no open case in {self.name}")
        return str(found)

    def unreadable(self) -> tuple[Issue, ...]:
        """See `CaseStore.unreadable`: a database takes no other."""
        return ()

    def outcomes(self, latest: int | None = None) -> Iterator[Outcome]:
        """See `CaseStore.outcomes`."""
        cases, last = tables.cases.c, 0
        since = -1
        if latest is not None:
            newest = select(cases.changed).where(cases.closed).order_by(cases.changed.desc())
            with self.database.begin() as connection:
                found = connection.scalar(newest.offset(latest).limit(1))
            since = -1 if found is None else int(found)
        while True:
            wanted = (cases.number > last, cases.closed, cases.changed > since)
            query = select(cases.number, cases.header).where(*wanted)
            with self.database.begin() as connection:
                rows = connection.execute(query.order_by(cases.number).limit(AT_ONCE)).all()
                if not rows:
                    return
                last = rows[-1].number
                told = _events_of(connection, [row.number for row in rows])
            for row in rows:
                outcome = outcome_or_none(CaseHeader(**row.header), told[row.number])
                if outcome is not None:
                    yield outcome

    def counts(self) -> Counts:
        """See `CaseStore.counts`."""
        return self.tallies.counts()


def _change(connection: Connection) -> int:
    """The next of `changes`; counting waits until the transaction that took it is done."""
    connection.execute(text("select pg_advisory_xact_lock_shared(:n)"), {"n": WRITING})
    return int(connection.execute(tables.changes.next_value().select()).scalar_one())


def _file(connection: Connection, case: CaseHeader, events: Sequence[Event]) -> bool:
    """File a new case; False where its id is taken."""
    change = _change(connection)
    facts = facts_of(case, events)
    values = _case_columns(connection, case, events, facts)
    statement = insert_new(tables.cases).values(
        id=str(case.id),
        header=json.loads(json.dumps(asdict(case))),
        installation=sql_text(case.installation),
        changed=change,
        **values,
    )
    number = connection.scalar(
        statement.on_conflict_do_nothing(index_elements=["id"]).returning(tables.cases.c.number)
    )
    if number is None:
        return False
    _insert(connection, number, change, 0, events, facts)
    return True


def _case_columns(
    connection: Connection, case: CaseHeader, events: Sequence[Event], facts: Sequence[Fact]
) -> dict[str, Any]:
    """What a case's row says of its events."""
    variants = [fact.variants for fact in facts if fact.variants is not None][-1]
    outcome = outcome_or_none(case, events)
    ends = [seq for seq, event in enumerate(events) if event.kind == "closed"]
    teaches = outcome is not None and outcome.confirmed
    return {
        "confirmed": teaches,
        "closed_by": ends[-1] if teaches else None,
        "cause": sql_text(outcome.cause) if outcome is not None and teaches else None,
        "complaints": complaints_text(outcome.complaints if outcome is not None else ()),
        "one_fault": outcome is not None and teaches and outcome.one_fault,
        "took": teaches and bool(events[ends[-1]].data.get("took")),
        "wiring": _wiring(connection, variants),
        "site": [fact.site for fact in facts if fact.site is not None][-1],
        "summary": list(summary_of(case, events)),
        "closed": is_closed(events),
    }


def _wiring(connection: Connection, variants: str) -> int:
    """The number of a set of variants."""
    wirings = tables.wirings.c
    query = select(wirings.number).where(wirings.variants == variants)
    number = connection.scalar(query)
    if number is None:
        new = insert_new(tables.wirings).values(variants=variants)
        connection.execute(new.on_conflict_do_nothing())
        number = connection.scalar(query)
    assert number is not None
    return int(number)


def _columns(connection: Connection, fact: Fact) -> dict[str, Any]:
    values = {name: getattr(fact, name) for name in COLUMNS}
    variants = values.pop("variants")
    return {**values, "wiring": None if variants is None else _wiring(connection, variants)}


def _insert(
    connection: Connection,
    number: int,
    change: int,
    start: int,
    events: Sequence[Event],
    facts: Sequence[Fact],
) -> None:
    rows = [
        {
            "case_number": number,
            "seq": start + k,
            "change": change,
            "id": event.id,
            "at": event.at,
            "kind": event.kind,
            "data": event.data,
            **_columns(connection, fact),
        }
        for k, (event, fact) in enumerate(zip(events, facts, strict=True))
    ]
    connection.execute(insert(tables.events), rows)


def _events(connection: Connection, number: int) -> list[Event]:
    return _events_of(connection, [number])[number]


def _events_of(connection: Connection, numbers: Sequence[int]) -> dict[int, list[Event]]:
    of = tables.events.c
    query = select(of.case_number, of.id, of.at, of.kind, of.data)
    query = query.where(of.case_number.in_(numbers))
    found: dict[int, list[Event]] = {number: [] for number in numbers}
    for row in connection.execute(query.order_by(of.case_number, of.seq)):
        found[row.case_number].append(Event(row.id, row.at, row.kind, row.data))
    return found
