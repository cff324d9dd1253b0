"""What has changed in the knowledge since a case was opened, and what of it the case used.

The ``opened`` event keeps the version of the knowledge and a digest of each group of its files; an
event that rests on a record of the knowledge (a test, a complaint, a question, a failure mode)
keeps that record's digest under ``of``. Cases without these can be told less about.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields, is_dataclass, replace
from typing import TYPE_CHECKING, Any

from diagnose.interview.events import Event
from diagnose.interview.state import State, withdrawn_ids
from diagnose.knowledge.names import spec_of
from diagnose.knowledge.records import KnowledgeBase
from diagnose.language import gettext as _
from diagnose.plant.compose import Installation

if TYPE_CHECKING:
    from diagnose.interview.session import Session

DIGITS = 8
"""Hexadecimal digits of a record's digest: it tells versions apart, and guards against nobody."""
SHOWN = 8
"""Names listed; of more, their number."""


def told_of(knowledge: KnowledgeBase) -> dict[str, Any]:
    """What an ``opened`` event keeps of the knowledge."""
    return {
        "knowledge": knowledge.digest,
        "version": knowledge.version,
        "files": groups_of(knowledge),
    }


def groups_of(knowledge: KnowledgeBase) -> dict[str, str]:
    """Digest of each group of files, learned numbers among them."""
    groups = {name: digest[:DIGITS] for name, digest in knowledge.files.items()}
    learned = knowledge.digest.partition("+")[2]
    return groups | ({"learned": learned[:DIGITS]} if learned else {})


def stamped(session: Session, event: Event) -> Event:
    """The event with the digests of the records that it rests on, where it rests on any."""
    found = {
        name: record_digest(record)
        for name, record in records_of(session.knowledge, session.installation, event)
        if record is not None
    }
    return replace(event, data={**event.data, "of": found}) if found else event


def records_of(
    knowledge: KnowledgeBase, installation: Installation, event: Event
) -> Iterator[tuple[str, object | None]]:
    """Name and record of each thing that an event is about; None for what is not known (now)."""
    data = event.data
    if event.kind == "finding":
        name = spec_of(str(data.get("test")))
        yield name, knowledge.tests.get(name)
    elif event.kind == "complaint":
        yield from ((str(name), knowledge.complaints.get(name)) for name in data.get("ids", ()))
    elif event.kind == "answered":
        name = str(data.get("question"))
        yield name, knowledge.questions.get(name)
    elif event.kind in ("concluded", "repaired") and data.get("failure_mode"):
        name = f"{data.get('unit')}.{data['failure_mode']}"
        mode = installation.modes.get(name)
        yield name, mode.mode if mode is not None else None


def record_digest(record: object) -> str:
    """Digest of all that a record says; its place in the files is left out."""
    text = json.dumps(_plain(record), sort_keys=True)
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:DIGITS]


def _plain(value: Any) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name)) for f in fields(value) if f.name != "place"}
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    return value if value is None or isinstance(value, bool | int | float) else str(value)


def changed_since(session: Session, opened_with: str, events: Sequence[Event]) -> str:
    """One line on what has changed since a case was opened; "" where nothing has.

    Where the knowledge is the same, a name that it does not know (a hand has written it) is said.

    Parameters
    ----------
    opened_with
        Digest of the knowledge that the case was opened with.
    """
    knowledge = session.knowledge
    changed, gone = _compared(session, events)
    unknown = _("No longer known, kept as answered: {names}.").format(names=_listed(gone))
    if opened_with == knowledge.digest:
        return unknown if gone else ""
    opened: dict[str, Any] = {}
    for event in events:
        if event.kind == "opened":
            opened = dict(event.data)
    said = [
        _(
            "The knowledge base has changed since this case was opened: the answers stand, and are "
            "weighed anew."
        )
    ]
    if opened.get("version") and opened["version"] != knowledge.version:
        versions = {"then": opened["version"], "now": knowledge.version or "?"}
        said.append(_("Version {then} then, {now} now.").format(**versions))
    if changed:
        names = _listed(changed)
        said.append(_("Changed of what this case used: {names}.").format(names=names))
    if gone:
        said.append(unknown)
    files = opened.get("files")
    if isinstance(files, Mapping) and files:
        now = groups_of(knowledge)
        other = sorted(name for name in {*files, *now} if files.get(name) != now.get(name))
        said.append(_("Files changed: {names}.").format(names=_listed(other) or _("none")))
    else:
        said.append(_("What changed was not yet recorded when it was opened."))
    return " ".join(said)


def _compared(session: Session, events: Sequence[Event]) -> tuple[list[str], list[str]]:
    """Names of what the case used and that has changed, and of what is not known any more."""
    withdrawn = withdrawn_ids(events)
    changed: dict[str, None] = {}
    gone: dict[str, None] = {}
    for event in events:
        if event.id in withdrawn:
            continue
        kept = event.data.get("of")
        before = kept if isinstance(kept, Mapping) else {}
        for name, record in records_of(session.knowledge, session.installation, event):
            if record is None or not _outcome_known(session, event):
                gone[name] = None
            elif name in before and before[name] != record_digest(record):
                changed[name] = None
    return list(changed), list(gone)


def _outcome_known(session: Session, event: Event) -> bool:
    if event.kind != "finding":
        return True
    return knows(session, str(event.data.get("test")), str(event.data.get("outcome")))


def knows(session: Session, test: str, outcome: str) -> bool:
    """Whether the knowledge has this test, fitted here or not, with this outcome."""
    spec = session.knowledge.tests.get(spec_of(test))
    outcomes = session.tests[test].outcomes if test in session.tests else spec and spec.outcomes
    return any(known.id == outcome for known in outcomes or ())


def only_known(session: Session, state: State) -> State:
    """The state without what the knowledge does not know any more; that stays on file."""
    state.findings = [f for f in state.findings if knows(session, f.test, f.outcome)]
    known = session.knowledge.complaints
    state.complaints = tuple(c for c in state.complaints if c in known)
    return state


def _listed(names: Sequence[str]) -> str:
    more = len(names) - SHOWN
    shown = ", ".join(names[:SHOWN])
    return shown if more <= 0 else shown + _(" and {count} more").format(count=more)
