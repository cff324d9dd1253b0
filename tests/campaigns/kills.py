"""Kills a program that files answers, at random moments, and counts what is lost.

    python -m tests.campaigns.kills [--rounds N] [--seed S]

The program says on its output that an answer is on file only once `append` has returned; the
next question would be asked then. Every answer acknowledged before the SIGKILL must be there.
"""

from __future__ import annotations

import argparse
import random
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from diagnose.casebook.files import FileStore
from diagnose.casebook.store import CaseHeader
from diagnose.errors import DiagnoseError
from diagnose.interview.events import new_event

LONGEST = 0.25
"""Seconds after the first answer within which the kill comes."""


@dataclass
class Report:
    """Kills made, answers acknowledged, answers lost, cases that could not be read."""

    kills: int = 0
    acknowledged: int = 0
    lost: int = 0
    unreadable: int = 0


def write_forever(folder: Path, case: str, start: int) -> None:
    """File one answer after another and say so."""
    store = FileStore(folder)
    number = start
    while True:
        store.append(case, new_event("finding", test="t", raw=f"answer {number}", outcome="o"))
        print(number, flush=True)
        number += 1


def run_kills(folder: Path, rounds: int, seed: int) -> Report:
    """Kill the writer `rounds` times on one case; the case goes on growing."""
    chance = random.Random(seed)
    store = FileStore(folder)
    head = CaseHeader("", "", "kills", "none", {}, "2026-01-01T00:00:00+00:00", "none")
    case = store.create(head, [new_event("opened", site="kills")]).id
    report = Report()
    acknowledged: list[int] = []
    for _ in range(rounds):
        start = len(store.events(case))
        command = [
            sys.executable,
            "-m",
            "tests.campaigns.kills",
            "--write",
            str(folder),
            case,
            str(start),
        ]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as writer:
            assert writer.stdout is not None
            first = writer.stdout.readline()
            time.sleep(chance.uniform(0, LONGEST))
            writer.send_signal(signal.SIGKILL)
            rest = writer.stdout.read()
        # a last line without its newline was cut off: not acknowledged
        lines = (first + rest).splitlines(keepends=True)
        acknowledged += [int(line) for line in lines if line.endswith("\n")]
        report.kills += 1
        try:
            raws = {str(event.data.get("raw")) for event in store.events(case)}
        except DiagnoseError:
            report.unreadable += 1
            break
        report.lost += sum(f"answer {n}" not in raws for n in acknowledged)
    report.acknowledged = len(acknowledged)
    return report


def main() -> None:
    """Run the campaign, or be its writer."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=500)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--write", nargs=3, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.write:
        folder, case, start = options.write
        write_forever(Path(folder), case, int(start))
    with tempfile.TemporaryDirectory() as folder:
        report = run_kills(Path(folder), options.rounds, options.seed)
    print(report)
    sys.exit(1 if report.lost or report.unreadable else 0)


if __name__ == "__main__":
    main()
