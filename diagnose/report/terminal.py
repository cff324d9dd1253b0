"""A document on a terminal: 80 columns, readable without colour."""

from __future__ import annotations

import io
from typing import Any

from rich.cells import cell_len
from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.table import Table as Grid
from rich.text import Text

from diagnose.language import gettext as _
from diagnose.report.document import Document, data_of

WIDTH = 80
BAR = 20
LABEL = 20
STYLES = {"strong": "bold", "em": "dim", "mono": "", "": ""}


def terminal(document: Document, colour: bool = False, width: int = WIDTH) -> str:
    """The document as text with at most `width` columns; `colour`: with escape sequences."""
    data = data_of(document)
    console = Console(
        file=io.StringIO(),
        width=width,
        color_system="standard" if colour else None,
        force_terminal=colour,
        no_color=not colour,
        legacy_windows=False,
        markup=False,
        highlight=False,
        emoji=False,
    )
    with console.capture() as capture:
        for part in _head(data):
            console.print(part, overflow="fold")
        for block in data["blocks"]:
            console.print(_drawn(block, width), overflow="fold")
        if data["footer"]:
            console.print(Text("\n" + data["footer"], style="dim"), overflow="fold")
    lines = [line.rstrip() for line in capture.get().split("\n")]
    return "\n".join(lines).strip("\n") + "\n"


def _head(data: dict[str, Any]) -> list[RenderableType]:
    parts: list[RenderableType] = []
    head = data["letterhead"]
    if head is not None:
        parts.append(Text("\n".join([head["name"], *head["lines"]]) + "\n"))
    if data["watermark"]:
        parts.append(Text(f"*** {data['watermark']} ***\n", style="bold"))
    parts.append(Text(data["title"], style="bold"))
    if data["subtitle"]:
        parts.append(Text(data["subtitle"]))
    return parts


def _inline(runs: list[dict[str, str]]) -> Text:
    text = Text(overflow="fold")
    for run in runs:
        text.append(run["text"], STYLES[run["style"]])
    return text


def _drawn(block: dict[str, Any], width: int) -> RenderableType:
    kind = block["kind"]
    if kind == "Heading":
        return _heading(block, width)
    if kind == "Paragraph":
        left = 2 if block["role"] == "note" else 0
        return Padding(_inline(block["runs"]), (0, 0, 1, left))
    if kind == "Bullets":
        return _bullets(block)
    if kind == "KeyValues":
        return _key_values(block)
    if kind == "Table":
        return _records(block) if _narrow(block, width) else _table(block)
    if kind == "Bars":
        return _bars(block)
    if kind == "Figure":
        said = "\n".join(t for t in (block["caption"], block["alt"]) if t)
        mark = _("drawing")
        return Padding(Text(f"[{mark}] {said}"), (0, 0, 1, 2))
    if kind == "Caution":
        text = Text(_("CAUTION") + "  ", style="bold yellow").append(block["text"], "bold")
        return Padding(text, (0, 0, 1, 2))
    if kind == "SignatureLines":
        lines = "\n\n".join(f"{'_' * 40}\n{label}" for label in block["labels"])
        return Padding(Text(lines), (1, 0, 1, 2))
    return Text("")


def _heading(block: dict[str, Any], width: int) -> RenderableType:
    title = Text(block["text"], style="bold", overflow="fold")
    if block["level"] > 1:
        return Padding(title, (1, 0, 0, 0))
    return Padding(Group(title, Text("-" * width)), (1, 0, 0, 0))


def _bullets(block: dict[str, Any]) -> RenderableType:
    grid = Grid.grid(padding=(0, 1))
    grid.add_column(no_wrap=True)
    grid.add_column(overflow="fold")
    for number, item in enumerate(block["items"], 1):
        grid.add_row(f"  {number}." if block["numbered"] else "  -", _inline(item))
    return Padding(grid, (0, 0, 1, 0))


def _key_values(block: dict[str, Any]) -> RenderableType:
    grid = Grid.grid(padding=(0, 2, 0, 0))
    grid.add_column(width=LABEL, overflow="fold")
    grid.add_column(overflow="fold")
    for label, value in block["rows"]:
        grid.add_row(Text(f"  {label}", overflow="fold"), _inline(value))
    return Padding(grid, (0, 0, 1, 0))


def _narrow(block: dict[str, Any], width: int) -> bool:
    """Whether the columns would be too narrow to read: then row by row instead."""
    total = sum(c["width"] for c in block["columns"])
    room = width - 2 * len(block["columns"])
    return len(block["columns"]) > 3 and any(
        room * c["width"] / total < min(14, 2 + max(map(cell_len, c["title"].split() or [""])))
        for c in block["columns"]
    )


def _table(block: dict[str, Any]) -> RenderableType:
    grid = Grid(box=None, pad_edge=False, padding=(0, 2, 0, 0), expand=True, show_edge=False)
    sides: dict[str, Any] = {"start": "left", "end": "right", "center": "center"}
    for column in block["columns"]:
        grid.add_column(
            Text(column["title"], style="bold"),
            justify=sides[column["align"]],
            ratio=max(1, round(10 * column["width"])),
            overflow="fold",
        )
    for number, row in enumerate(block["rows"]):
        style = "bold" if number in block["marked"] else ""
        grid.add_row(*(_inline(cell) for cell in row), style=style)
    return Padding(_captioned(block, grid), (0, 0, 1, 0))


def _records(block: dict[str, Any]) -> RenderableType:
    """A wide table as one record below the other."""
    _first, *others = block["columns"]
    parts: list[RenderableType] = []
    for number, row in enumerate(block["rows"]):
        mark = "* " if number in block["marked"] else "  "
        head = Text(mark, style="bold", overflow="fold").append_text(_inline(row[0]))
        grid = Grid.grid(padding=(0, 2, 0, 0))
        grid.add_column(width=LABEL, overflow="fold")
        grid.add_column(overflow="fold")
        for column, cell in zip(others, row[1:], strict=True):
            if any(run["text"] for run in cell):
                grid.add_row(Text(f"    {column['title']}", overflow="fold"), _inline(cell))
        parts += [head, grid]
    return Padding(_captioned(block, Group(*parts)), (0, 0, 1, 0))


def _bars(block: dict[str, Any]) -> RenderableType:
    grid = Grid.grid(padding=(0, 1, 0, 0))
    grid.add_column(no_wrap=True)
    grid.add_column(justify="right", no_wrap=True)
    grid.add_column(overflow="fold")
    for bar in block["bars"]:
        filled = round(min(1.0, max(0.0, bar["share"])) * BAR)
        grid.add_row("  " + "#" * filled + "." * (BAR - filled), bar["shown"], Text(bar["label"]))
    return Padding(_captioned(block, grid), (0, 0, 1, 0))


def _captioned(block: dict[str, Any], what: RenderableType) -> RenderableType:
    return Group(Text(block["caption"], overflow="fold"), what) if block["caption"] else what
