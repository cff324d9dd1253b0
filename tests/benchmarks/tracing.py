"""Knowledge tracing on simulated learners with known mastery.

``python -m tests.benchmarks.tracing`` lets learners of two kinds (`tests.benchmarks.learners`) do
the shipped installation's exercises in three orders: as `diagnose.practice.choosing` chooses, drawn
at random from all exercises, and drawn at random skill by skill (an order that already knows that
the skills are unequally common). It reports

- calibration: the chance of doing right that tracing foretold before each exercise and skill,
  against what then happened; and the chance of mastery that it stated, against the truth;
- callouts until the learner has truly mastered every skill, and until tracing says so; paired by
  learner, with 95 % bootstrap intervals of the share saved.

``--out FILE.svg`` draws both. Nobody forgets here: all exercises lie on one day.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from diagnose.interview.session import Session
from diagnose.knowledge.load import load_knowledge
from diagnose.knowledge.practice_reading import load_practice
from diagnose.plant.cache import matrix_for
from diagnose.plant.compose import compose
from diagnose.practice.catalogue import catalogue
from diagnose.practice.choosing import RECENT, Chooser
from diagnose.practice.mastery import MASTERED, Trace
from diagnose.practice.skills import SKILLS, unit_functions
from tests.benchmarks.learners import KINDS, Learner
from tests.made_tables import KIND, ROOT

MOST = 400
"""Callouts after which a learner is given up; counted as so many."""
FIRST = 1000
"""Seed of the first learner: the prior of `diagnose.practice.mastery` was settled on 0 to 39."""
ORDERS = ("chosen", "random", "by_skill")
BINS = 10


@dataclass
class Course:
    """What one learner did in one order."""

    truly: int = MOST
    """Callouts until every skill was mastered."""
    stated: int = MOST
    """Callouts until tracing said that every skill was mastered."""
    foretold: list[tuple[float, bool]] = field(default_factory=list)
    """Chance of doing right and whether it was, per exercise and skill."""
    mastery: list[tuple[float, bool]] = field(default_factory=list)
    """Chance of mastery and the truth, per exercise and skill of it."""


def shipped_chooser() -> Chooser:
    """The exercises of the shipped installation without variants chosen."""
    knowledge = load_knowledge(ROOT / "knowledge")
    installation = compose(knowledge, KIND, {})
    session = Session(knowledge, installation, matrix_for(knowledge, installation))
    functions = unit_functions(load_practice(knowledge), installation)
    return Chooser(catalogue(session), functions)


def teach(learner: Learner, chooser: Chooser, order: str, seed: int) -> Course:
    """One learner's exercises, one after the other, until all is mastered and said to be."""
    rng = np.random.default_rng([seed, 5, ORDERS.index(order)])
    traces = {skill: Trace.new() for skill in SKILLS}
    course, recent = Course(), list[str]()
    for count in range(1, MOST + 1):
        if order == "chosen":
            known = {skill: trace.known for skill, trace in traces.items()}
            k = chooser.choose(known, recent[-RECENT:], rng)
        elif order == "random":
            k = int(rng.integers(len(chooser.exercises)))
        else:
            mains = np.flatnonzero(chooser.main.any(axis=0))
            column = int(mains[rng.integers(len(mains))])
            own = np.flatnonzero(chooser.main[:, column])
            k = int(own[rng.integers(len(own))])
        recent += chooser.exercises[k].modes
        exercised = chooser.skills[k]
        for skill in exercised:
            course.mastery.append((traces[skill].known, learner.mastered(skill)))
        for skill, right in learner.attempt(exercised, float(chooser.easier[k])).items():
            course.foretold.append((traces[skill].next_right, right))
            traces[skill] = traces[skill].update(right)
        if course.truly == MOST and all(learner.mastered(s) for s in SKILLS):
            course.truly = count
        if course.stated == MOST and all(traces[s].known >= MASTERED for s in SKILLS):
            course.stated = count
        if course.truly <= count and course.stated <= count:
            break
    return course


