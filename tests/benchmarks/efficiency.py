"""Tests, minutes and unit accuracy of each strategy on simulated callouts.

``python -m tests.benchmarks.efficiency --json`` prints, per complaint and strategy, mean tests,
mean minutes and unit accuracy. Simulated faults: they say that the method works, not how it
does in the field (see `tests.benchmarks.world`).
"""

from __future__ import annotations

import argparse
import json
import math
import os
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import yaml

from diagnose.knowledge.load import load_knowledge
from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.compose import Installation, compose
from diagnose.plant.matrix import MatrixBuilder
from diagnose.reasoning.belief import UNKNOWN_UNIT
from diagnose.reasoning.strategy import Greedy, Strategy
from tests.benchmarks.baselines import Checklist
from tests.benchmarks.drive import Bench, Ending, drive
from tests.benchmarks.world import Callout, World

ROOT = Path(__file__).resolve().parent.parent.parent
KIND = "tank_and_sump"
VARIED: tuple[Mapping[str, str], ...] = (
    {},
    {"module": "active_high", "inputs": "pull_up"},
    {"drive": "contactor", "overload": "fitted", "residual": "none"},
    {"roof_floats": "one", "sump_sensor": "none", "brown_out": "low"},
)
"""The installations over which the benchmarks run."""


def wilson(right: int, count: int, z: float = 1.96) -> tuple[float, float]:
    """Wilson score interval of a proportion (E. B. Wilson, JASA 22 (1927) 209-212)."""
    if count == 0:
        return 0.0, 1.0
    p = right / count
    centre = p + z * z / (2 * count)
    half = z * math.sqrt(p * (1 - p) / count + z * z / (4 * count * count))
    scale = 1 + z * z / count
    return (centre - half) / scale, (centre + half) / scale


def right_unit(callout: Callout, ending: Ending) -> bool:
    """The true unit named in a conclusion; ambiguous, unknown and stopped are wrong."""
    return ending.status == "concluded" and ending.unit == callout.mode.partition(".")[0]


def says_unknown(ending: Ending) -> bool:
    """Says that the cause may not be known: as the ending, or as a doubt beside the unit named."""
    return ending.status == "unknown" or ending.doubt


class Setting:
    """One installation: the tool's side and the world's side."""

    def __init__(self, knowledge: KnowledgeBase, choices: Mapping[str, str], seed: int) -> None:
        self.knowledge = knowledge
        self.installation: Installation = compose(knowledge, KIND, choices)
        self.matrix = MatrixBuilder(knowledge, self.installation).build()
        self.bench = Bench.of(knowledge, self.installation, self.matrix)
        self.world = World(knowledge, self.installation, seed)


def summary(pairs: Sequence[tuple[Callout, Ending]]) -> dict[str, Any]:
    """Mean tests and minutes, accuracy with its Wilson interval, and how callouts ended."""
    count = len(pairs)
    right = sum(right_unit(c, e) for c, e in pairs)
    low, high = wilson(right, count)
    return {
        "callouts": count,
        "tests": sum(len(e.tests) for _, e in pairs) / max(count, 1),
        "minutes": sum(e.minutes for _, e in pairs) / max(count, 1),
        "accuracy": right / max(count, 1),
        "wilson": [low, high],
        "ambiguous": sum(e.status == "ambiguous" for _, e in pairs) / max(count, 1),
        "unknown": sum(e.status == "unknown" for _, e in pairs) / max(count, 1),
        "doubt": sum(e.doubt for _, e in pairs) / max(count, 1),
        "false_unknown": sum(says_unknown(e) for _, e in pairs) / max(count, 1),
        "accuracy_if_doubt_is_wrong": sum(right_unit(c, e) and not e.doubt for c, e in pairs)
        / max(count, 1),
    }


def by_rate(settings: Sequence[Setting], strategy: Strategy, count: int, wrong: float) -> Any:
    """Callouts drawn by rate over all complaints: accuracy overall and per complaint."""
    pairs: list[tuple[Callout, Ending]] = []
    share = math.ceil(count / len(settings))
    for k, setting in enumerate(settings):
        for callout in setting.world.callouts(share, wrong, seed=k):
            pairs.append((callout, drive(setting.bench, callout, strategy)))
    complaints = sorted({c.complaint for c, _ in pairs})
    return {
        "all": summary(pairs),
        "complaints": {
            name: summary([x for x in pairs if x[0].complaint == name]) for name in complaints
        },
        "worst_units": worst_units(pairs),
    }


