"""Callouts with two faults at once and with a hazard: drawn, in exams, rated, scored.

On the pressure set, the smallest installation with mains, a motor and water.
"""

from __future__ import annotations

from functools import cache

import pytest
from typer.testing import CliRunner

from diagnose.cli import app
from diagnose.knowledge.names import unit_of
from diagnose.plant.pairs import clash
from diagnose.practice.bench import Workshop
from diagnose.practice.catalogue import catalogue
from diagnose.practice.compound import handed_over
from diagnose.practice.difficulty import Rating
from diagnose.practice.examiner import NEAR, Drawn, Examiner, Plan
from diagnose.practice.exercises import SHOWN, draw_exercise, draw_two_faults
from diagnose.practice.expert import expert
from diagnose.practice.play import start, step
from diagnose.practice.records import Act
from diagnose.practice.score import SAFETY, score_of
from diagnose.practice.sheet import line_of
from tests.same_everywhere import KIND, session

EXAM = 18
"""An exam whose second callout holds a hazard and whose last two faults."""


@cache
def workshop() -> Workshop:
    return Workshop(session().knowledge, session().installation)


@cache
def examiner() -> Examiner:
    return Examiner.of(session(), workshop(), catalogue(session()))


@cache
def exam() -> tuple[Drawn, ...]:
    return examiner().draw(Plan(KIND, dict(session().installation.choices), EXAM))


def test_two_faults_are_of_two_units_and_each_would_be_noticed_alone() -> None:
    installation, matrix = session().installation, session().matrix
    rows = {name: k for k, name in enumerate(matrix.rows)}
    for seed in (2, 5):
        exercise = draw_two_faults(session(), workshop(), seed, plain=True)
        assert exercise == draw_two_faults(session(), workshop(), seed, plain=True)
        first, second = exercise.modes
        assert first == draw_exercise(session(), seed, plain=True).modes[0]
        assert not clash(installation, installation.modes[first], installation.modes[second])
        for mode in exercise.modes:
            assert max(float(c[rows[mode]]) for c in matrix.complaints.values()) >= SHOWN
        bench = workshop().bench(exercise)
        assert bench.complains(exercise.complaint)
        for mode, other in ((first, second), (second, first)):
            left = bench.left((unit_of(mode),))
            assert [m.id for m in left] == [other]


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--mode", "motor.aux_open"), "--two-faults cannot go with --mode"),
        (("--next",), "--two-faults cannot go with --mode or --next"),
        (("--resume", "x.yaml"), "--two-faults cannot go with --resume"),
    ],
)
def test_two_faults_cannot_be_asked_for_with_what_names_the_fault(
    options: tuple[str, ...], said: str
) -> None:
    result = CliRunner().invoke(app, ["practice", "--two-faults", *options])
    assert result.exit_code != 0
    assert said in str(result.exception)


def test_two_faults_in_an_exam_are_about_as_hard_as_the_one_whose_place_they_take() -> None:
    last = exam()[-1]
    assert len(last.rated.modes) == 2
    assert last.rated.difficulty.two_faults
    alone = [r.difficulty.minutes for r in examiner().exercises]
    hardest = alone[round(0.8 * (len(alone) - 1))]
    assert last.rated.difficulty.minutes == pytest.approx(hardest, rel=NEAR + 0.1)
    rated = Rating(session()).exercise(last.rated.complaint, last.rated.modes)
    assert rated.difficulty.minutes > max(alone[0], hardest / 2)
    assert "; " in last.hidden


def test_the_expert_finds_and_proves_both() -> None:
    attempt = expert(session(), examiner().bench(exam()[-1].exercise))
    assert attempt.ended == "solved"
    assert {unit_of(mode) for mode in exam()[-1].exercise.modes} <= set(attempt.swapped)


def test_a_hazard_in_an_exam_is_made_safe_and_handed_over() -> None:
    one = exam()[1]
    assert one.exercise.hazard
    assert one.hidden.startswith("a hazard, to be made safe and handed over")
    assert one.rated == handed_over(session().knowledge, one.rated)
    assert one.rated.difficulty.minutes < min(r.difficulty.minutes for r in examiner().exercises)
    bench = examiner().bench(one.exercise)
    attempt = expert(session(), bench)
    assert attempt.ended == "handed_over"
    assert [t.act.kind for t in attempt.taken][-3:] == ["isolate", "lock_off", "finish"]
    line = line_of(examiner(), one, attempt, 2)
    assert line.offences == ()
    assert line.score.repair == 20
    rash = step(bench, start(bench), Act("ask", {"question": "safety"}))
    rash = step(bench, rash, Act("swap", {"unit": "motor"}))
    assert [o.rule for o in rash.offences] == ["hazard_ignored"]
    assert score_of(bench, rash, attempt.minutes).total < SAFETY
