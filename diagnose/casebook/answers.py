"""Answers files: a whole callout written down beforehand, to be replayed without a person."""

from __future__ import annotations

import difflib
from collections import Counter
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from diagnose.errors import DiagnoseError, Issue
from diagnose.interview.asking import read_answer
from diagnose.interview.drive import Reply
from diagnose.interview.events import Event, new_event
from diagnose.interview.session import Turn
from diagnose.interview.since import told_of
from diagnose.interview.steps import STATUSES, Step
from diagnose.interview.verifying import checks_for
from diagnose.knowledge.reading import Reader, Sequence, Text, read_yaml
from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.compose import Installation, compose
from diagnose.plant.matrix import MatrixBuilder
from diagnose.plant.procedures import InstalledTest, installed_tests
from diagnose.reasoning.belief import UNKNOWN_UNIT
from diagnose.reasoning.guard import Skill

FORMAT = "1"
KINDS = ("script", "field", "own")
"""A script for a replay; a retold real report; a worked case of our own invention."""
CANNOT = "cannot"
RESULTS = ("pass", "fail", "cannot")
QUALIFICATIONS = tuple(skill.value for skill in Skill)
METER_CATEGORIES = ("none", "cat_ii", "cat_iii", "cat_iv")
MOST_LEGAL = 20
"""Most ids listed as legal in a message; of more, the nearest to what was typed."""


@dataclass(frozen=True)
class Answers:
    """One answers file, checked against the knowledge base and its installation.

    Attributes
    ----------
    kind : str
        One of `KINDS`.
    source, certainty : str
        Where a retold report comes from, and how sure its cause is; "" where nothing is retold.
    answers : test -> answers
        A reading, an outcome or ``cannot`` for the first, second, ... time that the test is
        asked; the last one stays. A test that is not there cannot be measured.
    history : question -> choice
        Safety and history questions, and those of a telephone call; one that is not there takes
        its default.
    verification : check -> pass | fail | cannot
        Empty: the callout ends with its conclusion. Otherwise the cause is taken as repaired,
        and a check that is not there cannot be made.
    expect : mapping
        ``unit``, ``failure_mode`` (``unit.mode``), ``status``: what the callout should end with.
    """

    path: str
    kind: str
    title: str
    site: str
    note: str
    source: str
    certainty: str
    installation: Installation = field(repr=False)
    complaints: tuple[str, ...]
    history: Mapping[str, str]
    instruments: tuple[str, ...] | None
    qualification: str
    meter_category: str
    answers: Mapping[str, tuple[str, ...]]
    verification: Mapping[str, str]
    expect: Mapping[str, str]

    def opened(self, knowledge: KnowledgeBase) -> Event:
        """The first event of the case that this file tells."""
        data: dict[str, Any] = {
            "title": str(self.title),
            "site": str(self.site),
            "installation": self.installation.type.id,
            "variants": dict(self.installation.choices),
            "qualification": str(self.qualification),
            "meter_category": str(self.meter_category),
            **told_of(knowledge),
        }
        if self.instruments is not None:
            data["instruments"] = [str(i) for i in self.instruments]
        return new_event("opened", **data)


class Scripted:
    """The person of an answers file (`diagnose.interview.drive.Person`)."""

    def __init__(self, answers: Answers, knowledge: KnowledgeBase) -> None:
        self.answers = answers
        self.knowledge = knowledge
        self._asked: Counter[str] = Counter()

    def reply(self, turn: Turn, step: Step) -> Reply:
        """See `diagnose.interview.drive.Person`."""
        answers = self.answers
        if step.kind == "question":
            if step.id == "complaint":
                return Reply("answer", ids=answers.complaints)
            default = self.knowledge.questions[step.id].default
            return Reply("answer", answers.history.get(step.id, default))
        if step.kind == "act":
            return Reply("answer", "done")
        if step.kind == "test":
            given = answers.answers.get(step.id, (CANNOT,))
            text = given[min(self._asked[step.id], len(given) - 1)]
            self._asked[step.id] += 1
            if text == CANNOT:
                return Reply("cannot", "not in the answers file")
            return Reply("answer", text)
        if step.kind == "verify":
            return Reply("answer", answers.verification.get(step.id, CANNOT))
        conclusion = step.conclusion
        again = any(u == conclusion.unit for u, _ in turn.state.repairs) if conclusion else True
        if conclusion is None or not answers.verification or not conclusion.unit or again:
            return Reply("leave")
        return Reply("repaired", f"{conclusion.unit}.{conclusion.failure_mode}")


def nearest(word: str, legal: Iterable[str]) -> tuple[str, ...]:
    """All legal ids, or of many those most like `word`."""
    legal = list(legal)
    if len(legal) <= MOST_LEGAL:
        return tuple(legal)
    close = difflib.get_close_matches(word, legal, 8, 0.3)
    return (*(close or legal[:8]), f"… {len(legal)} in all")


