"""Reading the plan of a day from the content of its file."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from diagnose.knowledge.day_records import (
    DayPlan,
    Draw,
    Feed,
    FloatPlan,
    Leak,
    Stay,
    Vessel,
    Word,
)
from diagnose.knowledge.read_parts import NumberReader
from diagnose.knowledge.reading import Reader
from diagnose.knowledge.records import Number


class _Row(Reader):
    """A reader of one mapping that also reads numbers of a given unit; times are in minutes."""

    def __init__(self, node: Any, numbers: NumberReader, what: str) -> None:
        super().__init__(node, numbers.issues, what)
        self.numbers = numbers

    def number(self, key: str, unit: str) -> Number:
        number = self.numbers.read(self.raw(key), f"{self.what}: {key}")
        if unit == "min" and number.unit == "s":
            low, nominal, high = (x / 60 for x in (number.low, number.nominal, number.high))
            number = replace(number, low=low, nominal=nominal, high=high, unit="min")
        if number.unit not in ("", unit):
            self.problem(f"'{key}' must be in {unit}, not in {number.unit}", key)
        return number

    def perhaps(self, key: str, unit: str) -> Number | None:
        return self.number(key, unit) if self.has(key) else None


def _read_vessel(name: str, node: Any, numbers: NumberReader) -> Vessel:
    row = _Row(node, numbers, f"tank '{name}'")
    words = []
    for child in row.children("words"):
        inner = _Row(child, numbers, f"{row.what}: word")
        words.append(Word(inner.text("word"), inner.perhaps("from", "m")))
        inner.done()
    vessel = Vessel(
        id=name,
        title=row.text("title"),
        diameter=row.number("diameter", "m"),
        overflow_at=row.number("overflow_at", "m"),
        starts_at=row.number("starts_at", "m"),
        head=row.text("head"),
        head_falls=row.choice("head_falls", ("yes", "no"), "no") == "yes",
        head_at=row.number("head_at", "m"),
        fills=row.texts("fills"),
        empties=row.texts("empties"),
        airs=row.texts("airs"),
        inlet_at=row.perhaps("inlet_at", "m"),
        situation=row.text("situation"),
        words=tuple(words),
        word_travel=row.number("word_travel", "m"),
        place=row.place,
    )
    row.done()
    return vessel


def _read_float(node: Any, numbers: NumberReader) -> FloatPlan:
    row = _Row(node, numbers, "float")
    unit = row.text("unit")
    row.what = f"float '{unit}'"
    plan = FloatPlan(
        unit=unit,
        tank=row.text("tank"),
        needs=row.text("needs", ""),
        at=row.number("at", "m"),
        travel=row.number("travel", "m"),
        place=row.place,
    )
    row.done()
    return plan


def _read_feed(node: Any, numbers: NumberReader) -> Feed:
    row = _Row(node, numbers, "feed")
    name = row.text("name")
    row.what = f"feed '{name}'"
    feed = Feed(
        name=name,
        tank=row.text("tank"),
        when=row.text("when", ""),
        flow=row.number("flow", "L/min"),
        shuts_at=row.perhaps("shuts_at", "m"),
        within=row.perhaps("within", "m"),
        most=row.text("most", ""),
        place=row.place,
    )
    if (feed.shuts_at is None) != (feed.within is None):
        row.problem("'shuts_at' and 'within' go together")
    row.done()
    return feed


def _read_leak(node: Any, numbers: NumberReader) -> Leak:
    row = _Row(node, numbers, "leak")
    name = row.text("name")
    row.what = f"leak '{name}'"
    leak = Leak(
        name=name,
        tank=row.text("tank"),
        when=row.text("when", ""),
        bore=row.number("bore", "m"),
        at=row.number("at", "m"),
        discharge=row.number("discharge", "1"),
        place=row.place,
    )
    row.done()
    return leak


def _read_draw(node: Any, numbers: NumberReader) -> Draw:
    row = _Row(node, numbers, "draw")
    draw = Draw(row.text("tank"), row.number("from", "min"), row.number("flow", "L/min"))
    row.done()
    return draw


def _read_stay(node: Any, numbers: NumberReader) -> Stay:
    row = _Row(node, numbers, "what stays")
    stay = Stay(
        when=row.text("when"),
        lasts=row.number("for", "min"),
        set=row.text_map("set"),
        until=row.perhaps("until", "min"),
        says=row.text("says"),
        place=row.place,
    )
    row.done()
    return stay


def read_day(node: Any, numbers: NumberReader) -> DayPlan:
    """The plan of a day; its id is the installation type's."""
    row = _Row(node, numbers, "day")
    name = row.text("id")
    row.what = f"day '{name}'"
    ripple = _Row(row.mapping("ripple"), numbers, f"{row.what}: ripple")
    debounce = _Row(row.mapping("debounce"), numbers, f"{row.what}: debounce")
    tap = _Row(row.mapping("tap"), numbers, f"{row.what}: tap")
    limits = _Row(row.mapping("limits"), numbers, f"{row.what}: limits")
    plan = DayPlan(
        id=name,
        title=row.text("title"),
        tanks={k: _read_vessel(k, v, numbers) for k, v in row.items("tanks")},
        floats=tuple(_read_float(child, numbers) for child in row.children("floats")),
        logic=row.text_map("logic"),
        ripple_height=ripple.number("height", "m"),
        ripple_period=ripple.number("period", "min"),
        steady=debounce.number("steady", "min"),
        unsteady=debounce.number("none", "min"),
        no_debounce=debounce.text("missing", ""),
        feeds=tuple(_read_feed(child, numbers) for child in row.children("feeds")),
        leaks=tuple(_read_leak(child, numbers) for child in row.children("leaks")),
        draws=tuple(_read_draw(child, numbers) for child in row.children("draws")),
        tap_flow=tap.number("flow", "L/min"),
        tap_lasts=tap.number("lasts", "min"),
        stays=tuple(_read_stay(child, numbers) for child in row.children("stays")),
        shows=row.text_map("shows"),
        power=row.texts("power"),
        limits={
            "starts": limits.number("starts", "1"),
            "dry": limits.number("dry", "min"),
            "overflow": limits.number("overflow", "L/min"),
            "hums": limits.number("hums", "min"),
        },
        place=row.place,
    )
    for inner in (ripple, debounce, tap, limits, row):
        inner.done()
    return plan
