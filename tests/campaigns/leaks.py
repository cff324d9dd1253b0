"""Whether anything shown before the end of a practice callout tells what it hides.

Run in full with ``python -m tests.campaigns.leaks``: every failure mode of every installation type
that can be an exercise is played by one script of typed lines, the same for all: every list and
drawing, the safety questions and all others, hints of level 1 and 2, readings, the order of making
dead, every unit swapped, every check. ``--kind NAME`` takes one type, ``--only N`` so many failure
modes of each, evenly spread. For each callout

- neither the screen nor the file holds the failure mode's name, its title or its remedy (but a
  title that is the installation's own word for something that anybody may read in a list);
- two callouts with the same complaint differ in nothing but what the customer says, instruments
  show, checks come to and hints make of that: same lists, same prompts, same minutes, no other
  option offered, a file of the same shape and length.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from diagnose.errors import DiagnoseError
from diagnose.interview.session import Session
from diagnose.knowledge.load import find_knowledge, load_knowledge
from diagnose.knowledge.practice_reading import load_practice
from diagnose.plant.cache import matrix_for
from diagnose.plant.compose import compose
from diagnose.practice.bench import Bench, Workshop
from diagnose.practice.exercises import draw_exercise
from tests.practised import typed

SEED = 7
DEAD = ("isolate", "lock", "prove tester", "prove dead", "prove tester", "discharge")
ANSWERS = ("", "", "")
"""To what is expected of a test, whether to do it, what its reading says: Enter."""
MASKED = ("  Customer", "  Shows", "  Result", "  Hint")
"""Labels of lines that may differ; what goes on below a label stands further to the right."""
BELOW = " " * 12
STATES = ("any", "energised", "dead", "dead")
"""States of the tests that are done, one of each; live ones may be stopped by what was read."""
MEMORY = Path("/dev/shm")
"""Where there is one: each act is put on disk before it is shown, which took 40 % of the time."""


@dataclass(frozen=True)
class Played:
    """One callout as played: the screen up to the end, and the file as it then stood."""

    mode: str
    complaint: str
    screen: str
    file: str

    @property
    def form(self) -> list[str]:
        """The screen without what may differ."""
        kept, masked = [], False
        for line in self.screen.splitlines():
            if masked and line.startswith(BELOW):
                continue
            masked = line.startswith(MASKED)
            kept.append(line.split()[0] if masked else line)
        return kept


def script(bench: Bench) -> list[str]:
    """The lines typed, the same for every failure mode of an installation."""
    names = list(bench.tests)
    lines = ["help", "functions", "parts", "found", "tests", "circuit all", *[""] * 8, "suspect 1"]
    lines += ["tests panel", *[""] * 8, "ask", *[""] * 3, "ask safety"]
    lines += [f"ask {q.ask}" for q in bench.customer.questions.values() if q.kind == "history"]
    lines += ["hint", "hint", "swap", *[""] * 4, "bridge", *[""] * 4, "meter cat3"]
    chosen: list[str] = []
    for state in STATES:
        fits = (
            name
            for name, t in bench.tests.items()
            if t.spec.state == state
            and t.spec.instrument != "insulation_tester"
            and t.spec.place_at == "panel"
            and not t.level
            and name not in chosen
            and (t.condition is None or t.condition.values.get("reset") != "yes")
        )
        chosen += [name for name in (next(fits, ""),) if name]
    on = [n for n in chosen if bench.tests[n].spec.state != "dead"]
    for name in on:
        lines += [f"test {names.index(name) + 1}", *ANSWERS]
    lines += DEAD
    for name in chosen:
        if name not in on:
            lines += [f"test {names.index(name) + 1}", *ANSWERS]
    units = {mode.unit: mode.unit for mode in bench.installation.modes.values()}
    lines += [f"swap {unit}" for unit in units]
    lines += ["close", "block", "switch on", "check"]
    return [*lines, *(f"check {k}" for k in range(1, len(bench.checks) + 1))]


def played(session: Session, workshop: Workshop, mode: str, file: Path) -> Played | None:
    """One failure mode's callout by the script; None where it is no exercise."""
    try:
        exercise = draw_exercise(session, SEED, modes=(mode,), plain=True)
        bench = workshop.bench(exercise)
    except DiagnoseError as error:
        if error.issues[0].code != "impossible":
            raise
        return None
    shown = typed(session, bench, file, script(bench))
    text = file.read_text(encoding="utf-8")
    file.unlink()
    return Played(mode, exercise.complaint, shown, text)


def open_words(session: Session) -> str:
    """All that anybody may read in a list, in one text."""
    texts = [i.title for i in session.installation.instances.values()]
    for test in session.tests.values():
        texts += [test.title, test.do, *(o.title for o in test.outcomes)]
    for question in session.questions.values():
        texts += [question.ask, *question.choices.values()]
    return "\n".join(texts).casefold()


def named(session: Session, one: Played, words: str) -> Iterator[str]:
    """Names of what is hidden that the screen or the file holds."""
    mode = session.installation.modes[one.mode]
    shown = " ".join(one.screen.split()).casefold()
    for text in (one.mode, mode.title, mode.mode.remedy):
        plain = " ".join(text.split()).casefold().rstrip(".")
        if plain and plain not in words and (plain in shown or plain in one.file.casefold()):
            yield f"{one.mode}: '{text}' was shown before the end"


def apart(one: Played, other: Played) -> Iterator[str]:
    """Where two callouts of one complaint differ in form."""
    what = f"{one.mode} and {other.mode} ({one.complaint})"
    first, second = one.form, other.form
    for a, b in zip(first, second, strict=False):
        if a != b:
            yield f"{what}: '{a}' and '{b}'"
            return
    if len(first) != len(second):
        yield f"{what}: {len(first)} lines and {len(second)}"
    shapes = [[len(line) for line in p.file.splitlines()] for p in (one, other)]
    if shapes[0] != shapes[1]:
        yield f"{what}: the files differ in length"


def examine(session: Session, modes: Sequence[str]) -> tuple[int, list[str]]:
    """How many callouts were played, and every leak."""
    workshop = Workshop(session.knowledge, session.installation, load_practice(session.knowledge))
    words, count, found = open_words(session), 0, list[str]()
    first: dict[str, Played] = {}
    with tempfile.TemporaryDirectory(dir=MEMORY if MEMORY.is_dir() else None) as folder:
        for mode in modes:
            one = played(session, workshop, mode, Path(folder) / "attempt.yaml")
            if one is None:
                continue
            count += 1
            found += named(session, one, words)
            found += apart(first.setdefault(one.complaint, one), one)
    return count, found


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line; exit code 1 where something leaks."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.leaks")
    parser.add_argument("--kind", help="one installation type")
    parser.add_argument("--only", type=int, default=0, help="failure modes of each type")
    options = parser.parse_args(arguments)
    knowledge = load_knowledge(find_knowledge())
    leaks = 0
    for kind in [options.kind] if options.kind else list(knowledge.installations):
        installation = compose(knowledge, kind)
        session = Session(knowledge, installation, matrix_for(knowledge, installation))
        modes = list(installation.modes)
        step = max(1, len(modes) // options.only) if options.only else 1
        count, found = examine(session, modes[::step])
        print(f"{kind}: {count} callouts of {len(modes)} failure modes, {len(found)} leaks")
        print(*(f"  {text}" for text in found), sep="\n", end="\n" if found else "")
        sys.stdout.flush()
        leaks += len(found)
    return int(leaks > 0)


if __name__ == "__main__":
    sys.exit(main())
