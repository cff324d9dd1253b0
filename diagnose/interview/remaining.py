"""What is left after a repair that did not put everything right.

Either the repaired cause was never there and one fault explains all that was seen; or it was
one of two, and what was seen before its repair was the two together, what was seen after it
the other alone. Both are weighed for every failure mode. What two show together is
simulated for the leading suspects (one masks another, or shows only beside it), for the rest
put together from what each shows alone.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator, Mapping, Sequence
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.interview.history import rate_factors
from diagnose.interview.sites import site_of
from diagnose.interview.state import Finding, State
from diagnose.interview.verifying import checks_for
from diagnose.knowledge.names import unit_of
from diagnose.plant.learned import site_factors
from diagnose.plant.matrix import HEALTHY, MatrixBuilder
from diagnose.plant.pairs import clash, together
from diagnose.reasoning.apart import MISREPORTED
from diagnose.reasoning.belief import UNKNOWN, Belief, Hypotheses
from diagnose.reasoning.two_faults import (
    SECOND,
    Answer,
    beside,
    judged,
    log_answers,
    tell,
    weigh_pairs,
)

if TYPE_CHECKING:
    from diagnose.interview.session import Session

Floats = NDArray[np.float64]

REPAIRED = 0.02
"""What is left of a cause's odds once it was repaired and the fault stayed (judgement)."""
AGAIN = 0.001
"""What each further repair of it in vain leaves: a repair seldom fails twice (judgement)."""
SAME_UNIT = 0.2
"""What is left of the odds of the other causes in a unit that was repaired (judgement)."""
UNCHANGED = 0.15
"""A finding stands where the repaired cause shifts what the suspects show by less than this."""
SUSPECTS = 60
"""Failure modes that are simulated beside the repaired one."""
AT_ONCE = 30
"""Of these simulated at once ahead of need, so that nobody waits long for them."""
KEPT = 20
"""Repaired causes beside all others, and sets of simulated pairs, that are kept: the latest."""


