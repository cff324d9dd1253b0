"""``diagnose exam``: simulated callouts by seed, without hints, with a result sheet."""

from __future__ import annotations

import datetime
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.cli.report import Wanted, write
from diagnose.cli.shown import on_one_line
from diagnose.errors import fail
from diagnose.practice.examiner import COUNT, LEVELS, TOLERANCE, Plan
from diagnose.practice.records import LARGEST_SEED
from diagnose.report.document import PAPERS, Paper

if TYPE_CHECKING:
    from diagnose.practice.exam_transcript import ExamTranscript
    from diagnose.practice.examiner import Drawn, Examiner
    from diagnose.practice.sheet import Sheet

NOTHING_WANTED = Wanted()
MOST = 20
DIFFERENT = 1
"""Exit code of a replay that gives another sheet."""


@dataclass(frozen=True)
class Request:
    """The command's options."""

    seed: int | None = None
    count: int | None = None
    class_set: int | None = None
    number: int | None = None
    level: str | None = None
    tolerance: float | None = None
    candidate: str = ""
    out: Path | None = None
    resume: Path | None = None
    replay: Path | None = None
    wanted: Wanted = NOTHING_WANTED
    installation: str | None = None
    variants: Sequence[str] = ()
    knowledge: str | None = None

    def refuse_contradictions(self) -> None:
        """Refuse options that cannot go together or are out of range.

        Raises
        ------
        DiagnoseError
            The message says which.
        """
        told = self.replay or self.resume
        drawing = {
            "--seed": self.seed,
            "--count": self.count,
            "--class-set": self.class_set,
            "--number": self.number,
            "--level": self.level,
            "--tolerance": self.tolerance,
            "--candidate": self.candidate or None,
            "--out": self.out,
            "--installation": self.installation,
            "--set": self.variants or None,
        }
        if told is not None:
            given = [name for name, value in drawing.items() if value is not None]
            if self.replay is not None and self.resume is not None:
                given.append("--resume")
            if given:
                option = "--replay" if self.replay is not None else "--resume"
                raise fail("option", f"{given[0]} cannot go with {option}: the transcript says it")
            return
        if self.seed is None or not 0 <= self.seed <= LARGEST_SEED:
            raise fail("option", f"an exam needs --seed, a whole number from 0 to {LARGEST_SEED}")
        if self.class_set is None:
            for name in ("--number", "--level", "--tolerance"):
                if drawing[name] is not None:
                    raise fail("option", f"{name} goes with --class-set only")
        elif self.count is not None:
            raise fail("option", "--count cannot go with --class-set, which says how many")
        for name in ("--count", "--class-set"):
            value = drawing[name]
            if isinstance(value, int) and not 1 <= value <= MOST:
                raise fail("option", f"{name} {value} must lie from 1 to {MOST}")
        if self.level is not None and self.level not in LEVELS:
            raise fail("option", f"--level: '{self.level}' is none", None, LEVELS)
        if self.tolerance is not None and not 0.01 <= self.tolerance <= 0.5:
            raise fail("option", f"--tolerance {self.tolerance:g} must lie from 0.01 to 0.5")

    def plan(self, kind: str, variants: dict[str, str]) -> Plan:
        """What is to be drawn."""
        return Plan(
            kind,
            variants,
            self.seed or 0,
            self.class_set or self.count or COUNT,
            self.class_set is not None,
            self.number or 0,
            self.level or "medium",
            TOLERANCE if self.tolerance is None else self.tolerance,
        )


