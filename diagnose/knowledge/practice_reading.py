"""What only practice needs of the knowledge folder: how customers speak, unsafe acts, functions.

These files are read when practice starts and by ``diagnose check``; they are no part of the
knowledge base's digest, since no diagnosis hangs on them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from diagnose.errors import DiagnoseError, Issue, Place
from diagnose.knowledge.checks_base import error, needs_issues, unknown
from diagnose.knowledge.family import Family
from diagnose.knowledge.folder import shown_name
from diagnose.knowledge.read_parts import NumberReader
from diagnose.knowledge.reading import Reader, read_yaml
from diagnose.knowledge.records import KnowledgeBase
from diagnose.units import whole_number

FOLDER = "practice"


@dataclass(frozen=True)
class Wording:
    """One way of saying a complaint; `of` are the alternatives (from 0) of which it is true.

    `needs` is what must be fitted for it to be true (`Installation.fits`), "" for nothing.
    """

    says: str
    of: tuple[int, ...]
    needs: str = ""
    place: Place | None = None


@dataclass(frozen=True)
class Unsafe:
    """An unsafe act in words; `minutes` is what it costs."""

    id: str
    title: str
    why: str
    instead: str
    minutes: float
    source: str
    place: Place | None = None


@dataclass(frozen=True)
class Told:
    """What a function does where something is fitted (`needs`, see `Installation.fits`)."""

    needs: str
    does: str
    works_when: str
    place: Place | None = None


@dataclass(frozen=True)
class Function:
    """One function of an installation and the part types that do it.

    `does` and `works_when` are true anywhere; the first of `told` whose needs are
    fitted says more.
    """

    id: str
    title: str
    does: str
    works_when: str
    parts: tuple[str, ...]
    source: str
    told: tuple[Told, ...] = ()
    place: Place | None = None


@dataclass(frozen=True)
class PracticeKnowledge:
    """All that only practice needs, each by id."""

    wordings: Mapping[str, tuple[Wording, ...]]
    unsafe: Mapping[str, Unsafe]
    functions: Mapping[str, Function]


def load_practice(knowledge: KnowledgeBase) -> PracticeKnowledge:
    """Read and check the practice files of a knowledge base.

    Raises
    ------
    DiagnoseError
        With every issue found in them.
    """
    found, issues = read_practice(knowledge)
    if not issues:
        issues = list(check_practice(knowledge, found))
    if issues:
        raise DiagnoseError(issues)
    return found


def practice_issues(knowledge: KnowledgeBase) -> list[Issue]:
    """What is wrong with the practice files; nothing where a folder has none of them."""
    if not (Path(knowledge.root) / FOLDER).is_dir():
        return []
    found, issues = read_practice(knowledge)
    return issues or list(check_practice(knowledge, found))


def read_practice(knowledge: KnowledgeBase) -> tuple[PracticeKnowledge, list[Issue]]:
    """The files as they say, and every issue of structure."""
    issues: list[Issue] = []
    numbers = NumberReader(issues)
    numbers.scales = knowledge.scales

    def top(name: str) -> Reader:
        path = Path(knowledge.root) / FOLDER / name
        try:
            tree = read_yaml(path, shown_name(path))
        except DiagnoseError as problem:
            issues.extend(problem.issues)
            tree = None
        return Reader(tree, issues if tree is not None else [], name)

    spoken = top("complaints.yaml")
    wordings = {
        complaint: tuple(_wording(node, issues, complaint) for node in nodes)
        for complaint, nodes in spoken.items("complaints")
        if isinstance(nodes, list)
    }
    spoken.done()
    acts = top("unsafe.yaml")
    unsafe = _by_id([_unsafe(node, numbers) for node in acts.children("unsafe")], issues)
    acts.done()
    seen = top("functions.yaml")
    functions = _by_id([_function(node, issues) for node in seen.children("functions")], issues)
    seen.done()
    return PracticeKnowledge(wordings, unsafe, functions), issues


def _by_id(records: Iterable[Any], issues: list[Issue]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for record in records:
        if record.id in found:
            issues.append(error("repeated-id", f"the id '{record.id}' stands twice", record))
        found[record.id] = record
    return found


def _wording(node: Any, issues: list[Issue], complaint: str) -> Wording:
    reader = Reader(node, issues, f"wording of '{complaint}'")
    of = []
    for text in reader.texts("of"):
        position = whole_number(text)
        if position:
            of.append(position - 1)
        else:
            reader.problem(f"'{text}' is not a position, from 1", "of")
    wording = Wording(reader.text("says"), tuple(of), reader.text("needs", ""), reader.place)
    reader.done()
    return wording


def _unsafe(node: Any, numbers: NumberReader) -> Unsafe:
    reader = Reader(node, numbers.issues, "unsafe act")
    name = reader.text("id")
    reader.what = f"unsafe act '{name}'"
    minutes = numbers.read(reader.raw("minutes"), f"{reader.what}: minutes")
    act = Unsafe(
        id=name,
        title=reader.text("title"),
        why=reader.text("why"),
        instead=reader.text("instead"),
        minutes=minutes.nominal,
        source=reader.text("source"),
        place=reader.place,
    )
    reader.done()
    return act


def _function(node: Any, issues: list[Issue]) -> Function:
    reader = Reader(node, issues, "function")
    name = reader.text("id")
    reader.what = f"function '{name}'"
    function = Function(
        id=name,
        title=reader.text("title"),
        does=reader.text("does"),
        works_when=reader.text("works_when"),
        parts=reader.texts("parts"),
        source=reader.text("source"),
        told=tuple(_told(child, issues, name) for child in reader.children("where")),
        place=reader.place,
    )
    reader.done()
    return function


def _told(node: Any, issues: list[Issue], function: str) -> Told:
    reader = Reader(node, issues, f"function '{function}': where")
    told = Told(reader.text("needs"), reader.text("does"), reader.text("works_when"), reader.place)
    reader.done()
    return told


def check_practice(knowledge: KnowledgeBase, found: PracticeKnowledge) -> Iterator[Issue]:
    """What the practice files say to the rest: every complaint worded, every part placed once."""
    family = Family.all_of(knowledge)
    for complaint, wordings in found.wordings.items():
        if complaint not in knowledge.complaints:
            yield unknown("wordings", "complaint", complaint, knowledge.complaints, complaint)
            continue
        count = len(knowledge.complaints[complaint].when)
        for wording in wordings:
            for position in wording.of:
                if position >= count:
                    message = f"'{complaint}' has {count} alternatives, not {position + 1}"
                    yield error("unknown-id", message, wording)
            yield from needs_issues(f"wording of '{complaint}'", wording.needs, family, wording)
    for name, complaint_record in knowledge.complaints.items():
        spoken = found.wordings.get(name, ())
        for position in range(len(complaint_record.when)):
            if not any((not w.of or position in w.of) and not w.needs for w in spoken):
                message = f"no wording says alternative {position + 1} of the complaint '{name}'"
                yield error("wording", message, *spoken[:1], complaint_record)
    placed: dict[str, str] = {}
    for function in found.functions.values():
        for told in function.told:
            what = f"function '{function.id}': where"
            yield from needs_issues(what, told.needs, family, told)
        for part in function.parts:
            if part not in knowledge.parts:
                yield unknown(f"function '{function.id}'", "part", part, knowledge.parts, part)
            elif part in placed:
                message = f"'{part}' stands in the functions '{placed[part]}' and '{function.id}'"
                yield error("function", message, part, function)
            placed[part] = function.id
    for name, part_record in knowledge.parts.items():
        if name not in placed:
            message = f"the part '{name}' has no function: add it to one of {FOLDER}/functions.yaml"
            yield error("function", message, part_record)
    records: list[Unsafe | Function] = [*found.unsafe.values(), *found.functions.values()]
    for record in records:
        if record.source not in knowledge.sources:
            yield unknown(f"'{record.id}'", "source", record.source, knowledge.sources, record)