class Remaining:
    """Beliefs after repairs for one session; keeps what it simulated."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self.checks = {check.id: check for check in checks_for(session.installation)}
        self._builder: MatrixBuilder | None = None
        self._pairs: dict[tuple[str, ...], dict[str, tuple[Floats, Floats]]] = {}
        self.beside: dict[object, _Beside] = {}
        self._last: tuple[object, Belief, list[Finding]] | None = None
        self._simulating = threading.Lock()

    def belief(self, state: State, table: Hypotheses) -> tuple[Belief, list[Finding]]:
        """Posterior over what is wrong now, and the findings that still stand (its `seen`)."""
        key = (
            *(state.complaints, tuple(state.answers.items()), tuple(state.findings)),
            *(tuple(state.repairs), tuple(state.checked), site_of(state.opened)),
        )
        if self._last is None or self._last[0] != key:
            self._last = key, *_After(self, state, table).belief()
        return self._last[1:]

    def prepare(self, state: State, table: Hypotheses) -> None:
        """Simulate what a failed check would need, the likeliest first; no result changes by it.

        For a thread of its own, while the person checks the repair.
        """
        after = _After(self, state, table)
        shows_now = state.answers.get("present", "now") in ("", "now")
        if not (state.verifying and shows_now and after.causes[-1] in self.session.rates):
            return
        cause, tests = after.causes[-1], tuple(dict.fromkeys(f.test for f in after.findings))
        near = self.near(cause, after.ranking())
        for k in range(0, len(near), AT_ONCE):
            self.pairs(cause, near[k : k + AT_ONCE], tests, state.complaints)

    def near(self, cause: str, others: Sequence[str]) -> list[str]:
        """Those of the other failure modes that can be simulated beside a repaired one."""
        installation = self.session.installation
        modes = installation.modes
        return [name for name in others if not clash(installation, modes[cause], modes[name])]

    def pairs(
        self, first: str, seconds: Sequence[str], tests: Sequence[str], complaints: Sequence[str]
    ) -> dict[str, tuple[Floats, Floats]]:
        """What `first` shows with each of `seconds` beside it; one thread at a time.

        Returns
        -------
        mapping of second to ((samples, tests, outcomes), (samples, complaints))
        """
        with self._simulating:
            known = self._pairs.setdefault((first, *tests, "", *complaints), {})
            if len(self._pairs) > KEPT:
                del self._pairs[next(iter(self._pairs))]
            new = [n for n in seconds if n not in known]
            if new:
                known |= self._simulated(first, new, tests, complaints)
            return {name: known[name] for name in seconds}

    def _simulated(
        self, first: str, new: Sequence[str], tests: Sequence[str], complaints: Sequence[str]
    ) -> dict[str, tuple[Floats, Floats]]:
        known = {}
        modes = self.session.installation.modes
        if self._builder is None:
            self._builder = MatrixBuilder(self.session.knowledge, self.session.installation)
        builder = self._builder.only(tests, complaints)
        faults = [together(self.session.installation, modes[first], modes[n]) for n in new]
        for batch in builder.batches(faults):
            simulation = builder.simulate([faults[k] for k in batch])
            shown = dict(zip(builder.tests, builder.shown(simulation), strict=True))
            said = {
                c.id: lanes
                for c, lanes in zip(
                    builder.complaints, builder.complaints_shown(simulation), strict=True
                )
            }
            widest = max((lanes.shape[1] for lanes in shown.values()), default=1)
            for position, k in enumerate(batch):
                own = simulation.circuit.lanes.of(position)
                p = np.zeros((simulation.circuit.lanes.samples, len(tests), widest))
                for t, test in enumerate(tests):
                    p[:, t, : shown[test].shape[1]] = shown[test][own]
                reported = [said[c][own].astype(float) for c in complaints]
                known[new[k]] = p, np.array(reported).reshape(len(complaints), len(p)).T
        return known


class _After:
    """One state's posterior, computed."""

    def __init__(self, remaining: Remaining, state: State, table: Hypotheses) -> None:
        self.remaining, self.state, self.table = remaining, state, table
        self.session = remaining.session
        self.findings = [f for f in state.findings if f.test in self.session.tests]
        self.causes = [f"{unit}.{mode}" for unit, mode in state.repairs]
        known = self.session
        history = rate_factors(known.knowledge, known.installation, state.answers)
        site = site_of(state.opened)
        for name, factor in site_factors(known.knowledge, known.installation, site).items():
            history[name] = history.get(name, 1.0) * factor
        self.rate = table.prior((), history)
        told = table.prior(state.complaints, history)
        said = np.ones(len(table.names))
        for complaint in state.complaints:
            said = said * table.complaint[complaint]
        self.checked = list(self._checked())
        self.told = told + np.log(np.nansum(np.exp(self.rate) * said))

    def belief(self) -> tuple[Belief, list[Finding]]:
        table = self.table
        suspects = [] if self.state.verifying else self._suspects()
        ways = [self._since(self.told, 0)]
        pairs = []
        for k, cause in enumerate(self.causes):
            if cause not in self.session.rates:
                continue
            pair = self._beside(cause, k, suspects)
            pairs.append(pair)
            ways.append(self._since(self.rate, k + 1) + pair.log_likelihood)
        belief = Belief(table, np.logaddexp.reduce(np.array(ways), axis=0))
        mended = self._mended()
        belief = self._paired(belief, mended).scale(mended)
        standing = [
            f
            for f in self.findings
            if all(p.stands(f, belief) for p in pairs if p.number >= f.after_repairs)
        ]
        for_seen = Belief(table, belief.log_p)
        for f in standing:
            for_seen = tell(for_seen, self.session.answer(f))
        own = Belief(table, belief.log_p, for_seen.seen, for_seen.heard, for_seen.told_care)
        return own, standing

    def _beside(self, cause: str, number: int, suspects: Sequence[str]) -> _Beside:
        """The repaired cause beside the others; it changes only with the verification."""
        state, known = self.state, self.remaining.beside
        key = (
            *(cause, number, tuple(suspects), tuple(state.complaints), site_of(state.opened)),
            *(tuple(state.answers.items()), tuple(self.findings)[: self._before(number)]),
            tuple(c for c in state.checked if c.after_repairs <= number),
        )
        if key not in known:
            if len(known) >= KEPT:
                del known[next(iter(known))]
            known[key] = _Beside(self, cause, number, suspects)
        return known[key]

    def _before(self, number: int) -> int:
        return sum(f.after_repairs <= number for f in self.findings)

    def _paired(self, belief: Belief, mended: Mapping[str, float]) -> Belief:
        """Two faults at once, none of them repaired yet, where one alone explains too little."""
        return weigh_pairs(
            belief,
            Belief(self.table, self.rate).scale(mended).log_p,
            self.state.complaints,
            self.answers(self.findings),
            {f.test: self.session.matrix.of(HEALTHY, f.test) for f in self.findings},
            [(fails, failed) for _, fails, failed in self.checked],
            tried=bool(self.causes) and not self.state.verifying,
        )

    def answers(self, findings: Sequence[Finding]) -> list[Answer]:
        """Findings as evidence."""
        return [self.session.answer(f) for f in findings]

    def _mended(self) -> dict[str, float]:
        units = [unit_of(cause) for cause in self.causes]
        factors = {
            name: SAME_UNIT ** units.count(unit_of(name))
            for name in self.table.mode_names
            if unit_of(name) in units
        }
        again = {c: REPAIRED * AGAIN ** (self.causes.count(c) - 1) for c in self.causes}
        return factors | again

    def _since(self, prior: Floats, repairs: int) -> Floats:
        """Log weights of each fault alone, from what was seen after so many repairs."""
        belief = Belief(self.table, prior)
        for f in self.findings:
            if f.after_repairs >= repairs:
                belief = tell(belief, self.session.answer(f))
        log_p = belief.log_p
        for number, fails, failed in self.checked:
            if number >= repairs:
                log_p = log_p + np.log(judged(fails, failed))
        return log_p

    def _checked(self) -> Iterator[tuple[int, Floats, bool]]:
        """Per check that tells something: after how many repairs, P(fails | each), the result."""
        table = self.table
        for checked in self.state.checked:
            check = self.remaining.checks.get(checked.check)
            if check is None or checked.result not in ("pass", "fail"):
                continue
            complaints = self.state.complaints if check.id == "gone" else check.complaints
            columns = [table.complaint[c] for c in complaints if c in table.complaint]
            for test, outcomes in check.like.items():
                if test in table.test_index:
                    right = [self.session.outcome_index(test, o) for o in outcomes]
                    columns.append(1 - table.clean[:, table.test_index[test], right].sum(axis=1))
            if columns:
                fails = np.max(np.array(columns), axis=0)
                known = ~np.isnan(fails)
                weight = np.exp(self.rate[known])
                fails[~known] = (weight @ fails[known]) / weight.sum()
                yield checked.after_repairs, fails, checked.result == "fail"

    def _suspects(self) -> list[str]:
        """The leading failure modes by rate and checks, fixed until the next check."""
        return self.ranking()[:SUSPECTS]

    def ranking(self) -> list[str]:
        """All failure modes by rate and by the checks of the last repair, the likeliest first."""
        log_p = self.rate.copy()
        for number, fails, failed in self.checked:
            if number == len(self.causes):
                log_p = log_p + np.log(judged(fails, failed))
        ranking = Belief(self.table, log_p).ranking()
        return [name for name, _ in ranking if name != UNKNOWN]


