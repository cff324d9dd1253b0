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
from fnmatch import fnmatchcase
from functools import partial
from pathlib import Path
from typing import Any

from diagnose.cache import cache_folder
from diagnose.casebook.quick import quick_case
from diagnose.casebook.store import CaseHeader, Listing, Overview, Summary, summary_of
from diagnose.casebook.text import decoded, parse_case
from diagnose.errors import DiagnoseError, Issue
from diagnose.interview.events import Event

LAYOUT = 1
"""Goes up with every change of what an entry holds."""
RECENT = 2_000_000_000
"""Nanoseconds for which a changed file may change again without its time of change showing it."""
MANY = 400
"""Files from which on several processes read."""
AT_ONCE = 200
TABLES = """
create table if not exists cases (
    name text primary key, stamp text not null, header text not null, variants text not null,
    summary text not null
) without rowid
"""

Row = tuple[str, str, str, str]
"""An entry without its stamp: name, header without variants, variants, summary."""


def _stamp(entry: os.DirEntry[str]) -> str:
    stat = entry.stat()
    return f"{stat.st_size} {stat.st_mtime_ns} {stat.st_ctime_ns} {stat.st_ino}"


def read_any(path: Path) -> tuple[CaseHeader, list[Event]]:
    """Header and events of a case file, the quick way where its layout allows it.

    Raises
    ------
    DiagnoseError
        With every issue found, each with its place.
    """
    try:
        text = decoded(path.read_bytes(), path)
    except OSError as error:
        issue = Issue("error", "unreadable", f"cannot read '{path}': {error.strerror}")
        raise DiagnoseError([issue]) from error
    return quick_case(text, path.stem) or parse_case(text, str(path))


def _row(folder: Path, name: str) -> Row | list[Issue]:
    try:
        header, events = read_any(folder / name)
    except DiagnoseError as error:
        return list(error.issues)
    head = asdict(header)
    variants = head.pop("variants")
    summary = asdict(summary_of(header, events))
    return name, _json(head), _json(variants), _json(list(summary.values()))


def _json(value: Any) -> str:
    return json.dumps(value, separators=(",", ":"))


def on_all_cores(work: Callable[[str], Any], names: list[str]) -> Iterator[Any]:
    """The results of `work` in the order of `names`; on several cores where they are many."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    if len(names) < MANY or (cores or 1) < 2:
        yield from map(work, names)
        return
    import multiprocessing

    # workers import what they need and share nothing with a program that may have threads
    context = multiprocessing.get_context("spawn")
    with context.Pool(cores) as pool:
        yield from pool.imap(work, names, AT_ONCE)


class FolderIndex:
    """The index of one folder; `pattern` says which of its files are cases."""

    def __init__(self, folder: Path, pattern: str, cache: Path | None = None) -> None:
        self.folder = folder
        self.pattern = pattern
        place = hashlib.sha256(str(folder.resolve()).encode()).hexdigest()[:24]
        self.path = cache_folder(cache) / f"cases-{place}-{LAYOUT}.sqlite"

    def listing(self) -> Listing:
        """See `CaseStore.listing`."""
        known: dict[str, dict[str, str]] = {}
        cases: list[CaseHeader] = []
        issues: list[Issue] = []
        for row in self._rows(issues):
            variants = known.setdefault(row[2], json.loads(row[2]))
            cases.append(CaseHeader(**json.loads(row[1]), variants=variants))
        return Listing(tuple(cases), tuple(issues))

    def overview(self) -> Overview:
        """See `CaseStore.overview`."""
        issues: list[Issue] = []
        cases = tuple(Summary(*json.loads(row[3])) for row in self._rows(issues))
        return Overview(cases, tuple(issues))

    def _rows(self, issues: list[Issue]) -> list[Row]:
        """An up-to-date row of each case that can be read, in the order of the ids."""
        stamps = self._stamps()
        try:
            return self._with_index(stamps, issues)
        except (sqlite3.Error, OSError):
            self._forget()
        try:
            return self._with_index(stamps, issues)
        except (sqlite3.Error, OSError):  # no cache here: read all
            issues.clear()
            return self._read(sorted(stamps), issues)

    def _with_index(self, stamps: dict[str, str], issues: list[Issue]) -> list[Row]:
        issues.clear()
        self.path.parent.mkdir(parents=True, exist_ok=True)
        with closing(sqlite3.connect(self.path, timeout=10.0)) as base:
            base.execute("pragma synchronous = off")
            base.execute(TABLES)
            rows: dict[str, Row] = {}
            stale: list[str] = []
            for name, stamp, *rest in base.execute("select * from cases"):
                if stamps.get(name) == stamp:
                    rows[name] = (name, *rest)
                else:
                    stale.append(name)
            new = self._read(sorted(stamps.keys() - rows.keys()), issues)
            rows |= {row[0]: row for row in new}
            if stale or new:
                self._keep(base, stale, new, stamps)
        return [rows[name] for name in sorted(rows)]

    def _keep(
        self, base: sqlite3.Connection, stale: list[str], new: list[Row], stamps: dict[str, str]
    ) -> None:
        """Put new rows into the index; a file that changed just now may change again unseen."""
        latest = time.time_ns() - RECENT
        settled = [
            (row[0], stamps[row[0]], *row[1:])
            for row in new
            if int(stamps[row[0]].split()[1]) < latest
        ]
        with base:
            base.executemany("delete from cases where name = ?", [(name,) for name in stale])
            base.executemany("insert or replace into cases values (?, ?, ?, ?, ?)", settled)

    def _read(self, names: list[str], issues: list[Issue]) -> list[Row]:
        rows: list[Row] = []
        for found in on_all_cores(partial(_row, self.folder), names):
            if isinstance(found, list):
                issues += found
            else:
                rows.append(found)
        return rows

    def _stamps(self) -> dict[str, str]:
        """Name → stamp of each case file in the folder; read before the files are."""
        try:
            with os.scandir(self.folder) as entries:
                return {e.name: _stamp(e) for e in entries if fnmatchcase(e.name, self.pattern)}
        except FileNotFoundError:
            return {}

    def _forget(self) -> None:
        for suffix in ("", "-journal", "-wal", "-shm"):
            self.path.with_name(self.path.name + suffix).unlink(missing_ok=True)
