"""Reading tests, signs, complaints, cautions, questions, scales and sources."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from diagnose.errors import Issue
from diagnose.knowledge.asked_records import Caution, Complaint, Question, Sign, Word
from diagnose.knowledge.read_parts import NumberReader
from diagnose.knowledge.reading import Mapping, Reader, Text
from diagnose.knowledge.records import (
    PLACES,
    QUESTION_KINDS,
    SOURCE_KINDS,
    STATES,
    Outcome,
    Scale,
    Source,
    TestSpec,
)

READING_UNITS = {
    "volts_dc": "V",
    "volts_ac": "V",
    "volts_ac_loz": "V",
    "hertz": "Hz",
    "amps_ac": "A",
    "amps_dc": "A",
    "ohms": "ohm",
    "insulation": "ohm",
    "farads": "F",
    "flow": "L/min",
    "head": "m",
    "signal": "",
    "sign": "",
}


def read_list(
    node: Any, key: str, numbers: NumberReader, read: Callable[[Any, NumberReader], Any]
) -> dict[str, Any]:
    """The items of a list under `key`, by id; a repeated id is an issue."""
    reader = Reader(node, numbers.issues, "file")
    result: dict[str, Any] = {}
    for child in reader.children(key):
        item = read(child, numbers)
        if item.id in result:
            numbers.problem(child, f"the id '{item.id}' stands twice", "repeated-id")
        result[item.id] = item
    reader.done()
    return result


def read_scale(name: str, node: Any, numbers: NumberReader) -> Scale:
    """One scale: its words and their numbers."""
    reader = Reader(node, numbers.issues, f"scale '{name}'")
    scale = Scale(
        id=name,
        title=reader.text("title"),
        words={k: numbers.read(v, f"scale '{name}': {k}") for k, v in reader.items("words")},
    )
    reader.done()
    return scale


def read_source(name: str, node: Any, issues: list[Issue]) -> Source:
    """One source that numbers and rules cite."""
    reader = Reader(node, issues, f"source '{name}'")
    source = Source(
        id=name,
        title=reader.text("title"),
        kind=reader.choice("kind", SOURCE_KINDS),
        edition=reader.text("edition", ""),
        clause=reader.text("clause", ""),
        read=reader.text("read", ""),
        place=reader.place,
    )
    reader.done()
    return source


def _read_outcome(node: Any, unit: str, numbers: NumberReader) -> Outcome:
    reader = Reader(node, numbers.issues, "outcome")
    below = None
    if reader.has("below"):
        below, got = numbers.quantity(reader.text("below"), node)
        if got != unit:
            reader.problem(f"the limit is in '{got}', the reading in '{unit}'", "below")
    outcome = Outcome(reader.text("id"), reader.text("title"), below, reader.text("when", ""))
    reader.done()
    return outcome


def read_test(node: Any, numbers: NumberReader) -> TestSpec:
    """One test, or one template of tests."""
    reader = Reader(node, numbers.issues, "test")
    name = reader.text("id")
    reader.what = f"test '{name}'"
    nothing = Mapping()
    nothing.place = reader.place
    reading = Reader(reader.raw("reading", nothing), numbers.issues, f"{reader.what}: reading")
    kinds = [k for k in READING_UNITS if reading.has(k)]
    if len(kinds) != 1:
        reading.problem("needs one kind of reading", None, READING_UNITS)
        kinds = ["sign"]
    kind = kinds[0]
    unit = READING_UNITS[kind]
    of = reading.texts(kind)
    reading.done()
    outcomes = tuple(_read_outcome(o, unit, numbers) for o in reader.children("outcomes"))
    if len(outcomes) < 2:
        reader.problem("a test has at least two outcomes", "outcomes")
    if len({o.id for o in outcomes}) != len(outcomes):
        reader.problem("an outcome stands twice", "outcomes")
    minutes = reader.text("minutes")
    numbers.word("minutes", minutes, reader.raw("minutes"), reader.what)
    answering = reader.text("answering")
    numbers.word("answer_errors", answering, reader.raw("answering"), reader.what)
    accuracy = reader.text("accuracy", "meter")
    numbers.word("accuracy", accuracy, reader.raw("accuracy", node), reader.what)
    test = TestSpec(
        id=name,
        title=reader.text("title"),
        do=reader.text("do"),
        kind=kind,
        of=of,
        unit=unit,
        outcomes=outcomes,
        situation=reader.text("situation", ""),
        values=reader.text_map("values"),
        lift=reader.texts("lift"),
        bridge=reader.texts("bridge"),
        place_at=reader.choice("at", PLACES),
        state=reader.choice("state", STATES),
        instrument=reader.text("instrument", "none"),
        minutes=minutes,
        answering=answering,
        each=reader.text("each", ""),
        needs=reader.text("needs", ""),
        accuracy=accuracy,
        cautions=reader.texts("cautions"),
        customer=reader.choice("customer", ("yes", "no"), "no") == "yes",
        by_phone=reader.text("by_phone", ""),
        hands=reader.choice("hands", ("yes", "no"), "no") == "yes",
        by=reader.choice("by", ("technician", "licensed"), "technician"),
        source=reader.text("source", ""),
        probes=reader.texts("probes"),
        place=reader.place,
    )
    reader.done()
    return test


def read_sign(node: Any, numbers: NumberReader) -> Sign:
    """One sign and its background."""
    reader = Reader(node, numbers.issues, "sign")
    background = reader.text("background")
    numbers.word("how_sure", background, reader.raw("background"), reader.text("id"))
    sign = Sign(reader.text("id"), reader.text("title"), background, reader.place)
    reader.done()
    return sign


def read_complaint(node: Any, numbers: NumberReader) -> Complaint:
    """One complaint: what the customer says, and the behaviour behind it."""
    reader = Reader(node, numbers.issues, "complaint")
    alternatives = []
    for child in reader.children("when"):
        if isinstance(child, Mapping) and all(isinstance(v, Text) for v in child.values()):
            alternatives.append(dict(child))
        else:
            message = "an alternative maps situations to conditions"
            numbers.problem(child, message, "structure")
    complaint = Complaint(
        id=reader.text("id"),
        title=reader.text("title"),
        says=reader.text("says"),
        when=tuple(alternatives),
        cautions=reader.texts("cautions"),
        place=reader.place,
        reports=reader.text_map("reports"),
    )
    reader.done()
    return complaint


def read_caution(node: Any, numbers: NumberReader) -> Caution:
    """One caution."""
    reader = Reader(node, numbers.issues, "caution")
    caution = Caution(reader.text("id"), reader.text("text"), reader.text("source"), reader.place)
    reader.done()
    return caution


def read_word(node: Any, numbers: NumberReader) -> Word:
    """One word that reads differently where other things are fitted."""
    reader = Reader(node, numbers.issues, "word")
    name = reader.text("id")
    ways = []
    for child in reader.children("ways"):
        inner = Reader(child, numbers.issues, f"word '{name}'")
        ways.append((inner.text("needs", ""), inner.text("says")))
        inner.done()
    reader.done()
    return Word(name, tuple(ways), reader.place)


def read_question(node: Any, numbers: NumberReader) -> Question:
    """One question with its choices and what they do to the rates."""
    reader = Reader(node, numbers.issues, "question")
    choices = reader.text_map("choices")

    def words_of(key: str, scale: str, message: str) -> dict[str, dict[str, str]]:
        found: dict[str, dict[str, str]] = {}
        for choice, value in reader.items(key):
            if not isinstance(value, Mapping):
                numbers.problem(value, message, "structure")
                continue
            found[choice] = {}
            for target, word in value.items():
                numbers.word(scale, str(word), word, f"{key} of '{target}'")
                found[choice][target] = str(word)
        return found

    factors = words_of(
        "factors", "history_factors", "factors map a class or a failure mode to a word"
    )
    minutes = words_of("minutes", "changes", "minutes map a change to another word of 'changes'")
    question = Question(
        id=reader.text("id"),
        ask=reader.text("ask"),
        choices=choices,
        kind=reader.choice("kind", QUESTION_KINDS),
        default=reader.choice("default", choices or ("?",)),
        factors=factors,
        minutes=minutes,
        by_phone=reader.choice("by_phone", ("yes", "no"), "yes") == "yes",
        needs=reader.text("needs", ""),
        unless=reader.text_map("unless"),
        place=reader.place,
    )
    reader.done()
    return question
