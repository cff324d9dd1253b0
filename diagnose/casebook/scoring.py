"""How well the knowledge foretells: every case judged with only what was known before it.

Cases are taken in the order of their closing, in blocks; the overlay for a block is learned from
the blocks before it, never from itself or from later ones (prequential [1]_).

References
----------
.. [1] A. P. Dawid, "Statistical theory: the prequential approach", J. Royal Statistical Society A
   147 (1984) 278-292 (from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from diagnose.casebook.counting import Counts, count
from diagnose.casebook.learning import causes_of, learn
from diagnose.casebook.outcomes import Outcome
from diagnose.casebook.rates import fit_rates
from diagnose.casebook.wirings import Wirings
from diagnose.interview.session import Session
from diagnose.interview.state import Finding, State
from diagnose.knowledge.names import unit_of
from diagnose.knowledge.overlay import applied
from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.compose import compose
from diagnose.reasoning.apart import mode_of
from diagnose.reasoning.belief import Belief
from diagnose.reasoning.rules import RuleEngine

Floats = NDArray[np.float64]

BLOCKS = 12
"""Blocks that cases are taken in, each about as large: so often is learned anew."""
DRAWS = 2000
"""Bootstrap samples behind an interval."""
SEED = 1
STAGES = ("before", "after")
"""Before the first test, and after the last one before any repair."""


def in_order(outcomes: Iterable[Outcome]) -> list[Outcome]:
    """Confirmed outcomes in the order of their closing."""
    return sorted((o for o in outcomes if o.confirmed), key=lambda o: (o.closed, o.case))


def in_blocks(outcomes: Sequence[Outcome], most: int = BLOCKS) -> list[list[Outcome]]:
    """Cut into blocks of about the same size, in order."""
    edges = np.linspace(0, len(outcomes), min(most, max(len(outcomes), 1)) + 1).astype(int)
    pairs = zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)
    return [list(outcomes[a:b]) for a, b in pairs if b > a]


def blocks_of(counts: Counts, latest: Sequence[Outcome], most: int = BLOCKS) -> list[Counts]:
    """Counts of causes in blocks in order of time: all but the latest cases, then these.

    Parameters
    ----------
    counts
        All confirmed cases.
    latest
        The last of them, in order.
    """
    blocks = [_lean(count(block)) for block in in_blocks(latest, most)]
    earlier = _lean(counts)
    for block in blocks:
        earlier = earlier - block
    return [earlier, *blocks] if earlier.cases else blocks


def _lean(counts: Counts) -> Counts:
    """Without what foretelling needs nothing of."""
    return replace(counts, sites={}, findings={}, minutes={})


@dataclass(frozen=True)
class Foretold:
    """Log loss of the causes before any test, by handbook and as learned before each block.

    Attributes
    ----------
    cases : int
        Cases after the first block whose cause is in the knowledge base.
    handbook, learned : float
        Mean log loss, nats.
    """

    cases: int
    handbook: float
    learned: float

    @property
    def worse(self) -> bool:
        """Whether learning would have done harm."""
        return self.cases > 0 and self.learned > self.handbook


def foretold(blocks: Sequence[Counts], wirings: Wirings) -> Foretold:
    """Judge each block's causes by the rates learned from the blocks before it.

    Only counts are needed, so that a store may count its blocks itself.
    """
    before = Counts()
    cases, handbook, learned = 0.0, 0.0, 0.0
    for block in blocks:
        tables, earlier = causes_of(block, wirings), causes_of(before, wirings)
        before = before + block
        if tables is None or earlier is None:
            continue
        modes, causes = tables
        factor = dict(zip(earlier[0].names, fit_rates(*earlier).factor.tolist(), strict=True))
        factors = np.array([factor.get(name, 1.0) for name in modes.names])
        for weight, rates in ((0, modes.handbook), (1, modes.handbook * factors)):
            p = causes.shown * rates
            p /= p.sum(axis=1, keepdims=True)
            seen = causes.counts > 0
            loss = -float((causes.counts[seen] * np.log(p[seen])).sum())
            handbook, learned = handbook + (1 - weight) * loss, learned + weight * loss
        cases += float(causes.counts.sum())
    n = max(cases, 1.0)
    return Foretold(int(cases), float(handbook / n), float(learned / n))


# ---------------------------------------------------------------------- whole cases


@dataclass(frozen=True)
class Judged:
    """One case judged by one knowledge at one stage."""

    log_loss: float
    brier: float
    top_1: float
    top_3: float
    unit: float
    right_unit: bool
    """The probability of the leading unit, and whether it was the one that failed."""


@dataclass(frozen=True)
class Score:
    """Every judged case, in order, by ``(knowledge, stage)``; knowledge is handbook or learned.

    Attributes
    ----------
    cases : tuple of str
    judged : mapping to tuple of Judged
    estimates : mapping of knowledge to (steps,)
        |log(measured / estimated minutes)| of every test that was measured.
    minutes : float
        Mean working minutes of the tests, acts and repairs of a case, where they were measured.
    """

    cases: tuple[str, ...]
    judged: dict[tuple[str, str], tuple[Judged, ...]]
    estimates: dict[str, Floats]
    minutes: float

    def column(self, knowledge: str, stage: str, measure: str) -> Floats:
        """One measure of all cases, (cases,)."""
        return np.array([getattr(j, measure) for j in self.judged[knowledge, stage]], dtype=float)


def score(
    outcomes: Sequence[Outcome],
    wirings: Wirings,
    rules: RuleEngine,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> Score:
    """Replay the cases' answers block by block, with the handbook and with what was learned.

    A case whose cause is not in the knowledge base counts with the probability given to that.
    """
    blocks = in_blocks(in_order(outcomes))
    total = sum(len(block) for block in blocks)
    before = Counts()
    judged: dict[tuple[str, str], list[Judged]] = {
        (k, s): [] for k in ("handbook", "learned") for s in STAGES
    }
    off: dict[str, list[float]] = {"handbook": [], "learned": []}
    cases: list[str] = []
    plain: dict[object, Session] = {}
    for block in blocks:
        base = wirings.knowledge
        knowledge = base
        if before.cases:
            knowledge = applied(base, learn(before, wirings).overlay)
        wiser: dict[object, Session] = {}
        for outcome in block:
            old = _session(plain, base, outcome, wirings, rules)
            new = _session(wiser, knowledge, outcome, wirings, rules)
            if old is None or new is None:
                continue
            cases.append(outcome.case)
            for name, session in (("handbook", old), ("learned", new)):
                for stage in STAGES:
                    belief = session.belief(state_of(outcome, session, stage == "after"))
                    judged[name, stage].append(_judge(belief, outcome.cause))
                off[name] += _off(session, outcome)
            progress(len(cases), total)
        before = before + count(block)
    spent = [m for o in outcomes if (m := _minutes(o)) is not None]
    return Score(
        tuple(cases),
        {key: tuple(found) for key, found in judged.items()},
        {name: np.array(found) for name, found in off.items()},
        float(np.mean(spent)) if spent else float("nan"),
    )


def _session(
    made: dict[object, Session],
    knowledge: KnowledgeBase,
    outcome: Outcome,
    wirings: Wirings,
    rules: RuleEngine,
) -> Session | None:
    key = (outcome.installation, outcome.variants)
    wiring = wirings.of(*key)
    if wiring is None or any(c not in wiring.matrix.complaints for c in outcome.complaints):
        return None
    if key not in made:
        installation = compose(knowledge, outcome.installation, dict(outcome.variants))
        made[key] = Session(knowledge, installation, wiring.matrix, rules=rules)
    return made[key]


def state_of(outcome: Outcome, session: Session, tested: bool) -> State:
    """Where a callout stood: complaint, history, and with `tested` all tests before a repair."""
    findings = [
        Finding(str(k), s.test, s.outcome, s.outcome, s.sure, 0.0, 0, s.by_phone)
        for k, s in enumerate(outcome.findings)
        if tested and not s.after_repairs and _known(session, s.test, s.outcome)
    ]
    return State(
        opened={"site_key": outcome.site},
        complaints=outcome.complaints,
        answers=dict(outcome.answers),
        findings=findings,
    )


def _known(session: Session, test: str, outcome: str) -> bool:
    return test in session.tests and outcome in {o.id for o in session.tests[test].outcomes}


def _judge(belief: Belief, cause: str) -> Judged:
    p = belief.table.by_mode(belief.p)
    names = [mode_of(name) for name in belief.table.mode_names]
    own = names.index(cause) if cause in names else len(names) - 1
    if cause not in names:  # not in the knowledge base
        own = max(k for k, name in enumerate(names) if name.startswith("unknown."))
    rank = int((p > p[own]).sum())
    unit, unit_p = belief.leading_unit()
    right = np.zeros(len(p))
    right[own] = 1.0
    return Judged(
        log_loss=-float(np.log(max(p[own], 1e-12))),
        brier=float(((p - right) ** 2).sum()),
        top_1=float(rank < 1),
        top_3=float(rank < 3),
        unit=unit_p,
        right_unit=unit == unit_of(names[own]),
    )


def _off(session: Session, outcome: Outcome) -> list[float]:
    return [
        abs(float(np.log(seen.own / session.tests[seen.test].minutes)))
        for seen in outcome.findings
        if seen.own and seen.test in session.tests
    ]


def _minutes(outcome: Outcome) -> float | None:
    known = [s.own for s in outcome.findings if s.own] + [
        s.walk for s in outcome.findings if s.walk
    ]
    known += [w.minutes for w in (*outcome.acts, *outcome.repairs) if w.minutes]
    return sum(known) if known else None


# ---------------------------------------------------------------------- figures


def interval(difference: Floats, draws: int = DRAWS, seed: int = SEED) -> tuple[float, float]:
    """95 % bootstrap interval of a mean over cases."""
    if not len(difference):
        return float("nan"), float("nan")
    rng = np.random.default_rng(seed)
    means = [
        float(difference[rng.integers(0, len(difference), len(difference))].mean())
        for _ in range(draws)
    ]
    low, high = np.quantile(means, (0.025, 0.975))
    return float(low), float(high)


def calibration(judged: Sequence[Judged], bins: int = 10) -> list[tuple[float, float, int]]:
    """Mean probability of the leading unit, share of right ones, cases; one for each bin filled."""
    p = np.array([j.unit for j in judged])
    right = np.array([j.right_unit for j in judged], dtype=float)
    place = np.minimum((p * bins).astype(int), bins - 1)
    return [
        (float(p[place == b].mean()), float(right[place == b].mean()), int((place == b).sum()))
        for b in range(bins)
        if (place == b).any()
    ]
