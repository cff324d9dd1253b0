"""Difficulty, knowledge tracing, the progress file and the choice of the next exercise."""

from __future__ import annotations

import csv
import datetime
import io
import itertools
import json
import math
from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pyagrum
import pytest
from filelock import FileLock

from diagnose.cli import main
from diagnose.cli.progress import add
from diagnose.errors import DiagnoseError
from diagnose.knowledge.names import unit_of
from diagnose.practice.catalogue import catalogue
from diagnose.practice.choosing import Chooser, next_exercise, standings
from diagnose.practice.compound import pair
from diagnose.practice.difficulty import Difficulty, Rated, Rating
from diagnose.practice.mastery import LONGEST, MASTERED, PRIOR, SHORTEST, Parameters, Trace
from diagnose.practice.progress import (
    Done,
    Progress,
    append,
    as_csv,
    as_json,
    parse_progress,
    progress_text,
    read_progress,
)
from diagnose.practice.records import Act, Attempt, Exercise, Offence, Shown, Taken
from diagnose.practice.skills import ALWAYS, SKILLS, results_of, skills_of, unit_functions
from diagnose.practice.ways import Case, expert_way, trainee_way
from diagnose.reasoning.exact import optimal
from diagnose.reasoning.noise_free import Problem
from diagnose.reasoning.strategy import Candidate, Terrain
from tests.benchmarks import tracing
from tests.benchmarks.tracing_figure import figure
from tests.made_tables import KIND
from tests.people import standard_session
from tests.tiny import place_of

TODAY = datetime.date(2026, 3, 1)
gum: Any = pyagrum  # its calls carry no types


# ---------------------------------------------------------------------- ways


def published() -> Case:
    """Five tests, six states: K. R. Pattipati, M. G. Alexandridis, IEEE Transactions on Systems,
    Man, and Cybernetics 20 (1990) 872-887. The matrix is from memory."""
    outcome = np.array(
        [
            [0, 0, 0, 0, 0],
            [0, 1, 0, 0, 1],
            [0, 0, 1, 1, 0],
            [1, 0, 0, 1, 1],
            [1, 1, 0, 0, 0],
            [1, 1, 1, 1, 0],
        ]
    )
    weight = [0.70, 0.01, 0.02, 0.10, 0.05, 0.12]
    names = [f"s{k}" for k in range(6)]
    tests = [Candidate(f"t{k + 1}", k, 1.0) for k in range(5)]
    still = Terrain(np.zeros((1, 1)), np.zeros((1, 1), dtype=int), 0, dict.fromkeys(names, 0))
    problem = Problem.of(names, names, weight, tests, outcome, still)
    units = {name: (name, w) for name, w in zip(names, weight, strict=True)}
    return Case.of(problem, units, dict.fromkeys(names, 10.0))


def test_the_experts_way_costs_the_published_optimum() -> None:
    case = published()
    tree = optimal(case.problem).tree
    ways = {row: expert_way(case, tree, case.problem.rows.index(row), row) for row in case.units}
    mean = sum(case.problem.weight[case.problem.rows.index(r)] * w.minutes for r, w in ways.items())
    assert mean == pytest.approx(2.18, abs=1e-9)
    assert all(not way.in_vain and way.minutes == len(way.tests) for way in ways.values())


@pytest.mark.parametrize(
    ("truth", "minutes", "tests", "in_vain"),
    [
        # worked by hand: s0 is suspected, t1 parts it from 0.27 of the other 0.30; after t1 = 0 it
        # holds 0.70 of 0.73 and is repaired, in vain for s1 and s2
        ("s0", 1.0, ["t1"], []),
        ("s1", 12.0, ["t1", "t2"], ["s0"]),
        ("s2", 12.0, ["t1", "t2"], ["s0"]),
        # after t1 = 1, s5 holds 0.12 of 0.27; t2 parts it from 0.10 of the other 0.15
        ("s3", 2.0, ["t1", "t2"], []),
        ("s4", 3.0, ["t1", "t2", "t3"], []),
        ("s5", 3.0, ["t1", "t2", "t3"], []),
    ],
)
def test_the_standard_trainees_way_by_hand(
    truth: str, minutes: float, tests: list[str], in_vain: list[str]
) -> None:
    case = published()
    way = trainee_way(case, case.problem.rows.index(truth), truth)
    assert way.minutes == pytest.approx(minutes)
    assert [case.problem.tests[k].test for k in way.tests] == tests
    assert list(way.in_vain) == in_vain


