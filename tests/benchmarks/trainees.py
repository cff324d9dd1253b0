"""Simulated trainees on the same practice callouts: the strategy, a fixed checklist, chance.

``python -m tests.benchmarks.trainees [--callouts 500] [--quick]`` prints mean scores and minutes,
the paired differences with their 95 % intervals (Student's t and percentile bootstrap), and on
what share of the callouts each scores more.

All three work safely through `play` under the referee, ask the customer the same questions, read
the meter right, draw the same conclusions from what they find, and differ in which test they
choose. Strategy and checklist stop testing when the interview would, chance when one unit is sure
or after `MOST_TESTS`. The installation's tolerances and the instruments give the noise; nobody
answers wrongly. Nobody states anything or asks for hints, so that method earns no points.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import sys
import time
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import yaml
from numpy.typing import NDArray
from scipy import stats

from diagnose.interview.history import rate_factors
from diagnose.interview.remaining import REPAIRED
from diagnose.interview.session import MOST_TIMES, Session
from diagnose.knowledge.load import load_knowledge
from diagnose.knowledge.names import unit_of
from diagnose.plant.cache import matrix_for
from diagnose.plant.compose import Fault, compose
from diagnose.plant.simulation import Simulation
from diagnose.practice.bench import LANES, Bench, Workshop, _Found
from diagnose.practice.best import likeliest_unit, next_check
from diagnose.practice.deeds import SAFETY
from diagnose.practice.draws import Drawer, chance, chosen, unsound
from diagnose.practice.events import state_after
from diagnose.practice.expert import expert, played
from diagnose.practice.measures import checked, solved, wrong_parts
from diagnose.practice.play import prepare
from diagnose.practice.records import Act, Attempt, Exercise
from diagnose.practice.score import score_of
from diagnose.reasoning.belief import UNKNOWN_UNIT, Belief, information
from diagnose.reasoning.decision import ENOUGH, decide
from diagnose.reasoning.planner import Standing
from diagnose.reasoning.strategy import Candidate, Strategy, Terrain, drop_live
from tests.benchmarks.baselines import Checklist
from tests.benchmarks.drive import FULLY_EQUIPPED, MOST_TESTS
from tests.benchmarks.efficiency import KIND, ROOT, VARIED

SHARED_DRAWS = 3
"""Sets of numbers that the callouts of one installation are dealt from."""
TRIED = 120
RATE_FACTOR = 3.0
RESAMPLES = 2000


# ---------------------------------------------------------------------- many callouts at once


class View(Simulation):
    """One fault's lanes of one draw in a simulation of many."""

    def __init__(self, whole: Simulation, lanes: NDArray[np.int_]) -> None:
        self.circuit, self.conditions = whole.circuit, whole.conditions
        self.a, self.b = whole.a, whole.b
        self.lanes = len(lanes)
        self.places, self.of_all = lanes, whole.lanes

    def _rows(self, position: int) -> NDArray[np.int_]:
        return position * self.of_all + self.places


class SharedBench(Bench):
    """A bench whose installation was settled together with many others."""

    def __init__(self, field: Field, exercise: Exercise, draw: int) -> None:
        super().__init__(field.workshop, exercise, field.drawer)
        self.field, self.draw = field, draw
        self._builder = field.workshop.builder

    def found(self, swapped: Collection[str] = ()) -> _Found:
        """See `Bench.found`."""
        left = self.left(swapped)
        return self.field.found(left[0].id if left else "", self.draw)


