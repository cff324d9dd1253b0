"""Kills programs that file answers, at random moments, and counts what is lost.

    python -m tests.campaigns.kills [--rounds N] [--seed S] [--seconds S]

One program appends answers to a case and says so once `append` has returned; the next question
would be asked then. The second one sets up cases as `diagnose callout` does, new ones all the
time, and says how many answers it has given whenever it is asked the next question. The third one
leads whole interviews, from the complaint to the checks after the repair, and says of each event
that it is on file. Every answer acknowledged before the SIGKILL must be on file; each case must be
one that the same questions and answers lead to; each interview is then resumed, and must end as if
nothing had happened.
"""

from __future__ import annotations

import argparse
import math
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable
from contextlib import redirect_stdout
from dataclasses import dataclass
from pathlib import Path

from diagnose.casebook.answers import Scripted, read_answers
from diagnose.casebook.files import FileStore
from diagnose.casebook.store import CaseHeader
from diagnose.cli.callout import header_of
from diagnose.cli.render import Screen
from diagnose.cli.setup import Setup
from diagnose.errors import DiagnoseError
from diagnose.interview.drive import drive
from diagnose.interview.events import Event, new_event
from diagnose.interview.session import Session
from diagnose.plant.cache import matrix_for
from tests.tiny import tiny

LONGEST = 0.25
"""Seconds after the first answer within which the kill comes."""
LONG = 2_000
"""Answers from which on the next ones go into a new case."""
TYPED = {"Name of the site": "kills", "Enter: it is": "no", "numbers": "", "number": "1"}
"""What is typed in the set-up, by the beginning of the prompt."""


@dataclass
class Report:
    """Kills made, answers acknowledged, answers lost, cases that could not be read."""

    kills: int = 0
    acknowledged: int = 0
    lost: int = 0
    unreadable: int = 0


# ---------------------------------------------------------------------- what is killed


def write_forever(folder: Path, case: str, start: int) -> None:
    """File one answer after another and say so."""
    store = FileStore(folder)
    number = start
    while True:
        store.append(case, new_event("finding", test="t", raw=f"answer {number}", outcome="o"))
        print(number, flush=True)
        number += 1


def set_up(folder: Path, say: int) -> None:
    """Set up one case with the made-up knowledge; say to a file handle what is on file."""
    store, knowledge = FileStore(folder), tiny()
    case, given = "", 0

    def read(prompt: str) -> str:
        nonlocal given
        if case:
            os.write(say, f"{case} {given}\n".encode())
        given += 1
        return next(typed for start, typed in TYPED.items() if prompt.startswith(start))

    with Path(os.devnull).open("w") as nowhere, redirect_stdout(nowhere):
        setup = Setup(knowledge, Screen(plain=True), read)
        opened = setup.begin(None, {})
        header = store.create(header_of(opened), [opened])
        case = header.id
        setup.go_on(header, [opened], lambda event: store.append(case, event))
    os.write(say, f"{case} {given}\n".encode())


ANSWERS = """\
format: 1
kind: script
title: A bench that stays cold
site: kills
installation: bench
variants: {}
complaint: [stays_cold]
instruments: [multimeter]
qualification: licensed
answers: {battery_volts: 12.1 V, coil_ohms: OL, feel: cold, look_at_relay: none}
verification: {gone: pass}
"""
"""Invented: a coil that is open."""


class Interviews:
    """Scripted interviews with the made-up knowledge, filed in one folder."""

    def __init__(self, folder: Path) -> None:
        knowledge, self.store = tiny(), FileStore(folder)
        with tempfile.NamedTemporaryFile("w", suffix=".yaml") as file:
            file.write(ANSWERS)
            file.flush()
            self.answers = read_answers(Path(file.name), knowledge)
        fitted = self.answers.installation
        self.session = Session(knowledge, fitted, matrix_for(knowledge, fitted))

    def lead(self, say: Callable[[str], object]) -> str:
        """Lead one from its beginning; the case. `say` is told of each event that is on file."""
        events = [self.answers.opened(self.session.knowledge)]
        case = self.store.create(header_of(events[0]), events).id
        say(f"{case} 1")
        self.go_on(case, events, say)
        return case

    def go_on(self, case: str, events: list[Event], say: Callable[[str], object]) -> None:
        """Lead one from where it stands to its end."""

        def record(event: Event) -> None:
            self.store.append(case, event)
            say(f"{case} {len(events) + 1}")

        drive(self.session, events, Scripted(self.answers, self.session.knowledge), record)

    def resume(self, case: str) -> list[Event]:
        """All events of a case that was broken off, once it was led to its end."""
        event = new_event("resumed")
        self.store.append(case, event)
        self.go_on(case, self.store.events(case), lambda said: None)
        return self.store.events(case)


# ---------------------------------------------------------------------- the killing


