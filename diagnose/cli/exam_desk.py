"""Sitting an exam at the terminal: one callout after the other, each act on file first."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.cli import practice_show as show
from diagnose.cli.common import INTERRUPTED
from diagnose.cli.exam import put_sheet
from diagnose.cli.practice_desk import Desk, Read
from diagnose.cli.render import Screen
from diagnose.cli.transcripts import Transcript
from diagnose.practice.exam_transcript import ExamTranscript, save_transcript
from diagnose.practice.functions import Coach
from diagnose.practice.records import Act
from diagnose.practice.sheet import result_of, sheet_of
from diagnose.reasoning.belief import Belief

if TYPE_CHECKING:
    from diagnose.cli.report import Wanted
    from diagnose.practice.examiner import Drawn, Examiner

NOTED = "Noted."


class SilentCoach(Coach):
    """Takes down what a candidate says and tells nothing."""

    def on_function(self, belief: Belief, function: str) -> str:
        """See `Coach.on_function`."""
        return NOTED

    def on_expectation(self, belief: Belief, function: str, test: str, expected: str) -> str:
        """See `Coach.on_expectation`."""
        return NOTED

    def on_conclusion(
        self, before: Belief, function: str, test: str, outcome: str, conclusion: str
    ) -> str:
        """See `Coach.on_conclusion`."""
        return NOTED


class Paper(Transcript):
    """One callout's part of the exam's transcript, as the desk writes to it."""

    def __init__(self, exam: ExamTranscript, number: int, drawn: Drawn, path: Path) -> None:
        super().__init__(path, drawn.exercise, list(exam.acts(number)))
        self.exam = exam
        self.number = number
        self.desk: Desk | None = None

    def add(self, act: Act) -> None:
        """Put one more act, and what it showed, on file, synchronised."""
        assert self.desk is not None
        assert self.path is not None
        if not self.acts or self.acts[-1] is not act:
            self.acts.append(act)
            self.exam = self.exam.with_act(self.number, self.desk.attempt.taken[-1])
        save_transcript(self.path, self.exam)


def sit(
    examiner: Examiner,
    drawn: tuple[Drawn, ...],
    transcript: ExamTranscript,
    path: Path,
    wanted: Wanted,
    read: Read = input,
) -> int:
    """The exam from where its transcript stands to the sheet; the exit code."""
    screen = Screen(wanted.no_color)
    save_transcript(path, transcript)
    attempts = []
    try:
        for number, one in enumerate(drawn, 1):
            desk, paper = desk_for(examiner, one, transcript, number, path, screen, read)
            if desk.attempt.ended != "open":
                attempts.append(desk.attempt)
                continue
            _open(screen, desk, number, len(drawn), bool(paper.acts))
            ended = desk.run()
            transcript = paper.exam
            if not ended:
                return _stopped(screen, path, 0)
            attempts.append(desk.attempt)
            screen.para(f"Callout {number} is over: {show.ENDED[desk.attempt.ended]}", 2)
    except (KeyboardInterrupt, EOFError):
        screen.line()
        return _stopped(screen, path, INTERRUPTED)
    screen.para("That was the last callout. The sheet is being made.", 2)
    sheet = sheet_of(examiner, transcript, drawn, attempts)
    results = tuple(result_of(line) for line in sheet.lines)
    save_transcript(path, replace(transcript, results=results))
    put_sheet(sheet, wanted)
    screen.para(f"The transcript is on file: {path}", 2, hang=2)
    return 0


def desk_for(
    examiner: Examiner,
    one: Drawn,
    transcript: ExamTranscript,
    number: int,
    path: Path,
    screen: Screen,
    read: Read,
) -> tuple[Desk, Paper]:
    """The desk of one callout, where its transcript left it."""
    bench = examiner.bench(one.exercise)
    paper = Paper(transcript, number, one, path)
    desk = Desk(examiner.session, bench, screen, paper, read, hints=False)
    paper.desk = desk
    desk.coach = SilentCoach(examiner.session, bench.practice)
    return desk, paper


def _open(screen: Screen, desk: Desk, number: int, count: int, again: bool) -> None:
    screen.rule("Exam", f"callout {number} of {count}: no hints, no comments")
    show.opening(screen, desk.bench, desk.attempt)
    if again:
        show.found(screen, desk.bench, desk.attempt)
    screen.para("Type what you do; help lists the words. Begin with: ask safety", 2)


def _stopped(screen: Screen, path: Path, code: int) -> int:
    screen.para("Stopped. Go on with it:", 2)
    screen.line(f"  diagnose exam --resume {path}")
    return code