def read_answers(path: Path, knowledge: KnowledgeBase) -> Answers:
    """Read and check one answers file.

    Raises
    ------
    DiagnoseError
        With every issue found, each with its place.
    """
    issues: list[Issue] = []
    reader = Reader(read_yaml(path), issues, "answers")
    reader.choice("format", (FORMAT,))
    kind = reader.text("installation")
    variants = reader.text_map("variants")
    try:
        installation = compose(knowledge, kind, variants)
    except DiagnoseError as error:
        raise DiagnoseError([*issues, *error.issues]) from error
    tests = installed_tests(knowledge, installation, MatrixBuilder.circuit_of(installation))
    checker = _Checker(reader, knowledge, installation, tests)
    instruments = checker.instruments() if reader.has("instruments") else None
    answers = Answers(
        path=str(path),
        kind=reader.choice("kind", KINDS, KINDS[0]),
        title=reader.text("title"),
        site=reader.text("site", ""),
        note=reader.text("note", ""),
        source=reader.text("source", ""),
        certainty=reader.text("certainty", ""),
        installation=installation,
        complaints=checker.complaints(),
        history=checker.history(),
        instruments=instruments,
        qualification=reader.choice("qualification", QUALIFICATIONS, "instructed"),
        meter_category=reader.choice("meter_category", METER_CATEGORIES, "cat_iii"),
        answers=checker.answers(),
        verification=checker.verification(),
        expect=checker.expect(),
    )
    reader.done()
    if issues:
        raise DiagnoseError(issues)
    return answers


class _Checker:
    """The parts of an answers file that must agree with the knowledge base."""

    def __init__(
        self,
        reader: Reader,
        knowledge: KnowledgeBase,
        installation: Installation,
        tests: Mapping[str, InstalledTest],
    ) -> None:
        self.reader = reader
        self.knowledge = knowledge
        self.installation = installation
        self.tests = tests

    def known(self, word: str, legal: Collection[str], what: str) -> bool:
        """Whether an id is known; collects the issue where it is not."""
        if word in legal:
            return True
        place = getattr(word, "place", self.reader.place)
        message = f"there is no {what} '{word}' here"
        self.reader.issues.append(
            Issue("error", "unknown-id", message, place, nearest(word, legal))
        )
        return False

    def complaints(self) -> tuple[str, ...]:
        if not self.reader.has("complaint"):
            self.reader.problem("'complaint' is missing", None, self.knowledge.complaints)
            return ()
        names = self.reader.texts("complaint")
        return tuple(c for c in names if self.known(c, self.knowledge.complaints, "complaint"))

    def instruments(self) -> tuple[str, ...]:
        legal = {t.instrument for t in self.knowledge.tests.values()} - {"none"}
        names = self.reader.texts("instruments")
        return tuple(i for i in names if self.known(i, sorted(legal), "instrument"))

    def history(self) -> dict[str, str]:
        asked = {
            name: question
            for name, question in self.knowledge.questions.items()
            if question.kind in ("safety", "phone", "history")
        }
        found = {}
        for name, choice in self.reader.text_map("history").items():
            if self.known(name, asked, "question"):
                what = f"answer to '{name}'"
                if self.known(choice, asked[name].choices, what):
                    found[name] = choice
        return found

    def answers(self) -> dict[str, tuple[str, ...]]:
        found = {}
        for name, value in self.reader.items("answers"):
            if not self.known(name, self.tests, "test"):
                continue
            texts = [value] if isinstance(value, Text) else value
            if not isinstance(value, Text | Sequence) or not all(
                isinstance(t, Text) for t in texts
            ):
                place = getattr(value, "place", None)
                message = f"answers: '{name}' must be one answer or a list of answers"
                self.reader.issues.append(Issue("error", "structure", message, place))
                continue
            for text in texts:
                if text == CANNOT:
                    continue
                try:
                    read_answer(self.tests[name], text)
                except DiagnoseError as error:
                    self.reader.issues.extend(error.issues)
            found[str(name)] = tuple(texts) or (CANNOT,)
        return found

    def verification(self) -> dict[str, str]:
        legal = [check.id for check in checks_for(self.installation)]
        found = {}
        for name, result in self.reader.text_map("verification").items():
            named = name.startswith("rule_") or self.known(name, legal, "check")
            if named and self.known(result, RESULTS, "result"):
                found[name] = result
        return found

    def expect(self) -> dict[str, str]:
        expect = self.reader.text_map("expect")
        units = [*self.installation.instances, UNKNOWN_UNIT]
        legal: dict[str, Collection[str]] = {
            "unit": units,
            "failure_mode": self.installation.modes,
            "status": STATUSES,
        }
        for name, value in expect.items():
            if self.known(name, legal, "expectation"):
                self.known(value, legal[name], name.replace("_", " "))
        return expect
