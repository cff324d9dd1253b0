"""An exam on paper: the result sheet, the list of a class set. Whatever was typed is data."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from diagnose.practice.examiner import TOLERANCE
from diagnose.practice.score import METHOD, MINUTES, OFFENCE, PARTS, REPAIR, SAFETY, VERIFICATION
from diagnose.practice.sheet import OUTCOMES, Line, Sheet
from diagnose.report.document import (
    Block,
    Column,
    Document,
    Heading,
    KeyValues,
    Paper,
    Paragraph,
    Runs,
    SignatureLines,
    Table,
    mono,
    runs,
    strong,
    trimmed,
)

if TYPE_CHECKING:
    from diagnose.practice.examiner import Drawn, Plan

LONGEST_NAME = 120
ABOUT = (
    "Every callout was simulated by the program; no installation, customer or fault is real. "
    "Difficulty is the minutes that a standard trainee is expected to need to the failed unit. "
    f"Points: safety {SAFETY:g}, repair {REPAIR:g}, proving it {VERIFICATION:g}, "
    f"minutes {MINUTES:g}, parts {PARTS:g}, method {METHOD:g}. Safety counts first: a callout "
    f"without an unsafe act scores at least {SAFETY:g}, one with any at most "
    f"{OFFENCE * (100 - SAFETY):.0f}."
)


def sheet_document(sheet: Sheet, paper: Paper = "a4") -> Document:
    """The result sheet."""
    return Document(
        title="Result sheet",
        subtitle="Fault diagnosis on simulated callouts",
        blocks=tuple(_sheet(sheet)),
        paper=paper,
        running="Result sheet",
        footer=f"Digest {sheet.digest}",
    )


def _sheet(sheet: Sheet) -> Iterator[Block]:
    name = trimmed(sheet.candidate, "[cut: {count} characters in the transcript]", LONGEST_NAME)
    which = f"seed {sheet.seed}" + (f", callout {sheet.number} of a set" if sheet.number else "")
    yield KeyValues(
        (
            ("Candidate", runs(strong(name or "not named"))),
            ("Begun", runs(sheet.begun or "not recorded")),
            ("Exam", runs(which)),
            ("Installation", runs(sheet.installation)),
            ("Score", runs(strong(f"{sheet.total:.0f} of 100"))),
            ("Unsafe acts", runs(strong(f"{sum(len(x.offences) for x in sheet.lines)}"))),
        )
    )
    columns = (
        Column("", width=0.35),
        Column("Unsafe acts", "end", 0.9),
        Column("Outcome", width=2.2),
        Column("Swapped in vain", "end", 1.1),
        Column("Checks", "end", 0.8),
        Column("Minutes (expert)", "end", 1.3),
        Column("Difficulty", "end", 0.95),
        Column("Score", "end", 0.7),
    )
    yield Table("Callouts", columns, tuple(_row(line) for line in sheet.lines))
    for line in sheet.lines:
        yield from _callout(line)
    yield SignatureLines(("Candidate", "Assessor", "Place and date"))
    yield Heading(2, "About this sheet")
    yield Paragraph(
        runs(
            f"{ABOUT}\nThe installation: {'; '.join(sheet.variants)}.\n",
            "Played again from its transcript, the exam gives this sheet and its digest: ",
            mono("diagnose exam --replay TRANSCRIPT"),
            ". Knowledge base ",
            mono(sheet.knowledge),
        ),
        "small",
    )


def _row(line: Line) -> tuple[Runs, ...]:
    return (
        runs(f"{line.number}"),
        runs(strong(f"{len(line.offences)}") if line.offences else "0"),
        runs(OUTCOMES[line.ended]),
        runs(f"{len(line.in_vain)}"),
        runs(f"{line.checks}"),
        runs(f"{line.minutes:.0f} ({line.expert:.0f})"),
        runs(f"{line.difficulty:.0f} min"),
        runs(strong(f"{line.score.total:.0f}")),
    )


def _callout(line: Line) -> Iterator[Block]:
    yield Heading(3, f"Callout {line.number}")
    score = line.score
    points = (
        f"safety {score.safety:.0f}, repair {score.repair:.0f}, proving "
        f"{score.verification:.0f}, minutes {score.minutes:.0f}, parts {score.parts:.0f}, "
        f"method {score.method:.0f}"
    )
    if score.offences:
        points += f", less {score.offences:.0f} for unsafe acts"
    rows: list[tuple[str, Runs]] = [
        ("The customer said", runs(line.says)),
        ("Hidden was", runs(line.hidden)),
        ("Outcome", runs(OUTCOMES[line.ended])),
        ("Safety", runs(*_offences(line))),
        ("Swapped", runs(", ".join(line.swapped) or "nothing")),
    ]
    if line.in_vain:
        rows.append(("Of that in vain", runs(", ".join(line.in_vain))))
    rows.append(("Points", runs(points)))
    rows.append(("Transcript", runs(mono(line.digest))))
    yield KeyValues(tuple(rows))


def _offences(line: Line) -> list[str]:
    if not line.offences:
        return ["nothing had to be stopped"]
    counted = {title: line.offences.count(title) for title in line.offences}
    texts = (f"{title} ({n} times)" if n > 1 else title for title, n in counted.items())
    return ["stopped: " + "; ".join(texts)]


def set_document(
    drawn: Sequence[Drawn], limits: tuple[float, float], plan: Plan, paper: Paper = "a4"
) -> Document:
    """The list of a class set, for the trainer: it names what is hidden."""
    low, high = limits
    minutes = [d.rated.difficulty.minutes for d in drawn]
    columns = (
        Column("", width=0.4),
        Column("Says", width=3.6),
        Column("Hidden", width=2.6),
        Column("Difficulty", "end", 1.0),
        Column("Expert", "end", 0.9),
    )
    rows = tuple(
        (
            runs(f"{number}"),
            runs(d.says),
            runs(d.hidden),
            runs(f"{d.rated.difficulty.minutes:.1f} min"),
            runs(f"{d.rated.difficulty.expert:.1f} min"),
        )
        for number, d in enumerate(drawn, 1)
    )
    middle = (low + high) / 2
    said = (
        f"Difficulty {min(minutes):.1f} to {max(minutes):.1f} minutes of a standard trainee, all "
        f"within ±{plan.tolerance:.0%} of {middle:.1f}"
        + ("" if plan.tolerance == TOLERANCE else f" (usual: ±{TOLERANCE:.0%})")
        + "."
    )
    return Document(
        title="Class set",
        subtitle=f"{len(drawn)} simulated callouts of equal difficulty, seed {plan.seed}",
        blocks=(
            Paragraph(runs(strong("For the trainer only: "), "it says what each callout hides.")),
            Paragraph(runs(said)),
            Table("", columns, rows),
            Paragraph(
                runs(
                    "A trainee sits the second with ",
                    mono(_command(plan)),
                    ", and the same options for the installation.",
                ),
                "small",
            ),
        ),
        paper=paper,
        running="Class set",
        footer=f"Seed {plan.seed}",
    )


def _command(plan: Plan) -> str:
    """What a trainee types to sit the second callout of a class set."""
    words = ["diagnose exam", f"--class-set {plan.count}", f"--seed {plan.seed}"]
    if plan.level != "medium":
        words.append(f"--level {plan.level}")
    if plan.tolerance != TOLERANCE:
        words.append(f"--tolerance {plan.tolerance:g}")
    return " ".join([*words, "--number 2"])
