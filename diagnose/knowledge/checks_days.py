"""Checks on the plans of a day: what they name is there, heights are in order, flows make sense."""

from __future__ import annotations

from collections.abc import Iterator

from diagnose.errors import Issue
from diagnose.knowledge.checks_base import error, needs_issues, unknown
from diagnose.knowledge.day_records import DayPlan, Vessel
from diagnose.knowledge.family import Family
from diagnose.knowledge.names import unit_of
from diagnose.knowledge.records import KnowledgeBase, Number

MOST_TANKS = 2
"""The closed form knows of two levels."""
DAY_MINUTES = 1440.0


def days_fit(kb: KnowledgeBase) -> Iterator[Issue]:
    """A plan for an unknown installation, or one that names what that does not have."""
    for plan in kb.days.values():
        kind = kb.installations.get(plan.id)
        if kind is None:
            yield unknown("day", "installation", plan.id, kb.installations, plan)
            continue
        family = Family(kb, [kind])
        yield from _names(plan, family, {n for s in kind.situations.values() for n in s.values})
        if not 1 <= len(plan.tanks) <= MOST_TANKS:
            message = f"day '{plan.id}': {len(plan.tanks)} tanks: one or {MOST_TANKS} are legal"
            yield error("day", message, plan)
        for tank in plan.tanks.values():
            yield from _heights(tank)
        yield from _floats(plan)
        yield from _flows(plan)


def _names(plan: DayPlan, family: Family, situations: set[str]) -> Iterator[Issue]:
    what = f"day '{plan.id}'"
    for tank in plan.tanks.values():
        for name in (tank.head, *tank.fills, *tank.empties, *tank.airs):
            if name not in family.branches and unit_of(name) not in family.unclear:
                yield unknown(f"tank '{tank.id}'", "element", name, family.branches, tank)
        if tank.situation not in situations:
            legal = situations
            yield unknown(f"tank '{tank.id}'", "situation", tank.situation, legal, tank)
    for one in plan.floats:
        if one.unit not in family.fitted:
            yield unknown(what, "instance", one.unit, family.fitted, one)
        yield from needs_issues(f"float '{one.unit}'", one.needs, family, one)
    for name in plan.logic:
        unit, _, line = name.partition(".")
        if line not in family.logic(unit) and unit not in family.unclear:
            yield unknown(what, "line of logic", name, family.logic(unit), plan)
    for stay in plan.stays:
        for name in stay.set:
            unit, _, variable = name.partition(".")
            if variable not in family.variables(unit) and unit not in family.unclear:
                yield unknown(what, "variable", name, family.variables(unit), stay)
    for unit in plan.power:
        if unit not in family.fitted:
            yield unknown(f"{what}: power", "instance", unit, family.fitted, plan)
    for feed in plan.feeds:
        unit, _, parameter = feed.most.partition(".")
        legal = family.parameters(unit)
        if feed.most and parameter not in legal and unit not in family.unclear:
            yield unknown(f"feed '{feed.name}'", "parameter", feed.most, legal, feed)
    groups = (plan.floats, plan.feeds, plan.leaks, plan.draws)
    for tank_named in (holder.tank for group in groups for holder in group):
        if tank_named not in plan.tanks:
            yield unknown(what, "tank", tank_named, plan.tanks, plan)


def _heights(tank: Vessel) -> Iterator[Issue]:
    what = f"tank '{tank.id}'"
    if tank.diameter.nominal <= 0:
        yield error("day", f"{what}: 'diameter' must be above zero", tank.diameter)
    if not 0 <= tank.starts_at.nominal < tank.overflow_at.nominal:
        message = f"{what}: 'starts_at' must lie between the floor and 'overflow_at'"
        yield error("day", message, tank.starts_at)
    if not tank.words:
        yield error("day", f"{what}: 'words' names no level", tank)
        return
    if tank.words[0].above is not None or any(w.above is None for w in tank.words[1:]):
        yield error("day", f"{what}: every word but the first needs 'from'", tank)
        return
    edges = [w.above.nominal for w in tank.words if w.above is not None]
    travel = tank.word_travel.nominal
    if any(b - travel <= a for a, b in zip([0.0, *edges], edges, strict=False)):
        message = f"{what}: each word must begin more than 'word_travel' above the one before"
        yield error("day", message, tank)


def _floats(plan: DayPlan) -> Iterator[Issue]:
    for one in plan.floats:
        tank = plan.tanks.get(one.tank)
        if tank and not one.travel.nominal <= one.at.nominal <= tank.overflow_at.nominal:
            message = f"float '{one.unit}': it must switch between the floor and 'overflow_at'"
            yield error("day", message, one)


def _flows(plan: DayPlan) -> Iterator[Issue]:
    above: list[tuple[str, Number]] = [
        ("tap: flow", plan.tap_flow),
        ("tap: lasts", plan.tap_lasts),
        ("debounce: none", plan.unsteady),
        ("ripple: period", plan.ripple_period),
        *((f"feed '{f.name}': within", f.within) for f in plan.feeds if f.within is not None),
        *((f"limits: {name}", number) for name, number in plan.limits.items()),
    ]
    for what, number in above:
        if not number.nominal > 0:
            yield error("day", f"day '{plan.id}': {what} must be above zero", number)
    for tank in plan.tanks:
        draws = [draw for draw in plan.draws if draw.tank == tank]
        starts = [draw.start.nominal for draw in draws]
        if starts and (
            starts[0] != 0 or starts != sorted(set(starts)) or starts[-1] >= DAY_MINUTES
        ):
            message = f"day '{plan.id}': the draws of '{tank}' must begin at 0 h and go on in order"
            yield error("day", message, draws[0].start)
        for draw in draws:
            if draw.flow.nominal < 0 or draw.flow.nominal >= plan.tap_flow.nominal:
                message = f"day '{plan.id}': a draw lies between nothing and what a tap gives"
                yield error("day", message, draw.flow)


CHECKS = (days_fit,)
