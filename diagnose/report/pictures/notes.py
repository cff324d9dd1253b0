"""Readings on a drawing: beside their test points, and where no other text stands."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from diagnose.plant.compose import Installation
from diagnose.plant.points import Points
from diagnose.report.pictures.canvas import INK, PAPER, RED, Anchor, Area, Canvas, Pen, area, meet
from diagnose.report.pictures.lettering import trim
from diagnose.report.pictures.values import Marks, Measured
from diagnose.report.pictures.wiring import Link, Sheet

NOTE = 11.0
"""Font size of readings."""
LEADING = 13.5
SHOWN = 2
"""Readings shown at one place; the list below the drawing has all."""
NOTE_ROOM, LEAST_ROOM = 96.0, 84.0
BELOW = 13.0
"""From a conductor down to where readings begin."""
NEARBY = tuple(
    sorted(
        ((float(x), float(y)) for x in range(-40, 41, 8) for y in range(-24, 57, 4)),
        key=lambda at: (abs(at[0]) * 2 + abs(at[1]) * (2 if at[1] < 0 else 1), at),
    )
)
"""Steps from where a reading is best to where it may stand instead, the nearest first."""
Side = Literal["below", "above", "right", ""]
"""Where the readings of a test point go; "" for nowhere here."""


def letter(position: int) -> str:
    """The letter of a reading: a, b, ..., z, aa, ab, ..."""
    text = ""
    position += 1
    while position:
        position, rest = divmod(position - 1, 26)
        text = chr(ord("a") + rest) + text
    return text


@dataclass(frozen=True)
class Note:
    """A reading as it stands beside its test point."""

    text: str
    healthy: bool | None


class Notes:
    """Canvas, installation, numbers and marks together, and the readings that wait to be placed."""

    def __init__(
        self, canvas: Canvas, installation: Installation, points: Points, sheet: Sheet, marks: Marks
    ) -> None:
        self.canvas = canvas
        self.it = installation
        self.points = points
        self.sheet = sheet
        self.marks = marks
        self.notes: dict[frozenset[str], list[Note]] = {}
        self.wires: list[Area] = []
        self._put: set[frozenset[str]] = set()
        self._waiting: list[tuple[frozenset[str], float, float, Anchor, float]] = []
        self._place_notes()

    def _place_notes(self) -> None:
        """Each reading goes to the symbol between its two test points, else to one of them.

        That is the first which is no rail, 0 V or earth: those are everywhere.
        """
        common = {*self.sheet.rails, *self.it.type.references.values()}
        pairs = {frozenset((x.a, x.b)) for x in self.sheet.links}
        for k, reading in enumerate(self.marks.readings):
            places = [self.points.where(n) for n in reading.points if self._known(n)]
            if not places:
                continue
            pair = frozenset(places)
            apart = [place for place in places if place not in common] or places
            key = pair if len(pair) == 2 and pair in pairs else frozenset(apart[:1])
            note = Note(f"{letter(k)}  {reading.shown}", reading.healthy)
            self.notes.setdefault(key, []).append(note)

    def _known(self, number: int) -> bool:
        return number in self.points.numbers.values()

    def lower(self, key: frozenset[str]) -> float:
        """How far below its conductor a symbol's reading begins: past those of its ends."""
        beside = any(frozenset((net,)) in self.notes for net in key)
        return BELOW + (SHOWN * LEADING if beside else 0.0)

    def depth(self, nets: Iterable[str], links: Iterable[Link]) -> float:
        """Room below a conductor for the readings at these nets and symbols."""
        need = [self._tall(frozenset((net,))) for net in nets]
        for link in links:
            key = frozenset((link.a, link.b))
            tall = self._tall(key)
            need.append(tall + self.lower(key) - BELOW if tall else 0.0)
        return max(need, default=0.0)

    def _tall(self, key: frozenset[str]) -> float:
        return min(len(self.notes.get(key, ())), SHOWN) * LEADING

    def put(
        self, key: frozenset[str], x: float, y: float, anchor: Anchor, room: float = NOTE_ROOM
    ) -> None:
        """Put the readings of a place here, once; they are written when all else is drawn."""
        if key in self.notes and key not in self._put:
            self._put.add(key)
            self._waiting.append((key, x, y, anchor, max(room, LEAST_ROOM)))

    def write_notes(self) -> None:
        """Write the readings, each as near to its place as no other text stands in its way.

        One that finds no room is shortened to its letter; the list has them all in any case.
        """
        for key, x, y, anchor, room in self._waiting:
            notes: Sequence[Note] = self.notes[key]
            if len(notes) > SHOWN:
                more = Note(f"+ {len(notes) - SHOWN + 1} more below", None)
                notes = [*notes[: SHOWN - 1], more]
            for note in notes:
                text = trim(note.text, room, NOTE, bold=True)
                short = note.text.partition(" ")[0]
                for words in (text, short):
                    place = self._free(words, x, y + 10, anchor)
                    if place is not None:
                        self._note(words, *place, anchor, note.healthy is False)
                        y = max(y, place[1] - 10) + LEADING
                        break

    def _free(self, text: str, x: float, y: float, anchor: Anchor) -> tuple[float, float] | None:
        for across, down in NEARBY:
            where = area(x + across, y + down, text, NOTE, anchor, True)
            if where[0] < 2 or where[2] > self.canvas.width - 2:
                continue
            if not any(meet(where, other) for other in (*self.canvas.texts, *self.wires)):
                return x + across, y + down
        return None

    def _note(self, text: str, x: float, y: float, anchor: Anchor, odd: bool) -> None:
        left, _, right, _ = area(x, y, text, NOTE, anchor, True)
        with self.canvas.above():
            paper = Pen(PAPER, 0, "", PAPER)
            self.canvas.box(left - 1, y - 10, right - left + 2, LEADING - 0.5, paper)
            ink = RED if odd else INK
            self.canvas.text(x, y, text, NOTE, anchor, True, ink, underlined=odd)

    def readings(self) -> list[tuple[str, Measured]]:
        """All readings with their letters."""
        return [(letter(k), reading) for k, reading in enumerate(self.marks.readings)]
