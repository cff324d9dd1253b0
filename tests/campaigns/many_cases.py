"""A folder with many cases beside one with few: what each command reads, and how long it takes.

    python -m tests.campaigns.many_cases [--files 100000] [--few 100] [--json]

The cases are copies of a hundred invented ones on the standard installation. Each command runs in
a process of its own, twice where it makes an index first; a hook of the interpreter counts the
case files that it opens and how often it lists the folder (files that an index reads in other
processes are not counted). An answer must open no case but its own, however many there are.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from tests.made_cases import drawn_modes, file_case
from tests.made_tables import ROOT
from tests.people import SimulatedPerson, standard_session

PATTERNS = 100
FINDINGS = 5
SITES = 5000
ANSWERS = 40
OLD = 3600
"""Seconds since the files were written: the index does not keep what is of this moment."""

WATCHED = """
import json, os, sys, time
folder = os.path.realpath(sys.argv[1])
opened, listed = [], []
def watch(event, arguments):
    if event == "open" and isinstance(arguments[0], (str, bytes)):
        path = os.path.realpath(os.fsdecode(arguments[0]))
        if os.path.dirname(path) == folder and path.endswith(".yaml"):
            opened.append(os.path.basename(path)[:-5])
    elif event in ("os.scandir", "os.listdir"):
        path = "." if arguments[0] is None else arguments[0]
        if not isinstance(path, int) and os.path.realpath(os.fsdecode(path)) == folder:
            listed.append(event)
def report(seconds, code=0):
    found = {"seconds": seconds, "code": code, "opened": opened, "listed": len(listed)}
    print("\\n" + json.dumps(found), file=sys.stderr)
"""
COMMAND = """
from diagnose.cli import main
sys.addaudithook(watch)
start, code = time.perf_counter(), 0
try:
    main([folder if word == "STORE" else word for word in sys.argv[2:]])
except SystemExit as end:
    code = end.code or 0
report(time.perf_counter() - start, code)
"""
ANSWERING = """
from diagnose.casebook.files import FileStore
from diagnose.casebook.store import CaseHeader
from diagnose.interview.events import new_event
from pathlib import Path
store, number = FileStore(Path(folder)), int(sys.argv[2])
sys.addaudithook(watch)
opened_event = new_event("opened", site="Site 1", installation="tank_and_sump")
header = CaseHeader("", "", "Site 1", "tank_and_sump", {}, opened_event.at, "0")
start = time.perf_counter()
case = store.create(header, [opened_event])
for k in range(number):
    store.append(case.id, new_event("finding", test=f"t{k}", outcome="yes", minutes=1.0))
