"""``diagnose check --against``: what a change of the knowledge did to coverage and ambiguity."""

from __future__ import annotations

import subprocess
import tarfile
import tempfile
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.cli.shown import print_json, print_lines
from diagnose.errors import DiagnoseError, fail
from diagnose.knowledge.folder import find_knowledge
from diagnose.knowledge.load import load_knowledge
from diagnose.plant.wiring import Named, named_installations, parse_installation

if TYPE_CHECKING:
    from diagnose.cli.check import Examined
    from diagnose.knowledge.records import KnowledgeBase

LISTED = 10
WIDTH = 80


@dataclass(frozen=True)
class Row:
    """One line of the table: a number before and after; None where it did not exist."""

    what: str
    before: float | None
    after: float | None
    percent: bool = False


@dataclass(frozen=True)
class Comparison:
    """Before and after of one installation, and what is behind the numbers."""

    name: str
    rows: tuple[Row, ...]
    lists: Mapping[str, tuple[str, ...]]


def run_against(
    knowledge_dir: str | None, other: str, installations: Sequence[str], as_json: bool
) -> int:
    """Compare the knowledge with an earlier state of it; exit code 0.

    Parameters
    ----------
    other
        A folder with a knowledge base, or a revision of the git repository that holds the
        present one.
    installations
        Names to compare; else the standard installation.

    Raises
    ------
    DiagnoseError
        One of the two cannot be read, or there is no such installation in the present one.
    """
    from diagnose.cli.check import counts_of

    folder = find_knowledge(knowledge_dir)
    after = load_knowledge(folder)
    with _earlier(folder, other) as path:
        before = _loaded(path, other)
        names = [parse_installation(after, text) for text in installations]
        names = names or named_installations(after)[:1]
        found = [compare(before, after, named) for named in names]
    old, new = counts_of(before), counts_of(after)
    whole = tuple(Row(k.replace("_", " "), old[k], new[k]) for k in new)
    found.insert(0, Comparison("knowledge as written", whole, {}))
    if as_json:
        print_json([_plain(c) for c in found])
        return 0
    for k, comparison in enumerate(found):
        if k:
            print()
        print_lines(as_table(comparison, other))
    return 0


def _loaded(path: Path, other: str) -> KnowledgeBase:
    try:
        return load_knowledge(path)
    except DiagnoseError as problem:
        first = problem.issues[0].message
        raise fail("against", f"the knowledge of '{other}' cannot be read: {first}") from problem


@contextmanager
def _earlier(folder: Path, other: str) -> Iterator[Path]:
    """The folder with the other knowledge base; a revision is unpacked while it is needed."""
    if Path(other).is_dir():
        yield find_knowledge(other)
        return
    with tempfile.TemporaryDirectory(prefix="diagnose-") as made:
        yield _unpacked(folder, other, Path(made))


def _unpacked(folder: Path, revision: str, into: Path) -> Path:
    legal = ("a folder", "a revision of the knowledge folder's git repository")
    message = f"--against '{revision}' is neither a folder nor a revision"

    def git(*words: str) -> bytes:
        try:
            done = subprocess.run(
                ["git", "-C", str(folder), *words], capture_output=True, check=True
            )
        except (OSError, subprocess.CalledProcessError) as problem:
            raise fail("against", message, None, legal) from problem
        return done.stdout

    if revision.startswith("-"):
        raise fail("against", message, None, legal)
    commit = git("rev-parse", "--verify", "--quiet", f"{revision}^{{commit}}").decode().strip()
    with tarfile.open(fileobj=BytesIO(git("archive", "--format=tar", commit))) as archive:
        archive.extractall(into, filter="data")
    if not any(into.glob("parts/*.yaml")):
        message = f"'{revision}' has no knowledge base in this folder"
        raise fail("against", message, None, legal)
    return into


def compare(before: KnowledgeBase, after: KnowledgeBase, named: Named) -> Comparison:
    """One installation in both; what it did not have before stands as None."""
    from diagnose.cli.check import examine

    new = examine(after, named)
    old = _old(before, after, named)
    rows = [
        Row("failure modes", _count(old, "failure_modes"), new.counts["failure_modes"]),
        Row("units", _count(old, "units"), new.counts["units"]),
        Row("tests", _count(old, "tests"), new.counts["tests"]),
    ]
    for label, key in (
        ("detected", "detected"),
        ("narrowed down to one unit", "to_one"),
        ("narrowed down to two units", "to_two"),
    ):
        was = None if old is None else getattr(old.figures, key)
        rows.append(Row(label, was, getattr(new.figures, key), percent=True))
    for label, number in (
        ("mean ambiguity group, units", lambda e: e.figures.mean_group),
        ("ambiguity groups across units", lambda e: len(_groups(e))),
        ("undetected failure modes", lambda e: len(e.undetected)),
        ("tests that separate nothing", lambda e: len(e.useless)),
        ("distinctions on one test", lambda e: len(e.hanging)),
    ):
        rows.append(Row(label, None if old is None else number(old), number(new)))
    return Comparison(named.name, tuple(rows), _lists(old, new))


