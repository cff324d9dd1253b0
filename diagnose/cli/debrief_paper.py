"""The debrief of a practice callout as a document: both paths, what each step told, the score."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields
from typing import TYPE_CHECKING

from diagnose.cli.debrief_path import LITTLE, in_sentence, minutes_text, path_table
from diagnose.cli.render import sentence
from diagnose.interview.explain import title_of
from diagnose.knowledge.names import unit_of
from diagnose.practice.account import LOST, TITLES, Account
from diagnose.practice.best import Best
from diagnose.practice.measures import failed_units
from diagnose.practice.score import (
    METHOD,
    MINUTES,
    PARTS,
    REPAIR,
    SAFETY,
    VERIFICATION,
    Score,
    score,
)
from diagnose.report.document import (
    Block,
    Bullets,
    Caution,
    Column,
    Document,
    Figure,
    Heading,
    KeyValues,
    Paper,
    Paragraph,
    Run,
    Runs,
    Table,
    runs,
    strong,
)
from diagnose.report.pictures.values import OverTime, Timed, percent

if TYPE_CHECKING:
    from diagnose.interview.session import Session
    from diagnose.practice.bench import Bench
    from diagnose.practice.debrief import Debrief
    from diagnose.practice.paths import Path, StepTold

ENDED = {
    "solved": "solved",
    "not_solved": "not solved: left with the fault still there",
    "handed_over": "handed over",
    "given_up": "given up",
    "open": "not over",
}


def debrief_document(
    session: Session, bench: Bench, found: Debrief, paper: Paper = "a4", text: bool = False
) -> Document:
    """The debrief on paper; with `text`, the picture is drawn in letters."""
    exercise = found.exercise
    return Document(
        title="Debrief of a practice callout",
        subtitle=f"{bench.installation.type.title}: exercise {exercise.id}",
        blocks=tuple(_blocks(session, bench, found, text)),
        paper=paper,
        footer="A simulated callout: nothing in it happened.",
    )


def _blocks(session: Session, bench: Bench, found: Debrief, text: bool) -> Iterator[Block]:
    mine, points = found.mine, score(found)
    yield KeyValues(tuple(_about(session, bench, found, points)))
    yield from _offences(mine)
    yield Heading(1, "Score")
    yield _score_table(points)
    yield from _divergence(found)
    yield Heading(1, "Your path")
    yield path_table(mine, found.worst)
    yield Paragraph(
        runs(
            "Could tell: the information about the failed part that the test was expected to give "
            "when you chose it. Did tell: by how much the chance of what really failed rose; below "
            "zero, it misled. One bit halves what is left, or doubles the odds."
        ),
        "small",
    )
    yield from _wrong_parts(session, mine)
    yield Heading(1, "Where the minutes went")
    yield _account_table(mine.account, found.expert.account)
    yield Heading(1, "Suspicion over time")
    yield from _picture(session, found, text)
    yield Heading(1, "The expert's path")
    yield path_table(found.expert)


# ---------------------------------------------------------------------- the head and the score


def _about(
    session: Session, bench: Bench, found: Debrief, points: Score
) -> Iterator[tuple[str, Runs]]:
    exercise, mine = found.exercise, found.mine
    yield "Customer", runs(f'"{bench.customer.says()}"')
    for name in exercise.modes:
        yield "What had failed", runs(strong(sentence(title_of(session, name))))
    if exercise.hazard:
        asked = session.knowledge.questions[exercise.hazard].ask
        yield "Hazard", runs(strong(asked), " Here the answer was bad: hand over.")
    yield "It ended", runs(ENDED[mine.attempt.ended])
    yield "Minutes", runs(f"{mine.minutes:.0f}, the expert {found.expert.minutes:.0f}")
    yield "Score", runs(strong(f"{points.total:.0f} of 100"))


def _score_table(points: Score) -> Table:
    parts = (
        ("Safety: no unsafe act", points.safety, SAFETY),
        ("The right repair", points.repair, REPAIR),
        ("Repair verified", points.verification, VERIFICATION),
        ("Minutes, against the expert's", points.minutes, MINUTES),
        ("No wrong part swapped", points.parts, PARTS),
        ("Method: function, expectation, conclusion stated", points.method, METHOD),
    )
    rows = [(runs(what), runs(f"{got:.0f}"), runs(f"{of:.0f}")) for what, got, of in parts]
    if points.hints:
        rows.append((runs("Hints asked for"), runs(f"-{points.hints:.0f}"), runs("")))
    if points.offences:
        rows.append((runs("Unsafe acts"), runs(f"-{points.offences:.0f}"), runs("")))
    rows.append((runs(strong("In all")), runs(strong(f"{points.total:.0f}")), runs("100")))
    columns = (Column("For", width=6), Column("Points", "end"), Column("Of", "end"))
    return Table("", columns, tuple(rows))


def _offences(path: Path) -> Iterator[Block]:
    offences = path.attempt.offences
    if not offences:
        return
    yield Heading(1, "Safety first")
    for offence in dict.fromkeys(offences):
        count = offences.count(offence)
        times = "" if count == 1 else f" ({count} times)"
        yield Caution(f"{offence.title}{times}. {offence.why}")
        yield Paragraph(runs(strong("Instead: "), offence.instead), "note")


# ---------------------------------------------------------------------- the paths


def _divergence(found: Debrief) -> Iterator[Block]:
    yield Heading(1, "Where you diverged most")
    if found.worst is None:
        yield Paragraph(runs("Nowhere worth naming: no step lost a minute against the best one."))
        return
    step = found.mine.steps[found.worst]
    failed = failed_units(found.mine.attempt)
    yield Paragraph(
        runs(
            f"At {step.began:.0f} min: {in_sentence(step.title)}. ",
            f"{_worth(step, failed)} The best step there was {_best_worth(step.best)}. ",
            strong(f"Expected to be lost: {step.lost:.0f} minutes."),
        )
    )


def _worth(step: StepTold, failed: set[str]) -> str:
    if step.could is not None:
        return f"It could tell {step.could:.2f} bits in {minutes_text(step.minutes)} minutes."
    if step.kind == "swap":
        luck = " It was the right one, but as things stood it was a guess."
        held = f"The part held {percent(step.held or 0.0)} of the suspicion when you chose it."
        return held + (luck if step.id in failed else "")
    return f"It took {minutes_text(step.minutes)} minutes."


def _best_worth(best: Best) -> str:
    if best.kind == "test":
        took = f"{best.bits:.2f} bits in {minutes_text(best.minutes)} minutes"
        return f"{in_sentence(best.title)}: {took}"
    return in_sentence(best.title)


def _wrong_parts(session: Session, path: Path) -> Iterator[Block]:
    if not path.wrong_parts:
        return
    yield Heading(2, "Sound parts that you swapped")
    known = session.installation.instances
    yield Bullets(tuple(runs(sentence(known[unit].title)) for unit in path.wrong_parts))


def _account_table(mine: Account, expert: Account) -> Table:
    rows = []
    for field in fields(Account):
        own, other = getattr(mine, field.name), getattr(expert, field.name)
        if own < LITTLE and other < LITTLE:
            continue
        lost = max(0.0, own - other) if field.name in LOST else 0.0
        rows.append(
            (
                runs(sentence(TITLES[field.name])),
                runs(minutes_text(own)),
                runs(minutes_text(other)),
                runs(strong(minutes_text(lost)) if lost >= 0.5 else ""),
            )
        )
    rows.append(
        (
            runs(strong("In all")),
            runs(strong(f"{mine.total:.0f}")),
            runs(strong(f"{expert.total:.0f}")),
            runs(""),
        )
    )
    columns = (
        Column("Minutes for", width=6),
        Column("You", "end"),
        Column("Expert", "end"),
        Column("Lost", "end"),
    )
    return Table("", columns, tuple(rows))


# ---------------------------------------------------------------------- suspicion over time


def over_time_of(session: Session, found: Debrief) -> OverTime:
    """What really failed and what led, on both paths, against minutes."""
    known = session.installation.instances
    units = dict.fromkeys(unit_of(name) for name in found.exercise.modes)
    failed = " and ".join(known[unit].title for unit in units)
    paths = (("you", found.mine), ("expert", found.expert))
    lines = [_timed(path, f"{who}: {failed}", True) for who, path in paths]
    lines += [_timed(path, f"{who}: the leading part", False) for who, path in paths]
    return OverTime(tuple(line for line in lines if line.minutes), tuple(_notes(session, found)))


def _timed(path: Path, title: str, truth: bool) -> Timed:
    moments = path.moments
    return Timed(
        title,
        tuple(m.minutes for m in moments),
        tuple(m.truth if truth else m.leading for m in moments),
        moments[-1].minutes if moments else 0.0,
    )


def _notes(session: Session, found: Debrief) -> Iterator[tuple[float, str]]:
    for who, path in (("you", found.mine), ("the expert", found.expert)):
        for taken in path.attempt.taken:
            if taken.offence is not None:
                yield taken.began, f"{who}: stopped, {in_sentence(taken.offence.title)}"
        for step in path.steps:
            ended = step.began + step.minutes
            if step.kind == "swap" and path.attempt.taken[step.last].offence is None:
                title = session.installation.instances[step.id].title
                sound = step.id in path.wrong_parts
                yield ended, f"{who}: {'a sound part, ' if sound else 'repaired, '}{title}"


def _picture(session: Session, found: Debrief, text: bool) -> Iterator[Block]:
    picture = over_time_of(session, found)
    if not picture.lines:
        yield Paragraph(runs("Nothing was found out."))
        return
    if text:
        from diagnose.report.pictures.over_time import over_time_text

        yield Paragraph((Run("\n".join(over_time_text(picture)), "mono"),))
        return
    from diagnose.report.pictures.over_time import over_time_svg

    ends = "; ".join(f"{line.title}: {percent(line.values[-1])}" for line in picture.lines)
    yield Figure(
        over_time_svg(picture, "What had failed, and what led, on both paths"),
        "How sure one could be of what had failed, and of what led, minute by minute",
        f"Stairs over minutes, yours and the expert's. At the end: {ends}.",
    )
