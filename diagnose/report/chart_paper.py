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
    runs,
    strong,
)


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
    yield Heading(1, "Safety first")
    yield Caution(chart.stop)
    yield _pairs("", ("Before anything is touched", "Go on only if the answer is"), chart.questions)
    yield from (Caution(text) for text in chart.cautions)
    yield Heading(1, "How to use this chart")
    yield Bullets(tuple(runs(text) for text in chart.use))
    yield Heading(1, "What it holds for")
    yield KeyValues(tuple((label, runs(text)) for label, text in chart.holds_for))
    sheets = draw_tree(chart, paper)
    for number, svg in enumerate(sheets, 1):
        caption = f"Sheet {number} of {len(sheets)}. {chart.title}"
        said = "The same steps as in the table that follows, drawn as a tree."
        yield Figure(svg, caption, said, own_page=True)
    yield PageBreak()
    yield Heading(1, "Steps")
    if chart.changes:
        yield Table("", _CHANGES, tuple(_change(change) for change in chart.changes))
    yield Table("", _STEPS, tuple(_step(step) for step in chart.steps))
    yield Heading(1, "Ends")
    yield from (Caution(text) for text in chart.repair_cautions)
    yield Table("", _ENDS, tuple(_end(end) for end in chart.ends))
    if chart.after:
        yield Heading(1, "After the repair")
        yield Bullets(tuple(runs(strong(f"{title}: "), how) for title, how in chart.after))


_CHANGES = (Column("Before a step that says so", width=1.1), Column("do this", width=4.0))
_STEPS = (
    Column("Step", width=0.42),
    Column("Do this", width=3.0),
    Column("If you find this, go there", width=3.0),
)
_ENDS = (
    Column("End", width=0.42),
    Column("What it is", width=2.4),
    Column("What to do", width=3.6),
)


def _pairs(caption: str, titles: tuple[str, str], rows: tuple[tuple[str, str], ...]) -> Table:
    columns = (Column(titles[0], width=2.2), Column(titles[1]))
    return Table(caption, columns, tuple((runs(a), runs(strong(b))) for a, b in rows))


def _labelled(pairs: tuple[tuple[str, str], ...]) -> list[Run]:
    """Labels and texts, one pair a line."""
    found: list[Run] = []
    for label, text in pairs:
        found += [Run("\n"), strong(f"{label} "), Run(text)]
    return found


def _cautions(texts: tuple[str, ...]) -> list[Run]:
    return _labelled(tuple(("CAUTION", text) for text in texts))


def _change(change: Change) -> tuple[Runs, ...]:
    return runs(strong(change.title)), runs(change.text, *_cautions(change.cautions))


def _step(step: ChartStep) -> tuple[Runs, ...]:
    do: list[Run] = []
    if step.first:
        do += [strong(f"FIRST: {first_text(step)}\n")]
    do += [strong(f"{step.title}. "), Run(step.do)]
    state = (("State", step.state),) if step.state else ()
    do += _labelled((*step.facts, *state)) + _cautions(step.cautions)
    found: list[Run] = []
    for answer in step.answers:
        found += [Run("\n")] if found else []
        found += [Run(f"{answer.text}  → "), strong(target_text(answer))]
        found += [Run(f": {answer.note}")] if answer.note else []
    return runs(strong(str(step.number))), tuple(do), tuple(found)


def _end(end: ChartEnd) -> tuple[Runs, ...]:
    what = _labelled(end.lines)[1:]
    return runs(strong(end.letter)), runs(strong(end.title)), tuple(what)
