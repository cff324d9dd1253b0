"""Counting confirmed cases in SQL: the same `Counts` as `diagnose.casebook.counting` gives.

All cases are counted once, by SQL; the counts stay in the table ``tallies``. Later only what
changed since is counted: of each changed case, what it told then is taken off and what it tells
now is added. Events are only ever added, so what a case told then is what its events up to that
change tell.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from itertools import groupby
from typing import TYPE_CHECKING, Any

from diagnose.casebook.connection import Database
from diagnose.casebook.counting import Counts, Tally, count
from diagnose.casebook.counting_sql import PARTS, TOOK
from diagnose.casebook.facts import complaints_text
from diagnose.casebook.outcomes import Outcome, Variants, outcome_or_none
from diagnose.casebook.store import CaseHeader
from diagnose.interview.events import Event

if TYPE_CHECKING:
    from sqlalchemy import Connection

WRITING = 0x64696104
"""Number of the lock that writers share and that counting takes for a moment."""
COUNTING = 0x64696105
"""Number of the lock under which one program counts."""

Row = tuple[str, str, int, float, float]
"""Kind, key (JSON), how often, sum and sum of squares of logarithms of minutes."""

MOST_CHANGED = 20_000
"""Changed cases from which on everything is counted anew: SQL is the quicker way then."""


class Tallies:
    """The counts of one database."""

    def __init__(self, database: Database) -> None:
        self.database = database
        self._upto = -1
        self._counts = Counts()

    def counts(self) -> Counts:
        """All confirmed cases, counted; what did not change since the last time is not read anew.

        Raises
        ------
        DiagnoseError
            The server cannot be reached, or refuses.
        """
        since, upto, delta = self.refresh()
        if self._upto < 0 or since != self._upto:
            with self.database.begin() as connection:
                self._counts, upto = self._read(connection)
        elif delta:
            self._counts = self._counts + self._as_counts(delta)
        self._upto = upto
        return self._counts

    def refresh(self, anew: bool = False) -> tuple[int, int, list[Row]]:
        """Bring the table of counts up to date; `anew`: count everything again.

        Returns
        -------
        since, upto : int
            Change up to which was counted before (-1: nothing was) and is now.
        delta : list of Row
            What was added and taken off; empty where all was counted.
        """
        from sqlalchemy import text

        with self.database.alone() as connection:
            connection.execute(text(f"select pg_advisory_lock({COUNTING})"))
            connection.execute(text(f"select pg_advisory_lock({WRITING})"))
            connection.execute(text("begin isolation level repeatable read"))
            # no writer is between its number and its commit: all up to here can be seen
            last = "select case when is_called then last_value else 0 end from changes"
            upto = int(connection.scalar(text(last)) or 0)
            connection.execute(text(f"select pg_advisory_unlock({WRITING})"))
            known = connection.scalar(text("select upto from counted"))
            since = -1 if known is None or anew else int(known)
            delta: list[Row] = []
            if 0 <= since < upto:
                changed = text("select count(*) from cases where changed > :since")
                if int(connection.scalar(changed, {"since": since}) or 0) > MOST_CHANGED:
                    since = -1
            if since < 0:
                self._count_all(connection)
            elif since < upto:
                delta = self._count_changed(connection, since)
            if since != upto:
                connection.execute(
                    text(
                        "insert into counted values (true, :upto) "
                        "on conflict (one) do update set upto = excluded.upto"
                    ),
                    {"upto": upto},
                )
            connection.execute(text("commit"))
            return since, upto, delta

    def _count_all(self, connection: Connection) -> None:
        """Count everything; tables of their own let the server use several cores."""
        from sqlalchemy import text

        for setting in ("work_mem = '256MB'", "jit = off", "parallel_tuple_cost = 0.001"):
            connection.execute(text(f"set local {setting}"))
        connection.execute(text("delete from tallies"))
        connection.execute(text(f"create unlogged table counting_took as {TOOK}"))
        connection.execute(text("analyze counting_took"))
        for kind, query in PARTS.items():
            connection.execute(text(f"create unlogged table counting_part as {query}"))
            more = "total, squares" if kind == "minutes" else "0, 0"
            connection.execute(
                text(f"insert into tallies select '{kind}', key, n, {more} from counting_part")
            )
            connection.execute(text("drop table counting_part"))
        connection.execute(text("drop table counting_took"))

    def _count_changed(self, connection: Connection, since: int) -> list[Row]:
        """Count the cases that changed since, as they are and as they were."""
        from sqlalchemy import text

        delta: dict[tuple[str, str], list[float]] = {}
        wirings = {variants: number for number, variants in self._wirings(connection).items()}
        for now, then in self._changed(connection, since):
            for sign, outcome in ((1, now), (-1, then)):
                for kind, key, n, a, b in _rows(count([outcome] if outcome else []), wirings):
                    sums = delta.setdefault((kind, key), [0, 0.0, 0.0])
                    for k, value in enumerate((n, a, b)):
                        sums[k] += sign * value
        rows = [(*key, int(n), a, b) for key, (n, a, b) in delta.items() if n or a or b]
        add = text(
            "insert into tallies values (:kind, :key, :n, :a, :b) on conflict (kind, key) do "
            "update set n = tallies.n + excluded.n, total = tallies.total + excluded.total, "
            "squares = tallies.squares + excluded.squares"
        )
        if rows:
            names = ("kind", "key", "n", "a", "b")
            connection.execute(add, [dict(zip(names, row, strict=True)) for row in rows])
        return rows

    def _changed(
        self, connection: Connection, since: int
    ) -> Iterator[tuple[Outcome | None, Outcome | None]]:
        """Of each case that changed: its outcome now, and the one that was counted."""
        from sqlalchemy import text

        query = """
            select c.number, c.header, e.id, e.at, e.kind, e.data, e.change <= :since as known
            from cases c join events e on e.case_number = c.number
            where c.changed > :since order by c.number, e.seq
        """
        rows = connection.execute(text(query), {"since": since})
        for _, group in groupby(rows, key=lambda row: row.number):
            told = list(group)
            header = CaseHeader(**told[0].header)
            now = [Event(r.id, r.at, r.kind, r.data) for r in told]
            then = [event for event, row in zip(now, told, strict=True) if row.known]
            yield outcome_or_none(header, now), outcome_or_none(header, then)

    def _read(self, connection: Connection) -> tuple[Counts, int]:
        from sqlalchemy import text

        connection.execute(text("set transaction isolation level repeatable read"))
        upto = int(connection.scalar(text("select upto from counted")) or 0)
        rows = connection.execute(
            text("select kind, key, n, total, squares from tallies where n <> 0"),
            execution_options={"stream_results": True, "max_row_buffer": 10_000},
        )
        return self._as_counts((tuple(row) for row in rows), connection), upto

    def _as_counts(self, rows: Iterable[Any], connection: Connection | None = None) -> Counts:
        """Rows of the table of counts as `Counts`."""
        wirings = self._wirings(connection)
        tables: dict[str, dict[Any, Any]] = {kind: {} for kind in PARTS}
        for kind, text_key, n, total, squares in rows:
            key = json.loads(text_key)
            if kind == "minutes":
                tables[kind][tuple(key)] = Tally(n, total, squares)
                continue
            if kind in ("causes", "findings"):
                key[1] = wirings[key[1]]
            if kind == "causes":
                key[2] = tuple(json.loads(key[2]))
            tables[kind][tuple(key)] = n
        cases = tables.pop("cases")
        return Counts(cases=sum(cases.values()), **tables)

    def _wirings(self, connection: Connection | None) -> dict[int, tuple[tuple[str, str], ...]]:
        from sqlalchemy import text

        if connection is None:
            with self.database.begin() as own:
                return self._wirings(own)
        rows = connection.execute(text("select number, variants from wirings"))
        return {row.number: tuple((k, v) for k, v in json.loads(row.variants)) for row in rows}


def _rows(counts: Counts, wirings: Mapping[Variants, int]) -> Iterator[Row]:
    """Counts as rows of their table."""

    def key(*parts: Any) -> str:
        return json.dumps(parts, ensure_ascii=False)

    if counts.cases:
        yield "cases", "[]", counts.cases, 0.0, 0.0
    for (kind, variants, complaints, cause), n in counts.causes.items():
        told = complaints_text(complaints)
        yield "causes", key(kind, wirings[variants], told, cause), n, 0.0, 0.0
    for site, n in counts.sites.items():
        yield "sites", key(*site), n, 0.0, 0.0
    for answer, n in counts.history.items():
        yield "history", key(*answer), n, 0.0, 0.0
    for (kind, variants, *rest), n in counts.findings.items():
        yield "findings", key(kind, wirings[variants], *rest), n, 0.0, 0.0
    for work, tally in counts.minutes.items():
        yield "minutes", key(*work), tally.n, tally.total, tally.squares
