"""A firm that never was: its own failure rates, its callouts led by the tool, its closed cases.

The causes, the answers and the complaints are drawn from `tests.benchmarks.world`; the tool that
leads the callouts may hold planted defects. Nothing here says how real firms fare.
"""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from diagnose.casebook.counting import Counts
from diagnose.casebook.outcomes import Outcome, outcome_of
from diagnose.casebook.store import CaseHeader
from diagnose.casebook.wirings import Wiring
from diagnose.interview.drive import Reply, drive
from diagnose.interview.events import Event
from diagnose.interview.session import Session, Turn
from diagnose.interview.steps import Step
from diagnose.knowledge.records import KnowledgeBase
from diagnose.knowledge.rule_records import Fact, Pattern, Rule
from diagnose.plant.compose import Installation, compose
from diagnose.plant.matrix import HEALTHY, DependencyMatrix
from tests.benchmarks.world import Callout, Truth, World

Floats = NDArray[np.float64]

TEN = float(np.log(10.0))


# ---------------------------------------------------------------------- rates


def log_factors(wiring: Wiring, firm: str, rng: np.random.Generator) -> dict[str, float]:
    """Logarithms of true rates over the handbook's, by failure mode of a part type.

    ``makes``: a factor of up to 10 for each part type (the makes fitted, the water, the weather),
    up to 3.2 for each of its failure modes about that, up to 10 in all. ``apart``: up to 10 for
    each failure mode by itself. ``handbook``: none.
    """
    installation = wiring.installation
    of = {
        n: (installation.instances[m.unit].part, m.mode.id) for n, m in installation.modes.items()
    }
    return {".".join(key): 0.0 for key in sorted(set(of.values()))} | _drawn(
        sorted(set(of.values())), firm, rng
    )


def _drawn(
    modes: Sequence[tuple[str, str]], firm: str, rng: np.random.Generator
) -> dict[str, float]:
    if firm == "handbook":
        return {}
    if firm == "apart":
        return {f"{p}.{m}": float(rng.uniform(-TEN, TEN)) for p, m in modes}
    parts = {p: float(rng.uniform(-TEN, TEN)) for p in sorted({p for p, _ in modes})}
    return {
        f"{p}.{m}": float(np.clip(parts[p] + rng.uniform(-TEN / 2, TEN / 2), -TEN, TEN))
        for p, m in modes
    }


@dataclass(frozen=True)
class Firm:
    """True rates on several installations, and the exact log loss of any other rates.

    Attributes
    ----------
    joint : per wiring, (complaints, modes)
        P(wiring, complaint, cause).
    """

    wirings: tuple[Wiring, ...]
    joint: tuple[Floats, ...]

    @staticmethod
    def of(wirings: Sequence[Wiring], firm: str, seed: int) -> Firm:
        """Draw a firm; its installations are equally common."""
        factors: dict[str, float] = {}
        for wiring in wirings:
            factors = log_factors(wiring, firm, np.random.default_rng([seed, 32])) | factors
        joint = []
        for wiring in wirings:
            installation = wiring.installation
            rate = np.array(
                [
                    m.mode.rate.nominal
                    * np.exp(factors[f"{installation.instances[m.unit].part}.{m.mode.id}"])
                    for m in installation.modes.values()
                ]
            )
            whole = rate * shown(wiring)
            joint.append(whole / whole.sum() / len(wirings))
        return Firm(tuple(wirings), tuple(joint))

    def draw(self, count: int, seed: int, wrong: float = 0.0) -> list[tuple[int, int, int]]:
        """Callouts as wiring, complaint and recorded cause; a share is closed with a wrong one.

        A wrong cause is one that the handbook holds possible under the complaint.
        """
        rng = np.random.default_rng([seed, 33])
        sizes = [j.size for j in self.joint]
        flat = np.concatenate([j.ravel() for j in self.joint])
        starts = np.cumsum([0, *sizes])
        found = []
        for cell in rng.choice(len(flat), count, p=flat / flat.sum()):
            w = int(np.searchsorted(starts, cell, side="right")) - 1
            complaint, mode = divmod(int(cell - starts[w]), self.joint[w].shape[1])
            if rng.random() < wrong:
                p = handbook(self.wirings[w]) * shown(self.wirings[w])[complaint]
                mode = int(rng.choice(len(p), p=p / p.sum()))
            found.append((w, complaint, mode))
        return found

    def counts(self, drawn: Sequence[tuple[int, int, int]]) -> Counts:
        """The counts of some callouts, as a store would give them."""
        causes: dict[tuple[str, tuple[tuple[str, str], ...], tuple[str, ...], str], int] = {}
        for w, c, m in drawn:
            wiring = self.wirings[w]
            complaint = list(wiring.matrix.complaints)[c]
            variants = tuple(sorted(wiring.installation.choices.items()))
            key = (wiring.installation.type.id, variants, (complaint,), wiring.modes[m])
            causes[key] = causes.get(key, 0) + 1
        return Counts(cases=len(drawn), causes=causes)

    def loss(self, rates: Mapping[tuple[str, str], float] | None) -> float:
        """Expected log loss of the cause given the complaint, nats; None: with the true rates."""
        total = 0.0
        for wiring, joint in zip(self.wirings, self.joint, strict=True):
            if rates is None:
                q = joint / joint.sum(axis=1, keepdims=True)
            else:
                kind = wiring.installation.type.id
                rate = np.array([rates[kind, name] for name in wiring.modes])
                q = rate * shown(wiring)
                q = q / q.sum(axis=1, keepdims=True)
            total -= float((joint * np.log(q)).sum())
        return total