def run_exam(request: Request) -> int:
    """Run the command; the exit code.

    Raises
    ------
    DiagnoseError
        Options or a transcript that cannot be used, or an exam that cannot be drawn.
    """
    from diagnose.cli.common import progress_bar, settings
    from diagnose.practice.exam_transcript import ExamTranscript, read_transcript

    request.refuse_contradictions()
    request.wanted.checked()
    plain = request.wanted.no_color
    told = request.replay or request.resume
    if told is not None:
        transcript = read_transcript(told)
        plan = transcript.plan
        examiner = examiner_for(request, plan.kind, plan.variants)
    else:
        examiner = examiner_for(request, request.installation, settings(request.variants))
        installation = examiner.session.installation
        plan = request.plan(installation.type.id, dict(installation.choices))
        begun = datetime.datetime.now().astimezone().isoformat(timespec="seconds")
        digest = examiner.session.knowledge.digest
        transcript = ExamTranscript(request.candidate, plan, begun, digest)
    path = request.resume or request.out or Path(f"exam-{plan.seed}.yaml")
    sits = request.replay is None and not (plan.of_set and not plan.number)
    if sits and request.resume is None and path.exists():
        raise fail("exists", f"'{path}' exists: go on with it (--resume), or name another (--out)")
    with progress_bar("Setting up the callouts", plain) as report:
        drawn = examiner.draw(plan, report)
    if request.replay is not None:
        return _replay(examiner, transcript, drawn, request.wanted)
    if not sits:
        return _list(examiner, plan, drawn, request.wanted)
    from diagnose.cli.exam_desk import sit

    return sit(examiner, drawn, transcript, path, request.wanted)


def examiner_for(request: Request, kind: str | None, variants: Mapping[str, str]) -> Examiner:
    """All that exams on one installation are drawn from; what takes time with its progress."""
    from diagnose.cli.common import load, progress_bar, session_for
    from diagnose.knowledge.practice_reading import load_practice
    from diagnose.plant.compose import compose
    from diagnose.practice.bench import Workshop
    from diagnose.practice.catalogue import catalogue
    from diagnose.practice.examiner import Examiner

    knowledge = load(request.knowledge)
    installation = compose(knowledge, kind or next(iter(knowledge.installations)), variants)
    plain = request.wanted.no_color
    session = session_for(knowledge, installation, plain)
    with progress_bar("Reckoning how hard each exercise is", plain) as report:
        exercises = catalogue(session, report)
    workshop = Workshop(knowledge, installation, load_practice(knowledge))
    return Examiner.of(session, workshop, exercises)


def _list(examiner: Examiner, plan: Plan, drawn: tuple[Drawn, ...], wanted: Wanted) -> int:
    """The class set on paper, for the trainer."""
    from diagnose.cli.exam_paper import set_document

    settled = _settled(wanted)
    document = set_document(drawn, examiner.limits(plan), plan, _paper(settled))
    write(document, settled, f"class-set-{plan.seed}")
    return 0


def _replay(
    examiner: Examiner, transcript: ExamTranscript, drawn: tuple[Drawn, ...], wanted: Wanted
) -> int:
    """The sheet again, and whether it is what the transcript says."""
    from diagnose.practice.sheet import differences, played, sheet_of

    attempts = played(examiner, transcript, drawn)
    sheet = sheet_of(examiner, transcript, drawn, attempts)
    put_sheet(sheet, wanted)
    found = list(differences(transcript, attempts, sheet))
    for text in found:
        print(on_one_line(f"differs: {text}"), file=sys.stderr)
    if not found:
        print(f"The transcript gives this very sheet (digest {sheet.digest}).", file=sys.stderr)
    return DIFFERENT if found else 0


def put_sheet(sheet: Sheet, wanted: Wanted) -> None:
    """The sheet where it is wanted; on the screen where nothing is said."""
    from diagnose.cli.exam_paper import sheet_document

    settled = _settled(wanted)
    write(sheet_document(sheet, _paper(settled)), settled, f"exam-{sheet.seed}-sheet")


def _settled(wanted: Wanted) -> Wanted:
    """Text where neither a format nor a file is named."""
    named = wanted.format or wanted.output is not None
    return (wanted if named else replace(wanted, format="text")).checked()


def _paper(wanted: Wanted) -> Paper:
    return next((p for p in PAPERS if p == wanted.paper), "a4")
