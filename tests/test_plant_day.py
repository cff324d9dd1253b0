"""The simulated day: its balance against closed forms and an independent integrator, its behaviour.

Outside checks: Torricelli's discharge time t = 2A(√h₁ − √h₂)/(C a √(2g)), the emptying of a tank
through a resistance (exponential), both as in any textbook of hydraulics (from memory); and
`scipy.integrate.solve_ivp` on right-hand sides written here from the knowledge's numbers, without
the plant's solver.
"""

from __future__ import annotations

import hashlib
import math
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from diagnose.errors import DiagnoseError
from diagnose.knowledge.checks_days import days_fit
from diagnose.knowledge.day_records import DayPlan
from diagnose.plant.balance import Affine, Balance, Hole, level_of
from diagnose.plant.compose import Installation, compose
from diagnose.plant.day import run
from diagnose.plant.day_complaints import noticed, waiting
from diagnose.plant.day_values import Day, most_within, warnings
from diagnose.plant.exponentials import Closed
from diagnose.plant.flights import Draining, Integrated, flight
from tests.bench import shipped
from tests.campaigns.days import by_matrix

KIND = "tank_and_sump"
NOTHING = Affine(0.0, (0.0,))
GRAVITY = 9.80665


def plan() -> DayPlan:
    return shipped().days[KIND]


@cache
def installation(floats: str = "two") -> Installation:
    return compose(shipped(), KIND, {"roof_floats": floats})


@cache
def day(*modes: str, floats: str = "two", off: bool = False) -> Day:
    """A whole day, of two failure modes a morning; `off`: no water from the main from 5 h on."""
    main_off = ((300.0, 1440.0),) if off else ()
    hours = 24.0 if len(modes) < 2 else 8.0
    return run(shipped(), installation(floats), modes, hours, main_off=main_off)


# ------------------------------------------------------------------ between two events


def one_tank(area: float, flow: Affine, hole: Hole | None = None) -> Balance:
    holes = {"hole": hole} if hole else {}
    return Balance((area,), {"in": flow}, ({"in": 1.0},), holes, (False,))


def test_a_tank_with_constant_inflow_and_draw_rises_in_a_straight_line() -> None:
    balance = Balance(
        (800.0,),
        {"in": Affine(20.0, (0.0,)), "out": Affine(8.0, (0.0,))},
        ({"in": 1.0, "out": -1.0},),
        {},
        (False,),
    )
    going = flight(balance, [0.2], 60.0)
    assert isinstance(going, Closed)
    assert going.levels(40.0)[0] == pytest.approx(0.2 + 12 * 40 / 800, rel=1e-12)
    met = going.falls_below(level_of(0, 1, -1.0, -0.5), 60.0)
    assert met == pytest.approx(0.3 * 800 / 12, rel=1e-12)
    assert going.falls_below(level_of(0, 1, -1.0, -0.5), 19.0) is None
    assert going.litres(40.0) == pytest.approx({"in": 800.0, "out": 320.0})


def test_a_leak_through_a_resistance_empties_a_tank_exponentially() -> None:
    area, ohms = 900.0, 0.4  # L per m, m per L/min
    going = flight(one_tank(area, Affine(0.0, (-1 / ohms,))), [0.9], 1e4)
    for t in (1e-6, 1.0, 100.0, 2000.0):
        assert going.levels(t)[0] == pytest.approx(0.9 * math.exp(-t / (area * ohms)), rel=1e-9)
    met = going.falls_below(level_of(0, 1, 1.0, 0.3), 1e4)
    assert met == pytest.approx(area * ohms * math.log(3), rel=1e-9)


def test_a_draining_tank_takes_torricellis_time() -> None:
    bore, discharge, diameter = 0.004, 0.62, 1.1
    area = math.pi * diameter**2 / 4
    hole = Hole.of(0, bore, discharge, 0.0)
    going = flight(one_tank(1000 * area, NOTHING, hole), [1.0], 1e4)
    assert isinstance(going, Draining)
    for level in (0.81, 0.25, 0.01):
        wide = discharge * math.pi * bore**2 / 4 * math.sqrt(2 * GRAVITY)
        minutes = 2 * area * (1 - math.sqrt(level)) / wide / 60
        met = going.falls_below(level_of(0, 1, 1.0, level), 1e5)
        assert met == pytest.approx(minutes, rel=1e-9)
        assert going.levels(minutes)[0] == pytest.approx(level, rel=1e-9)
        assert going.litres(minutes)["hole"] == pytest.approx(1000 * area * (1 - level), rel=1e-9)


