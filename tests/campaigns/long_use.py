"""Long use of one program: interviews one after another, and what they leave in memory.

    python -m tests.campaigns.long_use [--interviews N] [--sessions N] [--installation NAME]

Two series in one process each. *Interviews*: simulated callouts on one session, each filed in
one store, some answers wrong, so that some repairs are in vain and two faults are simulated
together. *Sessions*: a new session (rules compiled anew) on one of several wirings, and its first
question. Every so often all garbage is collected and noted: the memory of the process
(``VmRSS``; Linux only) and the objects alive by type. What grows is a straight line through the
second half. How many cases are on file has no say here: see ``tests.campaigns.many_cases``.
"""

from __future__ import annotations

import argparse
import gc
import json
import os
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from diagnose.casebook.files import FileStore
from diagnose.cli.callout import header_of
from diagnose.interview.drive import Reply, drive
from diagnose.interview.events import Event, new_event
from diagnose.interview.session import Session, Turn
from diagnose.interview.steps import Step
from diagnose.plant.cache import matrix_for
from diagnose.plant.compose import compose
from diagnose.plant.wiring import compose_named, parse_installation
from tests.bench import shipped
from tests.made_tables import KIND
from tests.people import SimulatedPerson

WRONG = 0.1
"""Share of the answers that are drawn at random."""
SHOWN = 0.05
"""Chance from which a failure mode is a cause of a complaint."""
MOST_STEPS = 80
WIRINGS = ("default", "module=active_high,inputs=pull_up,drive=contactor,overload=fitted")
STATUS = Path("/proc/self/status")


class Erring(SimulatedPerson):
    """Repairs what is concluded; now and then an answer is any other."""

    def __init__(self, session: Session, mode: str, chance: np.random.Generator) -> None:
        super().__init__(session, mode, repairs=True)
        self.chance = chance
        self.steps = 0

    def outcome(self, test: str) -> str:
        """See `SimulatedPerson`."""
        if self.chance.random() >= WRONG:
            return super().outcome(test)
        outcomes = self.session.tests[test].outcomes
        return outcomes[int(self.chance.integers(len(outcomes)))].id

    def reply(self, turn: Turn, step: Step) -> Reply:
        """See `diagnose.interview.drive.Person`."""
        self.steps += 1
        return Reply("leave") if self.steps > MOST_STEPS else super().reply(turn, step)


def causes(session: Session) -> list[str]:
    """Failure modes that bring about some complaint."""
    shown = np.nanmax(np.array(list(session.matrix.complaints.values())), axis=0)
    names = zip(session.matrix.rows[:-1], shown[:-1], strict=True)
    return [name for name, chance in names if chance >= SHOWN]


def interview(session: Session, mode: str, seed: int, store: FileStore) -> list[Event]:
    """One callout from the complaint to the end, on file event by event."""
    opened = new_event(
        "opened",
        **{"site": f"Site {seed}", "installation": session.installation.type.id},
        **{"variants": {}, "qualification": "licensed", "meter_category": "cat_iii"},
    )
    case = store.create(header_of(opened), [opened])
    events = [opened]
    person = Erring(session, mode, np.random.default_rng(seed))
    with store.hold(case.id):
        drive(session, events, person, record=lambda event: store.append(case.id, event))
    return events


# ---------------------------------------------------------------------- measuring


@dataclass(frozen=True)
class Sample:
    """How things stand after `done` rounds: MiB of memory, objects alive by type."""

    done: int
    memory: float
    objects: Counter[str]
    seconds: float = 0.0


def memory() -> float:
    """Resident memory of this process in MiB; nan where the system does not say."""
    if not STATUS.exists():
        return float("nan")
    line = next(line for line in STATUS.read_text().splitlines() if line.startswith("VmRSS"))
    return int(line.split()[1]) / 1024


def sample(done: int, seconds: float = 0.0) -> Sample:
    """Collect all garbage, then look."""
    gc.collect()
    kinds = Counter(f"{type(o).__module__}.{type(o).__qualname__}" for o in gc.get_objects())
    return Sample(done, memory(), kinds, seconds)


