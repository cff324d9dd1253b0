"""A fault-finding chart: the interview's own decision tree, compiled before the callout.

`compile_chart` asks `Session.turn` for the next step and gives it, one after another, each answer
that the step can have; what comes back is followed in the same way. The chart is therefore the
interview itself, for one installation, one complaint, one person with their instruments and one
set of answers to what is asked before the first test. It is bounded three ways, by counts and
probabilities and never by the clock (`Bounds`), and the same input gives the same chart everywhere:
ids and times of its events are made up.

Equal steps that lead on to equal steps and ends are one step: the tree becomes a numbered list in
which every reference points forward.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

from diagnose.errors import fail
from diagnose.interview.events import Event
from diagnose.interview.session import Session
from diagnose.interview.steps import Conclusion, Option, Step
from diagnose.reasoning.belief import UNKNOWN_UNIT, Belief

SUSPECTED = 0.8
"""Where the chart ends early, the likeliest units that together hold this much are named."""
MOST_SUSPECTS = 3
NAMED, TOOL, NONE = "named", "tool", "none"
"""Kinds of end: what the interview ends with; the chart ends before it; no answer fits."""


@dataclass(frozen=True)
class Bounds:
    """How far the chart is followed.

    Attributes
    ----------
    steps : int
        Most tests on one way through the chart.
    rare : float
        A way that fewer callouts with this complaint take than this share ends early, and a step
        is left out that leads fewer of them to a named end (or to the bound on steps).
    most : int
        Most steps on the chart; with more, `rare` is raised until they are no more.
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


# ---------------------------------------------------------------------- before the first step


def _event(number: int, kind: str, **data: object) -> Event:
    return Event(f"chart-{number}", "1970-01-01T00:00:00+00:00", kind, data)


def _check(session: Session, given: Given) -> None:
    known = session.matrix.complaints
    if given.complaint not in known:
        message = f"'{given.complaint}' is not a complaint here"
        raise fail("unknown-id", message, None, list(known))
    for question, choice in given.answers.items():
        if question not in session.questions:
            message = f"there is no question '{question}' before the first test"
            raise fail("unknown-id", message, None, list(session.questions))
        choices = session.questions[question].choices
        if choice not in choices:
            message = f"'{choice}' is not an answer to '{question}'"
            raise fail("unknown-id", message, None, list(choices))


def opening(session: Session, given: Given) -> list[Event]:
    """The events before the first step.

    Raises
    ------
    DiagnoseError
        The complaint, a question or an answer is not known here, or after these answers nothing
        may be tested at all.
    """
    _check(session, given)
    data: dict[str, object] = {
        "installation": session.installation.type.id,
        "variants": dict(session.installation.choices),
        "qualification": given.qualification,
        "meter_category": given.meter_category,
    }
    if given.instruments is not None:
        data["instruments"] = list(given.instruments)
    events = [_event(0, "opened", **data)]
    while True:
        step = session.turn(events).step
        if step.kind != "question":
            break
        if step.id == "complaint":
            events.append(_event(len(events), "complaint", ids=[given.complaint]))
            continue
        choice = given.answers.get(step.id, session.questions[step.id].default)
        events.append(_event(len(events), "answered", question=step.id, choice=choice))
    if step.kind == "conclusion":
        reasons = "; ".join(step.conclusion.reasons) if step.conclusion else ""
        said = ", ".join(f"{q}={c}" for q, c in given.answers.items()) or "these answers"
        raise fail("option", f"with {said} nothing is tested, so there is no chart: {reasons}")
    return events


def _asked(session: Session, events: list[Event]) -> Iterator[Asked]:
    for event in events:
        if event.kind == "answered":
            name, choice = str(event.data["question"]), str(event.data["choice"])
            question = session.questions[name]
            yield Asked(name, question.kind, question.ask, choice, question.choices[choice])


# ---------------------------------------------------------------------- compiling


@dataclass(frozen=True)
class _Grown:
    """One place of the tree: a step with its ways (answer, chance, what follows), or an end.

    `named`: share of all callouts that come to a named end, or to the bound on steps, from here.
    """

    end: ChartEnd | None = None
    named: float = 0.0
    early: ChartEnd | None = None
    """With a step: the end that stands for it where it is left out."""
    acts: tuple[Step, ...] = ()
    test: Step | None = None
    ways: tuple[tuple[Option, float, _Grown], ...] = ()
    others: tuple[Option, ...] = ()
    other: float = 0.0


def compile_chart(session: Session, given: Given, bounds: Bounds | None = None) -> Chart:
    """The chart for one complaint on the session's installation.

    Raises
    ------
    DiagnoseError
        As `opening`; or the interview ends before its first step.
    """
    bounds = bounds or Bounds()
    events = opening(session, given)
    tree = _grow(session, bounds, events, 0, 1.0)
    if tree.test is None:
        conclusion = tree.end.conclusion if tree.end else None
        reasons = "; ".join(conclusion.reasons) if conclusion else ""
        raise fail("option", f"the interview ends before its first step: {reasons}")
    rare = bounds.rare
    while True:
        kept, least = _pruned(tree, rare, root=True)
        merged = _Merged()
        root = merged.add(kept)
        if merged.steps <= bounds.most:
            break
        rare = least * (1 + 1e-9)
    merged.reached(kept, 1.0)
    steps, ends = merged.numbered(root)
    asked = tuple(_asked(session, events))
    return Chart(given, replace(bounds, rare=rare), asked, steps, ends)


