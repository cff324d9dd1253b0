"""Counting confirmed cases in SQL: the same `Counts` as `diagnose.casebook.counting` gives.

All cases are counted once; the counts stay in the table ``tallies`` and are brought up to date
with what changed since: of each changed case, what it told then is taken off and what it tells
now is added. Events are only ever added, so what a case told then is what its events up to that
change tell.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from diagnose.casebook.connection import Database
from diagnose.casebook.counting import Counts, Tally

if TYPE_CHECKING:
    from sqlalchemy import Connection

WRITING = 0x64696104
"""Number of the lock that writers share and that counting takes for a moment."""
COUNTING = 0x64696105
"""Number of the lock under which one program counts."""

Row = tuple[str, str, int, float, float]
"""Kind, key (JSON), how often, sum and sum of squares of logarithms of minutes."""

KEPT = "e.seq <= c.upto and (e.withdrawn_by is null or e.withdrawn_by > c.upto)"
"""An event that was there and not taken back, up to the event that counts as the last one."""

ALL = """
    select number as case_number, 2147483647 as upto, installation, wiring, site
    from cases where closed
"""
CHANGED_NOW = """
    select number as case_number, 2147483647 as upto, installation, wiring, site
    from cases where closed and changed > {since}
"""
CHANGED_THEN = """
    select c.number as case_number, u.upto, c.installation, w.wiring, s.site
    from cases c
    cross join lateral (
        select max(seq) as upto from events e
        where e.case_number = c.number and e.change <= {since}
    ) u
    cross join lateral (
        select wiring from events e
        where e.case_number = c.number and e.seq <= u.upto and e.wiring is not null
        order by e.seq desc limit 1
    ) w
    cross join lateral (
        select site from events e
        where e.case_number = c.number and e.seq <= u.upto and e.site is not null
        order by e.seq desc limit 1
    ) s
    where c.changed > {since} and u.upto is not null
"""
CONFIRMED = f"""
    with ends as (
        select distinct on (c.case_number) c.*, e.kind, e.seq, e.confirmed, e.verified,
            case when e.unit is null then '' else e.unit || '.' || coalesce(e.failure_mode, '')
            end as cause
        from ({{scope}}) c join events e using (case_number)
        where e.kind in ('closed', 'called_back') and (e.kind = 'closed' or e.held = 'no')
            and e.seq <= c.upto
        order by c.case_number, e.seq desc
    ), c as (
        select case_number, upto, installation, wiring, site, cause, seq from ends
        where kind = 'closed' and confirmed <> 'not_confirmed' and verified <> 'failed'
    ), others as (
        select distinct c.case_number
        from c join events e using (case_number)
        where e.kind = 'repaired' and {KEPT}
            and e.unit || '.' || coalesce(e.failure_mode, '') <> c.cause
    ), present as (
        select distinct on (c.case_number) c.case_number, e.choice
        from c join events e using (case_number)
        where e.kind = 'answered' and e.question = 'present' and {KEPT}
        order by c.case_number, e.seq desc
    )
    select c.*, c.cause <> '' and o.case_number is null
        and coalesce(p.choice, 'now') = 'now' as one_fault
    from c left join others o using (case_number) left join present p using (case_number)
