"""The overlay: one more knowledge file, written by ``diagnose learn``, that a person can read.

It lies beside the knowledge base, or in the user's data folder where that cannot be written to or
comes with the program. A number that it holds takes the place of the handbook's; what it does not
hold stays as it is. Rates, minutes and chances of wrong answers shape no dependency matrix, so an
overlay never builds one anew.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from diagnose.errors import DiagnoseError, Issue
from diagnose.keeping import write_whole
from diagnose.knowledge.checks_base import nearest
from diagnose.knowledge.family import Family
from diagnose.knowledge.folder import shown_name
from diagnose.knowledge.overlay_records import (
    SECTIONS,
    SITE_SECTIONS,
    Key,
    Learned,
    Overlay,
)
from diagnose.knowledge.read_parts import NumberReader
from diagnose.knowledge.reading import Reader, decode, parse_yaml, read_bytes
from diagnose.knowledge.records import KnowledgeBase

FORMAT = "1"
UNITS: Mapping[str, str] = {"/Mh": " /Mh", "1": " %", "min": " min", "times": " times"}
HEAD = """\
# Numbers learned from a firm's own confirmed cases; each takes the place of the handbook's.
# Written by `diagnose learn`. To go back to the handbook, delete a line, or the file.
# low .. high is the 95 % interval; ids are the first of the cases behind a number.
"""


def with_overlay(knowledge: KnowledgeBase, path: Path) -> KnowledgeBase:
    """The knowledge base with the numbers of an overlay file.

    Raises
    ------
    DiagnoseError
        The file cannot be read, is not an overlay, or names what the knowledge does not hold:
        every issue with its place.
    """
    overlay = read_overlay(path, knowledge)
    return applied(knowledge, overlay)


def applied(knowledge: KnowledgeBase, overlay: Overlay) -> KnowledgeBase:
    """The knowledge base with an overlay in the place of any other; its digest covers both."""
    bare = knowledge.overlay is None
    base = knowledge.digest if bare else knowledge.digest.partition("+")[0]
    return replace(knowledge, overlay=overlay, digest=f"{base}+{overlay.digest[:16]}")


def read_overlay(path: Path, knowledge: KnowledgeBase) -> Overlay:
    """Read and check an overlay file; see `with_overlay`."""
    shown = shown_name(path)
    data = read_bytes(path, shown)
    tree = parse_yaml(decode(data, shown), shown)
    issues: list[Issue] = []
    found = _Overlay(tree, issues, knowledge).read()
    if issues:
        raise DiagnoseError(issues)
    return replace(found, path=shown, digest=hashlib.sha256(data).hexdigest())


class _Overlay:
    """One file being read; collects the issues."""

    def __init__(self, tree: Any, issues: list[Issue], knowledge: KnowledgeBase) -> None:
        self.issues = issues
        self.knowledge = knowledge
        self.numbers = NumberReader(issues)
        self.reader = Reader(tree, issues, "overlay")
        self.found: dict[Key, Learned] = {}

    def read(self) -> Overlay:
        reader = self.reader
        reader.choice("format", (FORMAT,))
        for kind, node in reader.items("installations"):
            if kind not in self.knowledge.installations:
                self._unknown(kind, "installation type", self.knowledge.installations)
                continue
            self._kind(str(kind), Reader(node, self.issues, f"overlay of '{kind}'"))
        overlay = Overlay(
            learned=str(reader.text("learned")),
            knowledge=str(reader.text("knowledge")),
            cases=int(self._plain("cases", reader.text("cases"))),
            weights={str(k): self._plain(str(k), v) for k, v in reader.text_map("weights").items()},
            numbers=self.found,
        )
        reader.done()
        return overlay

    def _kind(self, kind: str, reader: Reader) -> None:
        family = Family(self.knowledge, [self.knowledge.installations[kind]])
        modes = {
            f"{name}.{mode}"
            for name in family.fitted
            for part in family.parts_of(name)
            for mode in part.failure_modes
        }
        changes = self.knowledge.scales["changes"].words
        tests = self.knowledge.tests
        legal: dict[str, Collection[str]] = {
            **dict.fromkeys(("rates", "repair_minutes"), modes),
            **dict.fromkeys(("wrong_answers", "wrong_by_phone", "test_minutes"), tests),
            "change_minutes": changes,
        }
        for section in SECTIONS:
            self._section(section, kind, "", reader, SECTIONS[section], legal[section])
        for site, node in reader.items("sites"):
            own = Reader(node, self.issues, f"overlay of site '{site}'")
            at = str(site)
            self._section("rates", kind, at, own, "times", family.fitted)
            self._section("change_minutes", kind, at, own, "min", changes)
            own.done()
        reader.raw("sites")
        reader.done()

    def _section(
        self,
        section: str,
        kind: str,
        site: str,
        reader: Reader,
        unit: str,
        legal: Collection[str],
    ) -> None:
        for name, node in reader.items(section):
            if name not in legal:
                self._unknown(name, f"entry of '{section}'", legal)
                continue
            number = self._number(f"{section}: {name}", node, unit)
            if number is not None:
                self.found[section, kind, site, str(name)] = number

    def _number(self, what: str, node: Any, unit: str) -> Learned | None:
        before = len(self.issues)
        reader = Reader(node, self.issues, what)
        plain = "1" if unit == "times" else unit
        values = []
        for key in ("value", "handbook", "low", "high"):
            text = reader.text(key)
            if not text:
                if reader.has(key):
                    reader.problem(f"'{key}' is empty", key)
                continue
            value, measured = self.numbers.quantity(text, text)
            values.append(value)
            if len(self.issues) > before:
                continue
            if measured != plain:
                reader.problem(f"'{key}' must be in{UNITS[unit]}", key)
            elif not value > 0 or (unit == "1" and not value < 1):
                between = "between 0 and 100 %" if unit == "1" else "above 0"
                reader.problem(f"'{key}' must be {between}", key)
        cases = self._plain("cases", reader.text("cases", "0"))
        ids = tuple(str(i) for i in reader.texts("ids"))
        reader.done()
        if len(self.issues) > before:
            return None
        value, handbook, low, high = values
        if not low <= value <= high:
            reader.problem("'value' must lie between 'low' and 'high'", "value")
            return None
        return Learned(value, handbook, low, high, int(cases), ids, reader.place)

    def _plain(self, key: str, text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = -1.0
        if not 0 <= value < float("inf"):
            place = getattr(text, "place", self.reader.place)
            message = f"overlay: '{key}' must be a number of 0 or more"
            self.issues.append(Issue("error", "number", message, place))
            return 0.0
        return value

    def _unknown(self, name: str, what: str, legal: Collection[str]) -> None:
        place = getattr(name, "place", self.reader.place)
        message = f"overlay: there is no {what} '{name}'"
        self.issues.append(Issue("error", "unknown-id", message, place, nearest(name, legal)))


# ---------------------------------------------------------------------- writing


def overlay_text(overlay: Overlay) -> str:
    """The file's text: one line for each number, in a fixed order, so that it diffs well."""
    lines = [
        f'format: "{FORMAT}"',
        f"learned: {overlay.learned}",
        f"knowledge: {overlay.knowledge}",
        f"cases: {overlay.cases}",
    ]
    if overlay.weights:
        lines.append("weights: # how much the handbook counted in the end")
        lines += [f"  {name}: {value:.4g}" for name, value in sorted(overlay.weights.items())]
    lines.append("installations:" if overlay.numbers else "installations: {}")
    for kind in sorted({key[1] for key in overlay.numbers}):
        lines.append(f"  {kind}:")
        lines += _sections(overlay, kind, "", SECTIONS, "    ")
        sites = sorted({key[2] for key in overlay.numbers if key[1] == kind} - {""})
        if sites:
            lines.append("    sites: # by key: the names stay in the cases")
        for site in sites:
            lines.append(f'      "{site}":')
            lines += _sections(overlay, kind, site, SITE_SECTIONS, "        ")
    return HEAD + "\n".join(lines) + "\n"