class _Beside:
    """One repaired cause beside every other fault."""

    def __init__(self, after: _After, cause: str, number: int, suspects: Sequence[str]) -> None:
        self.after, self.cause, self.number = after, cause, number
        self.old = [f for f in after.findings if f.after_repairs <= number]
        self.tests = tuple(dict.fromkeys(f.test for f in self.old))
        self.pairs: dict[str, tuple[Floats, Floats]] = {}
        if after.state.answers.get("present", "now") in ("", "now"):
            near = after.remaining.near(cause, suspects)
            self.pairs = after.remaining.pairs(cause, near, self.tests, after.state.complaints)
        self.together = {test: self._together(test) for test in self.tests}

    def _together(self, test: str) -> Floats:
        """P(outcome) of a test with the cause and each hypothesis there, (hypotheses, outcomes)."""
        table = self.after.table
        k = table.test_index[test]
        size = table.sizes[k]
        cause = self.after.session.matrix.of(self.cause, test)
        healthy = self.after.session.matrix.of(HEALTHY, test)
        shown = beside(cause, table.clean[:, k, :size], healthy)
        for name, (p, _) in self.pairs.items():
            shown[table.positions(name)] = p[:, self.tests.index(test), :size].mean(axis=0)
        return np.asarray(shown)

    @cached_property
    def log_likelihood(self) -> Floats:
        """Log chance of the pair and of all that was seen before the repair, (hypotheses,)."""
        after, table = self.after, self.after.table
        share = np.exp(after.rate[table.positions(self.cause)]).sum()
        result = np.full(len(table.names), np.log(SECOND * share))
        own = table.positions(self.cause)
        weight = table.weight[own] / table.weight[own].sum()
        for complaint in after.state.complaints:
            column = table.complaint[complaint]
            both = np.fmax(column, weight @ column[own])
            result += np.log(both)
        asked = after.answers(self.old)
        sizes = {test: shown.shape[1] for test, shown in self.together.items()}
        result = result + log_answers(asked, sizes, lambda t, o: self.together[t][:, o], table.care)
        place_of = {test: k for k, test in enumerate(self.tests)}
        for name, (p, said) in self.pairs.items():
            shown = lambda t, o, p=p: p[:, place_of[t], o]  # noqa: E731
            lanes = log_answers(asked, sizes, shown, table.care)
            lanes = lanes + np.log(np.maximum(said, MISREPORTED)).sum(axis=1)
            place = table.positions(name)
            result[place] = np.log(SECOND * share) + np.logaddexp.reduce(lanes) - np.log(len(said))
        for number, fails, failed in after.checked:
            if number <= self.number:
                result = result + np.log(judged(np.maximum(fails, weight @ fails[own]), failed))
        result[own] = -np.inf
        return np.asarray(result)

    def stands(self, finding: Finding, belief: Belief) -> bool:
        """Whether the suspects show alone what they show beside the repaired cause."""
        table = belief.table
        if finding.test not in self.together:
            return True
        shown = self.together[finding.test]
        k = table.test_index[finding.test]
        gaps = 0.5 * np.abs(shown - table.clean[:, k, : table.sizes[k]]).sum(axis=1)
        p = belief.p.copy()
        p[table.positions(self.cause)] = 0.0
        p[table.positions(UNKNOWN)] = 0.0
        return bool((p @ gaps) / p.sum() < UNCHANGED)
