"""A large casebook: a million cases in PostgreSQL, a hundred thousand files in a folder.

    python -m tests.benchmarks.casebook [--cases 1000000] [--files 100000] [--json]

The cases are invented, copied from patterns that are drawn at random, so the times say how the
stores scale and the contents say nothing. The server is our own, with ordinary settings; it
shares the machine with the program that is timed.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import resource
import subprocess
import sys
import tempfile
import time
import uuid
from collections.abc import Callable, Iterator
from dataclasses import asdict, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from diagnose.casebook import tables
from diagnose.casebook.database import DatabaseStore
from diagnose.casebook.facts import COLUMNS, complaints_text, facts_of
from diagnose.casebook.outcomes import outcome_of
from diagnose.casebook.store import CaseHeader, summary_of
from diagnose.casebook.text import canonical, case_text
from diagnose.interview.events import Event
from diagnose.interview.sites import site_key
from diagnose.interview.state import is_closed
from tests.database import missing, server

PATTERNS = 20_000
FILE_PATTERNS = 1000
CAUSES, TESTS, OUTCOMES, WIRINGS, SITES = 200, 250, 3, 40, 50_000
SETTINGS = (
    "-c shared_buffers=1GB -c max_wal_size=8GB -c maintenance_work_mem=512MB "
    "-c checkpoint_timeout=15min"
)
START = datetime(2020, 1, 1, 8, tzinfo=UTC)


def pattern(chance: random.Random) -> tuple[CaseHeader, list[Event]]:
    """A closed case of about 12 events; causes are as uneven as faults are."""
    wiring = chance.randrange(WIRINGS)
    variants = {f"variant_{k}": f"choice_{(wiring >> k) % 2}" for k in range(10)}
    cause = min(int(chance.expovariate(8 / CAUSES)), CAUSES - 1)
    unit, mode = f"unit_{cause % 44}", f"mode_{cause}"
    events: list[Event] = []
    at = START + timedelta(days=chance.randrange(1500))

    def add(kind: str, **data: Any) -> str:
        key = str(uuid.UUID(int=chance.getrandbits(128), version=4))
        when = at + timedelta(minutes=3 * len(events))
        events.append(Event(key, when.isoformat(timespec="seconds"), kind, data))
        return key

    add(
        "opened",
        **{"title": "", "site": "SITE", "installation": "tank_and_sump", "variants": variants},
        **{"qualification": "licensed", "meter_category": "cat_iii", "knowledge": "d1"},
    )
    add("complaint", ids=[f"complaint_{cause % 13}"])
    add("answered", question="smoke", choice="no")
    add("answered", question="present", choice="now")
    worked = [add("act", act="isolate", minutes=6.0)]
    for _ in range(chance.randrange(2, 6)):
        test = (cause * 7 + int(chance.expovariate(0.1))) % TESTS
        outcome = f"outcome_{min(int(chance.expovariate(1.5)), OUTCOMES - 1)}"
        shown = {f"unit_{k}.mode_{k}": round(chance.random(), 4) for k in range(3)}
        parted = {"own": 4.0, "walk": 2.0, "place": "roof"} if test % 5 == 0 else {}
        said = {"test": f"test_{test}", "raw": "0.2 V", "outcome": outcome, "minutes": 6.0}
        worked.append(add("finding", **said, sure="yes", shown=shown, **parted))
    add("concluded", status="concluded", unit=unit, failure_mode=mode, probability=0.93)
    worked.append(add("repaired", unit=unit, failure_mode=mode, minutes=30.0))
    add("verified", check="gone", result="pass")
    took = {key: float(chance.randrange(1, 40)) for key in chance.sample(worked, 2)}
    add(
        "closed",
        **{"unit": unit, "failure_mode": mode, "confirmed": "verification", "minutes": 60.0},
        **{"took": took if chance.random() < 0.3 else {}, "parts": [], "verified": "passed"},
        call_back="",
    )
    opened = events[0].at
    head = CaseHeader(f"{opened[:10]}-ID", "", "SITE", "tank_and_sump", variants, opened, "d1")
    return head, [canonical(event) for event in events]


# ---------------------------------------------------------------------- PostgreSQL


def _field(value: Any) -> str:
    """A value as COPY reads it."""
    if value is None:
        return r"\N"
    if isinstance(value, bool):
        return "t" if value else "f"
    return str(value).replace("\\", "\\\\").replace("\t", "\\t").replace("\n", "\\n")


class Pattern:
    """The lines of a case for COPY, with room for its number, its id, its site and event ids."""

    def __init__(self, chance: random.Random, wirings: dict[str, int]) -> None:
        case, events = pattern(chance)
        facts = facts_of(case, events)
        first = facts[0].variants or ""
        wiring = wirings.setdefault(first, len(wirings) + 1)
        self.ids = [event.id for event in events]
        lines = []
        for seq, (event, fact) in enumerate(zip(events, facts, strict=True)):
            values = {name: getattr(fact, name) for name in COLUMNS}
            values["wiring"] = None if values.pop("variants") is None else wiring
            values["site"] = None if values["site"] is None else "KEY"
            values |= {"case_number": "NUMBER", "change": "NUMBER", "seq": seq, "id": event.id}
            values |= {"at": event.at, "kind": event.kind, "data": json.dumps(event.data)}
            lines.append("\t".join(_field(values[c.name]) for c in tables.events.c) + "\n")
        self.events = self._parts("".join(lines))
        row: dict[str, Any] = {
            "number": "NUMBER",
            "id": case.id,
            "header": json.dumps(asdict(case)),
        }
        row |= {"installation": case.installation, "wiring": wiring, "site": "KEY"}
        row |= {"summary": json.dumps(summary_of(case, events))}
        row |= {"closed": is_closed(events), "changed": "NUMBER"}
        outcome = outcome_of(case, events)
        assert outcome is not None
        row |= {"confirmed": outcome.confirmed, "closed_by": len(events) - 1}
        row |= {"cause": outcome.cause, "complaints": complaints_text(outcome.complaints)}
        row |= {"one_fault": outcome.one_fault, "took": bool(events[-1].data["took"])}
        self.case = self._parts("\t".join(_field(row[c.name]) for c in tables.cases.c) + "\n")

    def _parts(self, text: str) -> str:
        """The text as a template of ``str.format``."""
        text = text.replace("{", "{{").replace("}", "}}")
        for k, key in enumerate(self.ids):
            text = text.replace(key, f"{{ids[{k}]}}")
        for word in ("NUMBER", "SITE", "KEY"):
            text = text.replace(word, "{" + word.lower() + "}")
        return text.replace("-ID", "-{number}")

    def fill(self, template: str, number: int, chance: random.Random) -> str:
        """The lines of one case."""
        site = f"Site {number % SITES}"
        base = f"{number:08x}-0000-4000-8000-"
        ids = [f"{base}{k:012x}" for k in range(len(self.ids))]
        return template.format(number=number, ids=ids, site=site, key=_key(site))


_keys: dict[str, str] = {}


def _key(site: str) -> str:
    if site not in _keys:
        _keys[site] = site_key(site)
    return _keys[site]


INDEXES = """
select indexdef from pg_indexes where tablename = 'events' and indexname <> 'events_pkey'
"""


def load(store: DatabaseStore, count: int, seed: int = 0) -> None:
    """Fill an empty database by COPY."""
    import psycopg

    assert store.listing().cases == ()
    url = store.database.url
    chance = random.Random(seed)
    wirings: dict[str, int] = {}
    patterns = [Pattern(chance, wirings) for _ in range(min(PATTERNS, count))]
    with psycopg.connect(
        host=url.host,
        port=url.port,
        user=url.username,
        password=str(url.password),
        dbname=url.database,
    ) as connection:
        connection.execute("alter table events drop constraint events_case_number_fkey")
        connection.execute("alter table events drop constraint events_case_number_id_key")
        cursor = connection.cursor()
        with cursor.copy("copy wirings (number, variants) from stdin") as copy:
            for variants, number in wirings.items():
                copy.write_row((number, variants))
        for table in (tables.cases, tables.events):
            names = ", ".join(c.name for c in table.c)
            with cursor.copy(f"copy {table.name} ({names}) from stdin".encode()) as copy:
                for number in range(1, count + 1):
                    one = patterns[number % len(patterns)]
                    template = one.case if table is tables.cases else one.events
                    copy.write(one.fill(template, number, chance))
        connection.execute("alter table events add unique (case_number, id)")
        connection.execute(
            "alter table events add foreign key (case_number) references cases (number)"
        )
        for name, sequence in (("cases", "cases_number_seq"), ("wirings", "wirings_number_seq")):
            last = f"(select max(number) from {name})"
            connection.execute(f"select setval('{sequence}', {last})".encode())
        connection.execute(b"select setval('changes', %d)" % count)
        connection.commit()
        connection.autocommit = True
        connection.execute("vacuum analyze")


def in_database(count: int) -> Iterator[tuple[str, float | int | str]]:
    """What a large database takes, in seconds."""
    if missing():
        yield "database", missing()
        return
    with server(SETTINGS) as running:
        address = running.address("large")
        store = DatabaseStore(address)
        yield "cases", count
        yield "load_s", timed(lambda: load(store, count))
        yield "full_count_s", timed(store.tallies.refresh)
        yield "read_counts_s", timed(store.counts)
        cells = store.counts()
        yield "cells", len(cells.findings) + len(cells.causes) + len(cells.sites)
        one = pattern(random.Random(99))
        case = replace(one[0], id="2026-03-01-one-more")
        yield "file_one_more_s", timed(lambda: store.put(case, one[1]))
        yield "one_more_count_s", timed(store.counts)
        again = replace(case, id="2026-03-01-two-more")
        store.put(again, [replace(e, id=f"x{e.id}") for e in one[1]])
        yield "one_more_in_a_new_program_s", timed(DatabaseStore(address).tallies.refresh)
        assert DatabaseStore(address).counts().cases == count + 2
        yield "list_s", timed(store.overview)


# ---------------------------------------------------------------------- a folder


def fill_folder(folder: Path, count: int, seed: int = 0) -> None:
    """Case files, written directly; nothing else reads them meanwhile."""
    chance = random.Random(seed)
    patterns = []
    for _ in range(min(FILE_PATTERNS, count)):
        case, events = pattern(chance)
        patterns.append((case_text(case, events), case.id, [event.id for event in events]))
    folder.mkdir()
    for number in range(count):
        text, name, _ = patterns[number % len(patterns)]
        own = f"{name[:10]}-{number}"
        text = text.replace(name, own).replace("SITE", f"Site {number % SITES}")
        (folder / f"{own}.yaml").write_text(text, encoding="utf-8")


MEMORY = """
import atexit, sys
def peak():
    for line in open("/proc/self/status"):  # getrusage tells the parent's, where that was larger
        if line.startswith("VmHWM"):
            print(line.split()[1], file=sys.stderr)