def _sections(
    overlay: Overlay, kind: str, site: str, sections: Mapping[str, str], indent: str
) -> Iterator[str]:
    for section, unit in sections.items():
        found = {
            key[3]: number
            for key, number in overlay.numbers.items()
            if key[:3] == (section, kind, site)
        }
        if found:
            yield f"{indent}{section}:"
        for name, number in sorted(found.items()):
            yield f"{indent}  {name}: {{{_line(number, unit)}}}"


def _line(number: Learned, unit: str) -> str:
    shown = {
        "value": number.value,
        "handbook": number.handbook,
        "low": number.low,
        "high": number.high,
    }
    parts = [f"{key}: {quantity(value, unit)}" for key, value in shown.items()]
    parts.append(f"cases: {number.cases}")
    if number.ids:
        parts.append(f"ids: [{', '.join(number.ids)}]")
    return ", ".join(parts)


def quantity(value: float, unit: str) -> str:
    """A number with its unit, as it stands in the file."""
    scaled = 100 * value if unit == "1" else value
    return f"{scaled:.4g}{UNITS[unit]}"


def write_overlay(overlay: Overlay, path: Path) -> None:
    """Write the file whole, or leave what was there.

    Raises
    ------
    DiagnoseError
        It cannot be written.
    """
    write_whole(path, overlay_text(overlay).encode())
