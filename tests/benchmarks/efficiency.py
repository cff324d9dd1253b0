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
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import yaml

from diagnose.knowledge.load import load_knowledge
from diagnose.knowledge.names import unit_of
from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.compose import Installation, compose
from diagnose.plant.matrix import MatrixBuilder
from diagnose.practice.draws import SPREAD
from diagnose.reasoning.belief import UNKNOWN_UNIT
from diagnose.reasoning.exact import lower_bound
from diagnose.reasoning.lookahead import Lookahead
from diagnose.reasoning.planner import Standing
from diagnose.reasoning.strategy import Greedy, Strategy
from tests.benchmarks.baselines import Checklist
from tests.benchmarks.drive import Bench, Driven, Ending, Verified, drive
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
    return ending.status == "concluded" and ending.unit == unit_of(callout.mode)


def says_unknown(ending: Ending) -> bool:
    """Says that the cause may not be known: as the ending, or as a doubt beside the unit named."""
    return ending.status == "unknown" or ending.doubt


class Setting:
    """One installation: the tool's side and the world's side."""

    def __init__(
        self,
        knowledge: KnowledgeBase,
        choices: Mapping[str, str],
        seed: int,
        kind: str = KIND,
        spread: float = SPREAD,
    ) -> None:
        self.knowledge = knowledge
        self.installation: Installation = compose(knowledge, kind, choices)
        self.matrix = MatrixBuilder(knowledge, self.installation).build()
        self.bench = Bench.of(knowledge, self.installation, self.matrix)
        self.world = World(knowledge, self.installation, seed, spread=spread)


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
        strategies: list[Strategy] = [Lookahead(), Greedy(), Checklist(lists[complaint])]
        found: dict[str, Any] = {}
        for strategy in strategies:
            pairs = [
                (callout, drive(setting.bench, callout, strategy))
                for k, setting in enumerate(settings)
                if complaint in setting.world.complaints
                for callout in setting.world.callouts(count, wrong, complaint, seed=100 + k)
            ]
            found[strategy.name] = summary(pairs)
        of = found["checklist"]["minutes"]
        result[complaint] = {**found, "ratio": found["lookahead"]["minutes"] / max(of, 1e-9)}
    ratios = [r["ratio"] for r in result.values()]
    return {
        "complaints": result,
        "mean_ratio": sum(ratios) / len(ratios),
        "worst_ratio": max(ratios),
    }