def shown(wiring: Wiring) -> Floats:
    """P(complaint | failure mode), (complaints, modes)."""
    rows = [wiring.reported([c]) for c in wiring.matrix.complaints]
    return np.array([row for row in rows if row is not None])


def handbook(wiring: Wiring) -> Floats:
    """The handbook's rates, (modes,)."""
    return np.array([m.mode.rate.nominal for m in wiring.installation.modes.values()])


# ---------------------------------------------------------------------- callouts


@dataclass
class Simulated:
    """A person at a simulated callout (`diagnose.interview.drive.Person`): answers, then leaves."""

    session: Session
    callout: Callout
    answers: Mapping[str, str] = field(default_factory=dict)

    def reply(self, turn: Turn, step: Step) -> Reply:
        if step.kind == "question":
            if step.id == "complaint":
                return Reply("answer", ids=(self.callout.complaint,))
            default = self.session.knowledge.questions[step.id].default
            return Reply("answer", self.answers.get(step.id, default))
        if step.kind == "act":
            return Reply("answer", "done")
        if step.kind == "test":
            ids = [o.id for o in self.session.tests[step.id].outcomes]
            return Reply("answer", ids[self.callout.answer(step.id)])
        return Reply("leave")


def lead(session: Session, callout: Callout, number: int, closed: Mapping[str, str]) -> Outcome:
    """Lead one callout with the tool and close the case with what `closed` says."""
    day = f"2026-{1 + number // 28 % 12:02}-{1 + number % 28:02}"
    installation = session.installation
    data = {"installation": installation.type.id, "variants": dict(installation.choices)}
    events = [Event(f"o{number}", f"{day}T08:00:00+00:00", "opened", data)]
    drive(session, events, Simulated(session, callout))
    at = f"{day}T{12 + number // 336:02}:00:00+00:00"
    events.append(Event(str(uuid.uuid4()), at, "closed", {**closed, "confirmed": "measured"}))
    header = CaseHeader(
        f"{day}-case-{number}", "", "", installation.type.id, installation.choices, day, "0"
    )
    outcome = outcome_of(header, events)
    assert outcome is not None
    return outcome


# ---------------------------------------------------------------------- defects


@dataclass(frozen=True)
class Defects:
    """What is planted in the tool: a failure mode it lacks, a likelihood, a rule.

    Attributes
    ----------
    missing : str
        ``unit.mode`` that the tool does not hold.
    likelihood : (``unit.mode``, test)
        What the tool expects of this test under this mode is turned round.
    excluded : (unit, complaint)
        A rule of the tool excludes this unit where this is the complaint.
    """

    missing: str
    likelihood: tuple[str, str]
    excluded: tuple[str, str]


