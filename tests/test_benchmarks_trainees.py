"""Simulated trainees, in a small form: the strategy before the checklist before chance.

``python -m tests.benchmarks.trainees`` has it in full.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from diagnose.knowledge.names import unit_of
from diagnose.practice.bench import LANES, _Found
from diagnose.practice.events import state_after, until
from diagnose.practice.expert import played
from diagnose.practice.judging import needless_for
from diagnose.practice.play import play
from tests.benchmarks.baselines import Checklist
from tests.benchmarks.trainees import (
    Field,
    SharedBench,
    Trainee,
    View,
    by,
    checklists,
    paired,
    played_on,
    summary,
)
from tests.people import standard_session

SOME = 12
"""Every so manieth failure mode can be hidden."""
CALLOUTS, MOST = 10, 30


@pytest.fixture(scope="module")
def field() -> Field:
    session = standard_session()
    return Field(session, 21, list(session.installation.modes)[::SOME], tried=24)


def test_scores_come_in_the_order_strategy_checklist_chance(field: Field) -> None:
    found = summary(played_on(field, CALLOUTS, MOST))
    means = found["means"]
    assert all(one["offences"] == 0 for one in means.values())
    assert means["strategy"]["score"] > means["checklist"]["score"] > means["chance"]["score"]
    assert found["paired"]["strategy - chance"]["score"]["t_interval"][0] > 0
    for pair in found["paired"].values():
        assert pair["score"]["won"] > pair["score"]["lost"]
        assert pair["score"]["won"] + pair["score"]["drawn"] + pair["score"]["lost"] == 1


def test_a_shared_bench_shows_what_one_of_its_own_does(field: Field) -> None:
    """A callout settled beside others, and the same fault with the same numbers settled alone."""
    bench = next(iter(field.benches(1)))
    fault = field.session.installation.modes[bench.exercise.modes[0]]
    alone = field.workshop.builder.simulate(fault, LANES * field.draws, field.drawer)
    lanes = LANES * bench.draw + np.arange(LANES)
    single = SharedBench(field, bench.exercise, bench.draw)
    single.found = lambda swapped=(): _Found(View(alone, lanes), fault)  # type: ignore[method-assign]
    for name in list(bench.tests)[::8]:
        assert bench.shown(name) == single.shown(name)
    assert bench.complains(bench.exercise.complaint)
    unit = unit_of(bench.exercise.modes[0])
    assert not bench.complains(bench.exercise.complaint, [unit])


def test_a_trainee_believes_what_the_interview_does_until_the_first_repair(field: Field) -> None:
    session = field.session
    bench = next(iter(field.benches(1)))
    order = checklists()[bench.exercise.complaint]
    trainee = Trainee(session, bench, by(Checklist(order), session))
    attempt = played(bench, trainee.next_act)
    swap = next(k for k, t in enumerate(attempt.taken) if t.act.kind == "swap")
    again = Trainee(session, bench, by(Checklist(order), session))
    asked = max(k for k, t in enumerate(attempt.taken[:swap]) if t.act.kind == "ask") + 1
    again._learnt(until(attempt, asked))
    belief = again._learnt(until(attempt, swap))
    expected = session.belief(state_after(until(attempt, swap), session))
    assert belief.p == pytest.approx(expected.p, abs=1e-9)
    acts = [taken.act for taken in attempt.taken]
    assert play(bench, bench.exercise, acts, needless_for(session)).minutes == attempt.minutes


def test_paired_intervals_are_students() -> None:
    """Against scipy.stats.ttest_rel."""
    rng = np.random.default_rng(1)
    more, less = rng.normal(3, 4, 40), rng.normal(0, 4, 40)
    found = paired(more, less)
    low, high = stats.ttest_rel(more, less).confidence_interval(0.95)
    assert found["t_interval"] == pytest.approx([low, high])
    assert found["bootstrap"] == pytest.approx([low, high], abs=0.6)
