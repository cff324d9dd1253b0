"""What is known of a folder of case files without reading them again.

The index is a file in the user's cache folder. An entry counts only while the name, the size,
the time of change and the number of its file on disk are as they were read; everything else is
read again, so nothing hangs on the index and it may be deleted at any time.
"""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import asdict
from functools import cache, partial
from pathlib import Path
from typing import Any

from diagnose.cache import cache_folder
from diagnose.casebook import outcomes, quick, store, text
from diagnose.casebook.files import entries
from diagnose.casebook.outcomes import Outcome, outcome_or_none, read_outcome, written
from diagnose.casebook.quick import quick_case
from diagnose.casebook.store import CaseHeader, Listing, Overview, Summary, summary_of
from diagnose.casebook.text import decoded, parse_case
from diagnose.errors import DiagnoseError, Issue, Place, fail
from diagnose.interview import state
from diagnose.interview.events import Event
from diagnose.knowledge.reading import read_bytes

MADE_BY = (outcomes, quick, state, store, text)
"""What an entry hangs on besides its file: an index made by other code is another index."""
RECENT = 2_000_000_000
"""Nanoseconds for which a changed file may change again without its time of change showing it."""
MANY = 400
"""Files from which on several processes read."""
AT_ONCE = 200
KEPT_AT_ONCE = 5000
TABLES = """
create table if not exists cases (
    name text primary key, stamp text not null, header text not null, variants text not null,
    summary text not null
) without rowid;
create table if not exists outcomes (name text primary key, stamp text, outcome text);
"""

Row = tuple[str, str, str, str]
"""An entry without its stamp: name, header without variants, variants, summary."""


def _stamp(entry: os.DirEntry[str]) -> str:
    """What changes with a file; "" where it is gone."""
    try:
        stat = entry.stat()
    except OSError as error:  # a link that leads nowhere, a ring of links: its reader says so
        if not entry.is_symlink():
            return ""
        return f"{error.errno}"
    return f"{stat.st_size} {stat.st_mtime_ns} {stat.st_ctime_ns} {stat.st_ino}"


def read_any(path: Path) -> tuple[CaseHeader, list[Event]]:
    """Header and events of a case file, the quick way where its layout allows it.

    Raises
    ------
    DiagnoseError
        With every issue found, each with its place.
    """
    if not path.is_file() and path.exists():  # a pipe would be waited for without end
        raise fail("unreadable", "it is no plain file", Place(str(path), 1, 1))
    text = decoded(read_bytes(path), path)
    return quick_case(text, path.stem) or parse_case(text, str(path))


def _row(folder: Path, name: str) -> tuple[Row, str] | list[Issue]:
    """An entry and its outcome (written as JSON), or what is wrong with the file."""
    try:
        header, events = read_any(folder / name)
        outcome = written(outcome_or_none(header, events))
    except DiagnoseError as error:
        return list(error.issues)
    head = asdict(header)
    variants = head.pop("variants")
    return (name, _json(head), _json(variants), _json(summary_of(header, events))), outcome


def _json(value: Any) -> str:
    return json.dumps(value, separators=(",", ":"))


