"""Numbers, dates and times as the language in use writes them."""

from __future__ import annotations

import datetime
from functools import lru_cache

from babel import Locale
from babel.core import UnknownLocaleError
from babel.dates import format_date, format_datetime, format_time
from babel.lists import format_list
from babel.numbers import format_decimal, format_percent

from diagnose.language import ENGLISH, current
from diagnose.language import gettext as _

BRITISH = "en_GB"
"""English without a region: day before month, as in the fixed texts."""
SURE, NONE = 0.994, 0.005
"""Above and below, a probability is not shown as a number: certainty is never claimed."""


@lru_cache
def _locale(tag: str) -> Locale:
    try:
        return Locale.parse(BRITISH if tag == ENGLISH else tag.replace("-", "_"))
    except (UnknownLocaleError, ValueError):
        return Locale.parse(BRITISH)


def locale() -> Locale:
    """The locale of the language in use."""
    return _locale(current().tag)


def percent(probability: float) -> str:
    """A probability in per cent; never 0 and never 100."""
    if probability > SURE:
        return ">" + format_percent(0.99, locale=locale())
    if probability < NONE:
        return "<" + format_percent(0.01, locale=locale())
    return str(format_percent(round(probability, 2), locale=locale()))


def number(value: float, digits: int = 0) -> str:
    """A number with so many decimals."""
    pattern = "#,##0" + ("." + "0" * digits if digits else "")
    return str(format_decimal(value, format=pattern, locale=locale()))


def minutes(value: float) -> str:
    """A duration in minutes."""
    return _("{minutes} min").format(minutes=number(value))


def local(at: str) -> datetime.datetime | None:
    """A time of a case file in the machine's time zone; None where it is none."""
    try:
        moment = datetime.datetime.fromisoformat(at)
    except ValueError:
        return None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=datetime.UTC)
    try:
        return moment.astimezone()
    except (OverflowError, OSError, ValueError):
        return moment


def day(at: str) -> str:
    """The day of a time, or of a date, as written; the text itself where it is neither."""
    moment = local(at) if "T" in at else None
    if moment is None:
        try:
            return str(format_date(datetime.date.fromisoformat(at[:10]), "long", locale=locale()))
        except ValueError:
            return at
    return str(format_date(moment, "long", locale=locale()))


def moment(at: str) -> str:
    """Day and time of day."""
    when = local(at)
    return at if when is None else str(format_datetime(when, "medium", locale=locale()))


def clock(at: str) -> str:
    """The time of day."""
    when = local(at)
    return at if when is None else str(format_time(when, "short", locale=locale()))


def zone(at: str) -> str:
    """The time zone of `local`, as UTC and hours."""
    when = local(at)
    offset = when.strftime("%z") if when is not None else ""
    return f"UTC{offset[:3]}:{offset[3:5]}" if offset not in ("", "+0000") else "UTC"


def listed(texts: list[str]) -> str:
    """Texts as an enumeration."""
    return str(format_list(texts, locale=locale())) if texts else ""
