"""A trainee's progress and a group's weak spots as documents."""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Sequence

from diagnose.practice.choosing import Standing, standings
from diagnose.practice.mastery import MASTERED
from diagnose.practice.progress import Done, Progress
from diagnose.practice.skills import SKILLS, TITLES
from diagnose.report.document import (
    Bar,
    Bars,
    Block,
    Column,
    Document,
    Heading,
    KeyValues,
    Paragraph,
    Runs,
    Table,
    runs,
    strong,
    trimmed,
)

LATEST = 8
LONGEST_NAME = 60
WEAKEST = 3
METHOD = (
    "Mastery is reckoned by Bayesian knowledge tracing (Corbett and Anderson 1995) and counts from "
    f"{MASTERED:.0%}; what was not practised for long is forgotten and becomes due."
)


def trainee_document(
    progress: Progress, today: datetime.date, upcoming: str | None = None
) -> Document:
    """Where a trainee stands."""
    return Document(
        title="Progress",
        subtitle=_name(progress),
        blocks=tuple(_trainee(progress, today, upcoming)),
        running="Progress",
    )


def _trainee(progress: Progress, today: datetime.date, upcoming: str | None) -> Iterator[Block]:
    done = progress.done
    if not done:
        yield Paragraph(runs("No exercise yet: diagnose practice"))
    now = sorted(
        standings(progress, today).values(), key=lambda s: (s.known, SKILLS.index(s.skill))
    )
    traces = progress.traces()
    if done:
        solved = sum(d.ended == "solved" for d in done)
        safe = sum(d.skills.get("safe_working", True) for d in done)
        yield KeyValues(
            (
                ("Exercises", runs(f"{len(done)}, {solved} of them solved")),
                ("Worked safely in", runs(f"{safe} of {len(done)}")),
                ("Mean score", runs(f"{sum(d.score for d in done) / len(done):.0f} of 100")),
                ("Mastered", runs(f"{sum(s.mastered for s in now)} of {len(now)} skills")),
            )
        )
    if upcoming:
        yield Paragraph(runs(strong("Next: "), upcoming))
    bars = tuple(Bar(TITLES[s.skill], s.known, f"{s.known:.0%}") for s in now)
    yield Bars("Chance that each skill is there today, the weakest first", bars)
    columns = (
        Column("Skill", width=2.0),
        Column("Right", "end", 0.9),
        Column("Last", "end", 1.2),
        Column("", width=1.6),
    )
    rows = tuple(
        (
            runs(TITLES[s.skill]),
            runs(f"{traces[s.skill][0].right} of {s.seen}"),
            runs("never" if s.days is None else "today" if not s.days else f"{s.days} days ago"),
            runs(_word(s)),
        )
        for s in now
    )
    yield Table("Skills", columns, rows)
    if done:
        yield from _latest(done)
    yield Paragraph(runs(METHOD), "small")


def _latest(done: Sequence[Done]) -> Iterator[Block]:
    columns = (
        Column("Day", width=1.3),
        Column("Complaint", width=2.2),
        Column("Outcome", width=1.3),
        Column("Minutes", "end", 0.9),
        Column("Score", "end", 0.8),
    )
    rows = tuple(
        (
            runs(d.at[:10]),
            runs(d.complaint.replace("_", " ")),
            runs(d.ended.replace("_", " ")),
            runs(f"{d.minutes:.0f}"),
            runs(f"{d.score:.0f}"),
        )
        for d in reversed(done[-LATEST:])
    )
    yield Table("Latest exercises", columns, rows)


def _word(standing: Standing) -> str:
    if not standing.seen:
        return "not practised"
    if standing.mastered:
        return "mastered"
    return "due" if standing.due else "weak" if standing.known < 0.5 else "on the way"


def _name(progress: Progress) -> str:
    return trimmed(progress.trainee, "[cut]", LONGEST_NAME)


def group_document(several: Sequence[Progress], today: datetime.date) -> Document:
    """The weak spots of a group, for its trainer."""
    return Document(
        title="Progress of a group",
        subtitle=f"{len(several)} trainees",
        blocks=tuple(_group(several, today)),
        running="Progress of a group",
    )


def _group(several: Sequence[Progress], today: datetime.date) -> Iterator[Block]:
    stands = [standings(progress, today) for progress in several]
    count = max(1, len(several))
    mean = {s: sum(one[s].known for one in stands) / count for s in SKILLS}
    order = sorted(SKILLS, key=lambda s: (mean[s], SKILLS.index(s)))
    bars = tuple(Bar(TITLES[s], mean[s], f"{mean[s]:.0%}") for s in order)
    yield Bars("Mean chance that each skill is there today, the weakest first", bars)
    columns = (
        Column("Skill", width=1.8),
        Column("Mastered", "end", 1.0),
        Column("Due", "end", 0.8),
        Column("Needs it most", width=2.6),
    )
    yield Table("Weak spots", columns, tuple(_weak(skill, several, stands) for skill in order))
    yield Heading(2, "Trainees")
    members = (
        Column("Trainee", width=2.0),
        Column("Done", "end", 0.8),
        Column("Solved", "end", 0.9),
        Column("Unsafe", "end", 0.9),
        Column("Weakest", width=1.9),
    )
    pairs = zip(several, stands, strict=True)
    yield Table("", members, tuple(_member(progress, now) for progress, now in pairs))
    yield Paragraph(runs(METHOD), "small")


def _weak(
    skill: str, several: Sequence[Progress], stands: Sequence[dict[str, Standing]]
) -> tuple[Runs, ...]:
    own = [(one[skill].known, _name(p)) for p, one in zip(several, stands, strict=True)]
    weakest = [name for known, name in sorted(own) if known < MASTERED][:WEAKEST]
    return (
        runs(TITLES[skill]),
        runs(f"{sum(one[skill].mastered for one in stands)}"),
        runs(f"{sum(one[skill].due for one in stands)}"),
        runs(", ".join(weakest) or "nobody"),
    )


def _member(progress: Progress, now: dict[str, Standing]) -> tuple[Runs, ...]:
    weakest = min(now.values(), key=lambda s: (s.known, SKILLS.index(s.skill)))
    done = progress.done
    return (
        runs(_name(progress)),
        runs(f"{len(done)}"),
        runs(f"{sum(d.ended == 'solved' for d in done)}"),
        runs(f"{sum(not d.skills.get('safe_working', True) for d in done)}"),
        runs(TITLES[weakest.skill]),
    )
