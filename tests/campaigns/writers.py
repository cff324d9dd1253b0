"""Many programs write to one store at once, one is killed; every acknowledged event is looked for.

    python -m tests.campaigns.writers [--writers 8] [--cases 1000] [--seed S]

Each writer files cases (the same sites again and again, so that ids collide), adds an event to
each, closes it, and now and then adds an event to one case that all share. It names each event
before it hands it to the store and once more when the store has taken it. One writer is killed
with SIGKILL in the middle; whatever it had named and not seen taken is then handed over once
more, as a program that lost its connection would. At the end every event named must be on file
exactly once. Both engines: a folder, and a PostgreSQL server of our own.
"""

from __future__ import annotations

import argparse
import json
import random
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from threading import Thread

from diagnose.casebook.store import CaseHeader
from diagnose.casebook.stores import open_store
from diagnose.interview.events import Event, new_event
from tests.database import missing, server

SITES = 20
SHARED_EVERY = 50
OPENED = "2026-01-01T00:00:00+00:00"


@dataclass
class Report:
    """Events acknowledged, lost, on file more than once; cases that cannot be read; seconds."""

    acknowledged: int = 0
    tried_again: int = 0
    lost: int = 0
    duplicated: int = 0
    unreadable: int = 0
    cases: int = 0
    seconds: float = 0.0

    @property
    def bad(self) -> int:
        return self.lost + self.duplicated + self.unreadable


def header(site: str) -> CaseHeader:
    return CaseHeader("", "", site, "none", {"a": "b"}, OPENED, "none")


# ---------------------------------------------------------------------- a writer


def say(word: str, case: str, event: Event) -> None:
    """Name an event: ``try`` before, ``done`` after."""
    data = {"id": event.id, "at": event.at, "kind": event.kind, "data": dict(event.data)}
    print(json.dumps([word, case, data]), flush=True)


def write(store_name: str, cases: int, shared: str) -> None:
    """File some cases, event by event."""
    store = open_store(store_name)

    def append(case: str, event: Event) -> None:
        say("try", case, event)
        store.append(case, event)
        say("done", case, event)

    for number in range(cases):
        first = new_event("opened", site="", number=str(number))
        case = store.create(header(f"site {number % SITES}"), [first]).id
        say("done", case, first)
        append(case, new_event("finding", test="t", raw=f"{number}", outcome="o", minutes=1.0))
        if number % SHARED_EVERY == 0:
            append(shared, new_event("finding", test="t", raw="shared", outcome="o"))
        append(case, new_event("closed", unit="u", failure_mode="m", confirmed="measured"))


# ---------------------------------------------------------------------- the campaign


@dataclass
class Writer:
    """A writer of its own process and what it has said; killed after so many events."""

    process: subprocess.Popen[str]
    dies_after: int | None = None
    lives_on: float = 0.0
    done: list[tuple[str, Event]] = field(default_factory=list)
    open: tuple[str, Event] | None = None

    def listen(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            if not line.endswith("\n"):
                return  # cut off: not acknowledged
            word, case, data = json.loads(line)
            said = (str(case), Event(**data))
            if word == "try":
                self.open = said
                continue
            self.open = None
            self.done.append(said)
            if self.dies_after is not None and len(self.done) == self.dies_after:
                time.sleep(self.lives_on)
                self.process.kill()


def run_writers(store_name: str, writers: int, cases: int, seed: int) -> Report:
    """Let them write, kill one, hand over again what it had begun, and look for everything."""
    chance = random.Random(seed)
    start = time.perf_counter()
    store = open_store(store_name)
    shared = store.create(header("shared"), [new_event("opened", site="")]).id
    command = [sys.executable, "-m", "tests.campaigns.writers", "--write", store_name, shared]
    running = [
        Writer(subprocess.Popen([*command, str(cases)], stdout=subprocess.PIPE, text=True))
        for _ in range(writers)
    ]
    victim = chance.choice(running)
    victim.dies_after = chance.randrange(1, 3 * cases)
    victim.lives_on = chance.uniform(0, 0.03)
    threads = [Thread(target=writer.listen) for writer in running]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    ended = [writer.process.wait() for writer in running]
    assert [code for code in ended if code] == [-9], ended
    report = Report(seconds=time.perf_counter() - start)
    wanted = [said for writer in running for said in writer.done]
    report.acknowledged = len(wanted)
    if victim.open is not None:
        report.tried_again = 1
        wanted.append(victim.open)
        for _ in range(2):
            store.append(*victim.open)
    on_file: Counter[tuple[str, str]] = Counter()
    listing = store.listing()
    report.cases = len(listing.cases)
    report.unreadable = len(listing.issues)
    for case in listing.cases:
        on_file.update((case.id, event.id) for event in store.events(case.id))
    by_event = Counter(event for _, event in on_file)
    report.lost = sum((case, event.id) not in on_file for case, event in wanted)
    report.duplicated = sum(n > 1 for n in [*on_file.values(), *by_event.values()])
    return report


def main() -> None:
    """Run the campaign on both engines, or be one of its writers."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--writers", type=int, default=8)
    parser.add_argument("--cases", type=int, default=1000, help="for each writer")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--write", nargs=3, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.write:
        name, shared, cases = options.write
        write(name, int(cases), shared)
        return
    bad = 0
    with tempfile.TemporaryDirectory() as made:
        report = run_writers(
            str(Path(made) / "cases"), options.writers, options.cases, options.seed
        )
        print("folder", report, flush=True)
        bad += report.bad
    if missing():
        sys.exit(f"PostgreSQL: {missing()}")
    with server() as running:
        name = running.address("writers")
        report = run_writers(name, options.writers, options.cases, options.seed)
        print("PostgreSQL", report)
        bad += report.bad
    sys.exit(1 if bad else 0)


if __name__ == "__main__":
    main()
