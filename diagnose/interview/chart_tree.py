"""A fault-finding chart as the interview knows it: which steps are kept, equal ones put together.

The tree that was followed is pruned to the steps that together bring most callouts to a named end
(a knapsack on a tree, solved exactly), then equal steps that lead on to equal steps and ends become
one: a numbered list in which every reference points forward.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from diagnose.interview.steps import Conclusion, Option, Step

NAMED, TOOL, NONE = "named", "tool", "none"
"""Kinds of end: what the interview ends with; the chart ends before it; no answer fits."""


LEFT = 0.9
"""Share of the probability that causes named as left hold."""
TELLS = 1e-12
"""Share of callouts below which two prunings count as equal."""


@dataclass(frozen=True)
class Bounds:
    """How far the chart is followed.

    Attributes
    ----------
    steps : int
        Most tests on one way through the chart.
    rare : float
        A way that fewer callouts with this complaint take than this share ends early.
    most : int
        Most steps on the chart: of all those followed the ones that together bring most callouts
        to a named end, or to the bound on steps.
    folded : float
        An answer to a step that is less likely than this, after all answers before it, is not
        followed: it counts as *none of these*.
    """

    steps: int = 10
    rare: float = 0.02
    most: int = 12
    folded: float = 0.02


@dataclass(frozen=True)
class Given:
    """What the chart takes as given: complaint, person, instruments (None: all), answers.

    `answers` are those to the safety and history questions; one that is not there takes its
    default.
    """

    complaint: str
    instruments: tuple[str, ...] | None = None
    qualification: str = "instructed"
    meter_category: str = "cat_iii"
    answers: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Way:
    """One answer to a step and where it leads: `step` is a number, or 0 and `end` an index."""

    outcome: str
    title: str
    step: int
    end: int


@dataclass(frozen=True)
class ChartStep:
    """One numbered step: changes of the electrical state that come first, then the test.

    `others` are the answers that count as *none of these*; `reach` is the share of callouts that
    come by.
    """

    number: int
    acts: tuple[Step, ...]
    test: Step
    ways: tuple[Way, ...]
    others: tuple[Option, ...]
    reach: float


@dataclass(frozen=True)
class ChartEnd:
    """Where a way ends.

    Attributes
    ----------
    kind : str
        `NAMED`, `TOOL` or `NONE`.
    conclusion : Conclusion or None
        With `NAMED`: what the interview ends with, as on the first way that leads here.
    suspects : tuple of str
        With `TOOL`: the units that are left, likeliest first.
    sure : (float, float)
        With `NAMED`: probability of the unit, the lowest and the highest of all ways here.
    """

    kind: str
    conclusion: Conclusion | None = None
    suspects: tuple[str, ...] = ()
    sure: tuple[float, float] = (0.0, 0.0)
    reach: float = 0.0


@dataclass(frozen=True)
class Asked:
    """A question answered before the first step."""

    question: str
    kind: str
    ask: str
    choice: str
    title: str


@dataclass(frozen=True)
class Chart:
    """A compiled chart; `steps` are numbered from 1, `ends` are referred to by index."""

    given: Given
    bounds: Bounds
    asked: tuple[Asked, ...]
    steps: tuple[ChartStep, ...]
    ends: tuple[ChartEnd, ...]

    def share(self, kind: str) -> float:
        """Share of the callouts with this complaint that come to an end of this kind."""
        return sum(end.reach for end in self.ends if end.kind == kind)


@dataclass(frozen=True)
class Grown:
    """One place of the tree: a step with its ways (answer, chance, what follows), or an end.

    `named`: with a named end the share of all callouts that come here; very little of it with an
    end at the bound on steps.
    """

    end: ChartEnd | None = None
    named: float = 0.0
    early: ChartEnd | None = None
    """With a step: the end that stands for it where it is left out."""
    acts: tuple[Step, ...] = ()
    test: Step | None = None
    ways: tuple[tuple[Option, float, Grown], ...] = ()
    others: tuple[Option, ...] = ()
    other: float = 0.0


# ---------------------------------------------------------------------- the steps that are worth it


def worth(tree: Grown, most: int) -> Grown:
    """The tree with at most so many steps, those that bring most callouts to a named end."""
    return _Best(tree, most).kept(most, root=True)


class _Best:
    """Of one place: the share that comes to a named end with at most 0, 1, 2, ... steps."""

    def __init__(self, place: Grown, most: int) -> None:
        self.place = place
        self.below = [_Best(then, most - 1) for _, _, then in place.ways] if most > 0 else []
        self.shares = [place.named if place.test is None else 0.0] * (most + 1)
        self.rooms: list[tuple[int, ...]] = [()] * (most + 1)
        """How many steps each way gets, with at most so many in all."""
        if place.test is None or most <= 0:
            return
        shares = [0.0] * most
        rooms: list[tuple[int, ...]] = [()] * most
        for child in self.below:
            shares, rooms = _shared(shares, rooms, child)
        for room, share in enumerate(shares, 1):
            if share > self.shares[room - 1] + TELLS:
                self.shares[room], self.rooms[room] = share, rooms[room - 1]
            else:
                self.shares[room], self.rooms[room] = self.shares[room - 1], self.rooms[room - 1]

    def bare(self) -> Grown:
        """The step by itself."""
        ways = ((o, c, then if then.end else Grown(then.early)) for o, c, then in self.place.ways)
        return replace(self.place, ways=tuple(ways))

    def kept(self, room: int, root: bool = False) -> Grown:
        """The place with at most so many steps from here on."""
        place = self.place
        if place.test is None:
            return place
        if not self.rooms[room]:
            return self.bare() if root else Grown(place.early)
        each = zip(place.ways, self.below, self.rooms[room], strict=True)
        return replace(place, ways=tuple((o, c, below.kept(n)) for (o, c, _), below, n in each))


def _shared(
    shares: list[float], rooms: list[tuple[int, ...]], child: _Best
) -> tuple[list[float], list[tuple[int, ...]]]:
    """One more way beside the others: what each gets of every number of steps."""
    best: list[float] = []
    split: list[tuple[int, ...]] = []
    for room in range(len(shares)):
        gains = [shares[room - own] + child.shares[own] for own in range(room + 1)]
        own = next(n for n, gain in enumerate(gains) if gain >= max(gains) - TELLS)
        best.append(gains[own])
        split.append((*rooms[room - own], own))
    return best, split


# ---------------------------------------------------------------------- equal ones are one


def left_over(conclusion: Conclusion) -> tuple[str, ...]:
    """The failure modes that are left, likeliest first: those that together hold `LEFT`."""
    found: list[str] = []
    held = 0.0
    for name, _, p in conclusion.ranking:
        if held < LEFT:
            found.append(name)
            held += p
    return tuple(found)


def _content(end: ChartEnd) -> tuple[object, ...]:
    """What makes two ends one: all that is said there but the probabilities."""
    c = end.conclusion
    if c is None:
        return (end.kind, *end.suspects)
    left = left_over(c) if c.status == "ambiguous" else ()
    said = (c.status, c.unit, c.failure_mode, c.reasons, c.doubt, c.root_causes)
    return (end.kind, *said, c.recommendations, *left)


def numbered(
    tree: Grown,
) -> tuple[tuple[ChartStep, ...], tuple[ChartEnd, ...]]:
    """Equal places put together: steps from 1 on, and ends."""
    merged = _Merged()
    root = merged.add(tree)
    merged.reached(tree, 1.0)
    return merged.numbered(root)


class _Merged:
    """The tree with equal places put together."""

    def __init__(self) -> None:
        self.keys: dict[object, int] = {}
        self.places: list[Grown] = []
        self.below: list[tuple[int, ...]] = []
        self.reach: list[float] = []
        self.none = self._key((NONE,), Grown(ChartEnd(NONE)), ())
        self._of: dict[int, int] = {}

    def _key(self, content: object, place: Grown, below: tuple[int, ...]) -> int:
        key = self.keys.setdefault(content, len(self.places))
        if key == len(self.places):
            self.places.append(place)
            self.below.append(below)
            self.reach.append(0.0)
        return key

    def add(self, place: Grown) -> int:
        """The key of a place, the same for equal ones."""
        if place.end is not None:
            key = self._key(_content(place.end), place, ())
            low, high = place.end.sure
            kept = self.places[key].end or place.end
            sure = (min(low, kept.sure[0]), max(high, kept.sure[1]))
            self.places[key] = replace(self.places[key], end=replace(kept, sure=sure))
        else:
            below = tuple(self.add(then) for _, _, then in place.ways)
            test = place.test
            content = (
                *(tuple(a.id for a in place.acts), test and (test.id, test.again)),
                tuple(zip((o.id for o, _, _ in place.ways), below, strict=True)),
                tuple(o.id for o in place.others),
            )
            key = self._key(content, place, below)
        self._of[id(place)] = key
        return key

    def reached(self, place: Grown, reach: float) -> None:
        """Add up how many callouts come by."""
        self.reach[self._of[id(place)]] += reach
        self.reach[self.none] += reach * place.other
        for _, chance, below in place.ways:
            self.reached(below, reach * chance)

    def numbered(self, root: int) -> tuple[tuple[ChartStep, ...], tuple[ChartEnd, ...]]:
        """Steps in an order in which each stands after all that lead to it; ends as they come."""
        order: list[int] = []
        seen: set[int] = set()

        def visit(key: int) -> None:
            if key in seen or self.places[key].end is not None:
                return
            seen.add(key)
            for below in sorted(self.below[key], key=lambda k: self.reach[k]):
                visit(below)
            order.append(key)

        visit(root)
        order.reverse()
        number = {key: n for n, key in enumerate(order, 1)}
        leading = [k for key in order for k in self.below[key] if k not in number]
        index = {key: n for n, key in enumerate(dict.fromkeys([*leading, self.none]))}
        steps = tuple(self._step(key, number, index) for key in order)
        ends = tuple(self._end(key) for key in index)
        return steps, ends

    def _step(self, key: int, number: Mapping[int, int], index: Mapping[int, int]) -> ChartStep:
        place = self.places[key]
        assert place.test is not None
        ways = tuple(
            Way(option.id, option.title, number.get(below, 0), index.get(below, -1))
            for (option, _, _), below in zip(place.ways, self.below[key], strict=True)
        )
        reach = self.reach[key]
        return ChartStep(number[key], place.acts, place.test, ways, place.others, reach)

    def _end(self, key: int) -> ChartEnd:
        end = self.places[key].end
        assert end is not None
        return replace(end, reach=self.reach[key])