def series(work: Callable[[int], object], count: int, every: int) -> Iterator[Sample]:
    """Do `work` for 0, 1, ..., looking at the start and after each `every` rounds."""
    start = time.monotonic()
    yield sample(0)
    for number in range(count):
        work(number)
        if (number + 1) % every == 0:
            yield sample(number + 1, time.monotonic() - start)


def growth(samples: list[Sample], of: Callable[[Sample], float]) -> float:
    """Slope of a straight line through the second half, per 1,000 rounds."""
    half = [s for s in samples if 2 * s.done >= samples[-1].done]
    if len(half) < 2:
        return float("nan")
    slope = np.polyfit([s.done for s in half], [of(s) for s in half], 1)[0]
    return float(1000 * slope)


def growing(samples: list[Sample], most: int = 8) -> dict[str, float]:
    """The types whose objects grow most in number, per 1,000 rounds."""

    def slope_of(kind: str) -> float:
        return growth(samples, lambda s: s.objects[kind])

    found = {kind: slope_of(kind) for kind in samples[-1].objects}
    named = sorted(found.items(), key=lambda pair: -pair[1])[:most]
    return {name: round(slope, 1) for name, slope in named if slope >= 1}


def interviews(session: Session, folder: Path, count: int, every: int) -> Iterator[Sample]:
    """Simulated callouts on one session."""
    modes = causes(session)
    store = FileStore(folder)

    def work(number: int) -> None:
        chance = np.random.default_rng((1, number))
        interview(session, modes[int(chance.integers(len(modes)))], number, store)

    return series(work, count, every)


def sessions(count: int, every: int) -> Iterator[Sample]:
    """New sessions on wirings in turn, each with its first question."""
    knowledge = shipped()

    def work(number: int) -> None:
        name = WIRINGS[number % len(WIRINGS)]
        installation = compose_named(knowledge, parse_installation(knowledge, name))
        session = Session(knowledge, installation, matrix_for(knowledge, installation))
        session.turn([new_event("opened", installation=KIND)])

    return series(work, count, every)


def said(name: str, samples: Iterator[Sample]) -> dict[str, Any]:
    """What a series comes to, each sample shown as it is taken."""
    found = []
    for one in samples:
        found.append(one)
        print(
            f"{name} {one.done:>6}  {one.memory:8.1f} MiB  {one.objects.total():>9} objects"
            f"  {one.seconds:8.0f} s",
            file=sys.stderr,
            flush=True,
        )
    return {
        "rounds": found[-1].done,
        "memory_mib": [round(s.memory, 1) for s in found],
        "mib_per_1000": round(growth(found, lambda s: s.memory), 3),
        "objects": [s.objects.total() for s in found],
        "objects_per_1000": round(growth(found, lambda s: s.objects.total()), 1),
        "types_per_1000": growing(found),
        "seconds": round(found[-1].seconds),
    }


def main() -> int:
    """Run the campaign."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--interviews", type=int, default=10_000)
    parser.add_argument("--sessions", type=int, default=300)
    parser.add_argument("--installation", default=KIND, help="the type that is called to")
    parser.add_argument("--samples", type=int, default=20, help="looks in each series")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    result: dict[str, Any] = {"cores": os.cpu_count()}
    if options.interviews:
        knowledge = shipped()
        installation = compose(knowledge, options.installation)
        session = Session(knowledge, installation, matrix_for(knowledge, installation))
        every = max(1, options.interviews // options.samples)
        with tempfile.TemporaryDirectory() as made:
            run = interviews(session, Path(made), options.interviews, every)
            result["interviews"] = said("interviews", run)
    if options.sessions:
        every = max(1, options.sessions // options.samples)
        result["sessions"] = said("sessions", sessions(options.sessions, every))
    print(json.dumps(result, indent=None if options.json else 2))
    return 0


if __name__ == "__main__":
    sys.exit(main())
