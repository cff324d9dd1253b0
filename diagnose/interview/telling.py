"""Readings as they are told afterwards: as typed, with unit, beside what was expected."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from diagnose.interview.asking import typed_unit
from diagnose.interview.state import PHONE
from diagnose.knowledge.names import spec_of
from diagnose.language import gettext as _
from diagnose.plant.matrix import HEALTHY
from diagnose.plant.procedures import InstalledTest
from diagnose.quantities import QuantityError, format_quantity, parse_quantity, parse_reading
from diagnose.units import whole_number

if TYPE_CHECKING:
    from diagnose.interview.events import Event
    from diagnose.interview.session import Session

EXPECTED = 0.2
"""An outcome is expected where a healthy installation shows it at least this often."""
BARE = re.compile(r"[<>]?\s*-?[\d.,]+")


@dataclass(frozen=True)
class Reading:
    """One answer to a test.

    Attributes
    ----------
    event, at, test, title, instrument, place, state, unit
        As in the event and the test; `unit` is the base unit, "" for a choice.
    raw
        As typed, with the unit where a bare number was typed; the outcome's words for a choice.
    value, low, high : in the base unit
        The number, and the limits of what is expected (None: none); None for a choice.
    expected
        What a healthy installation shows, in words and limits.
    as_expected
        Whether the outcome is one of those.
    after_repairs
        How many repairs had been made.
    """

    number: int
    event: str
    at: str
    test: str
    title: str
    instrument: str
    place: str
    state: str
    unit: str
    raw: str
    value: float | None
    low: float | None
    high: float | None
    expected: str
    outcome: str
    as_expected: bool
    sure: bool
    by_phone: bool
    after_repairs: int
    minutes: float


def told(session: Session, events: Sequence[Event], gone: set[str]) -> Iterator[Reading]:
    """Every finding that was not taken back, in order; one of an unknown test as it is on file."""
    number, repairs, phone = 0, 0, False
    for event in events:
        if event.kind == "opened":
            phone = event.data.get("stage") == PHONE
        elif event.kind == "resumed":
            phone = phone and event.data.get("stage") == PHONE
        elif event.kind == "repaired" and event.id not in gone:
            repairs += 1
        if event.kind != "finding" or event.id in gone:
            continue
        number += 1
        yield _reading(session, event, number, repairs, phone)


def _reading(session: Session, event: Event, number: int, repairs: int, phone: bool) -> Reading:
    data = event.data
    name, outcome = str(data.get("test", "")), str(data.get("outcome", ""))
    raw = str(data.get("raw", outcome))
    test = session.tests.get(name)
    words = {o.id: o.title for o in test.outcomes} if test is not None else {}
    value, shown = _value(test, raw)
    if value is None and raw in words:
        shown = _(words[raw])
    elif test is not None and not test.spec.unit and whole_number(raw.rpartition(" ")[2]):
        shown = _(words.get(outcome, raw))  # the number of a choice tells a reader nothing
    low, high, expected, ids = expected_of(session, test) if test is not None else _NOTHING
    try:
        minutes = float(data.get("minutes", 0.0))
    except (TypeError, ValueError):
        minutes = 0.0
    return Reading(
        number=number,
        event=event.id,
        at=event.at,
        test=name,
        title=_title(session, name),
        instrument=test.spec.instrument if test is not None else "none",
        place=test.spec.place_at if test is not None else "",
        state=test.spec.state if test is not None else "",
        unit=test.spec.unit if test is not None else "",
        raw=shown,
        value=value,
        low=low,
        high=high,
        expected=expected,
        outcome=_(words.get(outcome, outcome)),
        as_expected=outcome in ids or test is None,
        sure=data.get("sure", "yes") != "no",
        by_phone=phone,
        after_repairs=repairs,
        minutes=minutes,
    )


def _title(session: Session, name: str) -> str:
    test = session.tests.get(name)
    if test is not None:
        return _(test.title)
    if spec_of(name) in session.knowledge.tests:
        return name
    return _("{test} (no longer known)").format(test=name)


_NOTHING: tuple[float | None, float | None, str, frozenset[str]] = (None, None, "", frozenset())


def _value(test: InstalledTest | None, raw: str) -> tuple[float | None, str]:
    """The number behind a typed answer, and the answer with its unit."""
    if test is None or not test.spec.unit:
        return None, raw
    unit = typed_unit(test)
    try:
        value = parse_reading(raw, unit)
    except QuantityError:
        return None, raw
    return value, f"{raw} {UNIT_SIGNS.get(unit, unit)}" if BARE.fullmatch(raw.strip()) else raw


def taken_as(raw: str, unit: str, words: str, given: str) -> str:
    """How a typed answer was understood: ``0.4 Ω (below 50 ohm: closed)``.

    Parameters
    ----------
    raw
        As typed, with what was said before the reading (*not sure*).
    unit
        That of a bare number.
    words, given
        The answer that it was taken for, in words and by id.
    """
    said = raw.split()
    for k in range(len(said)):
        text = " ".join(said[k:])
        try:
            value = parse_reading(text, unit)
        except QuantityError:
            continue
        return words if text == given else f"{format_quantity(value, unit)} ({words})"
    return words


UNIT_SIGNS = {"ohm": "Ω", "Mohm": "MΩ", "uF": "µF", "C": "°C"}


def expected_of(
    session: Session, test: InstalledTest
) -> tuple[float | None, float | None, str, frozenset[str]]:
    """Limits of what a healthy installation shows (base unit), in words, and the outcomes' ids."""
    p = session.matrix.of(HEALTHY, test.id)
    likely = [k for k in range(len(test.outcomes)) if p[k] >= EXPECTED]
    ids = frozenset(test.outcomes[k].id for k in likely)
    titles = _(" or ").join(_(test.outcomes[k].title) for k in likely)
    numeric = [k for k, o in enumerate(test.outcomes) if not o.when]
    if not test.spec.unit or not set(likely) <= set(numeric):
        return None, None, titles, ids
    places = [numeric.index(k) for k in likely]
    if places != list(range(places[0], places[-1] + 1)):
        return None, None, titles, ids
    low = test.outcomes[numeric[places[0] - 1]].below if places[0] else None
    high = test.outcomes[numeric[places[-1]]].below
    return low, high, with_limits(titles, low, high, test.spec.unit), ids


