"""How fast a simulated firm's cases teach, and what the review finds of planted defects.

Run it:  python -m tests.benchmarks.learning [--json] [--seeds N] [--review-seeds N]

Rates: causes and complaints are drawn from a firm's true rates on two installations; measured is
the expected log loss of the cause given the complaint, exactly. *Closed* is the share of the gap
between the handbook and the true rates. *best possible* learns with the very prior that the firm
was drawn from. Review: callouts led by a tool with three planted defects, answers with 5 % wrong.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from diagnose.casebook.learning import causes_of
from diagnose.casebook.outcomes import Outcome
from diagnose.casebook.rates import fit_rates
from diagnose.casebook.replays import replayed
from diagnose.casebook.review import Entry, review
from diagnose.casebook.wirings import Wiring, Wirings
from diagnose.interview.session import Session
from diagnose.knowledge.load import find_knowledge, load_knowledge
from diagnose.knowledge.names import unit_of
from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.cache import matrix_for
from diagnose.plant.compose import compose
from diagnose.reasoning.strategy import Greedy
from tests.benchmarks.firm import (
    TEN,
    Defects,
    Firm,
    callout_of,
    handbook,
    lead,
    shown,
    spoilt,
)
from tests.benchmarks.world import Callout, World

Floats = NDArray[np.float64]

INSTALLATIONS: Sequence[dict[str, str]] = (
    {},
    {"drive": "contactor", "module": "active_high", "sump_sensor": "none"},
)
SIZES = (100, 200, 500)
WRONG = 0.1
WORDINGS = (
    (
        *(
            "wasp nest in the vent pipe",
            "nest of wasps blocks the vent",
            "wasps nest, vent blocked",
        ),
        *("vent pipe closed by a wasp nest", "wasps had built a nest in the vent"),
    ),
    (
        *("roots grown into the valve pit", "tree roots in valve pit", "roots moved valve in pit"),
        *("pit full of roots round the valve", "valve pit: roots of a tree"),
    ),
    (
        *(
            "mouse chewed the ribbon lead",
            "ribbon lead chewed by mice",
            "chewed ribbon lead, mouse",
        ),
        *("mice have chewed the ribbon", "lead of the ribbon chewed through by mouse"),
    ),
)
OTHERS = (
    *("meter seal broken by the supplier", "neighbour had borrowed the fuse", "ladder on the hose"),
    *("lid blown away in the storm", "label covered the button", "cement in the drain"),
)


def standard_wirings() -> tuple[Wirings, list[Wiring]]:
    """The shipped knowledge on the benchmark's installations."""
    knowledge = load_knowledge(find_knowledge())
    kind = next(iter(knowledge.installations))
    wirings = Wirings(knowledge, lambda installation: matrix_for(knowledge, installation))
    found = []
    for choices in INSTALLATIONS:
        whole = compose(knowledge, kind, choices).choices
        wiring = wirings.of(kind, tuple(sorted(whole.items())))
        assert wiring is not None
        found.append(wiring)
    return wirings, found


# ---------------------------------------------------------------------- rates


def learned_rates(firm: Firm, wirings: Wirings, drawn: Sequence[tuple[int, int, int]]) -> Any:
    """Rates as `diagnose learn` would have them after these callouts."""
    tables = causes_of(firm.counts(drawn), wirings)
    assert tables is not None
    factor = fit_rates(*tables).factor
    return dict(zip(tables[0].names, (tables[0].handbook * factor).tolist(), strict=True))


def plain_rates(firm: Firm) -> dict[tuple[str, str], float]:
    """The handbook's rates by installation type and failure mode."""
    return {
        (w.installation.type.id, name): float(rate)
        for w in firm.wirings
        for name, rate in zip(w.modes, handbook(w), strict=True)
    }


def best_possible(firm: Firm, drawn: Sequence[tuple[int, int, int]], flat: Floats) -> Any:
    """Rates under the prior that the firm ``apart`` was drawn from: flat up to a factor of ten.

    Each failure mode by itself by quadrature, its exposure from all the others' means.
    """
    groups: dict[str, list[tuple[int, int]]] = {}
    for w, wiring in enumerate(firm.wirings):
        i = wiring.installation
        for k, installed in enumerate(i.modes.values()):
            part = i.instances[installed.unit].part
            groups.setdefault(f"{part}.{installed.mode.id}", []).append((w, k))
    factor = [np.ones(len(w.modes)) for w in firm.wirings]
    tables = [shown(w) * handbook(w) for w in firm.wirings]
    cases = [np.zeros(t.shape) for t in tables]
    for w, c, m in drawn:
        cases[w][c, m] += 1
    for _ in range(100):
        exposure = [
            (n.sum(axis=1) / (t * f).sum(axis=1)) @ t
            for n, t, f in zip(cases, tables, factor, strict=True)
        ]
        moved = 0.0
        for places in groups.values():
            n = sum(cases[w][:, k].sum() for w, k in places)
            e = sum(exposure[w][k] for w, k in places)
            log = n * flat - e * np.exp(flat)
            weight = np.exp(log - log.max())
            mean = float((weight @ np.exp(flat)) / weight.sum())
            for w, k in places:
                new = float(np.sqrt(mean * factor[w][k]))
                moved = max(moved, abs(float(np.log(new / factor[w][k]))))
                factor[w][k] = new
        if moved < 1e-4:
            break
    return {
        (w.installation.type.id, name): float(r * f)
        for w, x in zip(firm.wirings, factor, strict=True)
        for name, r, f in zip(w.modes, handbook(w), x, strict=True)
    }