atexit.register(peak)
"""
COUNTING = """
import json, time
from diagnose.casebook.stores import open_store
start = time.perf_counter()
counts = open_store(sys.argv[1]).counts()
print(json.dumps([counts.cases, time.perf_counter() - start]))
"""
LISTING = """
from diagnose.cli import main
main(["cases", "--store", sys.argv[1]])
"""


def in_folder(count: int) -> Iterator[tuple[str, float | int | str]]:
    """What a large folder takes: seconds, and mebibytes of memory at most."""
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made) / "cases"
        yield "files", count
        yield "write_files_s", timed(lambda: fill_folder(folder, count))
        time.sleep(2.5)  # a file that is just written is not kept in the index
        env = os.environ | {"DIAGNOSE_CACHE": str(Path(made) / "cache")}
        for name in ("index", "list"):
            start = time.perf_counter()
            shown, memory = run(LISTING, folder, env)
            yield f"{name}_s", time.perf_counter() - start
            yield f"{name}_memory_mib", memory
            assert len(shown.splitlines()) == count
        shown, memory = run(COUNTING, folder, env)
        counted, took = json.loads(shown)
        assert counted == count
        yield "count_folder_s", took
        yield "count_folder_memory_mib", memory


def run(code: str, folder: Path, env: dict[str, str]) -> tuple[str, float]:
    """What a program of its own prints, and its memory at most in mebibytes."""
    command = [sys.executable, "-c", MEMORY + code, str(folder)]
    done = subprocess.run(command, env=env, capture_output=True, text=True, check=True)
    return done.stdout, int(done.stderr.split()[-1]) / 1024


def timed(work: Callable[[], Any]) -> float:
    """Seconds that something takes."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def main() -> None:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=1_000_000)
    parser.add_argument("--files", type=int, default=100_000)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    case, events = pattern(random.Random(0))
    outcome = outcome_of(case, events)
    assert outcome is not None
    assert outcome.confirmed
    found: dict[str, float | int | str] = {"cores": os.cpu_count() or 1}
    parts = [in_database(options.cases)] if options.cases else []
    parts += [in_folder(options.files)] if options.files else []
    for part in parts:
        for name, value in part:
            found[name] = round(value, 3) if isinstance(value, float) else value
            if not options.json:
                print(f"{name:<30} {found[name]}", flush=True)
    found["memory_mib"] = round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
    if options.json:
        print(json.dumps(found, indent=2))


if __name__ == "__main__":
    main()
