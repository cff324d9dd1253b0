"""Spoilt inputs for every reader: one line that says what is wrong, or an answer, never more.

    python -m tests.campaigns.fuzz [--inputs N] [--seed S] [--reader NAME] [--only NUMBER]
                                   [--seconds S] [--workers N]

An input fails where it raises anything but a `DiagnoseError` (or the error that its room promises),
takes more than two seconds of one core, more than 500 MB, or ends the process. Workers are forked,
so that nothing is started anew; each input hangs on seed, reader and number alone, and is run
again with ``--reader`` and ``--only``.
"""

from __future__ import annotations

import argparse
import mmap
import multiprocessing
import os
import random
import re
import resource
import signal
import struct
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType

from diagnose.errors import DiagnoseError
from diagnose.knowledge.expressions import ExpressionError
from diagnose.quantities import QuantityError
from tests.fuzzed import Target, quietly
from tests.mutations import ODD_TEXTS, changed

LONGEST = 2.0
"""Seconds of one core that an input may take."""
ROOM = 500 * 2**20
"""Bytes that an input may take beyond what the program takes anyway."""
STUCK = 300.0
"""Seconds on the clock after which an input is given up from outside."""
LEGAL = (DiagnoseError, ExpressionError, QuantityError)


class Slow(BaseException):
    """An input took too long."""


@dataclass
class Report:
    """Inputs tried and accepted by reader; failures by reader and kind, each with one number."""

    tried: Counter[str] = field(default_factory=Counter)
    taken: Counter[str] = field(default_factory=Counter)
    failed: dict[tuple[str, str], list[int]] = field(default_factory=dict)
    slowest: dict[str, tuple[float, int]] = field(default_factory=dict)

    def add(self, other: Report) -> None:
        """Put another worker's report to this one."""
        self.tried.update(other.tried)
        self.taken.update(other.taken)
        for key, numbers in other.failed.items():
            self.failed.setdefault(key, []).extend(numbers)
        for name, found in other.slowest.items():
            self.slowest[name] = max(found, self.slowest.get(name, (0.0, 0)))


def input_of(target: Target, seed: int, name: str, number: int) -> bytes:
    """One input; the same for the same seed, reader and number."""
    chance = random.Random(f"{seed}:{name}:{number}")
    data = chance.choice(target.seeds)
    if target.plain and chance.random() < 0.2:
        data = chance.choice(ODD_TEXTS).encode()
        data = data if chance.random() < 0.5 else chance.choice(target.seeds) + b" " + data
    return changed(data, chance)


def kind_of(error: BaseException) -> str:
    """An error's kind and where it came from, so that equal ones are counted together."""
    frames = traceback.extract_tb(error.__traceback__)
    own = [f for f in frames if "diagnose" in Path(f.filename).parts] or list(frames)
    where = f"{Path(own[-1].filename).name}:{own[-1].name}" if own else "?"
    return f"{type(error).__name__} in {where}: {re.sub('[0-9]+', 'N', str(error))[:40]}"


def _too_slow(_number: int, _frame: FrameType | None) -> None:
    raise Slow("more than two seconds")


def run_one(target: Target, data: bytes) -> tuple[str, float]:
    """What was wrong ("" for nothing, "refused" for a legal error) and the seconds of one core."""
    signal.signal(signal.SIGPROF, _too_slow)
    signal.setitimer(signal.ITIMER_PROF, LONGEST)
    start = time.process_time()
    said = ""
    try:
        target.use(data)
    except LEGAL:
        said = "refused"
    except (Exception, Slow) as error:
        said = kind_of(error)
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)
    spent = time.process_time() - start
    if spent > LONGEST and said in ("", "refused"):
        said = "Slow"
    return said, spent


def limit_memory() -> None:
    """Give this process so much room and no more."""
    pages = int(Path("/proc/self/statm").read_text().split()[0])
    most = pages * resource.getpagesize() + ROOM
    resource.setrlimit(resource.RLIMIT_AS, (most, resource.RLIM_INFINITY))


