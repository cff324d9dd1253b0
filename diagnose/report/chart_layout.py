"""Where the boxes of a drawn chart stand: columns, rows, and on which sheet.

A step is a box with one row for each answer. Boxes stand in columns, left to right; the box that a
row leads on to stands level with the row or lower, below whatever came before it in its column. The
lines between two columns are therefore in the same order at both ends, and with the lower one
always turning off further to the left no two of them cross.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from diagnose.report.chart import Answer, ChartStep, FaultChart, first_text
from diagnose.report.document import Paper
from diagnose.report.pictures.lettering import wrap

SHEET: Mapping[Paper, tuple[float, float]] = {"a4": (704.0, 975.0), "letter": (728.0, 905.0)}
"""Width and height of a sheet in units of 0.244 mm, so that 13 units are 9 points on paper."""
COLUMNS = 3
GUTTER = 34.0
GAP = 16.0
PAD = 6.0
TITLE, TEXT, SMALL = 13.0, 12.5, 11.5
LINE = 1.22
BADGE = 34.0
TO_STEP, TO_END = 62.0, 30.0
"""Room in a row for where it leads."""
MOST_LINES = 12
LEADS_ON = 34.0
"""Least height of a row that leads on: its number, and below it on which sheet."""


@dataclass(frozen=True)
class Line:
    """One line of text in a box."""

    text: str
    size: float
    bold: bool = False

    @property
    def height(self) -> float:
        return self.size * LINE


@dataclass(frozen=True)
class Row:
    """The lines of an answer, or of all answers at which the chart ends early; and its height."""

    answer: Answer
    lines: tuple[Line, ...]
    height: float

    @property
    def text(self) -> float:
        """Height of its lines."""
        return sum(line.height for line in self.lines)


@dataclass(frozen=True)
class Box:
    """A step ready to be drawn: title, changes of state and state, rows; `head` is above them."""

    step: ChartStep
    title: tuple[Line, ...]
    band: tuple[Line, ...]
    rows: tuple[Row, ...]
    head: float
    height: float


@dataclass(frozen=True)
class Placed:
    """A box on a sheet: column and upper edge."""

    box: Box
    column: int
    top: float

    def row_at(self, index: int) -> float:
        """Height of the middle of a row."""
        above = sum(row.height for row in self.box.rows[:index])
        return self.top + self.box.head + above + self.box.rows[index].height / 2

    @property
    def entry(self) -> float:
        """Height at which a line comes in: the middle of the first line of the title."""
        return self.top + PAD + TITLE * LINE / 2


@dataclass(frozen=True)
class Link:
    """A line from a row to the box that follows, and how far to the left it turns off."""

    source: int
    row: int
    target: int
    lane: int


@dataclass(frozen=True)
class Sheet:
    """The boxes on one sheet by number, and the lines between them."""

    placed: Mapping[int, Placed]
    links: tuple[Link, ...]
    bottom: float


def box_width(paper: Paper) -> float:
    """Width of every box."""
    return (SHEET[paper][0] - (COLUMNS - 1) * GUTTER - 2) / COLUMNS


def _wrapped(text: str, room: float, size: float, bold: bool = False) -> tuple[Line, ...]:
    return tuple(Line(t, size, bold) for t in wrap(text, room, MOST_LINES, size, bold))


def _rows(step: ChartStep, briefs: Mapping[str, str], room: float) -> Iterator[Row]:
    """Rows of a box: what leads on or to a cause, then in one row all that ends early.

    What is found else is not drawn: it leads to the same end at every step, and the sheet says so.
    """
    early = [a for a in step.answers if a.note]
    others = [a for a in step.answers[:-1] if not a.note]
    for answer in sorted(others, key=lambda a: a.step or math.inf):
        left = room - (TO_STEP if answer.step else TO_END)
        lines = _wrapped(answer.text, left, TEXT)
        lines += _wrapped(briefs.get(answer.to, ""), left, SMALL)
        least = LEADS_ON if answer.step else 0.0
        yield Row(answer, lines, max(sum(line.height for line in lines) + PAD, least))
    if early:
        lines = _wrapped("; ".join(answer.text for answer in early), room - TO_END, TEXT)
        yield Row(early[0], lines, sum(line.height for line in lines) + PAD)


def boxed(step: ChartStep, briefs: Mapping[str, str], room: float) -> Box:
    """A step's box, `room` wide."""
    title = _wrapped(step.title, room - BADGE - 2 * PAD, TITLE, bold=True)
    band: tuple[Line, ...] = ()
    if step.first:
        band += _wrapped(f"FIRST {first_text(step)}", room - 2 * PAD, SMALL, bold=True)
    if step.live:
        band += _wrapped(step.state, room - 2 * PAD, SMALL, bold=True)
    rows = tuple(_rows(step, briefs, room - 2 * PAD))
    head = max(sum(line.height for line in title), TITLE * LINE) + 2 * PAD
    head += sum(line.height for line in band) + (PAD if band else 0.0)
    return Box(step, title, band, rows, head, head + sum(row.height for row in rows))


