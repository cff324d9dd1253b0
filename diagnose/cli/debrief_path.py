"""The path of a practice attempt as a table: what each step could tell, did tell, and the best."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby

from diagnose.cli.render import sentence
from diagnose.practice.paths import Path, StepTold
from diagnose.report.document import Column, Run, Runs, Table, em, runs, strong

LITTLE = 0.05
"""Minutes or bits below this are shown as none."""


@dataclass(frozen=True)
class Row:
    """One line of a path: a step, or several alike put together."""

    began: float
    minutes: float
    what: str
    shown: str
    step: StepTold | None = None


def rows_of(path: Path) -> list[Row]:
    """A path's lines; questions on end, and checks that passed on end, stand together."""
    found: list[Row] = []
    for together, group in groupby(path.steps, key=_together):
        steps = list(group)
        if not together or len(steps) == 1:
            found += [_row(step) for step in steps]
            continue
        minutes = sum(step.minutes for step in steps)
        what = f"{len(steps)} questions to the customer"
        shown = ""
        if together == "check":
            what, shown = f"{len(steps)} checks of the repair", "as it should be"
        found.append(Row(steps[0].began, minutes, what, shown))
    return found


def _together(step: StepTold) -> str:
    if step.offences or step.lost >= LITTLE or step.kind not in ("ask", "check"):
        return ""
    if step.kind == "check":
        return "check" if step.shown == "as it should be" else ""
    return "" if step.could is not None else "ask"


def _row(step: StepTold) -> Row:
    return Row(step.began, step.minutes, step.title, step.shown, step)


def path_table(path: Path, worst: int | None = None) -> Table:
    """A path's steps; the one at `worst` stands out."""
    columns = (
        Column("At", "end", 5),
        Column("Step", width=25),
        Column("Took", "end", 6.3),
        Column("Could", "end", 8.6),
        Column("Did", "end", 6),
        Column("Best step there", width=17),
    )
    rows, marked = [], []
    for number, row in enumerate(rows_of(path)):
        step = row.step
        if step is not None and worst is not None and step is path.steps[worst]:
            marked.append(number)
        rows.append(
            (
                runs(f"{row.began:.0f}"),
                _what(row),
                runs(minutes_text(row.minutes)),
                runs(_could(step)),
                runs("" if step is None or step.told is None else _signed(step.told)),
                _instead(step),
            )
        )
    caption = "At and took: minutes. Could and did tell: bits, and bits a minute."
    return Table(caption, columns, tuple(rows), tuple(marked))


def _what(row: Row) -> Runs:
    parts: list[str | Run] = [sentence(row.what)]
    if row.shown:
        parts.append(em(f"\n{row.shown}"))
    if row.step is not None:
        for offence in row.step.offences:
            parts.append(strong(f"\nStopped: {in_sentence(offence.title)}"))
    return runs(*parts)


def _could(step: StepTold | None) -> str:
    if step is None or step.could is None:
        return ""
    return f"{step.could:.2f}\n{step.rate:.2f}/min"


def _signed(bits: float) -> str:
    return f"{bits:+.2f}" if abs(bits) >= 0.005 else "0"


def _instead(step: StepTold | None) -> Runs:
    if step is None or step.kind == "finish" or (step.kind == "ask" and step.could is None):
        return runs("")
    if step.as_best:
        return runs("this one")
    best = step.best
    rate = f"\n{best.rate:.2f}/min" if best.kind == "test" else ""
    lost = f"\nlost {step.lost:.0f} min" if step.lost >= 0.5 else ""
    return runs(sentence(best.title), em(rate), strong(lost))


def minutes_text(minutes: float) -> str:
    """Minutes as shown: to a tenth where that says something."""
    return f"{minutes:.0f}" if minutes >= 10 else f"{round(minutes, 1):g}"


def in_sentence(text: str) -> str:
    """A title inside a sentence."""
    second = text[1:2]
    return text if second.isupper() else text[:1].lower() + text[1:]
