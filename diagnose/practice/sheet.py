"""The result sheet of an exam: computed from the transcript's acts alone, and compared with it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

from diagnose.knowledge.names import unit_of
from diagnose.practice.exam_transcript import shown_by
from diagnose.practice.examiner import digest_of
from diagnose.practice.judging import needless_for
from diagnose.practice.play import play
from diagnose.practice.score import Score, score_of

if TYPE_CHECKING:
    from diagnose.knowledge.records import InstallationType
    from diagnose.practice.exam_transcript import ExamTranscript
    from diagnose.practice.examiner import Drawn, Examiner
    from diagnose.practice.records import Attempt

DIGEST = 16
"""Characters of a digest that are shown and kept."""
OUTCOMES = {
    "open": "not finished",
    "solved": "repaired",
    "not_solved": "left with the fault still there",
    "handed_over": "handed over",
    "given_up": "given up",
}


@dataclass(frozen=True)
class Line:
    """One callout of the sheet.

    Attributes
    ----------
    difficulty, expert, minutes
        Minutes: of the standard trainee, of the expert's attempt, of the candidate's.
    offences
        Titles of the unsafe acts that were stopped, in order.
    in_vain
        Sound units that were swapped.
    digest
        Of the exercise, the acts and what each showed.
    """

    number: int
    says: str
    hidden: str
    difficulty: float
    ended: str
    offences: tuple[str, ...]
    swapped: tuple[str, ...]
    in_vain: tuple[str, ...]
    checks: int
    minutes: float
    expert: float
    score: Score
    digest: str


@dataclass(frozen=True)
class Sheet:
    """A result sheet; `digest` is that of all its lines."""

    candidate: str
    begun: str
    seed: int
    number: int
    installation: str
    variants: tuple[str, ...]
    knowledge: str
    lines: tuple[Line, ...]

    @property
    def total(self) -> float:
        """Points, the mean over the callouts, 0 to 100."""
        return sum(line.score.total for line in self.lines) / max(1, len(self.lines))

    @property
    def digest(self) -> str:
        """Of all lines: two sheets with one digest say the same."""
        return digest_of([result_of(line) for line in self.lines])[:DIGEST]


def played(
    examiner: Examiner, transcript: ExamTranscript, drawn: Sequence[Drawn]
) -> tuple[Attempt, ...]:
    """The callouts of a transcript, played again; one that was not begun has no act.

    Raises
    ------
    DiagnoseError
        An act names what the installation has not.
    """
    needless = needless_for(examiner.session)
    return tuple(
        play(examiner.bench(one.exercise), one.exercise, transcript.acts(number), needless)
        for number, one in enumerate(drawn, 1)
    )


def line_of(examiner: Examiner, drawn: Drawn, attempt: Attempt, number: int) -> Line:
    """What the sheet says of one callout."""
    bench, session = examiner.bench(drawn.exercise), examiner.session
    best = examiner.expert_minutes(drawn.exercise)
    hidden = {unit_of(mode) for mode in drawn.exercise.modes}
    titles = session.installation.instances
    acts = [[t.act.kind, dict(t.act.data), shown_by(t)] for t in attempt.taken]
    return Line(
        number=number,
        says=drawn.says,
        hidden=drawn.hidden,
        difficulty=drawn.rated.difficulty.minutes,
        ended=attempt.ended,
        offences=tuple(offence.title for offence in attempt.offences),
        swapped=tuple(titles[unit].title for unit in attempt.swapped),
        in_vain=tuple(titles[u].title for u in attempt.swapped if u not in hidden),
        checks=sum(t.act.kind == "check" and t.shown is not None for t in attempt.taken),
        minutes=attempt.minutes,
        expert=best,
        score=score_of(bench, attempt, best),
        digest=digest_of(asdict(drawn.exercise), acts)[:DIGEST],
    )


def _variant(kind: InstallationType, variant: str, choice: str) -> str:
    """A variant with its choice, in words."""
    record = kind.variants[variant]
    return f"{record.title}: {record.choices[choice].title}"


def result_of(line: Line) -> dict[str, str]:
    """A line as texts, as the transcript keeps it."""
    return {
        "callout": str(line.number),
        "hidden": line.hidden,
        "ended": line.ended,
        "unsafe acts": str(len(line.offences)),
        "swapped": ", ".join(line.swapped),
        "minutes": f"{line.minutes:.1f}",
        "expert's minutes": f"{line.expert:.1f}",
        "score": f"{line.score.total:.1f}",
        "digest": line.digest,
    }


def sheet_of(
    examiner: Examiner,
    transcript: ExamTranscript,
    drawn: Sequence[Drawn],
    attempts: Sequence[Attempt],
) -> Sheet:
    """The sheet, from the attempts that the acts of a transcript give (see `played`)."""
    pairs = zip(drawn, attempts, strict=True)
    installation = examiner.session.installation
    kind = installation.type
    return Sheet(
        transcript.candidate,
        transcript.begun,
        transcript.plan.seed,
        transcript.plan.number,
        kind.title,
        tuple(_variant(kind, v, c) for v, c in installation.choices.items()),
        examiner.session.knowledge.digest,
        tuple(line_of(examiner, one, attempt, k) for k, (one, attempt) in enumerate(pairs, 1)),
    )


def differences(
    transcript: ExamTranscript, attempts: Sequence[Attempt], sheet: Sheet
) -> Iterator[str]:
    """Where a transcript says something else than playing its acts again gives.

    Act by act what was shown, then line by line what the sheet says.
    """
    if transcript.knowledge != sheet.knowledge:
        yield "the knowledge base is not the one of the exam"
    for number, attempt in enumerate(attempts, 1):
        entries = [entry for entry in transcript.entries if entry.callout == number]
        for position, (entry, taken) in enumerate(zip(entries, attempt.taken, strict=True), 1):
            shown = shown_by(taken)
            if entry.shown != shown:
                what = " ".join((entry.act.kind, *entry.act.data.values()))
                yield (
                    f"callout {number}, act {position} ({what}): "
                    f"the transcript has '{entry.shown}', playing it shows '{shown}'"
                )
    strange = sorted({e.callout for e in transcript.entries} - set(range(1, len(attempts) + 1)))
    for number in strange:
        yield f"the transcript has acts of callout {number}, which is none of the exam's"
    recorded = {result.get("callout", ""): result for result in transcript.results}
    for line in sheet.lines:
        yield from _line_differences(line, recorded.pop(str(line.number), None))
    for name in recorded:
        yield f"the transcript has a result for callout {name}, which is none of the exam's"


def _line_differences(line: Line, recorded: Mapping[str, str] | None) -> Iterator[str]:
    if recorded is None:
        yield f"callout {line.number}: the transcript has no result"
        return
    now = result_of(line)
    for key in dict.fromkeys((*now, *recorded)):
        if now.get(key) != recorded.get(key):
            yield (
                f"callout {line.number}, {key}: "
                f"the transcript has '{recorded.get(key, '')}', playing it gives "
                f"'{now.get(key, '')}'"
            )