def parents(boxes: Iterable[Box]) -> dict[int, tuple[tuple[int, int], ...]]:
    """For each step the rows that lead on to a box: (row, step), every box from one row only."""
    taken: set[int] = set()
    found: dict[int, tuple[tuple[int, int], ...]] = {}
    for box in boxes:
        own = []
        for index, row in enumerate(box.rows):
            if row.answer.step and row.answer.step not in taken:
                taken.add(row.answer.step)
                own.append((index, row.answer.step))
        found[box.step.number] = tuple(own)
    return found


class _Arranging:
    """Puts boxes on sheets."""

    def __init__(self, chart: FaultChart, paper: Paper) -> None:
        briefs = {end.letter: end.brief for end in chart.ends}
        room = box_width(paper)
        self.boxes = {step.number: boxed(step, briefs, room) for step in chart.steps}
        self.below = parents(self.boxes.values())
        self.height = SHEET[paper][1]

    def place(
        self, root: int, kept: set[int], free: Sequence[float]
    ) -> tuple[dict[int, Placed], list[float]]:
        """The boxes of `kept` under a root, and what is free then: below what, in each column."""
        after = list(free)
        placed: dict[int, Placed] = {}

        def put(number: int, column: int, at_least: float) -> None:
            box = self.boxes[number]
            here = Placed(box, column, max(after[column], at_least))
            placed[number] = here
            after[column] = here.top + box.height + GAP
            for index, child in self.below[number]:
                if child in kept:
                    put(child, column + 1, here.row_at(index) - (here.entry - here.top))

        put(root, 0, 0.0)
        return placed, after

    def grow(self, root: int, free: Sequence[float]) -> tuple[dict[int, Placed], list[float]]:
        """As many boxes under a root as there is room for; the root is placed whatever the room."""
        kept: set[int] = {root}
        placed, after = self.place(root, kept, free)
        queue = [child for _, child in self.below[root]]
        while queue:
            child = queue.pop(0)
            parent = next(n for n in kept if any(c == child for _, c in self.below[n]))
            if placed[parent].column + 1 >= COLUMNS:
                continue
            tried, lowest = self.place(root, {*kept, child}, free)
            if self.fits(lowest):
                kept.add(child)
                placed, after = tried, lowest
                queue += [c for _, c in self.below[child]]
        return placed, after

    def fits(self, free: Sequence[float]) -> bool:
        return max(free) - GAP <= self.height

    def sheets(self) -> list[Sheet]:
        """All sheets; what does not fit on one starts on it or on a later one."""
        found: list[Sheet] = []
        placed: dict[int, Placed] = {}
        done: set[int] = set()
        empty = [0.0] * COLUMNS
        free = empty
        for root in self.boxes:
            if root in done:
                continue
            more, after = self.grow(root, free)
            if placed and not self.fits(after):
                found.append(self._sheet(placed, free))
                placed = {}
                more, after = self.grow(root, empty)
            free = after
            placed |= more
            done |= more.keys()
        found.append(self._sheet(placed, free))
        return found

    def _sheet(self, placed: dict[int, Placed], free: Sequence[float]) -> Sheet:
        return Sheet(placed, tuple(self._links(placed)), max(free) - GAP)

    def _links(self, placed: Mapping[int, Placed]) -> list[Link]:
        """The lines, each in the right-most lane that crosses none of those above it."""
        links: list[Link] = []
        for column in range(COLUMNS - 1):
            ends: list[tuple[float, float, int]] = []
            rows = [
                (here.row_at(index), placed[child].entry, number, index, child)
                for number, here in placed.items()
                for index, child in self.below[number]
                if here.column == column and child in placed
                if placed[child].column == column + 1
            ]
            for start, stop, number, index, child in sorted(rows):
                beside = [lane for _, lowest, lane in ends if lowest >= start - 1]
                lane = max(beside) + 1 if beside else 0
                ends.append((start, stop, lane))
                links.append(Link(number, index, child, lane))
        return links


def arrange(chart: FaultChart, paper: Paper) -> list[Sheet]:
    """The sheets of a chart; every step stands on exactly one of them."""
    return _Arranging(chart, paper).sheets()
