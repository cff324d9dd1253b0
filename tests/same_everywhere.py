"""What a seed gives, kept in the repository: made on one machine, checked on every other.

The texts that a trainee, an examiner or an assessor sees are put through SHA-256, part by part, and
stand in ``tests/data/same_everywhere.json`` with the digest of the knowledge that they were made
with. `test_practice_everywhere` compares. They hang on the pressure set alone, the smallest
installation that has mains, a motor and water: they change when its knowledge does (parts, tests,
rates, minutes, wordings), or when what is drawn, shown or scored is changed on purpose. Then:

    python -m tests.same_everywhere            which parts differ; exit code 1 where any does
    python -m tests.same_everywhere --show     the texts themselves, for a diff of before and after
    python -m tests.same_everywhere --write    keep the digests as they are now

If nothing of that was changed, a part that differs is an error: do not write it away.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import sys
from collections.abc import Sequence
from functools import cache
from pathlib import Path

from diagnose.interview.session import Session
from diagnose.knowledge.practice_reading import load_practice
from diagnose.plant.cache import matrix_for
from diagnose.plant.compose import compose
from diagnose.practice.bench import Bench, Workshop
from diagnose.practice.catalogue import catalogue
from diagnose.practice.examiner import Drawn, Examiner, Plan
from diagnose.practice.exercises import draw_exercise, draw_two_faults
from diagnose.practice.expert import expert
from diagnose.practice.records import Attempt
from diagnose.practice.score import score_of
from tests.bench import shipped

KEPT = Path(__file__).parent / "data" / "same_everywhere.json"
KIND = "pressure_set"
SEEDS = range(5)
"""Seeds whose callout is drawn."""
PLAYED = (3, 5)
"""Seeds that are played: by a fixed path over everything, and by the expert."""
EXAM = 2026


@cache
def session() -> Session:
    """The pressure set without variants chosen."""
    knowledge = shipped()
    installation = compose(knowledge, KIND)
    return Session(knowledge, installation, matrix_for(knowledge, installation))


def texts() -> dict[str, list[str]]:
    """Everything that must be the same everywhere, as lines, by part."""
    own = session()
    workshop = Workshop(own.knowledge, own.installation, load_practice(own.knowledge))
    found: dict[str, list[str]] = {"callouts": []}
    drawn = [draw_exercise(own, seed) for seed in SEEDS]
    drawn.append(draw_two_faults(own, workshop, EXAM))
    for e in drawn:
        said = workshop.bench(e).customer.says()
        found["callouts"].append(f"{e.seed} {'+'.join(e.modes)} {e.hazard} {e.meter} {said}")
    for seed in PLAYED:
        bench = workshop.bench(draw_exercise(own, seed, plain=True))
        found[f"readings of seed {seed}"] = list(_readings(bench))
        attempt = expert(own, bench)
        found[f"attempt and score of seed {seed}"] = list(_played(bench, attempt))
    examiner = Examiner.of(own, workshop, catalogue(own))
    for name, plan in (
        ("exam", Plan(KIND, dict(own.installation.choices), EXAM)),
        ("class set", Plan(KIND, dict(own.installation.choices), EXAM, 3, of_set=True)),
    ):
        found[f"{name} of seed {EXAM}"] = [_on_paper(one) for one in examiner.draw(plan)]
    return found


def _readings(bench: Bench) -> list[str]:
    """Every answer, look and check, with all hidden faults there and with none left."""
    repaired = [bench.installation.modes[name].unit for name in bench.exercise.modes]
    lines = [f"{q}: {bench.customer.answer(q).text}" for q in bench.customer.questions]
    for swapped in ((), repaired):
        for test in bench.tests:
            shown = (bench.shown(test, look, swapped) for look in (1, 2))
            lines.append(f"{test}: " + " / ".join(f"{s.text} ({s.outcome})" for s in shown))
        lines += [f"{check}: {bench.checked(check, swapped).text}" for check in bench.checks]
    return lines


def _played(bench: Bench, attempt: Attempt) -> list[str]:
    lines = [
        f"{t.began:.1f} {t.act.kind} {' '.join(t.act.data.values())}: "
        f"{t.shown.text if t.shown else t.text}"
        for t in attempt.taken
    ]
    points = score_of(bench, attempt, attempt.minutes)
    return [*lines, f"{attempt.ended} {attempt.minutes:.1f} min, {points.total:.1f} points"]


def _on_paper(drawn: Drawn) -> str:
    minutes = drawn.rated.difficulty.minutes
    return f"{drawn.exercise.id}, {minutes:.1f} min: {drawn.says} [{drawn.hidden}]"


def digests() -> dict[str, str]:
    """The texts of each part as a digest, with that of the knowledge."""
    parts = {
        name: hashlib.sha256("\n".join(lines).encode()).hexdigest()
        for name, lines in texts().items()
    }
    return {"knowledge": session().knowledge.digest, **parts}


def differences(now: dict[str, str], kept: dict[str, str]) -> str:
    """What differs and what to do; "" where every part is as kept."""
    other = [part for part in {**kept, **now} if now.get(part) != kept.get(part)]
    parts = [part for part in other if part != "knowledge"]
    if not parts:
        return ""
    why = "the knowledge is what they were kept with: the program, or this machine, differs."
    if "knowledge" in other:
        why = "the knowledge has changed since they were kept."
    return (
        f"Not as kept in {KEPT.name}: {', '.join(parts)}; {why}\n"
        "If that is what a change was to do: python -m tests.same_everywhere --write"
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.same_everywhere")
    parser.add_argument("--write", action="store_true", help="keep the digests as they are now")
    parser.add_argument("--show", action="store_true", help="the texts")
    options = parser.parse_args(arguments)
    if options.show:
        for part, lines in texts().items():
            print(f"# {part}", *lines, sep="\n")
        return 0
    now = digests()
    if options.write:
        KEPT.write_text(json.dumps(now, indent=1) + "\n", encoding="utf-8")
        return 0
    told = differences(now, json.loads(KEPT.read_text(encoding="utf-8")))
    print(told or "Every part is as kept.")
    return int(bool(told))


if __name__ == "__main__":
    sys.exit(main())