@pytest.mark.parametrize("inflow", [-3.0, -0.01, 0.4, 1.2, 9.0])
@pytest.mark.parametrize("start", [0.02, 0.9])
def test_a_hole_beside_a_constant_flow_goes_as_scipy_has_it(inflow: float, start: float) -> None:
    hole = Hole(0, 1.1, 0.0)
    going = flight(one_tank(900.0, Affine(inflow, (0.0,)), hole), [start], 900.0)
    assert isinstance(going, Draining)
    end = going.falls_below(level_of(0, 1, 1.0, 1e-4), 900.0) or 900.0
    times = np.linspace(0, end, 9)
    exact = solve_ivp(
        lambda t, h: [(inflow - 1.1 * math.sqrt(max(h[0], 0.0))) / 900.0],
        (0, end),
        [start],
        method="Radau",
        t_eval=times,
        rtol=1e-10,
        atol=1e-13,
    )
    for t, level in zip(times, exact.y[0], strict=True):
        assert going.levels(float(t))[0] == pytest.approx(level, rel=1e-6, abs=1e-9)


@st.composite
def balances(draw: st.DrawFn) -> tuple[Balance, list[float]]:
    """Two tanks that flow into one another through resistances, with feeds, draws, holes."""

    def number(low: float, high: float) -> float:
        return draw(st.floats(low, high, allow_nan=False))

    areas = (number(50, 2000), number(50, 2000))
    share, feed = number(0, 5), number(0, 300)
    flows = {
        "pump": Affine(number(-5, 30), (-share, share)),
        "feed": Affine(number(0, 30), (0.0, -feed)),
        "draw": Affine(number(0, 20), (0.0, 0.0)),
    }
    signs = ({"pump": 1.0, "draw": -1.0}, {"pump": -1.0, "feed": 1.0})
    holes = {}
    if draw(st.booleans()):
        holes["hole"] = Hole(draw(st.sampled_from((0, 1))), number(0.01, 3), number(0, 0.3))
    held = draw(st.sampled_from(((False, False), (True, False), (False, True), (True, True))))
    return Balance(areas, flows, signs, holes, held), [number(0.35, 1), number(0.35, 1)]


@settings(max_examples=40, deadline=None, derandomize=True)
@given(balances(), st.floats(1e-4, 30))
def test_no_water_comes_from_nowhere(made: tuple[Balance, list[float]], t: float) -> None:
    balance, start = made
    going = flight(balance, start, t)
    litres, levels = going.litres(t), going.levels(t)
    for tank, area in enumerate(balance.areas):
        gained = sum(sign * litres[name] for name, sign in balance.signs[tank].items())
        gained -= sum(litres[n] for n, hole in balance.holes.items() if hole.tank == tank)
        gained -= litres.get(f"surplus:{tank}", 0.0)
        size = 1 + sum(abs(x) for x in litres.values())
        assert gained == pytest.approx(area * (levels[tank] - start[tank]), abs=1e-11 * size)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(balances(), st.floats(0.1, 20))
def test_levels_are_those_of_a_general_integrator(
    made: tuple[Balance, list[float]], t: float
) -> None:
    balance, start = made

    def change(_: float, h: NDArray[np.float64]) -> list[float]:
        rates = []
        for tank in range(2):
            net = sum(s * balance.flows[n].at(h) for n, s in balance.signs[tank].items())
            net -= sum(x.flow(h[tank]) for x in balance.holes.values() if x.tank == tank)
            rates.append(0.0 if balance.held[tank] else net / balance.areas[tank])
        return rates

    exact = solve_ivp(change, (0, t), start, method="LSODA", rtol=1e-10, atol=1e-12).y[:, -1]
    going = flight(balance, start, t)
    if balance.holes and not Draining.suits(balance):
        assert isinstance(going, Integrated | Closed)
    assert going.levels(t) == pytest.approx(exact, rel=1e-6, abs=1e-7)