def spoilt(
    knowledge: KnowledgeBase, wiring: Wiring, defects: Defects
) -> tuple[KnowledgeBase, Wiring]:
    """The knowledge and the wiring of a tool with these defects."""
    unit, mode = defects.missing.split(".")
    part = wiring.installation.instances[unit].part
    record = knowledge.parts[part]
    modes = {name: m for name, m in record.failure_modes.items() if name != mode}
    parts = {**knowledge.parts, part: replace(record, failure_modes=modes)}
    unit_out, complaint = defects.excluded
    rule = Rule(
        id="planted",
        title="Planted",
        source="judgement",
        stratum=1,
        when=(Pattern.of("complaint", id=complaint),),
        then=(Fact.of("exclude", unit=unit_out, why="planted"),),
    )
    changed = replace(knowledge, parts=parts, rules={**knowledge.rules, "planted": rule})
    installation = compose(changed, wiring.installation.type.id, dict(wiring.installation.choices))
    matrix = _turned(_without(wiring.matrix, installation), defects.likelihood)
    return changed, Wiring(installation, matrix)


def _without(matrix: DependencyMatrix, installation: Installation) -> DependencyMatrix:
    """The rows of the failure modes that are still there."""
    rows = [*installation.modes, HEALTHY]
    order = np.array([matrix.rows.index(r) for r in rows])
    place = {int(old): new for new, old in enumerate(order)}
    regimes = matrix.regimes
    if regimes is not None:
        kept = np.array([k for k, row in enumerate(regimes.row) if int(row) in place])
        regimes = replace(
            regimes,
            row=np.array([place[int(regimes.row[k])] for k in kept]),
            share=regimes.share[kept],
            p=regimes.p[kept],
            complaints={c: v[kept] for c, v in regimes.complaints.items()},
        )
    return replace(
        matrix,
        rows=tuple(rows),
        p=matrix.p[order],
        complaints={c: v[order] for c, v in matrix.complaints.items()},
        regimes=regimes,
    )


def _turned(matrix: DependencyMatrix, likelihood: tuple[str, str]) -> DependencyMatrix:
    """What the tool expects of a test under a failure mode, the other way round."""
    mode, test = likelihood
    row, k = matrix.rows.index(mode), matrix.tests.index(test)
    size = int(matrix.sizes[k])

    def turned(p: Floats) -> Floats:
        found = p.copy()
        found[..., :size] = np.roll(p[..., :size], 1, axis=-1)
        return found

    p = matrix.p.copy()
    p[row, k] = turned(p[row, k])
    regimes = matrix.regimes
    if regimes is not None:
        each = regimes.p.copy()
        own = regimes.row == row
        each[own, k] = turned(each[own, k])
        regimes = replace(regimes, p=each)
    return replace(matrix, p=p, regimes=regimes)


def callout_of(world: World, mode: str, seed: int, wrong: float) -> Callout:
    """A callout with a given cause: a complaint that it really brings about."""
    rng = np.random.default_rng([seed, 34])
    truth = world.truths[mode]
    draws = np.flatnonzero(truth.complaints.any(axis=0))
    draw = int(rng.choice(draws))
    said = [c for k, c in enumerate(world.complaints) if truth.complaints[k, draw]]
    child = np.random.default_rng(rng.integers(2**63))
    return Callout(mode, str(rng.choice(said)), draw, truth, world.tests, wrong, child)


def likely_callout(wiring: Wiring, mode: str, seed: int, wrong: float) -> Callout:
    """A callout that shows what the dependency matrix says: quicker than a world of its own."""
    rng = np.random.default_rng([seed, 35])
    matrix = wiring.matrix
    row = matrix.rows.index(mode)
    shown_here = [matrix.p[[row], k, : matrix.sizes[k]] for k in range(len(matrix.tests))]
    chances = np.array([column[row] for column in matrix.complaints.values()]) + 1e-6
    complaint = list(matrix.complaints)[int(rng.choice(len(chances), p=chances / chances.sum()))]
    truth = Truth(shown_here, chances[:, None] > 0.5)
    child = np.random.default_rng(rng.integers(2**63))
    return Callout(mode, complaint, 0, truth, wiring.test_index, wrong, child)