def verified(settings: Sequence[Setting], count: int, wrong: float) -> Any:
    """To the verified repair: every strategy on the same callouts, drawn by rate.

    All see the same moves and states, may test for as long as it pays, and repair, verify and go
    on when a repair was in vain; without ``again`` no answer is asked for twice.
    """
    lists = yaml.safe_load((Path(__file__).parent / "checklists.yaml").read_text())
    ways: dict[str, tuple[Any, bool]] = {
        "lookahead": (lambda c: Lookahead(), True),
        "greedy": (lambda c: Greedy(), True),
        "checklist": (lambda c: Checklist(lists[c.complaint]), True),
        "lookahead_never_again": (lambda c: Lookahead(), False),
        "greedy_never_again": (lambda c: Greedy(), False),
        "checklist_never_again": (lambda c: Checklist(lists[c.complaint]), False),
    }
    runs: dict[str, list[tuple[Callout, Verified]]] = {}
    for name, (strategy, again) in ways.items():
        runs[name] = [
            (c, Driven(s.bench, c, strategy(c), again=again).to_the_end())
            for k, s in enumerate(settings)
            for c in s.world.callouts(math.ceil(count / len(settings)), wrong, seed=200 + k)
        ]
    own = runs["lookahead"]
    result: dict[str, Any] = {}
    for name, pairs in runs.items():
        right = [right_unit(c, v.first) for c, v in pairs]
        lost = [k for k, r in enumerate(right) if not r]
        caught = sum(right_unit(*_first(own[k])) for k in lost)
        result[name] = {
            "minutes_to_verified_repair": mean([v.minutes for _, v in pairs]),
            "minutes_to_first_conclusion": mean([v.first.minutes for _, v in pairs]),
            "tests": mean([len(v.first.tests) for _, v in pairs]),
            "accuracy_at_first_repair": mean(right),
            "wilson": wilson(sum(right), len(right)),
            "repairs": mean([v.repairs for _, v in pairs]),
            "verified": mean([v.verified for _, v in pairs]),
            "lookahead_minus_this": difference(
                [a.minutes - b.minutes for (_, a), (_, b) in zip(own, pairs, strict=True)]
            ),
            "wrong_first_conclusions": len(lost),
            "of_them_right_with_lookahead": caught,
        }
    total = {n: r["minutes_to_verified_repair"] for n, r in result.items()}
    testing = {n: r["minutes_to_first_conclusion"] for n, r in result.items()}
    share = math.ceil(count / len(settings))
    bounds = {
        (k, complaint): testing_bound(setting, complaint)
        for k, setting in enumerate(settings)
        for complaint in setting.world.complaints
    }
    bound = mean([bounds[n // share, c.complaint] for n, (c, _) in enumerate(own)])
    result["no_test_order_below"] = bound
    result["ratio_to_that_bound"] = testing["lookahead"] / bound
    result["ratio_to_checklist"] = total["lookahead"] / total["checklist"]
    result["ratio_to_checklist_before_the_repair"] = testing["lookahead"] / testing["checklist"]
    return result


def testing_bound(setting: Setting, complaint: str) -> float:
    """Minutes of testing that no order can undercut, were every answer right.

    Every cause is taken to show its likeliest outcomes; walks and changes of state are counted.
    """
    bench = setting.bench
    standing = Standing(level=bench.levels[complaint])
    problem = bench.noise_free(complaint, standing)
    return lower_bound(replace(problem, terrain=bench.ground.terrain(standing)))


def _first(pair: tuple[Callout, Verified]) -> tuple[Callout, Ending]:
    return pair[0], pair[1].first


def mean(values: Sequence[float]) -> float:
    """Arithmetic mean."""
    return float(np.mean(values))


def difference(values: Sequence[float]) -> list[float]:
    """Mean of paired differences and half its 95 % interval."""
    return [mean(values), 1.96 * float(np.std(values)) / math.sqrt(len(values))]


def ratio(ours: Sequence[float], theirs: Sequence[float]) -> list[float]:
    """Ratio of two paired means and half its 95 % interval.

    The interval is that of a ratio estimate to first order (W. G. Cochran, "Sampling Techniques",
    3rd ed., 1977, section 6.3, from memory): of the residuals of ``ours`` from ratio x ``theirs``.
    """
    found = mean(ours) / mean(theirs)
    left = np.array(ours) - found * np.array(theirs)
    return [found, difference(left.tolist())[1] / mean(theirs)]


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
                ending = drive(bench, callout, Lookahead())
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
    parser.add_argument("--only", choices=("rate", "checklist", "left_out", "verified"))
    parser.add_argument("--verified", type=int, default=1200, help="callouts to verified repairs")
    options = parser.parse_args(arguments)
    knowledge = load_knowledge(ROOT / "knowledge")
    settings = [
        Setting(knowledge, choices, seed=k)
        for k, choices in enumerate(VARIED[: options.installations])
    ]
    result: dict[str, Any] = {"cores": os.cpu_count(), "wrong_answers": options.wrong}
    if options.only in (None, "rate"):
        result["by_rate"] = by_rate(settings, Lookahead(), options.callouts, options.wrong)
    if options.only in (None, "checklist"):
        result["checklist"] = against_checklist(settings, options.per_complaint, options.wrong)
    if options.only in (None, "verified"):
        result["verified"] = {
            f"{wrong:.0%} wrong": verified(settings, options.verified, wrong)
            for wrong in (options.wrong, 2 * options.wrong)
        }
    if options.only in (None, "left_out"):
        result["left_out"] = left_out(settings, options.left_out, options.wrong)
    json.dump(result, sys.stdout, indent=None if options.json else 2)
    print()
    return 0


if __name__ == "__main__":
    sys.exit(main())