def test_the_first_of_two_crossings_is_found() -> None:
    """A level that rises and falls again passes a threshold twice; so do sums of exponentials."""
    balance = Balance(
        (100.0, 50.0),
        {"over": Affine(0.0, (4.0, -1.0)), "out": Affine(0.0, (0.0, 2.0))},
        ({"over": -1.0}, {"over": 1.0, "out": -1.0}),
        {},
        (False, False),
    )
    going = flight(balance, [1.0, 0.0], 1e3)
    grid = np.linspace(0, 200, 20001)
    second = np.array([going.levels(float(t))[1] for t in grid])
    assert second.max() > 0.3 > second[-1]
    up = going.falls_below(level_of(1, 2, -1.0, -0.3), 1e3)
    assert up == pytest.approx(float(grid[np.argmax(second >= 0.3)]), abs=0.02)


# ------------------------------------------------------------------ a day, written a second time


SHUT = 1e6
"""What is open or shut in the water network still has so many m per L/min."""


def nominal(part: str, name: str) -> float:
    mode = shipped().parts[part]
    return mode.parameters[name].nominal


def beside(drop: float, ohms: float, other: float) -> tuple[float, float]:
    """A valve's flap with a leak beside it, as one drop and one resistance."""
    return drop / ohms / (1 / ohms + 1 / other), 1 / (1 / ohms + 1 / other)


def pumped(roof: float, sump: float, check: float) -> float:
    """What the pump brings up: heads over resistances along the one way, by hand, L/min."""
    tanks = plan().tanks
    static = nominal("roof_tank", "static") + roof - tanks["roof"].head_at.nominal
    lift = nominal("sump", "depth") - (sump - tanks["sump"].head_at.nominal)
    foot = beside(
        nominal("foot_valve", "drop"), nominal("foot_valve", "loss"), nominal("foot_valve", "weep")
    )
    valve = beside(nominal("delivery", "valve_drop"), nominal("delivery", "valve_loss"), check)
    head = nominal("pump", "shutoff") * nominal("pump", "head_share")
    head -= static + lift + foot[0] + valve[0] + nominal("roof_tank", "lip")
    ohms = nominal("pump", "inner") + foot[1] + valve[1]
    ohms += nominal("delivery", "pipe_loss") + 2 * nominal("roof_tank", "loss")
    ohms += nominal("sump", "entry") + nominal("suction_pipe", "loss")
    return head / ohms


def run_back(roof: float, sump: float, check: float) -> tuple[float, float]:
    """What a leaking check valve lets back through the standing pump and the flap's weep, L/min.

    Leaves the roof tank, comes to the sump: what is shut passes `SHUT`, which adds up over a day.
    """
    tanks = plan().tanks
    surface = nominal("roof_tank", "static") + roof - tanks["roof"].head_at.nominal
    surface -= nominal("roof_tank", "lip")
    head = surface + nominal("sump", "depth") - (sump - tanks["sump"].head_at.nominal)
    ohms = 2 * nominal("roof_tank", "loss") + nominal("delivery", "pipe_loss") + check
    weep = 1 / (1 / nominal("foot_valve", "weep") + 2 / SHUT)
    ohms += nominal("pump", "standing") + nominal("suction_pipe", "loss")
    flow = head / (ohms + weep + nominal("sump", "entry"))
    casing = surface - flow * (check + nominal("delivery", "pipe_loss"))
    return flow + surface / SHUT + casing / SHUT, flow


