"""Two faults at once: both repaired in one visit?

``python -m tests.benchmarks.pairs --json`` draws pairs of failure modes of different units by
rate, injects them together into the simulated world, and lets the interview itself find,
repair, verify and go on. A pair counts where the two together show some complaint and the
verification would notice either alone. The person answers wrongly now and then; the checks are
answered as the plant behaves. Giving up (no cause named, too many repairs) counts as a failure.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from diagnose.interview.drive import Reply, drive
from diagnose.interview.events import Event, new_event
from diagnose.interview.session import Session, Turn
from diagnose.interview.steps import Step
from diagnose.knowledge.load import load_knowledge
from diagnose.knowledge.names import unit_of
from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.compose import Fault, compose
from diagnose.plant.matrix import DependencyMatrix, MatrixBuilder
from diagnose.plant.pairs import clash, together
from diagnose.plant.simulation import Simulation
from tests.benchmarks.efficiency import KIND, ROOT, VARIED, wilson
from tests.benchmarks.world import Callout, Truth, World

DRAWS = 3
"""Draws of the world's parameters in which each pair is tried."""
MOST_REPAIRS = 6
MOST_EVENTS = 250
TRIES = 6
"""Pairs drawn for each that is wanted; many show no complaint or are not noticed."""
Flags = NDArray[np.bool_]


def failed_checks(builder: MatrixBuilder, simulation: Simulation) -> dict[str, Flags]:
    """Per check of the verification (but the complaint), whether it fails, (lanes,)."""
    has = builder.installation.has
    named, tests = builder.named, builder.tests

    def at(test: str) -> int:
        condition = tests[test].condition
        assert condition is not None
        return builder.index[condition.key]

    def holds(condition: int, text: str) -> Flags:
        return np.asarray(simulation.holds(condition, text), dtype=bool)

    on, off = named["manual_on"], named["manual_off"]
    current = builder.shown(simulation)[list(tests).index("motor_current")]
    fine = [k for k, o in enumerate(tests["motor_current"].outcomes) if o.id in ("light", "good")]
    failed = {
        "starts_auto": ~holds(named["auto_empty"], "steady motor.turning"),
        "stops_auto": holds(at("high_float_stops"), "motor.turning")
        | holds(named["auto_full"], "motor.turning"),
        "manual": ~holds(on, "steady motor.turning") | holds(off, "motor.turning"),
        "water": ~holds(on, "steady roof_tank.plenty"),
        "current": current[:, fine].sum(axis=1) < 0.5,
    }
    if has("sump_float"):
        dry = at("sump_float_stops")
        failed["dry_protection"] = holds(dry, "motor.turning") | ~holds(dry, "steady dry_lamp.lit")
    return failed


@dataclass(frozen=True)
class State:
    """What the installation shows with some of the faults: truth and failed checks, per draw."""

    truth: Truth
    failed: Mapping[str, Flags]


@dataclass
class Visit:
    """One pair in one draw of the world, and how the visit went."""

    modes: tuple[str, str]
    complaint: str
    draw: int
    states: Mapping[frozenset[str], State]
    child: int
    repaired: list[str] = field(default_factory=list)
    wrong: int = 0
    verified: bool = False
    status: str = ""
    minutes: float = 0.0
    tests: int = 0


class PairSetting:
    """One installation: the interview and the world in which its pairs are drawn."""

    def __init__(
        self,
        knowledge: KnowledgeBase,
        choices: Mapping[str, str],
        seed: int,
        matrix: DependencyMatrix | None = None,
        world: World | None = None,
    ) -> None:
        self.installation = compose(knowledge, KIND, choices)
        self.matrix = matrix or MatrixBuilder(knowledge, self.installation).build()
        self.world = world or World(knowledge, self.installation, seed)
        self.session = Session(knowledge, self.installation, self.matrix)

    def simulated(self, faults: Sequence[Fault | None]) -> list[State]:
        """What each fault shows in the world's own draws."""
        found: dict[int, State] = {}
        builder = self.world.builder
        for batch in builder.batches(faults):
            simulation = builder.simulate([faults[k] for k in batch], DRAWS, self.world.drawer)
            failed = failed_checks(builder, simulation)
            truths = self.world.truths_of(simulation)
            for position, (k, truth) in enumerate(zip(batch, truths, strict=True)):
                lanes = simulation.circuit.lanes.of(position)
                found[k] = State(truth, {name: flags[lanes] for name, flags in failed.items()})
        return [found[k] for k in range(len(faults))]

    def visits(self, count: int, seed: int) -> list[Visit]:
        """Draw pairs by rate that show a complaint, each of which alone would be noticed."""
        rng = np.random.default_rng([seed, 11])
        modes = self.installation.modes
        names = list(modes)
        rates = np.array([self.world.rates[name] for name in names])
        drawn = rng.choice(len(names), size=(TRIES * count, 2), p=rates / rates.sum())
        pairs = [
            (names[a], names[b])
            for a, b in drawn.tolist()
            if not clash(self.installation, modes[names[a]], modes[names[b]])
        ]
        single = dict.fromkeys(name for pair in pairs for name in pair)
        alone = dict(zip(single, self.simulated([modes[n] for n in single]), strict=True))
        healthy = self.simulated([None])[0]
        found: list[Visit] = []
        for start in range(0, len(pairs), count):
            some = pairs[start : start + count]
            joint = self.simulated(
                [together(self.installation, modes[a], modes[b]) for a, b in some]
            )
            for (a, b), both in zip(some, joint, strict=True):
                states = {
                    frozenset((a, b)): both,
                    frozenset((a,)): alone[a],
                    frozenset((b,)): alone[b],
                    frozenset[str](): healthy,
                }
                child = int(rng.integers(2**63))
                draw = int(rng.integers(DRAWS))
                said = np.flatnonzero(both.truth.complaints[:, draw])
                if not len(said):
                    continue
                complaint = self.world.complaints[int(rng.choice(said))]
                visit = Visit((a, b), complaint, draw, states, child)
                if all(fails(self.world, visit, states[frozenset((m,))]) for m in (a, b)):
                    found.append(visit)
                if len(found) == count:
                    return found
        raise RuntimeError(f"only {len(found)} of {count} pairs found")