def _pruned(place: _Grown, rare: float, root: bool = False) -> tuple[_Grown, float]:
    """The tree without steps that are not worth it, and what the least of the others leads to."""
    if place.test is None:
        return place, math.inf
    below = [_pruned(then, rare) for _, _, then in place.ways]
    named = sum(then.named for then, _ in below)
    if named < rare and not root:
        return _Grown(place.early), math.inf
    least = min((least for _, least in below), default=math.inf)
    ways = tuple((o, c, then) for (o, c, _), (then, _) in zip(place.ways, below, strict=True))
    kept = replace(place, ways=ways, named=named)
    return kept, least if root else min(least, named)


def _grow(session: Session, bounds: Bounds, events: list[Event], done: int, reach: float) -> _Grown:
    """What comes after these events, with `done` tests among them."""
    turn = session.turn(events)
    if turn.step.conclusion is not None:
        c = turn.step.conclusion
        end = ChartEnd(NAMED, c, sure=(c.probability, c.probability))
        return _Grown(end, reach)
    if done and reach < bounds.rare:
        return _Grown(ChartEnd(TOOL, suspects=suspects_of(turn.belief)))
    if done >= bounds.steps:
        return _Grown(ChartEnd(TOOL, suspects=suspects_of(turn.belief)), reach)
    found = turn.belief
    acts: list[Step] = []
    while turn.step.kind == "act":
        act = turn.step
        acts.append(act)
        events = [*events, _event(len(events), "act", act=act.id, minutes=act.minutes)]
        turn = session.turn(events)
    grown = _step(session, bounds, events, turn.step, done, reach)
    return replace(grown, acts=tuple(acts), early=ChartEnd(TOOL, suspects=suspects_of(found)))


def _step(
    session: Session, bounds: Bounds, events: list[Event], test: Step, done: int, reach: float
) -> _Grown:
    """A test with all its ways."""
    ways: list[tuple[Option, float, _Grown]] = []
    others: list[Option] = []
    other = 0.0
    for option, chance in chances(test):
        if chance < bounds.folded:
            others.append(option)
            other += chance
            continue
        data = {"test": test.id, "outcome": option.id, "minutes": test.minutes}
        after = [*events, _event(len(events), "finding", **data)]
        ways.append((option, chance, _grow(session, bounds, after, done + 1, reach * chance)))
    named = sum(below.named for _, _, below in ways)
    return _Grown(None, named, test=test, ways=tuple(ways), others=tuple(others), other=other)


def chances(test: Step) -> tuple[tuple[Option, float], ...]:
    """How likely each answer to a test is, after all answers before it; in the test's order."""
    splits = test.why.splits if test.why is not None else ()
    likely = {split.outcome: split.probability for split in splits}
    return tuple((option, likely[option.id]) for option in test.options)


def suspects_of(belief: Belief) -> tuple[str, ...]:
    """The likeliest units that together hold `SUSPECTED`, at most `MOST_SUSPECTS` of them.

    That the knowledge base does not hold the cause is named only where nothing is likelier.
    """
    units = list(zip(belief.table.unit_names, belief.unit_p.tolist(), strict=True))
    found: list[str] = []
    held = 0.0
    for unit, p in sorted(units, key=lambda pair: -pair[1])[:MOST_SUSPECTS]:
        if unit != UNKNOWN_UNIT or not found:
            found.append(unit)
        held += p
        if held >= SUSPECTED or unit == UNKNOWN_UNIT == found[0]:
            break
    return tuple(found)


# ---------------------------------------------------------------------- equal ones are one


def _content(end: ChartEnd) -> tuple[object, ...]:
    """What makes two ends one: all that is said there but the probabilities."""
    c = end.conclusion
    if c is None:
        return (end.kind, *end.suspects)
    left = tuple(u for _, u, _ in c.ranking) if c.status == "ambiguous" else ()
    said = (c.status, c.unit, c.failure_mode, c.reasons, c.doubt, c.root_causes)
    return (end.kind, *said, c.recommendations, *left)


class _Merged:
    """The tree with equal places put together."""

    def __init__(self) -> None:
        self.keys: dict[object, int] = {}
        self.places: list[_Grown] = []
        self.below: list[tuple[int, ...]] = []
        self.reach: list[float] = []
        self.none = self._key((NONE,), _Grown(ChartEnd(NONE)), ())
        self._of: dict[int, int] = {}

    @property
    def steps(self) -> int:
        """How many different steps there are."""
        return sum(place.test is not None for place in self.places)

    def _key(self, content: object, place: _Grown, below: tuple[int, ...]) -> int:
        key = self.keys.setdefault(content, len(self.places))
        if key == len(self.places):
            self.places.append(place)
            self.below.append(below)
            self.reach.append(0.0)
        return key

    def add(self, place: _Grown) -> int:
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

    def reached(self, place: _Grown, reach: float) -> None:
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