def second_writing(
    drawing: list[tuple[float, str, float]], end: float, check: float | None
) -> tuple[list[tuple[float, bool]], Callable[[float], NDArray[np.float64]]]:
    """The day by `solve_ivp` with tight tolerances: when the pump switches, and the levels.

    `check`: how a check valve leaks, m per L/min. The controller is written by hand: on at the low
    float, off at the high one, each seen once it has been steady; the high float rises by the
    waves' height too early.
    """
    tanks = plan().tanks
    areas = [1000 * math.pi * t.diameter.nominal**2 / 4 for t in tanks.values()]
    feed = next(f for f in plan().feeds if f.shuts_at is not None)
    assert feed.shuts_at is not None
    assert feed.within is not None
    shuts, within, most = feed.shuts_at.nominal, feed.within.nominal, feed.flow.nominal
    floats = {f.unit: f for f in plan().floats if f.needs != "!roof_low_float"}
    low = floats["roof_low_float"].at.nominal - floats["roof_low_float"].travel.nominal
    high = floats["roof_high_float"].at.nominal - plan().ripple_height.nominal
    wait = plan().steady.nominal
    over = tanks["sump"].overflow_at.nominal

    def change(drawn: float, on: bool) -> Callable[[float, NDArray[np.float64]], list[float]]:
        def rates(_: float, h: NDArray[np.float64]) -> list[float]:
            lost, back = (0.0, 0.0) if check is None else run_back(h[0], h[1], check)
            if on:
                lost = back = -pumped(h[0], h[1], check or nominal("delivery", "back"))
            fills = most * min(1.0, max(0.0, (shuts - h[1]) / within)) + back
            if h[1] >= over and fills > 0:
                fills = 0.0
            return [(-lost - drawn) / areas[0], fills / areas[1]]

        return rates

    def crossing(on: bool) -> Any:
        def event(_: float, h: NDArray[np.float64]) -> float:
            return float(h[0] - (high if on else low))

        event.terminal = True  # type: ignore[attr-defined]
        event.direction = 1.0 if on else -1.0  # type: ignore[attr-defined]
        return event

    now, on, drawn, due = 0.0, False, 0.0, math.inf
    levels = np.array([t.starts_at.nominal for t in tanks.values()])
    steps, pieces, switched = list(drawing), [], []
    while now < end:
        while steps and steps[0][0] <= now + 1e-12:
            drawn = steps.pop(0)[2]
        until = min(end, due, steps[0][0] if steps else end)
        solved = solve_ivp(
            change(drawn, on),
            (now, until),
            levels,
            method="DOP853",
            rtol=1e-11,
            atol=1e-12,
            events=[crossing(on)] if math.isinf(due) else None,
            dense_output=True,
            max_step=2.0,
        )
        pieces.append((now, float(solved.t[-1]), solved.sol))
        now, levels = float(solved.t[-1]), solved.y[:, -1]
        if solved.status == 1:
            due = now + wait
        elif now == due:
            on, due = not on, math.inf
            switched.append((now, on))

    def at(time: float) -> NDArray[np.float64]:
        piece = next(p for p in pieces if p[0] <= time <= p[1])
        return np.asarray(piece[2](time))

    return switched, at


DRAWING = [
    *((0.0, "roof", 1.0), (300.0, "roof", 6.0), (380.0, "roof", 2.5), (700.0, "roof", 4.0)),
    *((731.5, "roof", 0.0), (800.0, "roof", 9.0), (960.0, "roof", 1.5), (1300.0, "roof", 5.0)),
]


@pytest.mark.parametrize("mode", ["", "delivery.check_leaking"])
def test_a_day_is_what_an_integrator_makes_of_the_same_equations(mode: str) -> None:
    """Levels and switching times within 0.1 %; the leak runs back as by hand."""
    kept = run(shipped(), installation(), [mode] if mode else [], drawing=DRAWING)
    leak = shipped().parts["delivery"].failure_modes["check_leaking"].patch.set["back"]
    switched, levels = second_writing(DRAWING, 1440.0, leak.nominal if mode else None)
    ours = [(e.time, "starts" in e.text) for e in kept.events if e.kind == "pump"]
    assert len(switched) >= 12
    assert [on for _, on in ours] == [on for _, on in switched]
    for (time, _), (exact, _) in zip(ours, switched, strict=True):
        assert time == pytest.approx(exact, rel=1e-4)
    for time in np.linspace(0, 1440, 289):
        assert kept.level_at(float(time)) == pytest.approx(levels(float(time)), rel=1e-3)
    spans = [b - a for (a, _), (b, _) in pairwise(ours)]
    exact_spans = [b - a for (a, _), (b, _) in pairwise(switched)]
    assert spans == pytest.approx(exact_spans, rel=1e-3)


# ------------------------------------------------------------------ what comes of it


def test_a_healthy_day_gives_no_cause_for_complaint() -> None:
    healthy = day()
    assert warnings(healthy) == []
    assert noticed(healthy) == frozenset()
    assert healthy.figures.starts == 2
    litres = sum(
        b.flow.nominal * ((e.start.nominal if e else 1440) - b.start.nominal)
        for b, e in zip(plan().draws, [*plan().draws[1:], None], strict=True)
    )
    assert healthy.figures.drawn == pytest.approx(litres)
    hours = healthy.figures.run / 60
    assert 0.45 < healthy.figures.energy / hours < 0.65  # about the 590 W of its nameplate