def plan(found: dict[str, Target], inputs: int, only: str | None) -> Iterator[tuple[str, int]]:
    """Reader and number of each input."""
    names = [only] if only else list(found)
    whole = sum(found[name].weight for name in names)
    for name in names:
        for number in range(-(-inputs * found[name].weight // whole)):
            yield name, number


def run_share(
    found: dict[str, Target],
    seed: int,
    share: list[tuple[str, int]],
    here: mmap.mmap | None = None,
    start: int = 0,
) -> Report:
    """Run some inputs; `here` is told which one is under way."""
    report = Report()
    for position in range(start, len(share)):
        name, number = share[position]
        if here is not None:
            here[:16] = struct.pack("qd", position, time.monotonic())
        said, spent = run_one(found[name], input_of(found[name], seed, name, number))
        report.tried[name] += 1
        report.taken[name] += said == ""
        if said not in ("", "refused"):
            report.failed.setdefault((name, said), []).append(number)
        report.slowest[name] = max((spent, number), report.slowest.get(name, (0.0, 0)))
    return report


def run(
    inputs: int, seed: int, only: str | None = None, workers: int = 0, seconds: float = 0.0
) -> Report:
    """All inputs on some workers, each watched from outside; with `seconds`, those that fit."""
    end = time.monotonic() + (seconds or 1e9)
    workers = workers or len(os.sched_getaffinity(0))
    context = multiprocessing.get_context("fork")
    report = Report()
    with tempfile.TemporaryDirectory(dir=_quick_place()) as made:
        names = quietly(Path(made))
        shares: list[list[tuple[str, int]]] = [[] for _ in range(workers)]
        items = list(plan(names, inputs, only))
        random.Random(seed).shuffle(items)  # all readers have their turn, however early it ends
        for position, item in enumerate(items):
            shares[position % workers].append(item)
        results = context.SimpleQueue()
        parent = os.getpid()
        running = []
        for number, share in enumerate(shares):
            running.append(_Worker(Path(made) / str(number), seed, share, results))
            running[-1].start()
        while running:
            time.sleep(0.1)
            while not results.empty():
                report.add(results.get())
            for worker in list(running):
                if worker.over(report):
                    running.remove(worker)
                elif time.monotonic() > end:
                    worker.process.kill()
                    worker.process.join()
                    running.remove(worker)
        while not results.empty():
            report.add(results.get())
        assert os.getpid() == parent
        os.chdir("/")
    return report


def _quick_place() -> str | None:
    """A folder in memory, where the system has one: nothing is to be worn out."""
    return "/dev/shm" if os.access("/dev/shm", os.W_OK) else None


class _Worker:
    """One forked process and where it stands; started anew behind an input that ended it."""

    def __init__(
        self,
        folder: Path,
        seed: int,
        share: list[tuple[str, int]],
        results: multiprocessing.queues.SimpleQueue[Report],
    ) -> None:
        self.folder, self.seed, self.share, self.results = folder, seed, share, results
        self.here = mmap.mmap(-1, 16)
        self.begun = 0

    def start(self) -> None:
        context = multiprocessing.get_context("fork")
        self.here[:16] = struct.pack("qd", self.begun, time.monotonic())
        self.process = context.Process(target=self._work)
        self.process.start()

    def _work(self) -> None:
        folder = self.folder / str(self.begun)
        folder.mkdir(parents=True)
        found = quietly(folder)
        limit_memory()
        step = 200
        for at in range(self.begun, len(self.share), step):
            end = min(at + step, len(self.share))
            self.results.put(run_share(found, self.seed, self.share[:end], self.here, at))
        self.here[:16] = struct.pack("qd", len(self.share), time.monotonic())

    def over(self, report: Report) -> bool:
        """Whether all is done; gives up an input that hangs or has ended the process."""
        position, since = struct.unpack("qd", self.here[:16])
        if self.process.is_alive():
            if position < len(self.share) and time.monotonic() - since > STUCK:
                self.process.kill()
            return False
        if position >= len(self.share):
            return True
        name, number = self.share[position]
        how = f"ended the process (exit code {self.process.exitcode})"
        report.failed.setdefault((name, how), []).append(number)
        report.tried[name] += 1
        self.begun = position + 1
        if self.begun >= len(self.share):
            return True
        self.start()
        return False


def main() -> None:
    """Run the campaign and print its table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--inputs", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--reader")
    parser.add_argument("--only", type=int, help="one input, with its traceback")
    parser.add_argument("--workers", type=int, default=0)
    parser.add_argument("--seconds", type=float, default=0.0, help="stop then, if not done")
    options = parser.parse_args()
    if options.only is not None:
        with tempfile.TemporaryDirectory() as made:
            target = quietly(Path(made))[options.reader]
            data = input_of(target, options.seed, options.reader, options.only)
            sys.stdout.write(f"{len(data)} bytes: {data[:3000]!r}\n")
            target.use(data)
        return
    start = time.monotonic()
    report = run(options.inputs, options.seed, options.reader, options.workers, options.seconds)
    print(f"{'reader':<16}{'tried':>8}{'taken':>8}{'failed':>8}{'slowest':>10}")
    bad = Counter(dict.fromkeys(report.tried, 0))
    for (name, _kind), numbers in report.failed.items():
        bad[name] += len(numbers)
    for name, tried in report.tried.items():
        spent, number = report.slowest.get(name, (0.0, 0))
        print(f"{name:<16}{tried:>8}{report.taken[name]:>8}{bad[name]:>8}{spent:>8.2f} s #{number}")
    total = f"{report.tried.total()} inputs, {bad.total()} failed"
    print(f"{total}, {time.monotonic() - start:.0f} s on the clock, seed {options.seed}")
    for (name, kind), numbers in sorted(report.failed.items()):
        print(f"{name}: {len(numbers)} times {kind} (--only {numbers[0]})")
    sys.exit(1 if report.failed else 0)


if __name__ == "__main__":
    main()
