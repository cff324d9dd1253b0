"""Accuracy and minutes on every ready installation.

``python -m tests.benchmarks.everywhere --json`` drives, on the default of each installation type
and on each preset, callouts drawn by rate, with the strategy that ships, with information per
minute, and with the fixed order of `baselines.Checklist` where every complaint drawn has one.
Simulated faults: they say that the method works, not how it does in the field (see
`tests.benchmarks.world`). That world lies 20 % off the tool's numbers; where hardly any draw
then works when healthy (a transmitter whose 4 mA are 4.8), it lies nearer, and the line says so.
Which faults are drawn decides much of the ratio to the checklist's minutes: 40 callouts leave it
open by 0.1 or more either way, and whatever is new in the knowledge draws other ones. So each
ratio is given with half its 95 % interval, and ``--seed`` draws afresh.
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
from diagnose.plant.wiring import DEFAULT, Named, named_installations
from diagnose.practice.draws import SPREAD
from diagnose.reasoning.lookahead import Lookahead
from diagnose.reasoning.strategy import Greedy, Strategy
from tests.benchmarks.baselines import Checklist
from tests.benchmarks.drive import Ending, drive
from tests.benchmarks.efficiency import (
    ROOT,
    Setting,
    difference,
    ratio,
    right_unit,
    summary,
    wilson,
)
from tests.benchmarks.world import Callout, TooFewWork

Driven = list[tuple[Callout, Ending]]
SPREADS = (SPREAD, 0.1, 0.05, 0.02)


def ready_installations(knowledge: KnowledgeBase) -> list[Named]:
    """The default of each installation type, and every preset."""
    named = named_installations(knowledge)
    return [n for n in named if n.preset or n.name.rpartition(":")[2] == DEFAULT]


def driven(
    setting: Setting, strategies: Mapping[str, Strategy], count: int, wrong: float, seed: int
) -> Driven:
    """Callouts by rate, each with the strategy that its complaint names."""
    return [
        (callout, drive(setting.bench, callout, strategies[callout.complaint]))
        for callout in setting.world.callouts(count, wrong, seed=seed)
    ]


def widest(knowledge: KnowledgeBase, named: Named) -> tuple[Setting, float]:
    """The world farthest off the tool's numbers in which the installation still works."""
    for spread in SPREADS[:-1]:
        try:
            return Setting(knowledge, named.choices, 7, named.kind, spread), spread
        except TooFewWork:
            continue
    return Setting(knowledge, named.choices, 7, named.kind, SPREADS[-1]), SPREADS[-1]


def measured(
    knowledge: KnowledgeBase, named: Named, count: int, wrong: float, seed: int
) -> dict[str, Any]:
    """All strategies on the same callouts of one installation."""
    lists = yaml.safe_load((Path(__file__).parent / "checklists.yaml").read_text())
    setting, spread = widest(knowledge, named)
    complaints = setting.world.complaints
    ways: dict[str, dict[str, Strategy]] = {
        "lookahead": dict.fromkeys(complaints, Lookahead()),
        "greedy": dict.fromkeys(complaints, Greedy()),
        "checklist": {c: Checklist(lists.get(c, ())) for c in complaints},
    }
    runs = {name: driven(setting, way, count, wrong, seed) for name, way in ways.items()}
    listed = [k for k, (c, _) in enumerate(runs["lookahead"]) if c.complaint in lists]
    result: dict[str, Any] = {name: summary(pairs) for name, pairs in runs.items()}
    minutes = {n: [e.minutes for _, e in pairs] for n, pairs in runs.items()}
    result["lookahead_minus_greedy"] = difference(
        [a - b for a, b in zip(minutes["lookahead"], minutes["greedy"], strict=True)]
    )
    result["callouts_with_a_list"] = len(listed)
    if listed:
        ours, theirs = ([minutes[n][k] for k in listed] for n in ("lookahead", "checklist"))
        result["ratio_to_checklist"] = ratio(ours, theirs)
    result["spread"] = spread
    result["right"] = sum(right_unit(c, e) for c, e in runs["lookahead"])
    return result


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", help="ready installations (default: all)")
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--callouts", type=int, default=200, help="on each installation")
    parser.add_argument("--wrong", type=float, default=0.05)
    parser.add_argument("--seed", type=int, default=300, help="of the draw of callouts")
    options = parser.parse_args(arguments)
    knowledge = load_knowledge(ROOT / "knowledge")
    found: dict[str, Any] = {}
    for named in ready_installations(knowledge):
        if options.names and named.name not in options.names:
            continue
        found[named.name] = one = measured(
            knowledge, named, options.callouts, options.wrong, options.seed
        )
        if not options.json:
            of, half = one.get("ratio_to_checklist", (math.nan, math.nan))
            print(
                f"{named.name:28} right {one['lookahead']['accuracy']:.3f}"
                f" (greedy {one['greedy']['accuracy']:.3f}),"
                f" {one['lookahead']['minutes']:.1f} min, of the checklist's"
                f" {of:.2f} +- {half:.2f}"
                f" ({one['callouts_with_a_list']} callouts; world {one['spread']:.0%} off)",
                flush=True,
            )
    right, count = sum(f["right"] for f in found.values()), options.callouts * len(found)
    low, high = wilson(right, count)
    if options.json:
        json.dump({"cores": os.cpu_count(), "installations": found}, sys.stdout)
        print()
    else:
        print(f"{right} of {count} right, Wilson {low:.3f} to {high:.3f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