EVERY = [
    (), ("roof_high_float.stuck_down",), ("roof_tank.leaking",), ("delivery.burst",),
    ("program.no_latch",), ("foot_valve.leaking",), ("relay.contacts_welded",),
    ("roof_tank.leaking", "delivery.check_leaking"), ("sump.low_yield",), ("pump.worn",),
]  # fmt: skip


@pytest.mark.parametrize("modes", EVERY, ids=lambda m: "+".join(m) or "healthy")
def test_the_ledgers_of_a_day_close(modes: tuple[str, ...]) -> None:
    for ledger in day(*modes).ledgers.values():
        moved = sum(abs(x) for x in (*ledger.came.values(), *ledger.left.values()))
        assert abs(ledger.error) <= 1e-11 * (1 + moved)
        assert min(ledger.left["drawn"], ledger.left["run over"]) >= -1e-9


def test_levels_stay_between_floor_and_overflow_and_time_goes_on() -> None:
    for modes in EVERY:
        made = day(*modes)
        assert (np.diff(made.times) > 0).all()
        for k, tank in enumerate(plan().tanks.values()):
            assert made.levels[:, k].min() >= -1e-9
            assert made.levels[:, k].max() <= tank.overflow_at.nominal + 1e-9
        assert made.stretches[0].start == 0
        assert made.stretches[-1].end == made.minutes
        assert all(a.end == b.start for a, b in pairwise(made.stretches))


def test_a_float_that_never_rises_lets_the_tank_run_over() -> None:
    made = day("roof_high_float.stuck_down")
    assert made.figures.overflowed["roof"] > 100
    assert "overflows" in noticed(made)
    assert any("runs over" in text for text in warnings(made))
    assert made.spans("full:roof")


def test_welded_contacts_overflow_and_then_run_dry() -> None:
    """The tank first; then the sump is empty, for its float cannot part a welded contact."""
    made = day("relay.contacts_welded", off=True)
    kinds = [e.kind for e in made.events]
    assert kinds.index("full:roof") < kinds.index("dry")
    assert made.figures.dry > 60
    assert {"overflows", "runs_dry"} <= noticed(made)


def test_a_leaking_check_valve_makes_the_pump_start_more_often() -> None:
    for floats in ("two", "one"):
        sound, leaks = day(floats=floats), day("delivery.check_leaking", floats=floats)
        assert sound.figures.returned == 0
        assert leaks.figures.returned > 300
        assert leaks.figures.starts > sound.figures.starts
        assert leaks.figures.drawn == pytest.approx(sound.figures.drawn)


def test_a_dry_sump_spares_a_pump_with_a_float_and_ruins_one_whose_float_hangs() -> None:
    spared, ruined = day(off=True), day("sump_float.stuck_up", off=True)
    assert spared.figures.dry == 0
    assert spared.figures.lowest["sump"] > ruined.figures.lowest["sump"]
    assert ruined.figures.dry > 60
    assert "the pump has lost its prime" in [event.text for event in ruined.events]
    assert "runs_dry" in noticed(ruined)


def test_without_run_memory_it_starts_again_and_again() -> None:
    made = day("program.no_latch")
    limit = plan().limits["starts"].nominal
    assert made.figures.starts > 20
    assert made.figures.starts_hour > day().figures.starts_hour
    assert made.figures.longest < 1.0 < day().figures.longest
    assert (made.figures.starts_hour > limit) == any("within an hour" in w for w in warnings(made))


def test_a_float_chatters_where_its_travel_is_less_than_the_waves() -> None:
    """One float for both: with its own travel a cycle is hours, without it seconds."""
    wide = day(floats="one")
    narrow = run(shipped(), installation("one"), hours=7.0, travel={"roof_high_float": 0.002})
    assert wide.figures.starts <= 3
    assert narrow.figures.starts_hour > plan().limits["starts"].nominal
    starts = [e.time for e in narrow.events if e.kind == "pump" and "starts" in e.text]
    assert min(b - a for a, b in pairwise(starts)) < 0.5
    assert "short_cycling" in noticed(narrow)


def test_a_motor_that_cannot_turn_hums_until_its_protector_opens_and_again_after() -> None:
    made = day("capacitor.open")
    stays = [e for e in made.events if e.kind == "stays"]
    assert len(stays) > 3
    assert {e.text for e in stays} == {"the motor's own protector has opened"}
    hot = next(s for s in plan().stays if "motor.hums" in s.when)
    assert hot.until is not None
    gaps = [b.time - a.time for a, b in pairwise(stays)]
    assert gaps == pytest.approx([hot.until.nominal + hot.lasts.nominal] * len(gaps))
    assert made.figures.run == 0
    assert waiting(made) > 60