def killed(chance: random.Random, *arguments: str) -> list[str]:
    """Start this program as a writer, kill it; the lines it had said by then."""
    command = [sys.executable, "-m", "tests.campaigns.kills", *arguments]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as writer:
        assert writer.stdout is not None
        first = writer.stdout.readline()
        time.sleep(chance.uniform(0, LONGEST))
        writer.send_signal(signal.SIGKILL)
        rest = writer.stdout.read()
    # a last line without its newline was cut off: not acknowledged
    lines = (first + rest).splitlines(keepends=True)
    return [line for line in lines if line.endswith("\n")]


def run_kills(folder: Path, rounds: int, seed: int, end: float = math.inf) -> Report:
    """Kill the writer `rounds` times; the case goes on growing, then the next one does."""
    chance = random.Random(seed)
    store = FileStore(folder)
    head = CaseHeader("", "", "kills", "none", {}, "2026-01-01T00:00:00+00:00", "none")
    report = Report()
    case, acknowledged = "", set[str]()
    while report.kills < rounds and time.monotonic() < end:
        if not case or len(acknowledged) >= LONG:
            case, acknowledged = store.create(head, [new_event("opened", site="kills")]).id, set()
        start = len(store.events(case))
        lines = killed(chance, "--write", str(folder), case, str(start))
        report.kills += 1
        report.acknowledged += len(lines)
        acknowledged |= {f"answer {int(line)}" for line in lines}
        try:
            raws = {str(event.data.get("raw")) for event in store.events(case)}
        except DiagnoseError:
            report.unreadable += 1
            break
        report.lost += len(acknowledged - raws)
    return report


def run_set_up_kills(folder: Path, rounds: int, seed: int, end: float = math.inf) -> Report:
    """Kill the program that sets up cases `rounds` times; all cases stay in one folder."""
    chance = random.Random(seed)
    whole = FileStore(folder / "whole")
    ends, says = os.pipe()
    set_up(folder / "whole", says)
    os.close(says)
    os.close(ends)
    (case,) = whole.listing().cases
    wanted = told(whole.events(case.id))
    store = FileStore(folder / "killed")
    report = Report()
    said: dict[str, int] = {}
    while report.kills < rounds and time.monotonic() < end:
        for line in killed(chance, "--set-up", str(store.folder)):
            name, _, given = line.partition(" ")
            said[name] = max(said.get(name, 0), int(given))
        report.kills += 1
        report.unreadable += len(store.listing().issues)
    for name, count in said.items():
        try:
            answers = told(store.events(name))
        except DiagnoseError:
            report.unreadable += 1
            continue
        report.acknowledged += count
        report.lost += max(0, count - len(answers)) + (answers != wanted[: len(answers)])
    return report


def run_interview_kills(folder: Path, rounds: int, seed: int, end: float = math.inf) -> Report:
    """Kill the program that leads interviews `rounds` times; those broken off are resumed."""
    chance = random.Random(seed)
    whole = Interviews(folder / "whole")
    wanted = told(whole.store.events(whole.lead(lambda said: None)))
    kept = Interviews(folder / "killed")
    report = Report()
    said: dict[str, int] = {}
    while report.kills < rounds and time.monotonic() < end:
        for line in killed(chance, "--interview", str(kept.store.folder)):
            name, _, count = line.partition(" ")
            said[name] = max(said.get(name, 0), int(count))
        report.kills += 1
    report.unreadable += len(kept.store.listing().issues)
    for name, number in said.items():
        report.acknowledged += number
        try:
            found = told(kept.store.events(name))
            if len(found) < len(wanted):
                ended = kept.resume(name)
                turn = kept.session.turn(ended)
                report.lost += turn.step.kind != "done" or not turn.state.repairs
        except DiagnoseError:
            report.unreadable += 1
            continue
        report.lost += max(0, number - len(found)) + (found != wanted[: len(found)])
    return report


def told(events: Iterable[Event]) -> list[tuple[str, str]]:
    """What the events of a set-up say, without their ids and times."""
    return [(event.kind, str({k: str(v) for k, v in event.data.items()})) for event in events]


def main() -> None:
    """Run the campaign, or be one of its writers."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=500)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--write", nargs=3, help=argparse.SUPPRESS)
    parser.add_argument("--set-up", help=argparse.SUPPRESS)
    parser.add_argument("--interview", help=argparse.SUPPRESS)
    parser.add_argument("--seconds", type=float, default=math.inf, help="for each of the three")
    options = parser.parse_args()
    if options.write:
        folder, case, start = options.write
        write_forever(Path(folder), case, int(start))
    while options.set_up:
        set_up(Path(options.set_up), sys.stdout.fileno())
    if options.interview:
        interviews = Interviews(Path(options.interview))
        while True:
            interviews.lead(lambda said: print(said, flush=True))
    bad = 0
    for run in (run_interview_kills, run_kills, run_set_up_kills):
        with tempfile.TemporaryDirectory() as made:
            end = time.monotonic() + options.seconds
            report = run(Path(made), options.rounds, options.seed, end)
        print(run.__name__, report, flush=True)
        bad += report.lost + report.unreadable
    sys.exit(1 if bad else 0)


if __name__ == "__main__":
    main()
