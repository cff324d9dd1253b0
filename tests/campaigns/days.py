"""Whether the day of each failure mode shows the complaint that the matrix says it shows.

    python -m tests.campaigns.days [--quick] [UNIT.MODE ...]

For every failure mode of the standard installation and each of four complaints, as far as the
matrix gives it: the day is run with the parts drawn three times, and once more each with the town
main off from the morning on, for complaints that need a dry sump; where the matrix is not sure of
a complaint, for some draws of the parts show it and some do not, nine draws more are tried. Shared
between the two are the plant's equations; what the day adds is levels, floats, memory and time.
`--quick`: every tenth mode, the parts drawn once.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Sequence

import numpy as np

from diagnose.knowledge.folder import find_knowledge
from diagnose.knowledge.load import load_knowledge
from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.compose import Installation, compose
from diagnose.plant.day import run
from diagnose.plant.day_complaints import noticed
from diagnose.plant.matrix import MatrixBuilder

ASKED = {
    "overflows": ("overflows",),
    "runs_dry": ("runs_dry",),
    "relay_chatters": ("relay_chatters",),
    "does_not_fill": ("will_not_start_auto", "will_not_start_at_all", "controller_dark"),
}
MAIN_OFF = ((5 * 60.0, 24 * 60.0),)


def by_matrix(
    knowledge: KnowledgeBase, installation: Installation, names: Sequence[str]
) -> dict[str, dict[str, float]]:
    """Failure mode → what is asked → the greatest chance of its complaints."""
    wanted = [complaint for each in ASKED.values() for complaint in each]
    builder = MatrixBuilder(knowledge, installation).only((), wanted)
    modes = [installation.modes[name] for name in names]
    found: dict[str, dict[str, float]] = {name: {} for name in names}
    for batch in builder.batches(modes):
        simulation = builder.simulate([modes[k] for k in batch])
        shown = builder.complaints_shown(simulation)
        for complaint, lanes in zip(builder.complaints, shown, strict=True):
            chances = np.asarray(lanes, dtype=float).reshape(len(batch), -1).mean(axis=1)
            for k, chance in zip(batch, chances, strict=True):
                for asked, complaints in ASKED.items():
                    if complaint.id in complaints:
                        row = found[names[k]]
                        row[asked] = max(row.get(asked, 0.0), float(chance))
    return found


def by_day(
    knowledge: KnowledgeBase,
    installation: Installation,
    name: str,
    seeds: Sequence[int],
    wanted: Sequence[str],
) -> frozenset[str]:
    """What is noticed in the days of a failure mode, until all that is wanted was."""
    found: frozenset[str] = frozenset()
    for off in ((), MAIN_OFF):
        for seed in seeds:
            if not found.issuperset(wanted):
                found |= noticed(run(knowledge, installation, [name], 24.0, seed, main_off=off))
    return found


def main(args: Sequence[str]) -> None:
    """Print the share that agrees, and each that does not."""
    quick = "--quick" in args
    knowledge = load_knowledge(find_knowledge())
    installation = compose(knowledge, "tank_and_sump")
    named = [arg for arg in args if not arg.startswith("--")]
    names = named or list(installation.modes)[:: 10 if quick else 1]
    begun = time.perf_counter()
    expected = by_matrix(knowledge, installation, names)
    agree = dict.fromkeys(ASKED, 0)
    total = dict.fromkeys(ASKED, 0)
    differ = []
    for name in names:
        wanted = [asked for asked, chance in expected[name].items() if chance > 0]
        seeds = (0,) if quick else (0, 1, 2)
        seen = by_day(knowledge, installation, name, seeds, wanted)
        unsure = [a for a in wanted if a not in seen and expected[name][a] < 1]
        if unsure and not quick:
            seen |= by_day(knowledge, installation, name, range(3, 12), unsure)
        for asked in wanted:
            total[asked] += 1
            agree[asked] += asked in seen
            if asked not in seen:
                differ.append((asked, name, expected[name][asked], sorted(seen)))
    for asked, count in total.items():
        print(f"{asked:16s} {agree[asked]:4d} of {count:4d} failure modes show it in the day")
    print(f"{'all':16s} {sum(agree.values()):4d} of {sum(total.values()):4d}")
    for asked, name, chance, others in sorted(differ):
        print(f"  not: {asked:16s} {name:34s} matrix {chance:.2f}  day: {', '.join(others) or '-'}")
    print(f"{len(names)} failure modes, {time.perf_counter() - begun:.0f} s")


if __name__ == "__main__":
    main(sys.argv[1:])