class Field:
    """One installation with all its failure modes settled side by side.

    The numbers of an installation are drawn as a bench draws them, and sound ones kept; the mode
    of a callout is drawn by rates that differ from the handbook's by up to `RATE_FACTOR`, as in
    `tests.benchmarks.world`.

    Parameters
    ----------
    modes
        The failure modes that can be hidden; all by default.
    tried
        Draws among which sound ones are looked for.
    """

    def __init__(
        self, session: Session, seed: int, modes: Sequence[str] = (), tried: int = TRIED
    ) -> None:
        installation = session.installation
        self.session = session
        self.workshop = Workshop(session.knowledge, installation)
        self.seed = seed
        self.drawer = Drawer(seed, 0.0)
        builder = self.workshop.builder
        healthy = builder.simulate(None, tried, self.drawer)
        bad = np.array(builder.complaints_shown(healthy)).any(axis=0)
        bad |= unsound(builder, healthy, builder.shown(builder.simulate(None)))
        kept = np.flatnonzero(~bad)[:SHARED_DRAWS]
        builder.forget()
        self.drawer.kept = np.repeat(kept, LANES)
        self.draws = len(kept)
        self.known: dict[str, tuple[_Found, int]] = {}
        self.shows: dict[str, NDArray[np.bool_]] = {}
        names = list(modes or installation.modes)
        faults: list[Fault | None] = [*(installation.modes[n] for n in names), None]
        samples = LANES * self.draws
        for batch in builder.batches(faults):
            whole = builder.simulate([faults[r] for r in batch], samples, self.drawer)
            shown = np.array(builder.complaints_shown(whole))
            for k, r in enumerate(batch):
                name = names[r] if r < len(names) else ""
                self.known[name] = (_Found(whole, faults[r]), k * samples)
                own = shown[:, k * samples : (k + 1) * samples]
                shape = (len(shown), self.draws, LANES)
                self.shows[name] = np.asarray(own.reshape(shape).any(axis=2))

    def found(self, mode: str, draw: int) -> _Found:
        """What a mode ("" for none) shows in one of the draws."""
        whole, first = self.known[mode]
        lanes = first + draw * LANES + np.arange(LANES)
        return _Found(View(whole.simulation, lanes), whole.fault)

    def benches(self, count: int) -> Iterator[SharedBench]:
        """Callouts drawn by rate, each with a complaint that its mode really shows."""
        names = [name for name in self.shows if name and self.shows[name].any()]
        spread = [2 * chance(self.seed, "rate", name) - 1 for name in names]
        rates = [self.session.rates[n] * RATE_FACTOR**s for n, s in zip(names, spread, strict=True)]
        complaints = [c.id for c in self.workshop.builder.complaints]
        for number in range(count):
            seed = 1000 * self.seed + number
            mode = names[chosen(seed, rates, "mode")]
            cells = np.argwhere(self.shows[mode])
            said, draw = cells[chosen(seed, [1.0] * len(cells), "complaint")].tolist()
            exercise = Exercise(
                id=f"{self.seed}-{number}",
                kind=self.session.installation.type.id,
                variants=dict(self.session.installation.choices),
                modes=(mode,),
                complaint=complaints[said],
                seed=seed,
            )
            yield SharedBench(self, exercise, draw)


# ---------------------------------------------------------------------- trainees

Choose = Callable[[Belief, list[Candidate], Terrain, Attempt], str]


