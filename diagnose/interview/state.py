"""From the list of events to where the callout stands."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from diagnose.errors import fail
from diagnose.interview.events import PHYSICAL, RETRACTABLE, Event
from diagnose.reasoning.guard import CLEARED_BY, LASTING, PASSING, Electrical, after_act
from diagnose.reasoning.places import ANYWHERE, PANEL

GONE = "gone"
"""The check after a repair that the complaint is gone."""
NO_MORE = ("closed", "called_back")
"""Kinds that come when the callout is over."""
SHOWS = {"rule_insulation_after_hazard": "insulation", "rule_damage_inspected": "inspected"}
"""Checks after a repair that show one of `guard.CLEARED_BY`."""
PHONE = "phone"
"""Stage of a case while the customer is on the telephone."""


@dataclass(frozen=True)
class Finding:
    """A test that was done: the answer as typed, its outcome, and when."""

    event: str
    test: str
    outcome: str
    raw: str
    sure: bool
    minutes: float
    after_repairs: int
    by_phone: bool = False


@dataclass(frozen=True)
class Checked:
    """A check after a repair, its result (pass | fail | cannot) and after how many repairs."""

    check: str
    result: str
    after_repairs: int


@dataclass
class State:
    """Everything the next step hangs on; rebuilt from the events at every turn."""

    opened: Mapping[str, Any] = field(default_factory=dict)
    complaints: tuple[str, ...] = ()
    answers: dict[str, str] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    cannot: dict[str, str] = field(default_factory=dict)
    refused: set[str] = field(default_factory=set)
    electrical: Electrical = Electrical.ENERGISED
    place: str = PANEL
    level: str = ""
    minutes: float = 0.0
    repairs: list[tuple[str, str]] = field(default_factory=list)
    checks: dict[str, str] = field(default_factory=dict)
    checked: list[Checked] = field(default_factory=list)
    concluded: dict[str, Any] | None = None
    stopped: str = ""
    closed: Mapping[str, Any] | None = None
    stage: str = "site"
    phoned: set[str] = field(default_factory=set)
    """Questions whose answers were given by telephone."""
    reported: set[tuple[str, str]] = field(default_factory=set)
    """Answers that report a fault of the installation (`guard.LASTING`); none is taken back."""
    shown: set[str] = field(default_factory=set)
    """What was shown since the last of them, of `guard.CLEARED_BY`."""
    parted: bool = False
    charged: bool = False
    """Parted for an insulation test, and not yet discharged after it (`guard.SafetyState`)."""
    switched: str = ""
    """``isolate`` or ``energise``, where no test was made or given up since."""
    taken_back: str = ""
    """The test whose answer was taken back last, where no other was made or given up since."""
    was_off: str = ""
    """Kind of the event since which what had been isolated counts as unknown; "" where none has."""
    untried: bool = False
    """Parted, and no insulation test was made or given up since."""

    @property
    def told(self) -> set[tuple[str, str]]:
        """All answers that count, with the reports that stand beside them."""
        return {*self.answers.items(), *self.reported}

    @property
    def verifying(self) -> bool:
        """A repair was made and no check of it has failed."""
        return bool(self.repairs) and "fail" not in self.checks.values()


def withdrawn_ids(events: Iterable[Event]) -> set[str]:
    """Ids of the events that were taken back."""
    return {str(e.data.get("event")) for e in events if e.kind == "withdrawn"}


def reopens(event: Event) -> bool:
    """Whether an event says that a repair did not hold, which opens the case again."""
    return event.kind == "called_back" and event.data.get("held") == "no"


def closing(events: Iterable[Event]) -> Event | None:
    """The last ``closed`` event that no call-back has undone since."""
    end: Event | None = None
    for event in events:
        if event.kind == "closed":
            end = event
        elif reopens(event):
            end = None
    return end


def is_closed(events: Iterable[Event]) -> bool:
    """Whether a case is closed, and no call-back has opened it again."""
    return closing(events) is not None


def last_retractable(events: Sequence[Event]) -> Event | None:
    """The latest answer that can still be taken back; physical acts cannot."""
    gone = withdrawn_ids(events)
    called = by_phone(events)
    for event in reversed(events):
        if lasting(event) and not called:
            return None
        if event.id in gone or event.kind in ("withdrawn", "resumed", "stopped", "concluded"):
            continue
        if event.kind in RETRACTABLE:
            return event
        if event.kind not in PHYSICAL:
            return None
    return None


def by_phone(events: Sequence[Event]) -> bool:
    """Whether the customer is still on the telephone."""
    stage = ""
    for event in events:
        if event.kind in ("opened", "resumed"):
            stage = str(event.data.get("stage", ""))
    return stage == PHONE


def lasting(event: Event) -> bool:
    """Whether an event reports a fault of the installation, which is not taken back."""
    data = event.data
    return event.kind == "answered" and (data["question"], data["choice"]) in LASTING


def replay(
    events: Sequence[Event],
    places: Mapping[str, tuple[str, str]],
    reports: Mapping[str, Mapping[str, str]] | None = None,
) -> State:
    """Fold the events; `places` tells where each test is done and at which level of the water.

    `reports` are the answers to safety questions that a complaint is, by complaint.

    Raises
    ------
    DiagnoseError
        An event is of an unknown kind or lacks its data.
    """
    state = State()
    gone = withdrawn_ids(events)
    tests = {e.id: str(e.data.get("test")) for e in events if e.kind == "finding"}
    for event in events:
        try:
            _fold(state, event, gone, places)
            if event.kind == "withdrawn":
                state.taken_back = tests.get(str(event.data.get("event")), "")
            if event.kind == "complaint" and reports:
                _reported(state, event, event.id in gone, reports)
        except KeyError as error:
            raise fail("case", f"the event {event.id} ({event.kind}) lacks {error}") from error
    return state


def variants_of(variants: Mapping[str, str], events: Iterable[Event]) -> Mapping[str, str]:
    """The variants of a case: those of its header, or as described since."""
    for event in events:
        if event.kind == "described":
            variants = {**variants, **event.data.get("variants", {})}
    return variants


def _resume(state: State, data: Mapping[str, Any]) -> None:
    """Go on with a call or on site; on arrival, what the customer could not do may be done."""
    if data.get("stage") == PHONE:
        return
    if state.stage != PHONE:
        _ask_anew(state)
        return
    state.stage = "site"
    state.cannot = {}
    state.refused = set()
    state.concluded = None


def _ask_anew(state: State) -> None:
    """What may be over by now is asked again; after an accident the shock too.

    So is an act that could not be made then: the lock or the permission may be there now.
    """
    state.refused = set()
    over = {q for q, c in PASSING if state.answers.get(q) == c}
    for question in over | ({"tingle"} if "danger" in over else set()):
        state.answers.pop(question, None)


def _report(state: State, event: Event) -> None:
    """A report stands, taken back or not; whatever was shown before it counts no more."""
    if lasting(event) and state.stage != PHONE:
        state.reported.add((str(event.data["question"]), str(event.data["choice"])))
        state.shown = set()


def _reported(
    state: State, event: Event, gone: bool, reports: Mapping[str, Mapping[str, str]]
) -> None:
    """A complaint that is itself the report of a fault: that stands, taken back or not."""
    if gone and state.stage == PHONE:
        return
    told = {pair for name in event.data["ids"] for pair in reports.get(str(name), {}).items()}
    state.answers.update(told)
    new = {pair for pair in told if pair in LASTING} - state.reported
    if new:
        state.reported |= new
        state.shown = set()


def _unsettle(state: State, since: str) -> None:
    """From here on nobody knows what is switched on; whether it had been isolated is kept."""
    if state.electrical in (Electrical.ISOLATED, Electrical.PROVED_DEAD):
        state.was_off = since
    state.electrical = Electrical.UNKNOWN


def _reopen(state: State) -> None:
    """The complaint is back after a repair: as if the check for it had failed then."""
    state.closed = state.concluded = None
    state.stopped = ""
    state.electrical = Electrical.UNKNOWN
    if state.repairs:
        state.checks[GONE] = "fail"
        state.checked.append(Checked(GONE, "fail", len(state.repairs)))


def _fold(
    state: State, event: Event, gone: set[str], places: Mapping[str, tuple[str, str]]
) -> None:
    data = event.data
    if event.kind in ("withdrawn", "resumed"):
        _unsettle(state, event.kind)
        state.stopped = ""
        if event.kind == "withdrawn":
            state.concluded = None
        else:
            _resume(state, data)
        return
    minutes = float(data.get("minutes", 0.0))
    state.minutes += minutes
    if event.kind in ("finding", "verified"):
        state.charged = state.charged or state.parted
    if event.kind in ("finding", "verified", "cannot"):
        state.untried, state.switched, state.taken_back = False, "", ""
    _report(state, event)
    if event.id in gone:
        return
    if event.kind == "opened":
        state.opened = data
        state.stage = str(data.get("stage", state.stage))
    elif event.kind == "described":
        variants = variants_of(state.opened.get("variants", {}), [event])
        state.opened = {**state.opened, **data, "variants": variants}
    elif event.kind == "complaint":
        state.complaints = tuple(data["ids"])
    elif event.kind == "answered":
        question = str(data["question"])
        state.answers[question] = str(data["choice"])
        (state.phoned.add if state.stage == PHONE else state.phoned.discard)(question)
    elif event.kind == "act":
        act = str(data["act"])
        state.electrical, state.was_off = after_act(state.electrical, act), ""
        state.switched = act if act in ("isolate", "energise") else state.switched
        state.refused.discard("energise" if act == "found_on" else act)
        state.parted = act == "part" or (state.parted and act != "rejoin")
        state.untried = act == "part" or (state.untried and state.parted)
        state.charged = state.charged and act != "discharge"
        state.place = PANEL
    elif event.kind == "finding":
        test = str(data["test"])
        state.findings.append(
            Finding(
                event.id,
                test,
                str(data["outcome"]),
                str(data.get("raw", data["outcome"])),
                data.get("sure", "yes") != "no",
                minutes,
                len(state.repairs),
                state.stage == PHONE,
            )
        )
        if state.stage == PHONE:
            return
        place, level = places.get(test, (ANYWHERE, ""))
        state.place = state.place if place == ANYWHERE else place
        state.level = level or state.level
    elif event.kind == "cannot":
        if "act" in data:
            act = str(data["act"])
            state.refused.add("energise" if act == "found_on" else act)
        else:
            state.cannot[str(data["test"])] = str(data.get("reason", ""))
    elif event.kind == "concluded":
        state.concluded = dict(data)
    elif event.kind == "repaired":
        state.repairs.append((str(data["unit"]), str(data["failure_mode"])))
        state.checks = {}
        state.concluded = None
        _unsettle(state, event.kind)
        if not CLEARED_BY.issubset(state.shown):
            state.shown = {"repaired"}
    elif event.kind == "verified":
        check, result = str(data["check"]), str(data["result"])
        if check in SHOWS and result == "pass":
            state.shown.add(SHOWS[check])
        state.checks[check] = result
        state.checked.append(Checked(check, result, len(state.repairs)))
    elif event.kind == "stopped":
        state.stopped = str(data.get("reason", "stopped"))
    elif event.kind == "closed":
        state.closed = data
    elif event.kind == "called_back" and reopens(event):
        _reopen(state)