def test_units_that_no_test_tells_apart_are_repaired_in_turn() -> None:
    tests = [Candidate("t", 0, 2.0)]
    outcome = np.array([[0], [0], [1]])
    walk = Terrain(
        np.array([[0.0, 5.0], [5.0, 0.0]]), np.array([[0, 1], [0, 1]]), 0, {"a": 0, "b": 1, "c": 0}
    )
    problem = Problem.of(["a", "b", "c"], ["a", "b", "c"], [0.5, 0.3, 0.2], tests, outcome, walk)
    units = {"a": ("a", 0.5), "b": ("b", 0.3), "c": ("c", 0.2)}
    case = Case.of(problem, units, {"a": 40.0, "b": 50.0, "c": 60.0})
    row = problem.rows.index("a+b")
    way = expert_way(case, optimal(problem).tree, row, "b")
    # the test, the likelier unit in vain, the way to the other
    assert (way.minutes, way.in_vain) == (2.0 + 40.0 + 5.0, ("a",))
    assert trainee_way(case, row, "b") == way


# ---------------------------------------------------------------------- difficulty


@cache
def exercises() -> tuple[Rated, ...]:
    """All exercises of it with their difficulty."""
    return tuple(catalogue(standard_session()))


@cache
def functions() -> Mapping[str, str]:
    """The function of each of its units."""
    from diagnose.knowledge.practice_reading import load_practice

    return unit_functions(
        load_practice(standard_session().knowledge), standard_session().installation
    )


def of(complaint: str, *modes: str) -> Difficulty:
    """The difficulty of one exercise."""
    return next(r.difficulty for r in exercises() if r.complaint == complaint and r.modes == modes)


def test_every_exercise_is_rated_and_the_numbers_hang_together() -> None:
    table = standard_session().table("now")
    assert len(exercises()) > 300
    for rated in exercises():
        d = rated.difficulty
        (mode,) = rated.modes
        own = table.positions(mode)
        share = table.weight[own] @ table.complaint[rated.complaint][own] / table.weight[own].sum()
        assert share >= 0.5
        assert 0 < d.minutes < 600
        assert 0 < d.expert < 600
        assert 1 <= d.rank <= len(table.unit_names)
        # of several regimes the rank is the heaviest one's, the bits are their mean
        assert d.behind >= 0
        assert own.stop - own.start > 1 or (d.rank == 1) == (d.behind < 1e-6)
        assert 0 <= d.bits_left <= math.log2(len(table.unit_names))
        assert unit_of(mode) not in d.rivals
        assert 0 <= sum(d.rivals.values()) <= 1 + 1e-6