def fails(world: World, visit: Visit, state: State, check: str = "") -> bool:
    """Whether a check fails in this state of the installation; any check by default."""
    gone = bool(state.truth.complaints[world.complaints.index(visit.complaint), visit.draw])
    if check == "gone":
        return gone
    if check:
        return check in state.failed and bool(state.failed[check][visit.draw])
    return gone or any(bool(flags[visit.draw]) for flags in state.failed.values())


class Technician:
    """Answers as the plant behaves, sometimes wrongly; repairs what is concluded."""

    def __init__(self, setting: PairSetting, visit: Visit, wrong: float) -> None:
        self.setting, self.visit, self.wrong = setting, visit, wrong
        self.rng = np.random.default_rng(visit.child)
        self.left = frozenset(visit.modes)
        self.callout = self._callout()
        self.asked = 0

    @property
    def state(self) -> State:
        return self.visit.states[self.left]

    def _callout(self) -> Callout:
        """Fresh readings: the installation is another after an effective repair."""
        visit = self.visit
        tests = self.setting.world.tests
        return Callout(
            "", visit.complaint, visit.draw, self.state.truth, tests, self.wrong, self.rng
        )

    def choice(self, step: Step) -> str:
        """The answer to a question, an act, a test or a check."""
        session, visit = self.setting.session, self.visit
        if step.kind == "question":
            if step.id == "complaint":
                return visit.complaint
            return session.knowledge.questions[step.id].default
        if step.kind == "act":
            return "done"
        if step.kind == "test":
            visit.tests += 1
            return session.tests[step.id].outcomes[self.callout.answer(step.id)].id
        return "fail" if fails(self.setting.world, visit, self.state, step.id) else "pass"

    def reply(self, turn: Turn, step: Step) -> Reply:
        """See `diagnose.interview.drive.Person`."""
        self.asked += 1
        visit, conclusion = self.visit, step.conclusion
        visit.status, visit.minutes = step.id, turn.state.minutes
        if self.asked > MOST_EVENTS:
            return Reply("leave")
        if conclusion is None:
            text = self.choice(step)
            return Reply("answer", text, ids=(text,))
        if conclusion.status != "concluded" or len(visit.repaired) == MOST_REPAIRS:
            return Reply("leave")
        visit.repaired.append(f"{conclusion.unit}.{conclusion.failure_mode}")
        cured = {m for m in self.left if unit_of(m) == conclusion.unit}
        if cured:
            self.left -= cured
            self.callout = self._callout()
        else:
            visit.wrong += 1
        return Reply("repaired", visit.repaired[-1])


def drive_visit(setting: PairSetting, visit: Visit, wrong: float) -> Visit:
    """Let the interview lead one visit to its end."""
    kind = setting.installation.type.id
    events: list[Event] = [
        new_event(
            "opened",
            installation=kind,
            variants={},
            qualification="licensed",
            meter_category="cat_iii",
        )
    ]
    person = Technician(setting, visit, wrong)
    outcome = drive(setting.session, events, person)
    visit.minutes = outcome.turn.state.minutes
    done = outcome.turn.step.kind == "done"
    visit.verified = done and not person.left
    visit.status = "verified" if done else visit.status
    return visit


def summary(visits: Sequence[Visit]) -> dict[str, Any]:
    """Share of both repaired, wrong repairs, minutes, and how the others ended."""
    count = len(visits)
    both = sum(v.verified for v in visits)
    low, high = wilson(both, count)
    lost = [v for v in visits if not v.verified]
    ends: dict[str, int] = {}
    for v in lost:
        ends[v.status] = ends.get(v.status, 0) + 1
    return {
        "pairs": count,
        "both_repaired": both / max(count, 1),
        "wilson": [low, high],
        "one_repaired": sum(len(v.repaired) > v.wrong for v in lost),
        "wrong_repairs": sum(v.wrong for v in visits) / max(count, 1),
        "visits_with_wrong_repair": sum(v.wrong > 0 for v in visits) / max(count, 1),
        "tests": sum(v.tests for v in visits) / max(count, 1),
        "minutes": sum(v.minutes for v in visits) / max(count, 1),
        "not_repaired_end": ends,
        "not_repaired": [[*v.modes, v.complaint, v.status, v.repaired] for v in lost],
    }


def main(argv: Sequence[str] | None = None) -> int:
    """Run and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.pairs")
    parser.add_argument("--json", action="store_true", help="everything, as JSON")
    parser.add_argument("--pairs", type=int, default=500)
    parser.add_argument("--wrong", type=float, default=0.05, help="share of wrong answers")
    parser.add_argument("--seed", type=int, default=3)
    options = parser.parse_args(argv)
    knowledge = load_knowledge(ROOT / "knowledge")
    visits: list[Visit] = []
    for k, choices in enumerate(VARIED):
        count = len(range(k, options.pairs, len(VARIED)))
        setting = PairSetting(knowledge, choices, k)
        drawn = setting.visits(count, options.seed)
        visits += [drive_visit(setting, visit, options.wrong) for visit in drawn]
    result = {"wrong_answers": options.wrong, "cores": os.cpu_count(), **summary(visits)}
    if not options.json:
        result.pop("not_repaired")
    json.dump(result, sys.stdout, indent=1)
    print()
    return 0


if __name__ == "__main__":
    sys.exit(main())