def test_a_relay_that_rattles_is_told_from_a_cycle() -> None:
    made = day("adapter.under_rated")
    assert made.figures.rattles > 60
    assert "relay_chatters" in noticed(made)
    assert any(stretch.rattles("relay") for stretch in made.stretches)


REDUCED = (
    "roof_high_float.stuck_down", "relay.contacts_welded", "foot_valve.leaking", "pump.worn",
    "adapter.under_rated", "capacitor.open", "delivery.burst", "sump_float.stuck_up",
)  # fmt: skip


def test_a_day_shows_what_the_matrix_says_a_customer_reports() -> None:
    """Where every draw of the parts gives the complaint; `tests.campaigns.days` takes all modes."""
    told = by_matrix(shipped(), installation(), REDUCED)
    asked = [(m, a) for m, row in told.items() for a, chance in row.items() if chance == 1]
    assert {a for _, a in asked} == {"overflows", "runs_dry", "relay_chatters", "does_not_fill"}
    for mode, complaint in asked:
        assert complaint in noticed(day(mode)) | noticed(day(mode, off=True)), mode


def test_starts_are_counted_within_any_hour() -> None:
    assert most_within([], 60) == 0
    assert most_within([0, 59, 61, 90, 118.9, 200], 60) == 4
    assert most_within([0, 60], 60) == 1


# ------------------------------------------------------------------ the same everywhere


SHOWN = """
import sys
from tests.test_plant_day import digest
print(digest())
"""


def digest() -> str:
    """All levels, states and events of one day of a fault, as a hash."""
    made = run(shipped(), installation(), ["delivery.check_leaking"], 12.0, 5)
    text = "".join(f"{e.time!r}{e.text}" for e in made.events) + repr(made.figures)
    return hashlib.sha256(text.encode() + made.levels.tobytes()).hexdigest()


def test_a_seed_gives_one_day_in_any_process() -> None:
    env = os.environ | {"PYTHONHASHSEED": "77", "PYTHONPATH": str(Path(__file__).parent.parent)}
    other = subprocess.run(
        [sys.executable, "-c", SHOWN], env=env, capture_output=True, text=True, check=True
    )
    assert other.stdout.strip() == digest()
    one, two = (run(shipped(), installation(), hours=6, seed=s) for s in (1, 2))
    assert not np.array_equal(one.levels, two.levels)
    assert one.figures.drawn == pytest.approx(two.figures.drawn, abs=30)


def test_what_does_not_exist_is_refused() -> None:
    tries: list[dict[str, Any]] = [
        {"modes": ["pump.sings"]},
        {"modes": ["pump.worn", "pump.seized"]},
        {"modes": ["pump.worn", "relay.contacts_welded", "mains.power_cut"]},
        {"hours": 0.0},
        {"hours": 1e6},
        {"travel": {"pump": 0.1}},
    ]
    for wrong in tries:
        with pytest.raises(DiagnoseError):
            run(shipped(), installation(), **wrong)
    bare = replace(shipped(), days={})
    with pytest.raises(DiagnoseError, match="no day is written"):
        run(bare, installation())


def test_a_plan_that_cannot_be_is_refused_by_the_checks() -> None:
    kb, good = shipped(), plan()
    assert list(days_fit(kb)) == []
    roof = good.tanks["roof"]
    high = replace(roof.starts_at, nominal=9.0)
    broken = {
        "unknown kind": replace(good, id="elsewhere"),
        "no such element": replace(good, tanks={"roof": replace(roof, fills=("roof_tank.hose",))}),
        "starts above its overflow": replace(
            good, tanks={**good.tanks, "roof": replace(roof, starts_at=high)}
        ),
        "a float out of its tank": replace(
            good, floats=(replace(good.floats[0], at=high), *good.floats[1:])
        ),
        "draws that begin late": replace(good, draws=good.draws[1:]),
        "no such unit": replace(good, power=("engine",)),
        "a tap that gives nothing": replace(good, tap_flow=replace(good.tap_flow, nominal=0.0)),
    }
    for what, changed in broken.items():
        assert list(days_fit(replace(kb, days={KIND: changed}))), what
