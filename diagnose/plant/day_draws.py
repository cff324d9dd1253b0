"""What is drawn off during a day: every opening and closing of a tap."""

from __future__ import annotations

import zlib
from collections.abc import Sequence

import numpy as np

from diagnose.knowledge.day_records import DayPlan

DAY = 1440.0
Step = tuple[float, int, float]
"""Time in min, tank, change of the draw-off in L/min."""


def steps_of(plan: DayPlan, drawing: Sequence[tuple[float, str, float]]) -> list[Step]:
    """The changes behind (time in min, tank, flow in L/min) in order."""
    places = {name: k for k, name in enumerate(plan.tanks)}
    before = dict.fromkeys(plan.tanks, 0.0)
    steps = []
    for time, tank, flow in drawing:
        steps.append((time, places[tank], flow - before[tank]))
        before[tank] = flow
    return steps


def tap_steps(plan: DayPlan, end: float, seed: int) -> list[Step]:
    """Taps opened at times drawn by the seed, so that each part of the day draws what it should."""
    found: list[Step] = []
    flow = plan.tap_flow.nominal
    for place, tank in enumerate(plan.tanks):
        parts = sorted((d.start.nominal, d.flow.nominal) for d in plan.draws if d.tank == tank)
        ends = [*(start for start, _ in parts[1:]), DAY]
        for day in range(int(np.ceil(end / DAY)) if parts else 0):
            for (start, mean), stop in zip(parts, ends, strict=True):
                litres = mean * (stop - start)
                if litres <= 0:
                    continue
                count = max(1, round(litres / (flow * plan.tap_lasts.nominal)))
                lasts = litres / (count * flow)
                rng = np.random.default_rng(zlib.crc32(f"{seed}:{tank}:{day}:{start}".encode()))
                for opened in np.sort(rng.uniform(start, stop - lasts, count)):
                    at = day * DAY + float(opened)
                    found += [(at, place, flow), (at + lasts, place, -flow)]
    return sorted(found)