def reliability(pairs: Sequence[tuple[float, bool]]) -> dict[str, Any]:
    """Bins of equal width: mean stated, share true, count; the expected calibration error.

    The error is the mean distance of the two, weighted by count (M. P. Naeini, G. F. Cooper,
    M. Hauskrecht, "Obtaining well calibrated probabilities using Bayesian binning", AAAI 2015).
    """
    stated = np.array([p for p, _ in pairs])
    true = np.array([t for _, t in pairs], dtype=float)
    place = np.minimum((stated * BINS).astype(int), BINS - 1)
    bins = []
    for b in range(BINS):
        here = place == b
        if here.any():
            count = int(here.sum())
            bins.append([float(stated[here].mean()), float(true[here].mean()), count])
    error = sum(n * abs(s - t) for s, t, n in bins) / len(pairs)
    return {"ece": error, "bins": bins, "brier": float(((stated - true) ** 2).mean())}


def saved(ours: Sequence[int], theirs: Sequence[int], seed: int = 0) -> dict[str, float]:
    """Share of callouts saved, paired by learner: mean, and a 95 % bootstrap interval."""
    a, b = np.array(ours, dtype=float), np.array(theirs, dtype=float)
    rng = np.random.default_rng(seed)
    drawn = rng.integers(len(a), size=(4000, len(a)))
    shares = 1 - a[drawn].sum(axis=1) / b[drawn].sum(axis=1)
    low, high = np.percentile(shares, [2.5, 97.5])
    return {"saved": float(1 - a.sum() / b.sum()), "low": float(low), "high": float(high)}


def run(chooser: Chooser, learners: int, first: int = FIRST) -> dict[str, Any]:
    """All learners of both kinds in all orders."""
    result: dict[str, Any] = {"learners_of_each_kind": learners, "first": first}
    pooled: dict[str, list[tuple[float, bool]]] = {"foretold": [], "mastery": []}
    for kind in KINDS:
        courses: dict[str, list[Course]] = {
            order: [
                teach(kind(seed), chooser, order, seed) for seed in range(first, first + learners)
            ]
            for order in ORDERS
        }
        result[kind.kind] = _summary(courses)
        for name, pairs in pooled.items():
            pairs += [p for course in courses["chosen"] for p in getattr(course, name)]
    result["pooled"] = {name: reliability(pairs) for name, pairs in pooled.items()}
    return result


def _summary(courses: Mapping[str, Sequence[Course]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for goal in ("truly", "stated"):
        counts = {order: [getattr(c, goal) for c in own] for order, own in courses.items()}
        found[goal] = {
            "mean": {order: float(np.mean(own)) for order, own in counts.items()},
            "given_up": {order: sum(n == MOST for n in own) for order, own in counts.items()},
            "against_random": saved(counts["chosen"], counts["random"]),
            "against_by_skill": saved(counts["chosen"], counts["by_skill"]),
            "counts": counts,
        }
    for name in ("foretold", "mastery"):
        found[name] = {
            order: reliability([p for course in own for p in getattr(course, name)])
            for order, own in courses.items()
        }
    return found


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--learners", type=int, default=250, help="of each kind")
    parser.add_argument("--first", type=int, default=FIRST, metavar="SEED", help="of the learners")
    parser.add_argument("--quick", action="store_true", help="30 learners of each kind")
    parser.add_argument("--out", type=Path, help="draw it (.svg)")
    parser.add_argument("--json", action="store_true", help="on one line")
    options = parser.parse_args(arguments)
    result: dict[str, Any] = {"cores": os.cpu_count()}
    result |= run(shipped_chooser(), 30 if options.quick else options.learners, options.first)
    if options.out:
        from tests.benchmarks.tracing_figure import figure

        options.out.write_text(figure(result), encoding="utf-8")
    for kind in KINDS:
        for goal in ("truly", "stated"):
            result[kind.kind][goal].pop("counts")
    json.dump(result, sys.stdout, indent=None if options.json else 2)
    print()
    return 0


if __name__ == "__main__":
    sys.exit(main())
