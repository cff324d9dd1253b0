"""A simulated day as text: strips over the hours, figures, warnings, events."""

from __future__ import annotations

from collections.abc import Iterator

from diagnose.plant.day_values import Day, Event, clock, warnings
from diagnose.plant.day_values import minutes as in_words

LABEL, ROWS = 9, 6
EVENTS = 12
QUICK, FEW = 10.0, 3
"""At least so many starts, each so many minutes after the last event, are told together."""
SYMBOLS = {"on": "█", "part": "▌", "often": "≈", "off": "·", "half": "▄"}
PLAIN = {"on": "#", "part": "+", "often": "~", "off": ".", "half": "-"}
STATES = {"relay": "relay", "pump": "pump"}
SOMETIMES = {"dry": "no water", "hums": "hums"}


def day_lines(day: Day, width: int, symbols: dict[str, str], events: bool = True) -> list[str]:
    """A day in lines of at most `width` columns.

    Parameters
    ----------
    symbols
        `SYMBOLS`, or `PLAIN` where only ASCII can be written.
    """
    columns = _columns(day, width - LABEL - 1)
    lines = []
    for k, tank in enumerate(day.plan.tanks.values()):
        lines += list(_level_rows(day, k, columns, symbols))
        floats = [f for f in day.plan.floats if f.tank == tank.id and f.unit in day.floats]
        edges = {f.unit: day.floats[f.unit] for f in floats}
        said = ", ".join(
            f"{unit.replace('_', ' ')} {low:.2f}/{high:.2f}" for unit, (low, high) in edges.items()
        )
        lines.append(f"{'':{LABEL}} {tank.title}{f' ({said} m)' if said else ''}"[:width])
    rows = dict(STATES)
    rows |= {n: t for n, t in SOMETIMES.items() if any(s.is_on(n) for s in day.stretches)}
    step = day.minutes / columns
    for name, label in rows.items():
        states = (day.column(name, j * step, (j + 1) * step) for j in range(columns))
        lines.append(f"{label:>{LABEL}} " + "".join(symbols[s] for s in states))
    for tank in day.plan.tanks.values():
        for kind, label in (("full", "over"), ("empty", "empty")):
            spans = day.spans(f"{kind}:{tank.id}")
            if spans:
                cells = "".join(
                    _cell(spans, j * step, (j + 1) * step, symbols) for j in range(columns)
                )
                lines.append(f"{f'{tank.id} {label}'[:LABEL]:>{LABEL}} {cells}")
    lines.append(_ruler(day, columns))
    lines.append("")
    lines += list(_figures(day))
    lines += [f"! {text}" for text in warnings(day)]
    if events:
        lines += ["", *_events(day)]
    return lines


def _columns(day: Day, room: int) -> int:
    """As many columns as leave whole ones to an hour, where that is not too few."""
    hours = day.minutes / 60
    for parts in (12, 6, 4, 3, 2, 1):
        if hours * parts <= room and hours * parts == int(hours * parts) and hours * parts > 20:
            return int(hours * parts)
    return room


def _level_rows(day: Day, k: int, columns: int, symbols: dict[str, str]) -> Iterator[str]:
    tank = list(day.plan.tanks.values())[k]
    top = tank.overflow_at.nominal
    step = day.minutes / columns
    levels = [day.level_at((j + 0.5) * step)[k] for j in range(columns)]
    for row in range(ROWS, 0, -1):
        cells = []
        for level in levels:
            share = level / top * ROWS - (row - 1)
            cells.append(
                symbols["on"] if share > 0.75 else symbols["half"] if share > 0.25 else " "
            )
        label = f"{top * row / ROWS:.2f} m" if row in (ROWS, ROWS // 2) else ""
        yield f"{label:>{LABEL}} {''.join(cells)}".rstrip()


def _cell(
    spans: list[tuple[float, float]], start: float, end: float, symbols: dict[str, str]
) -> str:
    covered = sum(max(0.0, min(b, end) - max(a, start)) for a, b in spans)
    if covered >= (end - start) * 0.999:
        return symbols["on"]
    return symbols["part"] if covered > 0 else symbols["off"]


def _ruler(day: Day, columns: int) -> str:
    hours = day.minutes / 60
    every = next((e for e in (0.25, 0.5, 1, 3, 6, 12, 24) if hours / e <= 10), 48)
    cells = [" "] * (columns + 6)
    k = 0
    while k * every <= hours + 1e-9:
        at = round(k * every / hours * columns)
        for j, char in enumerate(f"{k * every:g}"):
            if at + j < len(cells):
                cells[at + j] = char
        k += 1
    return f"{'hour':>{LABEL}} {''.join(cells)}".rstrip()


def _figures(day: Day) -> Iterator[str]:
    figures, tanks = day.figures, day.plan.tanks
    yield f"Starts     {figures.starts}, most within an hour {figures.starts_hour}"
    yield (
        f"Pump       runs {in_words(figures.run)}, at most {in_words(figures.longest)} at a time; "
        f"{figures.energy:.2f} kWh"
    )
    water = f"Water      {figures.pumped:.0f} L pumped, {figures.drawn:.0f} L drawn"
    if figures.returned > 1:
        water += f", {figures.returned:.0f} L run back"
    if figures.lost > 1:
        water += f", {figures.lost:.0f} L leaked"
    yield water
    lowest = ", ".join(
        f"{tanks[name].title} {abs(level):.2f} m" for name, level in figures.lowest.items()
    )
    yield f"Lowest     {lowest}"


def _events(day: Day) -> Iterator[str]:
    lines = list(_told(day))
    yield from lines[:EVENTS]
    if len(lines) > EVENTS:
        yield f"and {len(lines) - EVENTS} more"


def _told(day: Day) -> Iterator[str]:
    """Each event on a line; starts and stops in quick succession on one."""
    several: list[Event] = []

    def rest() -> Iterator[str]:
        starts = sum("starts" in event.text for event in several)
        if starts >= FEW:
            span = f"{clock(several[0].time)} to {clock(several[-1].time)}"
            yield f"{span}  the pump starts {starts} times"
        else:
            yield from (f"{clock(event.time)}  {event.text}" for event in several)
        several.clear()

    for event in day.events:
        if several and (event.kind != "pump" or event.time - several[-1].time > QUICK):
            yield from rest()
        if event.kind == "pump":
            several.append(event)
        else:
            yield f"{clock(event.time)}  {event.text}"
    yield from rest()