class Trainee:
    """Works safely; asks and concludes as the interview does, `choose` picks the test.

    `choose` gets the belief, the permitted tests, what walks cost and the attempt, and names a
    test, or "" to repair the likeliest unit. The belief is the interview's up to the first repair;
    after a repair in vain its causes count as hardly possible (as in `tests.benchmarks.drive`).
    """

    def __init__(
        self, session: Session, bench: Bench, choose: Choose, most: int = MOST_TESTS
    ) -> None:
        self.session, self.bench, self.choose, self.most = session, bench, choose, most
        self.belief: Belief | None = None
        self.ground = session.ground
        self.looked = 0

    def next_act(self, attempt: Attempt) -> Act:
        """What the trainee does next."""
        for name, question in self.session.questions.items():
            asked = SAFETY if question.kind == SAFETY else name
            if not any(asked in t.act.data.values() for t in attempt.taken):
                return Act("ask", {"question": asked})
        belief = self._learnt(attempt)
        if attempt.swapped:
            last = [t for t in attempt.taken if t.act.kind in ("swap", "check")][-1]
            if last.act.kind == "swap" or (last.shown is not None and last.shown.outcome == "pass"):
                check = next_check(self.bench, attempt)
                return Act("check", {"check": check}) if check else Act("finish", {"as": "done"})
        test = self._safe(belief, attempt)
        if test:
            return Act("test", {"test": test})
        return Act("swap", {"unit": likeliest_unit(belief)})

    def _learnt(self, attempt: Attempt) -> Belief:
        """The belief after all that was shown."""
        session, belief = self.session, self.belief
        if belief is None:
            state = state_after(attempt, session)
            self.ground = session.ground_at(state)
            history = rate_factors(session.knowledge, session.installation, state.answers)
            table = session.table("now")
            belief = Belief(table, table.prior(state.complaints, history))
        for taken in attempt.taken[self.looked :]:
            if taken.act.kind == "test" and taken.shown is not None:
                test = taken.act.data["test"]
                belief = belief.update(test, session.outcome_index(test, taken.shown.outcome))
            elif taken.act.kind == "swap" and taken.offence is None:
                unit = taken.act.data["unit"]
                own = [n for n in belief.table.mode_names if unit_of(n) == unit]
                belief = belief.scale(dict.fromkeys(own, REPAIRED))
        self.looked = len(attempt.taken)
        self.belief = belief
        return belief

    def _safe(self, belief: Belief, attempt: Attempt) -> str:
        """The test chosen among those that are permitted and can be made safely now."""
        electrical = attempt.safety.electrical
        standing = Standing(attempt.place, electrical, attempt.level)
        done = [test for test, _ in belief.seen]
        often = {test for test in done if done.count(test) >= MOST_TIMES}
        tests, index = self.session.tests, belief.table.test_index
        offered = self.ground.candidates(tests, index, standing, FULLY_EQUIPPED, often)
        gains = information(belief, np.array([c.index for c in offered]))
        offered = [candidate for candidate, _ in drop_live(belief, offered, gains)]
        while len(done) < self.most:
            test = self.choose(belief, offered, self.ground.terrain(standing), attempt)
            act = Act("test", {"test": test})
            if not test or prepare(self.bench, attempt, act) is not None:
                return test
            offered = [c for c in offered if c.test != test]
        return ""


def by(strategy: Strategy, session: Session) -> Choose:
    """A trainee's choice by a strategy, as long as testing pays (as in the interview)."""

    def choose(belief: Belief, offered: list[Candidate], terrain: Terrain, _: Attempt) -> str:
        decision = decide(belief, offered, strategy, terrain, session.stakes)
        return decision.choices[0].candidate.test if decision.kind == "test" else ""

    return choose


def by_chance(belief: Belief, offered: list[Candidate], _: Terrain, attempt: Attempt) -> str:
    """Any permitted test that was not done, until one unit is sure."""
    unit, sure = belief.leading_unit()
    if unit != UNKNOWN_UNIT and sure >= ENOUGH:
        return ""
    done = {test for test, _ in belief.seen}
    fresh = [c.test for c in offered if c.test not in done]
    if not fresh:
        return ""
    number = len(attempt.taken)
    return fresh[int(chance(attempt.exercise.seed, "any test", number) * len(fresh))]


NAMES = ("strategy", "checklist", "chance")


def attempts(
    session: Session, bench: Bench, lists: Mapping[str, Sequence[str]], most: int = MOST_TESTS
) -> list[Attempt]:
    """The attempts of the three trainees at one exercise, in the order of `NAMES`."""
    order = lists[bench.exercise.complaint]
    listed = Trainee(session, bench, by(Checklist(order), session))
    random = Trainee(session, bench, by_chance, most)
    return [
        expert(session, bench),
        played(bench, listed.next_act),
        played(bench, random.next_act),
    ]


def checklists() -> dict[str, list[str]]:
    """The fixed orders of tests, by complaint."""
    text = (Path(__file__).parent / "checklists.yaml").read_text(encoding="utf-8")
    return dict(yaml.safe_load(text))


# ---------------------------------------------------------------------- figures


def rows_of(choices: Mapping[str, str], seed: int, count: int) -> list[list[dict[str, float]]]:
    """What each trainee came to on each callout of one installation."""
    knowledge = load_knowledge(ROOT / "knowledge")
    installation = compose(knowledge, KIND, choices)
    session = Session(knowledge, installation, matrix_for(knowledge, installation))
    return played_on(Field(session, seed), count)


