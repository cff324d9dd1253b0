"""The events of a case: all that was done, asked and answered, in order.

Kinds and their data (all values are texts, numbers, booleans, or lists and mappings of them):

=============  =================================================================================
opened         installation, variants, instruments, qualification, meter_category, title; asks: what
               is left to be described; stage: phone where the case starts with a telephone call
described      what was said of the case since, in the place of what stood there: wiring (standard |
               differs), variants (some), site, instruments, meter_category, qualification
complaint      ids: what the customer reports
answered       question, choice: safety and history questions
act            act (isolate, prove_dead, energise; found_on: seen to be on), minutes
finding        test, raw (as typed), outcome, sure (yes | no), minutes, shown (a record only)
cannot         test, reason; or act, reason: a change of electrical state that cannot be made
concluded      status, unit, failure_mode, probability (a record only)
repaired       unit, failure_mode, minutes
verified       check, result (pass | fail | cannot)
withdrawn      event: the id of an event of a kind in `RETRACTABLE` that is taken back
stopped        reason
resumed        (nothing): the electrical state is unknown again and a telephone call is over; or
               stage: phone, the call goes on
phoned         urgency, van, instruments, switch_off: what a telephone call led to (a record only)
closed         what was really found: unit, failure_mode, or found (own words: not in the knowledge
               base); confirmed (how: a key of `CONFIRMED`), minutes (in all), took (event id → real
               minutes, where the person put the estimate right), parts (used), verified (passed |
               failed | not_made), call_back (ISO date when to ring the customer, or "")
called_back    held (yes | no): whether the repair has held; text, minutes; with ``no`` the case is
               open again
=============  =================================================================================
"""

from __future__ import annotations

import datetime
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from diagnose.language import marked

KINDS = (
    "opened",
    "described",
    "complaint",
    "answered",
    "act",
    "finding",
    "cannot",
    "concluded",
    "repaired",
    "verified",
    "withdrawn",
    "stopped",
    "resumed",
    "phoned",
    "closed",
    "called_back",
)
PHYSICAL = ("act", "repaired")
"""Kinds that happened in the world: they cannot be taken back."""
RETRACTABLE = ("complaint", "answered", "finding", "cannot", "verified")
"""Kinds that were only said: they can be taken back."""
CONFIRMED = {
    "verification": marked("all checks after the repair passed"),
    "measured": marked("measured on the part itself, on the bench or taken apart"),
    "replaced": marked("the fault went with the part that was replaced"),
    "not_confirmed": marked("not confirmed"),
}
"""How the cause of a closed case was confirmed, in words."""
VERIFIED = {
    "passed": marked("yes, all that could be checked is as it should be"),
    "failed": marked("no, something is not as it should be"),
    "not_made": marked("it was not verified"),
}
"""What came of the verification of a closed case, in words."""


@dataclass(frozen=True)
class Event:
    """One thing that happened: a UUID, a time (UTC, ISO 8601), a kind and its data."""

    id: str
    at: str
    kind: str
    data: Mapping[str, Any]


def new_event(kind: str, **data: Any) -> Event:
    """An event that happens now."""
    if kind not in KINDS:
        raise ValueError(f"'{kind}' is not a kind of event: {', '.join(KINDS)}")
    now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    return Event(str(uuid.uuid4()), now, kind, data)
