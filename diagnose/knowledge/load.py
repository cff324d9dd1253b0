"""From a folder of YAML files to one `KnowledgeBase`."""

from __future__ import annotations

import gc
import hashlib
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

from diagnose.errors import DiagnoseError, Issue
from diagnose.knowledge.folder import find_knowledge, hashed, shown_name
from diagnose.knowledge.read_days import read_day
from diagnose.knowledge.read_installations import read_installation
from diagnose.knowledge.read_parts import NumberReader, read_part
from diagnose.knowledge.read_tests import (
    read_caution,
    read_complaint,
    read_list,
    read_question,
    read_scale,
    read_sign,
    read_source,
    read_test,
    read_word,
)
from diagnose.knowledge.reading import Reader, decode, parse_yaml, read_bytes
from diagnose.knowledge.records import KnowledgeBase
from diagnose.knowledge.rule_reading import rules_from
from diagnose.knowledge.rule_records import Rule

__all__ = ["find_knowledge", "load_knowledge"]

FORMAT = "1"
"""Of the knowledge files."""
VERSION = re.compile(r"(0|[1-9][0-9]{0,5})(\.(0|[1-9][0-9]{0,5})){2}")


class _Folder:
    """The files of the knowledge folder, read once, in a fixed order."""

    def __init__(self, root: Path, issues: list[Issue]) -> None:
        self.root = root
        self.issues = issues
        self.hash = hashlib.sha256()
        self.groups: dict[str, Any] = {}

    def tree(self, path: Path) -> Any:
        shown = shown_name(path)
        try:
            data = read_bytes(path, shown)
            more = hashed(self.root, path, data)
            self.hash.update(more)
            group = path.relative_to(self.root).with_suffix("").parts[0]
            self.groups.setdefault(group, hashlib.sha256()).update(more)
            return parse_yaml(decode(data, shown), shown)
        except DiagnoseError as error:
            self.issues.extend(error.issues)
        return None

    def each(self, pattern: str) -> list[Any]:
        trees = (self.tree(path) for path in sorted(self.root.glob(pattern)))
        return [tree for tree in trees if tree is not None]


@contextmanager
def _no_collection() -> Iterator[None]:
    """Spare the cyclic collector many small records that all stay: it would only slow reading."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


@_no_collection()
def load_knowledge(root: Path) -> KnowledgeBase:
    """Read every knowledge file below `root`.

    Raises
    ------
    DiagnoseError
        With every issue of structure found in all the files; what the files say to one
        another is checked by `diagnose.knowledge.checks`.
    """
    issues: list[Issue] = []
    folder = _Folder(root, issues)
    numbers = NumberReader(issues)

    version = ""
    for tree in folder.each("knowledge.yaml"):
        version = _version(tree, issues)
    sources = {}
    for tree in folder.each("sources.yaml"):
        for name, node in Reader(tree, issues, "sources").node.items():
            sources[str(name)] = read_source(str(name), node, issues)
    scales = {}
    before = len(issues)
    for tree in folder.each("scales.yaml"):
        for name, node in Reader(tree, issues, "scales").node.items():
            scales[str(name)] = read_scale(str(name), node, numbers)
    numbers.scales = scales if len(issues) == before else None

    named = partial(_named, folder, numbers)
    listed = partial(_listed, folder, numbers)
    parts = named("parts/*.yaml", read_part)
    installations = named("installations/*.yaml", read_installation)
    installations = dict(sorted(installations.items(), key=lambda item: not item[1].standard))
    tests = listed("tests/*.yaml", "tests", read_test)
    signs = listed("signs/*.yaml", "signs", read_sign)
    complaints = listed("complaints.yaml", "complaints", read_complaint)
    cautions = listed("cautions.yaml", "cautions", read_caution)
    questions = listed("questions.yaml", "questions", read_question)
    rules = _rules(folder, numbers)
    days = named("days/*.yaml", read_day)
    words = listed("words.yaml", "words", read_word)
    if issues:
        raise DiagnoseError(issues)
    return KnowledgeBase(
        root=str(root),
        sources=sources,
        scales=scales,
        parts=parts,
        installations=installations,
        tests=tests,
        signs=signs,
        complaints=complaints,
        cautions=cautions,
        questions=questions,
        rules=rules,
        numbers=tuple(numbers.numbers),
        digest=folder.hash.hexdigest(),
        days=days,
        version=version,
        words=words,
        files={name: made.hexdigest() for name, made in folder.groups.items()},
    )


def _named(
    folder: _Folder, numbers: NumberReader, pattern: str, read: Callable[[Any, NumberReader], Any]
) -> dict[str, Any]:
    """The records of files that hold one each, by id."""
    result: dict[str, Any] = {}
    for tree in folder.each(pattern):
        item = read(tree, numbers)
        if item.id in result:
            numbers.problem(tree, f"the id '{item.id}' stands in two files", "repeated-id")
        result[item.id] = item
    return result


def _listed(
    folder: _Folder,
    numbers: NumberReader,
    pattern: str,
    key: str,
    read: Callable[[Any, NumberReader], Any],
) -> dict[str, Any]:
    """The records of files that hold a list of them under `key`, by id."""
    result: dict[str, Any] = {}
    for tree in folder.each(pattern):
        for name, item in read_list(tree, key, numbers, read).items():
            if name in result:
                numbers.problem(item, f"the id '{name}' stands in two files", "repeated-id")
            result[name] = item
    return result


def _rules(folder: _Folder, numbers: NumberReader) -> dict[str, Rule]:
    result: dict[str, Rule] = {}
    for path in sorted(folder.root.glob("rules/*.yaml")):
        tree = folder.tree(path)
        if tree is None:
            continue
        try:
            for rule in rules_from(tree, str(path)):
                if rule.id in result:
                    numbers.problem(rule, f"the rule '{rule.id}' stands twice", "repeated-id")
                result[rule.id] = rule
        except DiagnoseError as error:
            folder.issues.extend(error.issues)
    return result


def _version(tree: Any, issues: list[Issue]) -> str:
    """The version of the knowledge, from a file whose format this program reads."""
    reader = Reader(tree, issues, "knowledge")
    reader.choice("format", (FORMAT,))
    version = reader.text("version", "")
    if version and not VERSION.fullmatch(version):
        reader.problem(f"'{version}' is no version", "version", ("e.g. 1.2.0",))
    reader.done()
    return version