def played_on(field: Field, count: int, most: int = MOST_TESTS) -> list[list[dict[str, float]]]:
    """What each trainee came to on so many callouts of a field; chance makes `most` tests."""
    lists, rows = checklists(), []
    for bench in field.benches(count):
        tried = attempts(field.session, bench, lists, most)
        rows.append([_row(bench, attempt, tried[0].minutes) for attempt in tried])
    return rows


def _row(bench: Bench, attempt: Attempt, minutes: float) -> dict[str, float]:
    return {
        "score": score_of(bench, attempt, minutes).total,
        "minutes": attempt.minutes,
        "tests": float(sum(t.act.kind == "test" for t in attempt.taken)),
        "solved": float(solved(attempt)),
        "checked": checked(attempt, bench),
        "wrong_parts": float(len(wrong_parts(attempt))),
        "offences": float(len(attempt.offences)),
    }


def paired(more: NDArray[np.float64], less: NDArray[np.float64]) -> dict[str, Any]:
    """Mean of paired differences, its 95 % intervals, and shares of callouts won, drawn, lost."""
    gap = more - less
    half = float(stats.t.ppf(0.975, len(gap) - 1) * gap.std(ddof=1) / math.sqrt(len(gap)))
    rng = np.random.default_rng(11)
    means = rng.choice(gap, (RESAMPLES, len(gap))).mean(axis=1)
    mean = float(gap.mean())
    return {
        "mean": mean,
        "t_interval": [mean - half, mean + half],
        "bootstrap": [float(q) for q in np.quantile(means, (0.025, 0.975))],
        "won": float((gap > 1e-9).mean()),
        "drawn": float((abs(gap) <= 1e-9).mean()),
        "lost": float((gap < -1e-9).mean()),
    }


def summary(rows: Sequence[Sequence[Mapping[str, float]]]) -> dict[str, Any]:
    """Means per trainee, and every pair of trainees compared callout by callout."""
    keys = list(rows[0][0])
    table = np.array([[[one[key] for key in keys] for one in row] for row in rows])
    means = {
        name: dict(zip(keys, table[:, k].mean(axis=0).tolist(), strict=True))
        for k, name in enumerate(NAMES)
    }
    found: dict[str, Any] = {"callouts": len(rows), "means": means, "paired": {}}
    for a, b in ((0, 1), (1, 2), (0, 2)):
        name = f"{NAMES[a]} - {NAMES[b]}"
        found["paired"][name] = {
            "score": paired(table[:, a, 0], table[:, b, 0]),
            "minutes": paired(table[:, a, 1], table[:, b, 1]),
        }
    return found


def measured(count: int, installations: int, jobs: int = 1) -> dict[str, Any]:
    """The whole comparison over some of the installations that the benchmarks run over."""
    kinds = VARIED[:installations]
    shares = [count // len(kinds) + (k < count % len(kinds)) for k in range(len(kinds))]
    work = [kinds, range(21, 21 + len(kinds)), shares]
    if jobs > 1:
        with ProcessPoolExecutor(jobs) as pool:
            parts = list(pool.map(rows_of, *work))
    else:
        parts = list(map(rows_of, *work))
    return summary([row for part in parts for row in part])


def main(arguments: Sequence[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--callouts", type=int, default=500)
    parser.add_argument("--installations", type=int, default=len(VARIED))
    parser.add_argument("--quick", action="store_true", help="40 callouts on one installation")
    parser.add_argument("--jobs", type=int, default=1, help="processes, one installation each")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args(arguments)
    if options.quick:
        options.callouts, options.installations = 40, 1
    began = time.perf_counter()
    found = measured(options.callouts, options.installations, options.jobs)
    found |= {"cores": os.cpu_count(), "seconds": time.perf_counter() - began}
    json.dump(found, sys.stdout, indent=None if options.json else 2)
    print()
    return 0


if __name__ == "__main__":
    sys.exit(main())