def _old(before: KnowledgeBase, after: KnowledgeBase, named: Named) -> Examined | None:
    """The installation before: the choices that existed, the rest as it was built then."""
    from diagnose.cli.check import examine

    kind = before.installations.get(named.kind)
    if kind is None:
        return None
    for variant, choice in named.choices.items():
        known = kind.variants.get(variant)
        default = after.installations[named.kind].variants[variant].default
        if (known is None or choice not in known.choices) and choice != default:
            return None
    known_choices = {k: v for k, v in named.choices.items() if k in kind.variants}
    try:
        return examine(before, Named(named.name, named.kind, known_choices))
    except DiagnoseError:
        return None


def _count(examined: Examined | None, key: str) -> int | None:
    return None if examined is None else examined.counts[key]


def _groups(examined: Examined) -> set[tuple[str, ...]]:
    return {g.modes for g in examined.groups if len(g.units) > 1}


def _lists(old: Examined | None, new: Examined) -> dict[str, tuple[str, ...]]:
    if old is None:
        return {}
    was, now = set(old.installation.modes), set(new.installation.modes)
    tests = set(new.matrix.tests)
    hung = {tuple(sorted((h.first, h.second))) for h in old.hanging}
    hangs = {tuple(sorted((h.first, h.second))): h.test for h in new.hanging}
    lists = {
        "new failure modes": sorted(now - was),
        "failure modes gone": sorted(was - now),
        "new tests": sorted(tests - set(old.matrix.tests)),
        "tests gone": sorted(set(old.matrix.tests) - tests),
        "no longer or not detected": sorted(set(new.undetected) - set(old.undetected)),
        "newly ambiguous across units": [
            " / ".join(g) for g in sorted(_groups(new) - _groups(old))
        ],
        "ambiguous no more": [" / ".join(g) for g in sorted(_groups(old) - _groups(new))],
        "now on one test": [f"{a} / {b}: {hangs[a, b]}" for a, b in sorted(set(hangs) - hung)],
    }
    return {what: tuple(items) for what, items in lists.items() if items}


def _number(value: float | None, percent: bool) -> str:
    if value is None:
        return "-"
    if percent:
        return f"{value:.1%}"
    return f"{value:.2f}" if isinstance(value, float) else str(value)


def _change(row: Row) -> str:
    if row.before is None or row.after is None:
        return "new" if row.before is None else "gone"
    change = row.after - row.before
    if abs(change) < 0.0005:
        return "="
    if row.percent:
        return f"{100 * change:+.1f}"
    return f"{change:+.2f}" if isinstance(change, float) else f"{change:+d}"


def as_table(comparison: Comparison, other: str) -> Iterator[str]:
    """One comparison in lines of at most 80 columns."""
    yield from textwrap.wrap(f"Installation {comparison.name}", WIDTH)
    was = other if len(other) <= 12 else "before"
    yield f"  {'':36}{was:>12}{'now':>12}{'change':>10}"
    for row in comparison.rows:
        before, after = _number(row.before, row.percent), _number(row.after, row.percent)
        yield f"  {row.what:36}{before:>12}{after:>12}{_change(row):>10}"
    for what, items in comparison.lists.items():
        yield f"  {what} ({len(items)}):"
        for item in items[:LISTED]:
            yield from textwrap.wrap(
                f"- {item}",
                WIDTH,
                initial_indent="    ",
                subsequent_indent="      ",
                break_on_hyphens=False,
            )
        if len(items) > LISTED:
            yield f"    and {len(items) - LISTED} more (--json lists all)"


def _plain(comparison: Comparison) -> dict[str, object]:
    rows = {row.what: {"before": row.before, "after": row.after} for row in comparison.rows}
    lists = {what: list(items) for what, items in comparison.lists.items()}
    return {"name": comparison.name, "rows": rows, "lists": lists}
