"""The small made-up knowledge of ``tests/data/tiny`` and ways to break a copy of it."""

import shutil
from dataclasses import replace
from pathlib import Path

from diagnose.errors import Issue, Place
from diagnose.knowledge.load import load_knowledge
from diagnose.knowledge.records import KnowledgeBase, Number

TINY = Path(__file__).parent / "data" / "tiny"


def tiny() -> KnowledgeBase:
    """The made-up knowledge as it is."""
    return load_knowledge(TINY)


def copy_tiny(to: Path) -> Path:
    """A copy of the files, to be broken."""
    return Path(shutil.copytree(TINY, to / "knowledge"))


def edit(folder: Path, file: str, old: str, new: str) -> None:
    """Replace a text that stands in a file exactly once."""
    path = folder / file
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1, f"{file}: {text.count(old)} times {old!r}"
    path.write_text(text.replace(old, new), encoding="utf-8")


def place_of(folder: Path, file: str, needle: str) -> tuple[str, int, int]:
    """File, line and column, from 1, where a text stands for the first time.

    A broken bar in the text marks the character that is meant, else it is the first one;
    "a+b" is b on the first line that has it from the first one with a on.
    """
    first, plus, needle = needle.rpartition("+")
    before, bar, after = needle.partition("¦")
    needle = before + after
    lines = (folder / file).read_text(encoding="utf-8").splitlines()
    start = next(k for k, line in enumerate(lines) if first in line) if plus else 0
    for number, line in enumerate(lines[start:], start + 1):
        if needle in line:
            return file, number, line.index(needle) + 1 + (len(before) if bar else 0)
    raise AssertionError(f"{file} holds no {needle!r}")


def shown_place(folder: Path, place: Place | None) -> tuple[str, int, int] | None:
    """A place with its file as seen from the knowledge folder."""
    if place is None:
        return None
    file = Path(place.file).resolve().relative_to(folder.resolve()).as_posix()
    return file, place.line, place.column


def found(folder: Path, issues: list[Issue]) -> set[tuple[str, tuple[str, int, int] | None]]:
    """Codes and places of issues."""
    return {(issue.code, shown_place(folder, issue.place)) for issue in issues}


def with_number(kb: KnowledgeBase, part: str, name: str, nominal: float) -> KnowledgeBase:
    """The knowledge with another value, exact, for a part's parameter."""
    old = kb.parts[part]
    number: Number = replace(old.parameters[name], nominal=nominal, low=nominal, high=nominal)
    changed = replace(old, parameters={**old.parameters, name: number})
    return replace(kb, parts={**kb.parts, part: changed})
