"""Which complaints a simulated day would give rise to: what somebody in the house would notice."""

from __future__ import annotations

from itertools import pairwise

from diagnose.plant.day_values import Day

WAITS = 30.0
"""So many minutes with a low tank and a pump that stands are noticed."""
QUICK = 10 / 60
"""A start so soon after the last one is a rattle, not a cycle, min."""
OFTEN = 6
"""Starts within an hour that somebody hears."""
NOTICED = 1.0
"""Minutes that count: dry, little water, humming."""


def waiting(day: Day) -> float:
    """The longest time, min, for which the upper tank is low and the pump does not run for good."""
    tank = next(iter(day.plan.tanks.values()))
    edges = [w.above.nominal for w in tank.words if w.above is not None]
    low = edges[0] - 2 * tank.word_travel.nominal
    longest = begun = 0.0
    for time, levels in zip(day.times, day.levels, strict=True):
        state = day.at(time)
        if levels[0] >= low or (state.is_on("pump") and not state.rattles("pump")):
            begun = float(time)
        longest = max(longest, float(time) - begun)
    return longest


def noticed(day: Day) -> frozenset[str]:
    """Ids of the complaints that the day gives rise to, as far as water and noise tell.

    ``does_not_fill`` stands for the complaints that the pump will not start.
    """
    figures = day.figures
    tank = next(iter(day.plan.tanks))
    found = set()
    if figures.overflowed[tank] > day.plan.limits["overflow"].nominal:
        found.add("overflows")
    if max(figures.dry, figures.little) > NOTICED:
        found.add("runs_dry")
    starts = [event.time for event in day.events if event.kind == "pump" and "starts" in event.text]
    if figures.rattles > 0 or any(b - a < QUICK for a, b in pairwise(starts)):
        found.add("relay_chatters")
    if figures.starts_hour >= OFTEN:
        found.add("short_cycling")
    if figures.hums > 0:
        found.add("hums")
    if waiting(day) > WAITS:
        found.add("does_not_fill")
    return frozenset(found)
