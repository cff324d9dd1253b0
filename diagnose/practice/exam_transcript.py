"""The transcript of an exam: who sat what, and every act with what it showed.

It is the assessor's evidence: the acts are enough to play all of it again, what was shown and the
sheet stand beside them so that a difference can be named. Which callouts they are follows from the
seed; what is hidden stands in the transcript only once a callout is over.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from diagnose.errors import DiagnoseError, Issue
from diagnose.keeping import dump, write_whole
from diagnose.knowledge.reading import Reader, read_yaml
from diagnose.practice.examiner import LEVELS, Plan
from diagnose.practice.reading import number_of
from diagnose.practice.records import ACTS, Act, Taken

FORMAT = "1"
HEAD = "# Transcript of an exam. Acts are added at the end. 'diagnose exam --replay' checks it.\n"


@dataclass(frozen=True)
class Entry:
    """One act: of which callout (from 1), and what it showed, as text."""

    callout: int
    act: Act
    shown: str = ""


@dataclass(frozen=True)
class ExamTranscript:
    """All that an exam leaves behind.

    `candidate` is a free text; `begun` a time, as a record only; `results` are the lines of the
    sheet as texts, one mapping per callout that is over; `knowledge` the digest of the knowledge
    base.
    """

    candidate: str
    plan: Plan
    begun: str = ""
    knowledge: str = ""
    entries: tuple[Entry, ...] = ()
    results: tuple[Mapping[str, str], ...] = field(default_factory=tuple)

    def acts(self, callout: int) -> tuple[Act, ...]:
        """The acts of one callout, from 1."""
        return tuple(entry.act for entry in self.entries if entry.callout == callout)

    def with_act(self, callout: int, taken: Taken) -> ExamTranscript:
        """The transcript with one more act."""
        return replace(self, entries=(*self.entries, Entry(callout, taken.act, shown_by(taken))))


def shown_by(taken: Taken) -> str:
    """What an act showed, was stopped by, or was answered, as one text."""
    if taken.offence is not None:
        return f"stopped: {taken.offence.rule}"
    return taken.shown.text if taken.shown is not None else taken.text


def transcript_text(transcript: ExamTranscript) -> str:
    """The transcript as it stands in its file."""
    plan = transcript.plan
    head = {
        "format": int(FORMAT),
        "candidate": transcript.candidate,
        "begun": transcript.begun,
        "knowledge": transcript.knowledge,
        "installation": plan.kind,
        "variants": dict(plan.variants),
        "seed": plan.seed,
        "count": plan.count,
        "of_set": "yes" if plan.of_set else "no",
        "number": plan.number,
        "level": plan.level,
        "tolerance": plan.tolerance,
        "results": [dict(result) for result in transcript.results],
    }
    acts = [
        {"callout": e.callout, "act": e.act.kind, "data": dict(e.act.data), "shown": e.shown}
        for e in transcript.entries
    ]
    return HEAD + dump(head) + (dump({"acts": acts}) if acts else "acts: []\n")


def save_transcript(path: Path, transcript: ExamTranscript) -> None:
    """Write it whole, on disk before this returns.

    Raises
    ------
    DiagnoseError
        The file cannot be written.
    """
    write_whole(path, transcript_text(transcript).encode())


def read_transcript(path: Path) -> ExamTranscript:
    """Read a transcript.

    Raises
    ------
    DiagnoseError
        With every issue found, each with its place.
    """
    issues: list[Issue] = []
    reader = Reader(read_yaml(path), issues, "transcript")
    reader.choice("format", (FORMAT,))
    plan = Plan(
        kind=str(reader.text("installation")),
        variants={str(k): str(v) for k, v in reader.text_map("variants").items()},
        seed=int(number_of(reader, "seed", whole=True)),
        count=int(number_of(reader, "count", whole=True)),
        of_set=reader.choice("of_set", ("yes", "no")) == "yes",
        number=int(number_of(reader, "number", whole=True)),
        level=str(reader.choice("level", LEVELS)),
        tolerance=number_of(reader, "tolerance"),
    )
    transcript = ExamTranscript(
        candidate=str(reader.text("candidate")),
        plan=plan,
        begun=str(reader.text("begun")),
        knowledge=str(reader.text("knowledge")),
        entries=tuple(_entry(node, issues) for node in reader.children("acts")),
        results=tuple(_result(node, issues) for node in reader.children("results")),
    )
    reader.done()
    if issues:
        raise DiagnoseError(issues)
    return transcript


def _entry(node: Any, issues: list[Issue]) -> Entry:
    reader = Reader(node, issues, "act")
    data = {str(k): str(v) for k, v in reader.text_map("data").items()}
    entry = Entry(
        callout=int(number_of(reader, "callout", whole=True)),
        act=Act(str(reader.choice("act", ACTS)), data),
        shown=str(reader.text("shown", "")),
    )
    reader.done()
    return entry


def _result(node: Any, issues: list[Issue]) -> dict[str, str]:
    reader = Reader(node, issues, "result")
    found: dict[str, str] = {}
    for key in reader.node:
        found[str(key)] = str(reader.text(key))
    return found