@pytest.mark.parametrize("complaint", ["will_not_start_manual", "hums"])
def test_no_trainee_who_tests_to_the_end_beats_the_expert(
    complaint: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On average over the causes, by their weight, the way to the repair not counted."""
    monkeypatch.setattr("diagnose.practice.ways.CONVINCED", 2.0)
    problem = Rating(standard_session()).problem(complaint)
    old = problem.terrain
    here = np.arange(len(old.minutes))[:, None]
    units = sorted({unit for label in problem.labels for unit in label.split("+")})
    terrain = Terrain(
        np.hstack([old.minutes, np.zeros(here.shape)]),
        np.hstack([old.after, here]),
        old.start,
        dict.fromkeys(units, int(old.minutes.shape[1])),
    )
    problem = replace(problem, terrain=terrain)
    names = [name for row in problem.rows for name in row.split("+")]
    table = standard_session().table("now")
    weights = table.weight * table.complaint[complaint]
    case = Case.of(
        problem,
        {n: (table.units[table.index[n]], float(weights[table.index[n]])) for n in names},
        dict.fromkeys(units, 0.0),
    )
    plan = optimal(problem, 3000)
    assert plan.finished
    expert = trainee = 0.0
    for row, p in enumerate(problem.weight):
        unit = problem.labels[row].split("+")[0]
        expert += p * expert_way(case, plan.tree, row, unit).minutes
        trainee += p * trainee_way(case, row, unit).minutes
    assert expert == pytest.approx(plan.minutes)
    assert trainee >= expert - 1e-9


def test_what_makes_a_callout_hard_makes_the_number_large() -> None:
    """Facts of the trade: common practice, no source."""
    easy = [r.difficulty.minutes for r in exercises() if r.difficulty.rank == 1]
    hard = [r.difficulty.minutes for r in exercises() if r.difficulty.behind >= 2]
    assert np.mean(hard) > 1.2 * np.mean(easy)
    at_panel = [r.difficulty.minutes for r in exercises() if not r.difficulty.places]
    away = [r.difficulty.minutes for r in exercises() if r.difficulty.places]
    assert np.mean(away) > np.mean(at_panel)
    # a float in the roof tank takes one to the roof, a cut core to the sump takes one there
    assert "roof" in of("overflows", "roof_high_float.contact_open").places
    assert "sump" in of("will_not_start_auto", "sump_float.contact_open").places
    assert of("controller_dark", "mains.power_cut").places == ()
    # a cable joint that water gets into shows now and then only
    assert of("will_not_start_auto", "sump_float.lead_open").intermittent
    assert not of("controller_dark", "mains.power_cut").intermittent


def test_look_alikes_are_those_that_hardly_any_test_tells_apart() -> None:
    """Counted anew with the matrix alone, by plain loops."""
    session, complaint = standard_session(), "hums"
    table = session.table("now")
    rating = Rating(session)
    problem = rating.problem(complaint)
    names = [name for row in problem.rows for name in row.split("+")]
    for rated in exercises():
        if rated.complaint != complaint:
            continue
        (mode,) = rated.modes
        if mode not in names or f"{mode}~2" in table.index:
            continue
        own = table.index[mode]
        units = set()
        for name in names:
            other = table.index[name]
            if table.units[other] == table.units[own]:
                continue
            telling = 0
            for test in problem.tests:
                apart = 0.5 * sum(
                    abs(a - b)
                    for a, b in zip(
                        table.clean[own, test.index], table.clean[other, test.index], strict=True
                    )
                )
                telling += apart >= 0.6
            if telling <= 2:
                units.add(table.units[other])
        assert rated.difficulty.look_alikes == len(units), mode


def test_two_faults_add_up_with_the_repair_between_them() -> None:
    rating = Rating(standard_session())
    first = next(r for r in exercises() if r.modes == ("roof_high_float.contact_open",))
    second = next(r for r in exercises() if r.modes == ("relay.contacts_welded",))
    both = pair(rating, first, second).difficulty
    between = rating.repair_minutes("roof_high_float.contact_open")
    # a contact is put right by refitting; then the verification, as the scales have them
    assert between == 15 + 10
    assert both.two_faults
    expected = first.difficulty.minutes + between + second.difficulty.minutes
    assert both.minutes == pytest.approx(expected)
    whole = rating.exercise(first.complaint, ("relay.contacts_welded", *first.modes))
    assert whole.difficulty.two_faults
    assert whole.difficulty.minutes > between
    with pytest.raises(ValueError, match="of one unit"):
        pair(rating, first, first)
    with pytest.raises(DiagnoseError, match="hardly ever shows"):
        rating.exercise("hums", ("full_lamp.open",))


def test_difficulties_are_kept_and_made_anew_where_the_file_is_damaged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def few(self: Rating, complaint: str, modes: Any = None) -> list[Rated]:
        asked.append(complaint)
        return [r for r in known if r.complaint == complaint][:2]

    known = exercises()  # by the true rating, whichever test comes first
    asked: list[str] = []
    monkeypatch.setattr(Rating, "rate", few)
    first = catalogue(standard_session(), cache_dir=tmp_path)
    count = len(asked)
    assert count == len(standard_session().matrix.complaints) - len(standard_session().reports)
    assert catalogue(standard_session(), cache_dir=tmp_path) == first
    assert len(asked) == count
    (path,) = tmp_path.iterdir()
    path.write_text(path.read_text().replace('"minutes"', '"minute"'), encoding="utf-8")
    assert catalogue(standard_session(), cache_dir=tmp_path) == first
    assert len(asked) == 2 * count
    path.write_bytes(b"\xff\xfe damaged")
    assert catalogue(standard_session(), cache_dir=tmp_path) == first


# ---------------------------------------------------------------------- knowledge tracing


def test_the_published_equations_by_hand() -> None:
    """Corbett and Anderson 1995, equations from memory; p(L) 0.4, T 0.3, G 0.2, S 0.1.

    Right: 0.4·0.9 / (0.4·0.9 + 0.6·0.2) = 0.36 / 0.48 = 0.75, then 0.75 + 0.25·0.3 = 0.825.
    Wrong: 0.4·0.1 / (0.4·0.1 + 0.6·0.8) = 0.04 / 0.52 = 1/13, then 1/13 + 12/13·0.3 = 4.6/13.
    """
    p = Parameters(0.4, 0.3, 0.2, 0.1)
    assert p.right(0.4) == pytest.approx(0.48, abs=1e-12)
    assert p.given(0.4, True) == pytest.approx(0.75, abs=1e-12)
    assert p.after(0.4, True) == pytest.approx(0.825, abs=1e-12)
    assert p.given(0.4, False) == pytest.approx(1 / 13, abs=1e-12)
    assert p.after(0.4, False) == pytest.approx(4.6 / 13, abs=1e-12)
    one = Trace.new((p,)).update(True).update(False)
    # 0.825: wrong leaves 0.0825 / (0.0825 + 0.14) = 0.0825 / 0.2225, then the chance to learn
    seen = 0.0825 / 0.2225
    assert one.known == pytest.approx(seen + (1 - seen) * 0.3, abs=1e-12)
    assert (one.right, one.wrong, one.seen) == (1, 1, 2)


@pytest.mark.parametrize("results", list(itertools.product((True, False), repeat=3)))
def test_tracing_is_exact_inference(results: tuple[bool, ...]) -> None:
    """The same model, prior over parameter sets included, as a network in the library pyagrum."""
    sets = len(PRIOR)
    net = gum.BayesNet()
    net.add(gum.LabelizedVariable("set", "", sets))
    net.cpt("set").fillWith([1 / sets] * sets)
    for k in range(4):
        net.add(gum.LabelizedVariable(f"known{k}", "", 2))
        net.addArc("set", f"known{k}")
        if k:
            net.addArc(f"known{k - 1}", f"known{k}")
    for k in range(4):
        for s, p in enumerate(PRIOR):
            if not k:
                net.cpt("known0")[{"set": s}] = [1 - p.start, p.start]
                continue
            net.cpt(f"known{k}")[{"set": s, f"known{k - 1}": 0}] = [1 - p.learn, p.learn]
            net.cpt(f"known{k}")[{"set": s, f"known{k - 1}": 1}] = [0, 1]
    for k in range(4):
        net.add(gum.LabelizedVariable(f"right{k}", "", 2))
        net.addArc("set", f"right{k}")
        net.addArc(f"known{k}", f"right{k}")
        for s, p in enumerate(PRIOR):
            net.cpt(f"right{k}")[{"set": s, f"known{k}": 0}] = [1 - p.guess, p.guess]
            net.cpt(f"right{k}")[{"set": s, f"known{k}": 1}] = [p.slip, 1 - p.slip]
    trace = Trace.new()
    for right in results:
        trace = trace.update(right)
    engine = gum.LazyPropagation(net)
    engine.setEvidence({f"right{k}": int(right) for k, right in enumerate(results)})
    engine.makeInference()
    assert trace.known == pytest.approx(engine.posterior("known3")[1], abs=1e-12)
    assert trace.next_right == pytest.approx(engine.posterior("right3")[1], abs=1e-12)


def test_what_is_known_is_forgotten_by_half_in_a_half_life() -> None:
    """Settles and Meeder 2016: recall is 2^(-days/half-life)."""
    trace = Trace.new().update(True)
    assert trace.half_life == 28
    assert trace.recall(28) == pytest.approx(0.5)
    assert trace.recall(0) == 1.0
    assert trace.known_after(56) == pytest.approx(trace.known / 4)
    assert trace.forget(28).known == pytest.approx(trace.known / 2)
    assert not trace.due(14)
    assert trace.due(15)
    assert not Trace.new().due(1000)
    for right, bound in ((True, LONGEST), (False, SHORTEST)):
        many = Trace.new()
        for _ in range(1100):
            many = many.update(right)
        assert many.half_life == bound
        assert 0 < many.known <= 1


# ---------------------------------------------------------------------- skills of an attempt


def attempt(*acts: Taken, ended: str = "solved", swapped: tuple[str, ...] = ()) -> Attempt:
    """An attempt at a welded relay contact."""
    exercise = Exercise("x", KIND, {}, ("relay.contacts_welded",), "overflows", 1)
    return Attempt(exercise, acts, 60.0, ended, swapped)


def taken(kind: str, outcome: str = "", offence: bool = False, **data: str) -> Taken:
    """One act."""
    stopped = Offence("r", "t", "w", "i", 5.0) if offence else None
    shown = Shown(outcome, outcome) if outcome else None
    return Taken(Act(kind, data), 0.0, 1.0, "panel", "energised", shown, stopped)


def test_how_each_skill_was_done() -> None:
    rated = next(r for r in exercises() if r.modes == ("relay.contacts_welded",))
    assert skills_of(rated, functions())[0] == "switching"
    assert skills_of(rated, functions())[-2:] == ALWAYS
    difficulty = replace(rated.difficulty, rivals={"roof_high_float": 0.3, "motor": 0.1})
    rated = replace(rated, difficulty=difficulty)
    assert skills_of(rated, functions()) == ("switching", "sensing", *ALWAYS)
    swap, wrong = taken("swap", unit="relay"), taken("swap", unit="roof_high_float")
    good, bad = taken("check", "pass", check="gone"), taken("check", "fail", check="gone")

    def results(what: Attempt) -> dict[str, bool]:
        return results_of(what, rated, functions(), 80.0)

    assert results(attempt(swap, good, swapped=("relay",))) == dict.fromkeys(
        ("sensing", "switching", *ALWAYS), True
    )
    vain = results(attempt(wrong, bad, swap, good, swapped=("roof_high_float", "relay")))
    assert vain == {
        "sensing": False,
        "switching": False,
        "safe_working": True,
        "proving_the_repair": True,
    }
    unproved = results(attempt(good, swap, bad, swapped=("relay",)))
    assert not unproved["proving_the_repair"]
    assert not results(attempt(swap, swapped=("relay",)))["proving_the_repair"]
    stopped = attempt(taken("swap", offence=True, unit="relay"), ended="given_up")
    assert results(stopped) == {"switching": False, "safe_working": False}
    slow = replace(attempt(swap, good, swapped=("relay",)), minutes=161.0)
    assert not results(slow)["switching"]
    assert results(slow)["sensing"]
    hazard = replace(stopped.exercise, hazard="panel_wet")
    calm = replace(attempt(taken("look", at="parts"), ended="handed_over"), exercise=hazard)
    assert results(calm) == {"safe_working": True}
    assert results(replace(calm, ended="solved")) == {"safe_working": False}


# ---------------------------------------------------------------------- progress


def done(at: str = "2026-02-01T10:00:00+00:00", **changed: Any) -> Done:
    """An exercise that was done."""
    base = Done(
        at=at,
        exercise="tank_and_sump-7",
        installation=KIND,
        variants={"module": "active_low"},
        modes=("relay.contacts_welded",),
        complaint="overflows",
        seed=7,
        wording=1,
        difficulty=21.5,
        minutes=88.25,
        ended="solved",
        score=86.8,
        skills={"switching": True, "sensing": False, "safe_working": True},
    )
    return replace(base, **changed)


NAMES = (
    "Anna",
    "no",
    "- x: [",
    "a: b # c",
    "=cmd|' /C calc'!A0",
    "\x1b[31mred\x07",
    'quo"te\\ ',
    "two\nlines",
    "漢字 \u202e rtl",
    "",
)


@pytest.mark.parametrize("name", NAMES)
def test_a_file_gives_back_what_was_put_in(tmp_path: Path, name: str) -> None:
    path = tmp_path / "deep" / "p.yaml"
    append(path, done(), name)
    append(path, done(seed=8, exercise=name))
    found = read_progress(path)
    assert found == Progress(name, (done(), done(seed=8, exercise=name)))
    assert parse_progress(progress_text(found), "x") == found
    rows = list(csv.DictReader(io.StringIO(as_csv([found]))))
    assert [row["seed"] for row in rows] == ["7", "8"]
    assert rows[0]["switching"] == "right"
    assert rows[0]["sensing"] == "wrong"
    assert rows[0]["water"] == ""
    assert all(not value.startswith(("=", "+", "@", "-")) for row in rows for value in row.values())
    data = json.loads(as_json(found))
    assert data["trainee"] == name
    assert data["done"][1]["exercise"] == name
    assert data["done"][0]["skills"] == dict(done().skills)


def test_the_same_exercise_is_noted_once_though_another_program_notes_it_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "p.yaml"
    assert append(path, done())
    acquire = FileLock.acquire

    def overtaken(self: FileLock, *args: Any, **kwargs: Any) -> Any:
        """Another program writes while this one waits for the lock."""
        monkeypatch.setattr(FileLock, "acquire", acquire)
        assert append(path, done(seed=8))
        return acquire(self, *args, **kwargs)

    monkeypatch.setattr(FileLock, "acquire", overtaken)
    assert not add(path, done(seed=8, at="2026-02-01T10:00:05+00:00"))
    assert read_progress(path).done == (done(), done(seed=8))


def test_what_was_written_by_hand_stays(tmp_path: Path) -> None:
    path = tmp_path / "p.yaml"
    append(path, done())
    text = path.read_text(encoding="utf-8").replace("done:", "# my own note\ndone:")
    path.write_text(text.rstrip("\n"), encoding="utf-8")  # an editor left out the last line feed
    append(path, done(seed=8))
    assert "# my own note" in path.read_text(encoding="utf-8")
    assert len(read_progress(path).done) == 2
    path.write_text('{format: 1, trainee: "x", done: []}\n', encoding="utf-8")  # another layout
    append(path, done())
    assert read_progress(path) == Progress("x", (done(),))
    path.write_text("format: 1\ntrainee: y\ndone:\n", encoding="utf-8")
    append(path, done())
    assert read_progress(path) == Progress("y", (done(),))


def test_a_file_that_cannot_be_written_is_left_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "p.yaml"
    append(path, done())
    before = path.read_bytes()

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(DiagnoseError, match="No space left"):
        append(path, done(seed=8))
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    ("old", "new", "needle", "message"),
    [
        ("minutes: 88.25", "minutes: long", "minutes: ¦long", "is no number"),
        ("seed: 7", "seed: 7.5", "seed: ¦7.5", "is no whole number"),
        ("minutes: 88.25", "minutes: nan", "minutes: ¦nan", "is no number"),
        ("ended: solved", "ended: well", "ended: ¦well", "(legal: open, solved"),
        ("switching: right", "switching: yes", "switching: ¦yes", "(legal: right, wrong)"),
        ("switching: right", "swimming: right", "swimming", "(legal: supply, sensing"),
        ("at: '2026-02-01T10:00:00+00:00'", "at: soon", "at: ¦soon", "no date or time"),
        ("complaint: overflows", "compliant: overflows", "at: '2026", "'complaint' is missing"),
        ("format: 1", "format: 2", "format: ¦2", "(legal: 1)"),
        ("done:\n", "done: 5\nmore:\n", "done: ¦5", "'done' must be a list"),
    ],
)
def test_a_bad_file_is_refused_with_its_place(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    old: str,
    new: str,
    needle: str,
    message: str,
) -> None:
    path = tmp_path / "p.yaml"
    append(path, done(), "x")
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1
    path.write_text(text.replace(old, new), encoding="utf-8")
    damaged = path.read_bytes()
    with pytest.raises(SystemExit) as ended:
        main(["progress", "--trainee", str(path)])
    lines = capsys.readouterr().err.splitlines()
    _, line, column = place_of(tmp_path, "p.yaml", needle)
    assert ended.value.code == 2
    assert any(f"{path}:{line}:{column}: " in said and message in said for said in lines), lines
    with pytest.raises(DiagnoseError):
        append(path, done())
    assert path.read_bytes() == damaged


def test_progress_on_the_screen(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("ann", "bob"):
        for seed in range(6):
            right = name == "ann"
            skills = {"switching": right, "safe_working": True}
            append(tmp_path / f"{name}.yaml", done(seed=seed, skills=skills), name)
    assert run("progress", "--trainee", str(tmp_path / "ann.yaml")) == 0
    shown = capsys.readouterr().out
    assert "6 of 6" in shown
    assert "not practised" in shown
    assert max(map(len, shown.splitlines())) <= 80
    assert run("progress", "--group", str(tmp_path)) == 0
    shown = capsys.readouterr().out
    line = next(x for x in shown.splitlines() if x.startswith("Switching"))
    assert line.index("bob") < line.index("ann")  # the weakest first
    (tmp_path / "cut.yaml").write_text("format: 1\ndone: [", encoding="utf-8")
    assert run("progress", "--group", str(tmp_path)) == 2
    captured = capsys.readouterr()
    assert "Weak spots" in captured.out  # the others are shown all the same
    assert "cut.yaml:3:1: not valid YAML" in captured.err
    assert run("progress", "--trainee", str(tmp_path / "ann.yaml"), "--export", "csv") == 0
    assert len(capsys.readouterr().out.splitlines()) == 7
    assert run("progress", "--trainee", str(tmp_path / "none.yaml")) == 2
    assert "there is no file" in capsys.readouterr().err


def run(*arguments: str) -> int:
    """The command's exit code."""
    try:
        main(list(arguments))
    except SystemExit as ended:
        return int(ended.code or 0)
    return 0


# ---------------------------------------------------------------------- choosing


def test_the_next_exercise_is_for_what_is_weak_and_due() -> None:
    chooser = Chooser(exercises(), functions())
    known = dict.fromkeys(SKILLS, 0.99)
    rng = np.random.default_rng(0)
    for weak in ("water", "motor", "sensing"):
        for _ in range(5):
            k = chooser.choose({**known, weak: 0.1}, [], rng)
            assert chooser.skills[k][0] == weak
            assert chooser.easier[k] < 0.75
    k = chooser.choose(dict.fromkeys(SKILLS, 0.2), [], rng)
    assert chooser.easier[k] < 0.6
    # what was done lately does not come again
    recent = [r.modes[0] for r in exercises() if unit_of(r.modes[0]) != "pump"]
    k = chooser.choose({**known, "sensing": 0.1}, recent, rng)
    assert chooser.exercises[k].modes[0].startswith("pump.")


def test_what_was_not_practised_for_long_comes_again() -> None:
    chooser = Chooser(exercises(), functions())
    entries = []
    for n in range(40):
        day = datetime.date(2026, 1, 1) if n < 10 else datetime.date(2026, 2, 28)
        skills = dict.fromkeys(SKILLS if n < 10 else [s for s in SKILLS if s != "water"], True)
        entries.append(done(day.isoformat(), seed=n, skills=skills, modes=("a.b",)))
    progress = Progress("x", tuple(entries))
    later = datetime.date(2026, 12, 1)
    now = standings(progress, later)
    assert now["water"].due
    assert now["water"].known < now["motor"].known
    fresh = standings(progress, TODAY)
    assert all(s.mastered == (s.known >= MASTERED) for s in fresh.values() if not s.due)
    one = next_exercise(progress, chooser, TODAY, 3)
    assert one == next_exercise(progress, chooser, TODAY, 3)
    assert next_exercise(Progress(), chooser, TODAY, 3).why == "not practised yet"


# ---------------------------------------------------------------------- simulated learners


def test_tracing_on_simulated_learners() -> None:
    """A reduced form of ``python -m tests.benchmarks.tracing``: both kinds, 8 learners each."""
    result = tracing.run(Chooser(exercises(), functions()), 8)
    for kind in ("stepwise", "growing"):
        saved = result[kind]["truly"]["against_random"]
        assert saved["saved"] >= 0.2
        assert saved["low"] > 0
        assert result[kind]["foretold"]["chosen"]["ece"] < 0.1
    assert result["stepwise"]["mastery"]["chosen"]["ece"] < 0.12
    drawn = figure(result)
    assert drawn.startswith("<svg")
    assert "calibration error" in drawn


def test_reliability_and_the_share_saved_by_hand() -> None:
    pairs = [(0.15, False), (0.15, False), (0.85, True), (0.85, False)]
    found = tracing.reliability(pairs)
    assert found["bins"] == [[0.15, 0.0, 2], [0.85, 0.5, 2]]
    assert found["ece"] == pytest.approx(0.5 * 0.15 + 0.5 * 0.35)
    assert found["brier"] == pytest.approx((2 * 0.0225 + 0.0225 + 0.7225) / 4)
    assert tracing.saved([10, 20], [20, 40])["saved"] == pytest.approx(0.5)
    assert tracing.saved([10, 20], [20, 40])["low"] == pytest.approx(0.5)