seconds = (time.perf_counter() - start) / number
opened[:] = [name for name in opened if name != case.id]
report(seconds)
os.remove(store.path(case.id))
"""


@dataclass(frozen=True)
class Seen:
    """What one command did: seconds, other cases that it opened, listings of the folder."""

    seconds: float
    others: int
    listed: int


def fill(folder: Path, count: int) -> str:
    """Write `count` closed cases with their lock files, and an open one; the id of that one."""
    session = standard_session()
    rng = np.random.default_rng(11)
    old = time.time() - OLD
    folder.mkdir()
    with tempfile.TemporaryDirectory() as made:
        for number, mode in enumerate(drawn_modes(session, min(PATTERNS, count), rng)):
            unit, _, name = mode.partition(".")
            tests = [str(t) for t in rng.choice(session.matrix.tests, FINDINGS, replace=False)]
            person = SimulatedPerson(session, mode)
            findings = [(test, person.outcome(test)) for test in tests]
            cause = {"unit": unit, "failure_mode": name}
            file_case(Path(made), session, number, person.complaint(), cause, findings, "SITE")
        patterns = [(p.stem, p.read_text("utf-8")) for p in sorted(Path(made).glob("*.yaml"))]
    for number in range(count):
        name, text = patterns[number % len(patterns)]
        own = f"{name[:10]}-{number}"
        text = text.replace(name, own).replace("SITE", f"Site {number % SITES}")
        path = folder / f"{own}.yaml"
        path.write_text(text, encoding="utf-8")
        os.utime(path, (old, old))
        (folder / f".{own}.lock").touch()  # stays behind once a case was written to
    return _left_open(folder, patterns[0])


def _left_open(folder: Path, pattern: tuple[str, str]) -> str:
    """One case whose last event, its closing, is not there."""
    name, text = pattern
    own = f"{name[:10]}-left-open"
    before, _, _ = text.rpartition("- id: ")
    (folder / f"{own}.yaml").write_text(before.replace(name, own), encoding="utf-8")
    os.utime(folder / f"{own}.yaml", (time.time() - OLD / 2,) * 2)
    return own


def watched(code: str, folder: Path, *arguments: str, own: str = "", cache: Path) -> Seen:
    """Run `code` in a process of its own; what it did."""
    environment = os.environ | {"DIAGNOSE_CACHE": str(cache), "DIAGNOSE_CONFIG": os.devnull}
    done = subprocess.run(
        [sys.executable, "-c", WATCHED + code, str(folder), *arguments],
        cwd=ROOT,
        env=environment,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        raise RuntimeError(done.stderr)
    found = json.loads(done.stderr.splitlines()[-1])
    if found["code"] not in (0, 130):
        raise RuntimeError(f"{arguments}: exit {found['code']}: {done.stderr}")
    others = {name for name in found["opened"] if name != own}
    return Seen(float(found["seconds"]), len(others), int(found["listed"]))


def commands(left_open: str) -> dict[str, Sequence[str]]:
    """Name → command line; the first one makes the index."""
    store = ("--store", "STORE", "--no-color")
    return {
        "cases, no index yet": ("cases", *store),
        "cases": ("cases", *store),
        "cases --due": ("cases", *store, "--due"),
        "callout --resume CASE": ("callout", "--resume", left_open, *store),
        "callout --resume": ("callout", "--resume", *store),
        "learn, first": ("learn", "--dry-run", "--anyway", *store),
        "learn": ("learn", "--dry-run", "--anyway", *store),
    }


def measure(folder: Path, left_open: str, cache: Path) -> Iterator[tuple[str, Seen]]:
    """Everything on one folder."""
    yield "an answer on file", watched(ANSWERING, folder, str(ANSWERS), cache=cache)
    for name, words in commands(left_open).items():
        yield name, watched(COMMAND, folder, *words, own=left_open, cache=cache)


def compare(few: int, many: int) -> Iterator[tuple[str, Seen, Seen]]:
    """What each command did beside few cases and beside many."""
    with tempfile.TemporaryDirectory() as made:
        runs = []
        for count in (few, many):
            folder = Path(made) / f"cases-{count}"
            left_open = fill(folder, count)
            cache = Path(made) / f"cache-{count}"
            watched(COMMAND, folder, "callout", "--answers", *ONCE, cache=cache)
            runs.append(measure(folder, left_open, cache))
        for (name, one), (_, other) in zip(*runs, strict=True):
            yield name, one, other


ONCE = ("cases/own-tank-overflows-welded-contact.yaml", "--json")
"""Fills the cache of knowledge and matrix, so that no command is timed doing so."""


def main() -> int:
    """Run the campaign."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=100_000)
    parser.add_argument("--few", type=int, default=100)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    found = {}
    bad = 0
    if not options.json:
        print(f"{'':<24}{'other cases opened':>20}{'listings':>12}{'seconds':>20}{'ratio':>8}")
    for name, one, other in compare(options.few, options.files):
        found[name] = [asdict(one), asdict(other)]
        bad += name == "an answer on file" and other.others + other.listed > 0
        if not options.json:
            print(
                f"{name:<24}{one.others:>10}{other.others:>10}{one.listed:>6}{other.listed:>6}"
                f"{one.seconds:>10.4f}{other.seconds:>10.4f}{other.seconds / one.seconds:>8.1f}",
                flush=True,
            )
    if options.json:
        print(json.dumps(found))
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
