"""Every pair of variant choices built at least once: solved, as designed, all faults accounted for.

Run in full with ``python -m tests.campaigns.variants``; ``--quick`` takes a few combinations by a
fixed seed, as the suite does. Of each installation type a greedy covering array holds every pair
of choices of two variants that can be built together; for each combination:

- it composes, and every net of every failure mode is solved to finite numbers;
- what the type says of itself (``designed:``) holds in every sample of every tolerance;
- every failure mode of a fitted part is told from a healthy installation by some test, or is
  listed with the reason why it need not be.
"""

from __future__ import annotations

import argparse
import itertools
import random
import sys
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from diagnose.errors import DiagnoseError
from diagnose.knowledge.load import find_knowledge, load_knowledge
from diagnose.knowledge.records import InstallationType, KnowledgeBase
from diagnose.plant.compose import choose, compose
from diagnose.plant.designed import designed_issues, lines_for
from diagnose.plant.matrix import HEALTHY, MatrixBuilder
from diagnose.reasoning.separation import undetected

Choices = dict[str, str]
Pair = tuple[tuple[str, str], tuple[str, str]]

ACCOUNTED: Mapping[str, str] = {}
"""Failure modes (``part.mode``) that no test need show in some combination, and why."""
TRIES = 30
"""Random completions tried for each combination of the greedy array."""
QUICK = 3
"""Combinations of each type in the quick setting."""


def buildable(kind: InstallationType, choices: Mapping[str, str]) -> bool:
    """Whether these choices, the rest at their defaults, can be built."""
    try:
        choose(kind, choices)
    except DiagnoseError:
        return False
    return True


def _excluded(kind: InstallationType, choices: Mapping[str, str]) -> bool:
    """Whether a conflict is met by these choices alone."""
    return any(
        all(choices.get(k) == v for k, v in conflict.when.items()) for conflict in kind.conflicts
    )


def possible_pairs(kind: InstallationType) -> set[Pair]:
    """Every pair of choices of two variants that some whole combination holds."""
    axes = {v.id: list(v.choices) for v in kind.variants.values() if len(v.choices) > 1}
    pairs: set[Pair] = set()
    for (a, first), (b, second) in itertools.combinations(axes.items(), 2):
        for x, y in itertools.product(first, second):
            if _completed(kind, {a: x, b: y}, axes) is not None:
                pairs.add(((a, x), (b, y)))
    return pairs


def _completed(
    kind: InstallationType, chosen: Choices, axes: Mapping[str, Sequence[str]]
) -> Choices | None:
    """A whole combination with these choices, by depth-first search; None where there is none."""
    if _excluded(kind, chosen):
        return None
    left = [name for name in axes if name not in chosen]
    if not left:
        return chosen if buildable(kind, chosen) else None
    name = left[0]
    default = kind.variants[name].default
    for choice in sorted(axes[name], key=lambda c: c != default):
        whole = _completed(kind, {**chosen, name: choice}, axes)
        if whole is not None:
            return whole
    return None


def pairs_of(choices: Mapping[str, str]) -> set[Pair]:
    """The pairs that a combination holds."""
    return set(itertools.combinations(choices.items(), 2))


def covering_array(kind: InstallationType, seed: int = 7) -> list[Choices]:
    """A greedy pairwise covering array: combinations that hold every possible pair.

    Each combination starts from a pair that is still missing; of `TRIES` random completions the
    one with most missing pairs is taken.
    """
    axes = {v.id: list(v.choices) for v in kind.variants.values() if len(v.choices) > 1}
    order = {name: k for k, name in enumerate(axes)}
    if len(axes) < 2:
        return [{name: c} for name, choices in axes.items() for c in choices] or [{}]
    rng = random.Random(seed)
    missing = possible_pairs(kind)
    found = []
    while missing:
        start = dict(min(missing))
        best: Choices = {}
        gain = -1
        for _ in range(TRIES):
            whole = _random(kind, start, axes, rng, missing)
            if whole is None:
                continue
            whole = dict(sorted(whole.items(), key=lambda item: order[item[0]]))
            new = len(pairs_of(whole) & missing)
            if new > gain:
                best, gain = whole, new
        if gain < 1:
            completed = _completed(kind, start, axes)
            assert completed is not None
            best = dict(sorted(completed.items(), key=lambda item: order[item[0]]))
        missing -= pairs_of(best)
        found.append(best)
    return found


