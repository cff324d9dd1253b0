"""A fault-finding chart as a document: safety, a drawn tree, a table of steps, the ends."""

from __future__ import annotations

from collections.abc import Iterator

from diagnose.report.chart import (
    Change,
    ChartEnd,
    ChartStep,
    FaultChart,
    first_text,
    target_text,
)
from diagnose.report.chart_picture import draw_tree
from diagnose.report.document import (
    Block,
    Bullets,
    Caution,
    Column,
    Document,
    Figure,
    Heading,
    KeyValues,
    PageBreak,
    Paper,
    Run,
    Runs,
    Table,
    em,
    runs,
    strong,
)

FAST = "\N{NO-BREAK SPACE}"
"""Holds an arrow and its target together where lines are broken."""


def chart_document(chart: FaultChart, paper: Paper = "a4") -> Document:
    """The chart on paper: safety and use, the drawn tree, the steps, the ends, the last checks."""
    return Document(
        title=chart.title,
        subtitle=chart.subtitle,
        blocks=tuple(_blocks(chart, paper)),
        paper=paper,
        running=chart.title,
        footer=chart.footer,
    )


def _blocks(chart: FaultChart, paper: Paper) -> Iterator[Block]:
    yield KeyValues(tuple((label, runs(text)) for label, text in chart.holds_for))
    yield Caution(chart.stop)
    columns = (
        Column("Before anything is touched", width=2.2),
        Column("Go on only if the answer is"),
    )
    yield Table("", columns, tuple((runs(q), runs(strong(a))) for q, a in chart.questions))
    yield from (Caution(text) for text in chart.cautions)
    yield Heading(2, "How to use this chart")
    yield Bullets(tuple(runs(text) for text in chart.use))
    if chart.changes:
        columns = (Column("Where a step says FIRST"), Column("do this", width=4.6))
        yield Table("", columns, tuple(_change(chart, change) for change in chart.changes))
    sheets = draw_tree(chart, paper)
    for number, svg in enumerate(sheets, 1):
        caption = (
            f"Sheet {number} of {len(sheets)} of the tree; what to do at each step: see the table"
        )
        said = "The same steps as in the table that follows, drawn as a tree."
        yield Figure(svg, caption, said, own_page=True)
    yield PageBreak()
    if chart.numbered:
        columns = (Column("Caution"), Column("in full", width=11.0))
        rows = enumerate(chart.numbered, 1)
        yield Table("", columns, tuple((runs(strong(f"C{n}")), runs(text)) for n, text in rows))
    yield Heading(2, "Steps")
    steps = (
        *(Column("Step", width=0.52), Column("Do this", width=3.2)),
        Column("If you find this, go there", width=3.0),
    )
    yield Table("", steps, tuple(_step(chart, step) for step in chart.steps))
    yield Heading(2, "Ends")
    yield from (Caution(text) for text in chart.repair_cautions)
    if chart.advice:
        yield Bullets(tuple(runs(text) for text in chart.advice))
    ends = (
        *(Column("End", width=0.52), Column("What it is", width=2.2)),
        Column("What to do", width=4.0),
    )
    yield Table("", ends, tuple(_end(end) for end in chart.ends))
    if chart.after:
        yield Heading(2, "After the repair")
        yield Bullets(
            tuple(
                runs(strong(f"{title}: "), how, *_cautions(chart, numbers))
                for title, how, numbers in chart.after
            )
        )
    yield Heading(2, "About this chart")
    yield Bullets(tuple(runs(strong(f"{label}: "), text) for label, text in chart.about))


def _cautions(chart: FaultChart, numbers: tuple[int, ...]) -> list[Run]:
    """A line for each caution: its number and its first sentence."""
    found: list[Run] = []
    for n in numbers:
        first = chart.numbered[n - 1].partition(". ")[0].rstrip(".")
        found += [strong(f"\nCAUTION C{n}: "), Run(f"{first}.")]
    return found


def _change(chart: FaultChart, change: Change) -> tuple[Runs, ...]:
    return runs(strong(change.title)), runs(change.text, *_cautions(chart, change.cautions))


def _step(chart: FaultChart, step: ChartStep) -> tuple[Runs, ...]:
    do: list[Run] = []
    if step.first:
        do += [strong(f"FIRST: {first_text(step)}\n")]
    do += [strong(f"{step.title}. "), Run(step.do)]
    facts = [*step.facts, step.state] if step.state else [*step.facts]
    if facts:
        do += [Run("\n"), strong("; ".join(facts)) if step.live else em("; ".join(facts))]
    do += _cautions(chart, step.cautions)
    found: list[Run] = []
    for answer in step.answers:
        found += [Run("\n")] if found else []
        found += [Run(f"{answer.text} →{FAST}"), strong(target_text(answer).replace(" ", FAST))]
        found += [Run(f": {answer.note}")] if answer.note else []
    return runs(strong(str(step.number))), tuple(do), tuple(found)


def _end(end: ChartEnd) -> tuple[Runs, ...]:
    what: list[Run] = []
    for label, text in end.lines:
        what += [
            strong(f"{' ' if what else ''}{label}: "),
            Run(text if text.endswith(".") else f"{text}."),
        ]
    return runs(strong(end.letter)), runs(strong(end.title)), tuple(what)