FIRMS = (("makes", 0.0), ("apart", 0.0), ("handbook", 0.0), ("makes", WRONG))
"""Kinds of firm (see `tests.benchmarks.firm.log_factors`) and shares of wrong closings."""


def rate_figures(
    seeds: int,
    sizes: Sequence[int] = SIZES,
    firms: Sequence[tuple[str, float]] = FIRMS,
    best: bool = True,
) -> dict[str, Any]:
    """Log losses of every firm, by number of cases; means over the seeds."""
    wirings, known = standard_wirings()
    flat = np.linspace(-TEN, TEN, 121)
    found: dict[str, Any] = {}
    for name, wrong in firms:
        rows: list[dict[str, float]] = []
        for seed in range(seeds):
            firm = Firm.of(known, name, seed)
            drawn = firm.draw(max(sizes), seed, wrong)
            book, oracle = firm.loss(plain_rates(firm)), firm.loss(None)
            row = {"handbook": book, "oracle": oracle}
            for n in sizes:
                loss = firm.loss(learned_rates(firm, wirings, drawn[:n]))
                row[f"loss_{n}"] = loss
                if book - oracle > 1e-9:
                    row[f"closed_{n}"] = (book - loss) / (book - oracle)
                row[f"worse_{n}"] = (loss - book) / book
                if name == "apart" and best:
                    bound = firm.loss(best_possible(firm, drawn[:n], flat))
                    row[f"best_possible_{n}"] = (book - bound) / (book - oracle)
            rows.append(row)
        label = name if not wrong else f"{name}, {wrong:.0%} closed wrongly"
        found[label] = {key: float(np.mean([r[key] for r in rows])) for key in rows[0]}
        found[label]["worst_seed"] = max(
            max(r[f"worse_{n}"] for n in sizes[1:] or sizes) for r in rows
        )
    return found


# ---------------------------------------------------------------------- review