def _random(
    kind: InstallationType,
    start: Choices,
    axes: Mapping[str, Sequence[str]],
    rng: random.Random,
    missing: set[Pair],
) -> Choices | None:
    """A random whole combination: of each variant the choice that adds most missing pairs."""
    chosen = dict(start)
    names = [name for name in axes if name not in chosen]
    rng.shuffle(names)
    for name in names:
        options = [c for c in axes[name] if not _excluded(kind, {**chosen, name: c})]
        if not options:
            return None

        def gain(choice: str, name: str = name) -> tuple[int, float]:
            pairs = (((k, v), (name, choice)) for k, v in chosen.items())
            new = sum((a, b) in missing or (b, a) in missing for a, b in pairs)
            return new, rng.random()

        chosen[name] = max(options, key=gain)
    return chosen if buildable(kind, chosen) else None


@dataclass
class Found:
    """What one combination showed."""

    kind: str
    choices: Choices
    modes: int = 0
    statements: int = 0
    problems: list[str] = field(default_factory=list)
    accounted: list[str] = field(default_factory=list)
    seconds: float = 0.0

    @property
    def name(self) -> str:
        return f"{self.kind}: " + ", ".join(f"{k}={v}" for k, v in self.choices.items())


def examine(kb: KnowledgeBase, kind: str, choices: Choices) -> Found:
    """Build one combination and look at all that must hold of it."""
    found = Found(kind, choices)
    begin = time.perf_counter()
    try:
        installation = compose(kb, kind, choices)
        found.modes = len(installation.modes)
        found.statements = len(lines_for(installation))
        found.problems += [issue.message for issue in designed_issues(installation)]
        matrix = MatrixBuilder(kb, installation).build()
    except DiagnoseError as error:
        found.problems += [issue.message for issue in error.issues]
        return found
    if not np.isfinite(matrix.p).all():
        found.problems.append("a reading is no finite number")
    healthy = matrix.rows.index(HEALTHY)
    found.problems += [
        f"a healthy installation shows '{name}'"
        for name, shown in matrix.complaints.items()
        if shown[healthy] > 0
    ]
    for mode in undetected(matrix):
        part = installation.part_of(installation.modes[mode].unit).id
        reason = ACCOUNTED.get(f"{part}.{installation.modes[mode].mode.id}")
        if reason is None:
            found.problems.append(f"no test shows {mode}, and no reason is listed")
        else:
            found.accounted.append(f"{mode}: {reason}")
    found.seconds = time.perf_counter() - begin
    return found


def sample(kb: KnowledgeBase, quick: bool, seed: int = 7) -> list[tuple[str, Choices]]:
    """The combinations to examine, of every installation type."""
    chosen: list[tuple[str, Choices]] = []
    for kind in kb.installations.values():
        array = covering_array(kind, seed)
        if quick:
            array = random.Random(seed).sample(array, min(QUICK, len(array)))
        chosen += [(kind.id, choices) for choices in array]
    return chosen


def report(results: Iterable[Found]) -> int:
    """Print one line for each combination, what is wrong and a total; the exit code."""
    results = list(results)
    wrong = [r for r in results if r.problems]
    for kind in dict.fromkeys(r.kind for r in results):
        own = [r for r in results if r.kind == kind]
        good = sum(not r.problems for r in own)
        modes = [r.modes for r in own]
        print(
            f"{kind}: {good} of {len(own)} combinations as designed and fully accounted for; "
            f"{min(modes)} to {max(modes)} failure modes each, "
            f"{sum(r.statements for r in own)} statements of design checked"
        )
    for line in dict.fromkeys(a for r in results for a in r.accounted):
        print(f"  not shown by a test: {line}")
    return 1 if wrong else 0


def main() -> int:
    """Run the campaign; the exit code is 1 where something does not hold."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help=f"{QUICK} combinations of each type")
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--list", action="store_true", help="only list the combinations")
    options = parser.parse_args()
    kb = load_knowledge(find_knowledge())
    chosen = sample(kb, options.quick, options.seed)
    for kind in kb.installations.values():
        pairs = len(possible_pairs(kind))
        print(f"{kind.id}: {pairs} pairs of choices in {len(covering_array(kind))} combinations")
    results = []
    for kind_id, choices in chosen:
        if options.list:
            print(Found(kind_id, choices).name)
            continue
        found = examine(kb, kind_id, choices)
        print(f"{'ok ' if not found.problems else 'BAD'} {found.seconds:5.1f} s  {found.name}")
        for problem in found.problems:
            print(f"      {problem}")
        sys.stdout.flush()
        results.append(found)
    return report(results) if results else 0


if __name__ == "__main__":
    raise SystemExit(main())