"""
"""One row for each confirmed case; `upto`: its last event that counts."""
PARTS = {
    "cases": "select '[]' as key, count(*) as n from {c} c",
    "causes": f"""
        select json_build_array(c.installation, c.wiring, coalesce(l.complaints, '[]'), c.cause)
            ::text as key, count(*) as n
        from {{c}} c left join (
            select distinct on (c.case_number) c.case_number, e.complaints
            from {{c}} c join events e using (case_number)
            where e.kind = 'complaint' and {KEPT}
            order by c.case_number, e.seq desc
        ) l using (case_number)
        group by c.installation, c.wiring, coalesce(l.complaints, '[]'), c.cause
    """,
    "sites": """
        select json_build_array(c.installation, c.site, c.cause)::text as key, count(*) as n
        from {c} c where c.site <> '' and c.cause <> ''
        group by c.installation, c.site, c.cause
    """,
    # all answers, less those that a later answer to the same question took the place of
    "history": f"""
        select json_build_array(installation, question, choice)::text as key, sum(n) as n
        from (
            select c.installation, e.question, e.choice, count(*) as n
            from {{c}} c join events e using (case_number)
            where e.kind = 'answered' and {KEPT}
            group by c.installation, e.question, e.choice
            union all
            select c.installation, b.question, b.choice, -count(*) as n
            from {{c}} c join events e using (case_number) cross join lateral (
                select b.question, b.choice from events b
                where b.case_number = e.case_number and b.seq < e.seq and b.kind = 'answered'
                    and b.question = e.question
                    and (b.withdrawn_by is null or b.withdrawn_by > c.upto)
                order by b.seq desc limit 1
            ) b
            where e.kind = 'answered' and e.nth > 0 and {KEPT}
            group by c.installation, b.question, b.choice
        ) a group by installation, question, choice having sum(n) <> 0
    """,
    "findings": f"""
        select json_build_array(c.installation, c.wiring, c.cause, e.test, e.outcome, e.phone,
            e.sure)::text as key, count(*) as n
        from {{c}} c join events e using (case_number)
        where c.one_fault and e.kind = 'finding' and e.repairs = 0 and {KEPT}
            and (e.nth = 0 or not exists (
                select from events b
                where b.case_number = e.case_number and b.seq < e.seq and b.kind = 'finding'
                    and b.test = e.test and b.phone = e.phone
                    and (b.withdrawn_by is null or b.withdrawn_by > c.upto)
            ))
        group by c.installation, c.wiring, c.cause, e.test, e.outcome, e.phone, e.sure
    """,
    # a corrected whole is divided as its estimate was; nothing corrected, nothing measured
    "minutes": f"""
        with took as (
            select c.case_number, t.key as id, t.value::float8 as minutes
            from {{c}} c join events e on e.case_number = c.case_number and e.seq = c.seq
            cross join lateral json_each_text(
                case when json_typeof(e.data -> 'took') = 'object' then e.data -> 'took' end
            ) t
        ), measured as (
            select c.installation, c.site, e.kind, e.test, e.act, e.place,
                e.place || coalesce(':' || nullif(w.choice, ''), '') as way,
                e.unit || '.' || coalesce(e.failure_mode, '') as mode,
                coalesce(e.own, e.minutes, 0) * k.scale as own,
                coalesce(e.walk, 0) * k.scale as walk
            from {{c}} c join (select distinct case_number from took) m using (case_number)
            join events e using (case_number)
            left join took t on t.case_number = e.case_number and t.id = e.id
            cross join lateral (
                select case when e.minutes > 0 then coalesce(t.minutes, e.minutes) / e.minutes
                    else 1 end as scale
            ) k
            left join lateral (
                select b.choice from events b
                where e.walk > 0 and b.case_number = e.case_number and b.kind = 'answered'
                    and b.question = e.place || '_way' and b.seq <= c.upto
                    and (b.withdrawn_by is null or b.withdrawn_by > c.upto)
                order by b.seq desc limit 1
            ) w on true
            where {KEPT} and (e.kind in ('act', 'repaired') or e.kind = 'finding' and not e.phone)
        ), work as (
            select installation, '' as site, 'test' as kind, test as name, own as minutes
            from measured where kind = 'finding'
            union all
            select installation, site, 'walk', way, walk from measured
            where kind = 'finding' and place <> ''
            union all
            select installation, site, 'act', act, own from measured where kind = 'act'
            union all
            select installation, '', 'repair', mode, own from measured where kind = 'repaired'
        )
        select json_build_array(installation, site, kind, name)::text as key, count(*) as n,
            sum(ln(minutes)) as total, sum(ln(minutes) * ln(minutes)) as squares
        from work where minutes > 0
        group by installation, site, kind, name
    """,
}
"""What is counted, each from the table of confirmed cases."""


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

    def refresh(self) -> tuple[int, int, list[Row]]:
        """Bring the table of counts up to date.

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
            upto = int(connection.scalar(text("select last_value from changes")) or 0)
            connection.execute(text(f"select pg_advisory_unlock({WRITING})"))
            known = connection.scalar(text("select upto from counted"))
            since = -1 if known is None else int(known)
            delta: list[Row] = []
            if known is None:
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

        connection.execute(text("set local work_mem = '256MB'"))
        connection.execute(text("delete from tallies"))
        confirmed = CONFIRMED.format(scope=ALL)
        connection.execute(text(f"create unlogged table counting as {confirmed}"))
        connection.execute(text("analyze counting"))
        for kind, part in PARTS.items():
            query = part.format(c="counting")
            connection.execute(text(f"create unlogged table counting_part as {query}"))
            more = "total, squares" if kind == "minutes" else "0, 0"
            connection.execute(
                text(f"insert into tallies select '{kind}', key, n, {more} from counting_part")
            )
            connection.execute(text("drop table counting_part"))
        connection.execute(text("drop table counting"))

    def _count_changed(self, connection: Connection, since: int) -> list[Row]:
        """Count the cases that changed since, as they are and as they were."""
        from sqlalchemy import text

        delta: dict[tuple[str, str], list[float]] = {}
        for sign, scope in ((1, CHANGED_NOW), (-1, CHANGED_THEN)):
            confirmed = CONFIRMED.format(scope=scope.format(since=since))
            connection.execute(text(f"create temp table counting as {confirmed}"))
            connection.execute(text("analyze counting"))
            for kind, part in PARTS.items():
                for row in connection.execute(text(part.format(c="counting"))):
                    sums = delta.setdefault((kind, row.key), [0, 0.0, 0.0])
                    values = row[1:] if kind == "minutes" else (row.n, 0.0, 0.0)
                    for k, value in enumerate(values):
                        sums[k] += sign * (int(value) if k == 0 else float(value))
            connection.execute(text("drop table counting"))
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