class Workshop:
    """One simulated world whose callouts are led by tools with and without defects."""

    def __init__(self, seed: int = 1) -> None:
        self.knowledge = load_knowledge(find_knowledge())
        kind = next(iter(self.knowledge.installations))
        installation = compose(self.knowledge, kind)
        self.wiring = Wiring(installation, matrix_for(self.knowledge, installation))
        self.world = World(self.knowledge, installation, seed)
        self.session = self.tool(self.knowledge, self.wiring)
        clear = [n for n, t in self.world.truths.items() if t.complaints.any(axis=0).mean() > 0.9]
        self.clear = [n for n in clear if n in installation.modes]

    def tool(self, knowledge: KnowledgeBase, wiring: Wiring) -> Session:
        """A session of the tool; greedy, as callouts by the hundred need it."""
        return Session(knowledge, wiring.installation, wiring.matrix, strategy=Greedy())

    def defects(self, seed: int) -> Defects:
        """Three defects of different units, drawn so that each touches the cases that it should."""
        rng = np.random.default_rng([seed, 41])
        order = [self.clear[k] for k in rng.permutation(len(self.clear))]
        missing = order[0]
        units = {unit_of(missing)}
        likelihood = None
        for mode in order[1:]:
            if unit_of(mode) not in units and (test := self._asked(mode, seed)):
                likelihood = (mode, test)
                units.add(unit_of(mode))
                break
        assert likelihood is not None
        mode = next(m for m in order[1:] if unit_of(m) not in units)
        complaint = callout_of(self.world, mode, seed, 0.0).complaint
        self.excluded = mode
        return Defects(missing, likelihood, (unit_of(mode), complaint))

    def _asked(self, mode: str, seed: int) -> str:
        """A test that the tool always asks under a failure mode, and that shows it surely."""
        asked: Counter[str] = Counter()
        for k in range(3):
            callout = callout_of(self.world, mode, 1000 * seed + k, 0.0)
            outcome = lead(self.session, callout, k, {"found": "x"})
            asked.update({s.test for s in outcome.findings})
        row = self.wiring.index[mode]
        for test, n in sorted(asked.items()):
            p = self.wiring.matrix.p[row, self.wiring.test_index[test]]
            if n == 3 and p.max() > 0.9:
                return test
        return ""

    def run(self, seed: int, planted: bool, cases: int = 100, share: float = 0.08) -> Any:
        """Lead the callouts of one firm and review them; the entries, and which were planted."""
        rng = np.random.default_rng([seed, 42])
        defects = self.defects(seed)
        session = self.session
        if planted:
            session = self.tool(*spoilt(self.knowledge, self.wiring, defects))
        special = (defects.missing, defects.likelihood[0], self.excluded)
        words = WORDINGS[seed % len(WORDINGS)]
        others = [OTHERS[k] for k in rng.permutation(len(OTHERS))]
        outcomes: list[Outcome] = []
        ordinary = iter(self.world.callouts(cases, 0.05, seed=seed))
        for number in range(cases):
            draw = rng.random()
            callout = next(ordinary)
            if planted and draw < 3 * share:
                chosen = special[int(draw / share)]
                callout = callout_of(self.world, chosen, 100 * seed + number, 0.05)
                if chosen == self.excluded and self._may_say(callout, defects.excluded[1]):
                    callout.complaint = defects.excluded[1]
            unit, _, mode = callout.mode.partition(".")
            closed = {"unit": unit, "failure_mode": mode}
            if planted and callout.mode == defects.missing:
                closed = {"found": str(rng.choice(words))}
            elif rng.random() < 0.03 and others:
                closed = {"found": others.pop()}
            outcomes.append(lead(session, callout, number, closed))
        entries = review([replayed(o, session) for o in outcomes])
        return entries, defects, outcomes

    def _may_say(self, callout: Callout, complaint: str) -> bool:
        row = self.world.complaints.index(complaint)
        return bool(callout.truth.complaints[row, callout.draw])

    def judge(self, seed: int) -> dict[str, Any]:
        """Which of the planted defects are named, and what else is."""
        entries, defects, outcomes = self.run(seed, planted=True)
        owner: dict[str, Callable[[Entry], bool]] = {
            "rule": lambda e: e.kind == "rule" and e.about == "planted",
            "likelihood": lambda e: (
                e.kind == "likelihood" and (e.data["cause"], e.data["test"]) == defects.likelihood
            ),
            "missing": lambda e: (
                e.kind == "missing" and any(e.about in group for group in WORDINGS)
            ),
        }
        related = {defects.missing, defects.likelihood[0], self.excluded}
        false = [e for e in entries if not any(f(e) for f in owner.values())]
        false = [e for e in false if not (e.kind == "ranked_low" and e.about in related)]
        clean, _, _ = self.run(seed, planted=False)
        mode, test = defects.likelihood
        unit, complaint = defects.excluded
        told = {
            "rule": [o for o in outcomes if unit_of(o.cause) == unit and complaint in o.complaints],
            "likelihood": [
                o for o in outcomes if o.cause == mode and test in {s.test for s in o.findings}
            ],
            "missing": [o for o in outcomes if any(o.words in group for group in WORDINGS)],
        }
        return {
            **{name: any(f(e) for e in entries) for name, f in owner.items()},
            "touched": {name: len(found) for name, found in told.items()},
            "entries": len(entries),
            "false": [_line(e) for e in false],
            "false_where_nothing_is_planted": [_line(e) for e in clean],
        }


def _line(entry: Entry) -> str:
    return f"{entry.kind}: {entry.says} (p {entry.surprise:.1e})"


def review_figures(seeds: int) -> dict[str, Any]:
    """The share of firms in which each planted defect is named, and the share of false entries."""
    shop = Workshop()
    rows = []
    for seed in range(seeds):
        rows.append(shop.judge(seed))
        print(f"firm {seed}: {rows[-1]}", file=sys.stderr, flush=True)
    entries = sum(r["entries"] for r in rows)
    kinds = ("rule", "likelihood", "missing")
    enough = [r for r in rows if min(r["touched"].values()) >= 5]
    return {
        **{k: float(np.mean([r[k] for r in rows])) for k in kinds},
        "firms": len(rows),
        "firms_where_each_touches_5_cases_or_more": len(enough),
        "all_three_named_there": float(np.mean([all(r[k] for k in kinds) for r in enough])),
        "all_three": float(np.mean([all(r[k] for k in kinds) for r in rows])),
        "entries": entries,
        "false_share": sum(len(r["false"]) for r in rows) / max(entries, 1),
        "false": [x for r in rows for x in r["false"]],
        "firms_with_an_alarm_where_nothing_is_planted": float(
            np.mean([bool(r["false_where_nothing_is_planted"]) for r in rows])
        ),
        "alarms_where_nothing_is_planted": [
            x for r in rows for x in r["false_where_nothing_is_planted"]
        ],
    }


def main(args: Sequence[str] | None = None) -> None:
    """Run both and print them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--seeds", type=int, default=20)
    parser.add_argument("--review-seeds", type=int, default=20)
    given = parser.parse_args(args)
    found: dict[str, Any] = {}
    if given.seeds:
        found["rates"] = rate_figures(given.seeds)
    if given.review_seeds:
        found["review"] = review_figures(given.review_seeds)
    if given.json:
        json.dump(found, sys.stdout, indent=2)
        print()
        return
    for part, figures in found.items():
        print(part)
        for name, value in figures.items():
            print(f"  {name}: {value}")


if __name__ == "__main__":
    main()