def on_all_cores(work: Callable[[str], Any], names: list[str]) -> Iterator[Any]:
    """The results of `work` in the order of `names`; on several cores where they are many."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    if len(names) < MANY or (cores or 1) < 2:
        yield from map(work, names)
        return
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor
    from concurrent.futures.process import BrokenProcessPool

    # workers import what they need and share nothing with a program that may have threads
    context = multiprocessing.get_context("spawn")
    done = 0
    try:
        with ProcessPoolExecutor(cores, mp_context=context) as pool:
            for result in pool.map(work, names, chunksize=AT_ONCE):
                yield result
                done += 1
    except BrokenProcessPool:  # no second process can be had, as in a script without a guard
        yield from map(work, names[done:])


class FolderIndex:
    """The index of one folder; `pattern` says which of its files are cases."""

    def __init__(self, folder: Path, pattern: str, cache: Path | None = None) -> None:
        self.folder = folder
        self.pattern = pattern
        place = hashlib.sha256(os.fsencode(folder.resolve())).hexdigest()[:16]
        key = hashlib.sha256()
        for module in (*MADE_BY, __file__):
            source = module if isinstance(module, str) else module.__file__
            key.update(Path(source or "").read_bytes())
        self.path = cache_folder(cache) / f"cases-{place}-{key.hexdigest()[:16]}.sqlite"
        self._unsettled: dict[str, str] = {}

    def listing(self) -> Listing:
        """See `CaseStore.listing`."""
        variants_of = cache(json.loads)
        cases: list[CaseHeader] = []
        issues: list[Issue] = []
        for header, variants in self._rows(issues, "header", "variants").values():
            cases.append(CaseHeader(**json.loads(header), variants=variants_of(variants)))
        return Listing(tuple(cases), tuple(issues))

    def overview(self) -> Overview:
        """See `CaseStore.overview`."""
        issues: list[Issue] = []
        texts = [row[0] for row in self._rows(issues, "summary").values()]
        told = json.loads(f"[{','.join(texts)}]")  # all at once: ten times as quick
        return Overview(tuple(map(Summary._make, told)), tuple(issues))

    def outcomes(self) -> Iterator[Outcome]:
        """See `CaseStore.outcomes`."""
        names = list(self._rows([]))
        for start in range(0, len(names), AT_ONCE):
            some = names[start : start + AT_ONCE]
            kept = {**self._kept(some), **self._unsettled}
            for name in some:
                outcome = self._outcome(name, kept.get(name))
                if outcome is not None:
                    yield outcome

    def _outcome(self, name: str, kept: str | None) -> Outcome | None:
        """What a case teaches, as kept; from its file where nothing is, or no such thing."""
        try:
            if kept is not None:
                return read_outcome(kept)
        except (RecursionError, TypeError, ValueError):
            pass
        found = _row(self.folder, name)
        return None if isinstance(found, list) else read_outcome(found[1])

    def _kept(self, names: list[str]) -> dict[str, str]:
        marks = ", ".join("?" * len(names))
        query = f"select name, outcome from outcomes where name in ({marks})"
        try:
            with closing(sqlite3.connect(self.path, timeout=10.0)) as base:
                return dict(base.execute(query, names))
        except sqlite3.Error:
            return {}

    def _rows(self, issues: list[Issue], *columns: str) -> dict[str, tuple[str, ...]]:
        """Some columns of each case that can be read, up to date, in the order of the ids."""
        stamps = self._stamps()
        try:
            rows = self._with_index(stamps, issues, columns)
        except (sqlite3.Error, OSError):
            self._forget()
            try:
                rows = self._with_index(stamps, issues, columns)
            except (sqlite3.Error, OSError):  # no cache here: read all
                issues.clear()
                rows = {}
                for row, outcome in self._read(sorted(stamps), issues):
                    rows[row[0]], self._unsettled[row[0]] = _some(row, columns), outcome
        return {name: rows[name] for name in sorted(rows, key=_id_of)}

    def _with_index(
        self, stamps: dict[str, str], issues: list[Issue], columns: tuple[str, ...]
    ) -> dict[str, tuple[str, ...]]:
        issues.clear()
        self._unsettled = {}
        self.path.parent.mkdir(parents=True, exist_ok=True)
        if not self.path.exists():
            for made_by_other_code in self.path.parent.glob(f"{self.path.stem[:23]}*.sqlite"):
                made_by_other_code.unlink(missing_ok=True)
        with closing(sqlite3.connect(self.path, timeout=10.0)) as base:
            base.execute("pragma synchronous = off")
            base.executescript(TABLES)
            rows: dict[str, tuple[str, ...]] = {}
            stale: list[str] = []
            some = ", ".join(("name", "stamp", *columns))
            for row in base.execute(f"select {some} from cases"):
                if stamps.get(row[0]) == row[1]:
                    rows[row[0]] = row[2:]
                else:
                    stale.append(row[0])
            if stale:
                with base:
                    for table in ("cases", "outcomes"):
                        base.executemany(
                            f"delete from {table} where name = ?", [(name,) for name in stale]
                        )
            new: list[tuple[Row, str]] = []
            for read, outcome in self._read(sorted(stamps.keys() - rows.keys()), issues):
                rows[read[0]] = _some(read, columns)
                new.append((read, outcome))
                if len(new) == KEPT_AT_ONCE:
                    self._keep(base, new, stamps)
                    new = []
            self._keep(base, new, stamps)
        return rows

    def _keep(
        self, base: sqlite3.Connection, new: list[tuple[Row, str]], stamps: dict[str, str]
    ) -> None:
        """Put rows into the index; a file that changed just now may change again unseen."""
        latest = time.time_ns() - RECENT
        settled = []
        for row, outcome in new:
            if max(int(part) for part in stamps[row[0]].split()[1:3]) < latest:
                settled.append((row, outcome))
            else:
                self._unsettled[row[0]] = outcome
        if not settled:
            return
        with base:
            base.executemany(
                "insert or replace into cases values (?, ?, ?, ?, ?)",
                [(row[0], stamps[row[0]], *row[1:]) for row, _ in settled],
            )
            base.executemany(
                "insert or replace into outcomes values (?, ?, ?)",
                [(row[0], stamps[row[0]], outcome) for row, outcome in settled],
            )

    def _read(self, names: list[str], issues: list[Issue]) -> Iterator[tuple[Row, str]]:
        for found in on_all_cores(partial(_row, self.folder), names):
            if isinstance(found, list):
                issues += found
            else:
                yield found

    def _stamps(self) -> dict[str, str]:
        """Name → stamp of each case file in the folder; taken before the files are read."""
        try:
            found = entries(self.folder, self.pattern)
        except OSError as error:
            message = f"cannot read the folder '{self.folder}': {error.strerror}"
            raise fail("unreadable", message) from error
        stamps = {entry.name: _stamp(entry) for entry in found}
        return {name: stamp for name, stamp in stamps.items() if stamp}

    def _forget(self) -> None:
        for suffix in ("", "-journal", "-wal", "-shm"):
            try:
                self.path.with_name(self.path.name + suffix).unlink(missing_ok=True)
            except OSError:
                return


def _some(row: Row, columns: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(row[("name", "header", "variants", "summary").index(c)] for c in columns)


def _id_of(name: str) -> str:
    return name.removesuffix(".yaml")
