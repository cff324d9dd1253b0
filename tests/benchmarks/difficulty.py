"""Whether an exercise's computed difficulty says how long others than its standard trainee need.

``python -m tests.benchmarks.difficulty`` draws exercises of the shipped installation and lets two
others
come to the verified repair (`tests.benchmarks.drive`): information per minute, and tests taken at
random among those that tell anything; 5 % of the answers are wrong. It prints the rank correlation
(Spearman) of the difficulty with their minutes, and their mean minutes in the easiest, the
middle and the hardest third. What tests show is drawn from the tool's own matrix, so the figures
say whether the number fits the model, not how it does with people.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Sequence
from typing import Any

import numpy as np
from scipy.stats import spearmanr

from diagnose.interview.session import Session
from diagnose.knowledge.load import load_knowledge
from diagnose.plant.cache import matrix_for
from diagnose.plant.compose import compose
from diagnose.practice.catalogue import catalogue
from diagnose.reasoning.belief import Belief
from diagnose.reasoning.strategy import FLAT, Candidate, Choice, Greedy, Terrain
from tests.benchmarks.drive import Bench, Driven
from tests.made_tables import KIND, ROOT

WRONG = 0.05
RUNS = 2


class AtRandom:
    """Any test that tells anything."""

    name = "random"

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng

    def rank(
        self, belief: Belief, candidates: Sequence[Candidate], terrain: Terrain = FLAT
    ) -> list[Choice]:
        """See `diagnose.reasoning.strategy.Strategy.rank`."""
        choices = Greedy().rank(belief, candidates, terrain)
        return [choices[int(k)] for k in self.rng.permutation(len(choices))]


class Answers:
    """A callout whose answers are drawn from the table, some of them wrong."""

    def __init__(self, bench: Bench, mode: str, complaint: str, rng: np.random.Generator) -> None:
        self.table, self.mode, self.complaint, self.rng = bench.table, mode, complaint, rng
        own = self.table.positions(mode)
        weight = self.table.weight[own] * self.table.complaint[complaint][own]
        self.row = own.start + int(rng.choice(len(weight), p=weight / weight.sum()))
        self.given: dict[str, int] = {}

    def answer(self, test: str) -> int:
        """The outcome reported, the same each time."""
        if test not in self.given:
            k = self.table.test_index[test]
            size = int(self.table.sizes[k])
            p = self.table.clean[self.row, k, :size]
            wrong = self.rng.random() < WRONG
            chosen = self.rng.integers(size) if wrong else self.rng.choice(size, p=p / p.sum())
            self.given[test] = int(chosen)
        return self.given[test]


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--exercises", type=int, default=300)
    parser.add_argument("--quick", action="store_true", help="40 exercises")
    options = parser.parse_args(arguments)
    knowledge = load_knowledge(ROOT / "knowledge")
    installation = compose(knowledge, KIND, {})
    matrix = matrix_for(knowledge, installation)
    rated = catalogue(Session(knowledge, installation, matrix))
    bench = Bench.of(knowledge, installation, matrix)
    count = min(len(rated), 40 if options.quick else options.exercises)
    drawn = [rated[int(k)] for k in np.random.default_rng(1).permutation(len(rated))[:count]]
    difficulty = np.array([r.difficulty.minutes for r in drawn])
    thirds = np.searchsorted(np.quantile(difficulty, [1 / 3, 2 / 3]), difficulty)
    result: dict[str, Any] = {"cores": os.cpu_count(), "exercises": count}
    for name in ("greedy", "random"):
        minutes = np.zeros(count)
        for n, one in enumerate(drawn):
            for run in range(RUNS):
                rng = np.random.default_rng([n, run])
                made: Any = Answers(bench, one.modes[0], one.complaint, rng)
                strategy = Greedy() if name == "greedy" else AtRandom(rng)
                minutes[n] += Driven(bench, made, strategy).to_the_end().minutes / RUNS
        found = spearmanr(difficulty, minutes)
        result[name] = {
            "rank_correlation": float(found.statistic),
            "p": float(found.pvalue),
            "mean_minutes_by_third": [float(minutes[thirds == k].mean()) for k in range(3)],
        }
    json.dump(result, sys.stdout, indent=2)
    print()
    return 0


if __name__ == "__main__":
    sys.exit(main())