def with_limits(title: str, low: float | None, high: float | None, unit: str) -> str:
    """An outcome's title with its limits, where it does not say them itself."""
    limits = span(low, high, unit)
    digits = [limit(v, unit).partition(" ")[0] for v in (low, high) if v is not None]
    said = set(re.findall(r"[\d.]*\d", title))
    return title if not limits or said.intersection(digits) else f"{title} ({limits})"


def span(low: float | None, high: float | None, unit: str) -> str:
    """Two limits in words: ``0.2 V to 1 V``, ``below 1 Ω``, ``4 V and above``, ""."""
    at_least = low is not None and math.isfinite(low)
    at_most = high is not None and math.isfinite(high)
    if at_least and at_most:
        return _("{low} to {high}").format(low=limit(low, unit), high=limit(high, unit))
    if at_most:
        return _("below {limit}").format(limit=limit(high, unit))
    if at_least:
        return _("{limit} and above").format(limit=limit(low, unit))
    return ""


def limit(value: float | None, unit: str) -> str:
    """A limit of the knowledge base with its unit, with all its digits."""
    value = value or 0.0
    shown = format_quantity(value, unit)
    _digits, _space, symbol = shown.partition(" ")
    if math.isclose(parse_quantity(shown).value, value, rel_tol=1e-6, abs_tol=1e-12):
        return shown
    return f"{value / parse_quantity(f'1 {symbol}').value:.6g} {symbol}"