def worst_units(pairs: Sequence[tuple[Callout, Ending]]) -> list[list[Any]]:
    """The failure modes that cost most accuracy: mode, ended as, count."""
    lost: dict[tuple[str, str], int] = {}
    for callout, ending in pairs:
        if not right_unit(callout, ending):
            key = (callout.mode, f"{ending.status}:{ending.mode}")
            lost[key] = lost.get(key, 0) + 1
    order = sorted(lost.items(), key=lambda item: -item[1])[:25]
    return [[mode, ended, count] for (mode, ended), count in order]


def against_checklist(settings: Sequence[Setting], count: int, wrong: float) -> Any:
    """Per complaint, each strategy's minutes and accuracy on the same callouts."""
    lists = yaml.safe_load((Path(__file__).parent / "checklists.yaml").read_text())
    result: dict[str, Any] = {}
    complaints = sorted({c for s in settings for c in s.world.complaints})
    for complaint in complaints:
        strategies: list[Strategy] = [Greedy(), Checklist(lists[complaint])]
        found: dict[str, Any] = {}
        for strategy in strategies:
            pairs = [
                (callout, drive(setting.bench, callout, strategy))
                for k, setting in enumerate(settings)
                if complaint in setting.world.complaints
                for callout in setting.world.callouts(count, wrong, complaint, seed=100 + k)
            ]
            found[strategy.name] = summary(pairs)
        ratio = found["greedy"]["minutes"] / max(found["checklist"]["minutes"], 1e-9)
        result[complaint] = {**found, "ratio": ratio}
    ratios = [r["ratio"] for r in result.values()]
    return {
        "complaints": result,
        "mean_ratio": sum(ratios) / len(ratios),
        "worst_ratio": max(ratios),
    }


def left_out(settings: Sequence[Setting], count: int, wrong: float) -> Any:
    """Each failure mode in turn missing from the tool's knowledge.

    A callout counts as "says so" where the ending says that the cause may not be in the
    knowledge base, whether or not a unit is named beside it.
    """
    counts = {"says_so": 0, "hands_over": 0, "right_unit_unsaid": 0, "wrong_unit_unsaid": 0}
    named = 0
    for setting in settings:
        world = setting.world
        for name in setting.installation.modes:
            if not world.truths[name].complaints.any():
                continue
            bench = setting.bench.without(setting.matrix, setting.installation, name)
            saved, world.rates = world.rates, {n: float(n == name) for n in world.rates}
            for callout in world.callouts(count, wrong, seed=5):
                ending = drive(bench, callout, Greedy())
                right = right_unit(callout, ending)
                named += right
                if says_unknown(ending):
                    counts["says_so"] += 1
                elif ending.status != "concluded" or ending.unit == UNKNOWN_UNIT:
                    counts["hands_over"] += 1
                elif right:
                    counts["right_unit_unsaid"] += 1
                else:
                    counts["wrong_unit_unsaid"] += 1
            world.rates = saved
    total = sum(counts.values())
    said = counts["says_so"] + counts["hands_over"]
    apart = total - counts["right_unit_unsaid"]
    return {
        "callouts": total,
        **{key: value / total for key, value in counts.items()},
        "right_unit_named": named / total,
        "says_so_or_hands_over": said / total,
        "the_same_with_the_right_unit_counted_apart": said / max(apart, 1),
    }


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--callouts", type=int, default=2400)
    parser.add_argument("--per-complaint", type=int, default=60)
    parser.add_argument("--left-out", type=int, default=3, help="callouts per left-out mode")
    parser.add_argument("--wrong", type=float, default=0.05)
    parser.add_argument("--installations", type=int, default=len(VARIED))
    parser.add_argument("--only", choices=("rate", "checklist", "left_out"))
    options = parser.parse_args(arguments)
    knowledge = load_knowledge(ROOT / "knowledge")
    settings = [
        Setting(knowledge, choices, seed=k)
        for k, choices in enumerate(VARIED[: options.installations])
    ]
    result: dict[str, Any] = {"cores": os.cpu_count(), "wrong_answers": options.wrong}
    if options.only in (None, "rate"):
        result["by_rate"] = by_rate(settings, Greedy(), options.callouts, options.wrong)
    if options.only in (None, "checklist"):
        result["checklist"] = against_checklist(settings, options.per_complaint, options.wrong)
    if options.only in (None, "left_out"):
        result["left_out"] = left_out(settings, options.left_out, options.wrong)
    json.dump(result, sys.stdout, indent=None if options.json else 2)
    print()
    return 0


if __name__ == "__main__":
    sys.exit(main())
