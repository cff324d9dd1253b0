"""Checks on complaints, questions, signs and texts: what people say, are asked and are told."""

from __future__ import annotations

from collections.abc import Iterator

from diagnose.errors import Issue
from diagnose.knowledge.asked_records import HERE
from diagnose.knowledge.checks_base import error, needs_issues, unknown, warning
from diagnose.knowledge.checks_tests import INSTRUMENTS
from diagnose.knowledge.family import Family
from diagnose.knowledge.records import MODE_CLASSES, STATES, KnowledgeBase

BY = ("anyone", "instructed", "licensed")
"""The least qualification that a check after a repair takes."""
SAFETY_CAUTIONS = (
    *("mains_live", "isolate_first"),
    *("insulation_test_voltage", "capacitor_charge"),
)
"""Cautions that the program itself attaches or insists on."""


def complaints_are_whole(kb: KnowledgeBase) -> Iterator[Issue]:
    """A complaint that nothing can show, or in a situation or with a caution that is not there."""
    situations = Family.all_of(kb).situations
    for complaint in kb.complaints.values():
        what = f"complaint '{complaint.id}'"
        if not complaint.when or not all(complaint.when):
            yield error("empty-when", f"{what}: 'when' has nothing to go by", complaint)
        for alternative in complaint.when:
            for name in alternative:
                if name not in situations:
                    yield unknown(what, "situation", name, situations, complaint)
        for caution in complaint.cautions:
            if caution not in kb.cautions:
                yield unknown(what, "caution", caution, kb.cautions, complaint)
        safety = {name: q for name, q in kb.questions.items() if q.kind == "safety"}
        for name, choice in complaint.reports.items():
            if name not in safety:
                yield unknown(what, "safety question", name, safety, complaint)
            elif choice not in safety[name].choices:
                yield unknown(what, "choice", choice, safety[name].choices, complaint)


def factors_have_targets(kb: KnowledgeBase) -> Iterator[Issue]:
    """A question that weighs an answer it does not offer, or a cause that does not exist."""
    family = Family.all_of(kb)
    legal: set[str] = {*MODE_CLASSES, *family.fitted, *kb.parts}
    legal |= {f"{name}.{mode}" for name in family.fitted for mode in family.modes(name)}
    legal |= {f"{p.id}.{mode}" for p in kb.parts.values() for mode in p.failure_modes}
    for question in kb.questions.values():
        what = f"question '{question.id}'"
        yield from needs_issues(what, question.needs, family, question)
        earlier = list(kb.questions)[: list(kb.questions).index(question.id)]
        for name, choice in question.unless.items():
            if name not in earlier:
                yield unknown(what, "earlier question", name, earlier, question)
            elif choice not in kb.questions[name].choices:
                kind = f"choice of '{name}'"
                yield unknown(what, kind, choice, kb.questions[name].choices, choice, question)
        for choice, factors in question.factors.items():
            if choice not in question.choices:
                yield unknown(what, "choice", choice, question.choices, question)
            for target in factors:
                if target not in legal:
                    kind = "class, part, instance or failure mode"
                    yield unknown(what, kind, target, legal, choice, question)


def cautions_are_there(kb: KnowledgeBase) -> Iterator[Issue]:
    """A caution without which the program would stay silent about a hazard."""
    known = next((c for c in kb.cautions.values()), None)
    source = next((s for s in kb.sources.values()), None)
    for caution in SAFETY_CAUTIONS:
        if caution not in kb.cautions:
            message = f"cautions: '{caution}' is missing"
            yield error("no-caution", message, known, source, legal=SAFETY_CAUTIONS)


def signs_are_used(kb: KnowledgeBase) -> Iterator[Issue]:
    """A sign that no test looks for, or that no failure mode shows."""
    asked = {s for test in kb.tests.values() if test.kind == "sign" for s in test.of}
    modes = [mode for part in kb.parts.values() for mode in part.failure_modes.values()]
    shown = {sign for mode in modes for sign in mode.signs}
    for sign in kb.signs.values():
        if sign.id not in asked:
            yield warning("unused", f"sign '{sign.id}': no test looks for it", sign)
        if sign.id not in shown:
            yield warning("unused", f"sign '{sign.id}': no failure mode shows it", sign)


def verifications_can_be_placed(kb: KnowledgeBase) -> Iterator[Issue]:
    """A rule that asks for a check in no known state, by nobody or with nothing known."""
    legal: dict[str, tuple[str, ...]] = {"state": STATES, "by": BY, "instrument": INSTRUMENTS}
    for rule in kb.rules.values():
        for fact in rule.then:
            for name, known in legal.items() if fact.kind == "verify" else ():
                if fact.get(name, known[0]) not in known:
                    yield unknown(f"rule '{rule.id}'", name, fact.get(name), known, rule)


def words_are_known(kb: KnowledgeBase) -> Iterator[Issue]:
    """A ``{here.<word>}`` that stands for nothing, or a word that no text uses."""
    family = Family.all_of(kb)
    used = set()
    texts: list[tuple[str, str, object]] = []
    for test in kb.tests.values():
        said = (test.title, test.do, test.by_phone, *(o.title for o in test.outcomes))
        texts += [(f"test '{test.id}'", text, test) for text in said]
    for rule in kb.rules.values():
        said = tuple(text for fact in rule.then for _name, text in fact.fields)
        texts += [(f"rule '{rule.id}'", text, rule) for text in said]
    for what, text, place in texts:
        for name in HERE.findall(text):
            used.add(name)
            if name not in kb.words:
                yield unknown(what, "word", name, kb.words, text, place)
    for word in kb.words.values():
        for needs, _ in word.ways:
            yield from needs_issues(f"word '{word.id}'", needs, family, word)
        if word.id not in used:
            yield warning("unused", f"word '{word.id}': no text uses it", word)


def texts_are_written(kb: KnowledgeBase) -> Iterator[Issue]:
    """A title, instruction, remedy or list item that is there but says nothing."""
    written: list[tuple[str, str, object]] = []
    for part in kb.parts.values():
        written.append((f"part '{part.id}': title", part.title, part))
        for mode in part.failure_modes.values():
            what = f"failure mode '{part.id}.{mode.id}'"
            written += [
                (f"{what}: title", mode.title, mode),
                (f"{what}: remedy", mode.remedy, mode),
            ]
            for key in ("root_causes", "spares"):
                written += [(f"{what}: {key}", text, mode) for text in getattr(mode, key)]
    for test in kb.tests.values():
        what = f"test '{test.id}'"
        written += [(f"{what}: title", test.title, test), (f"{what}: do", test.do, test)]
        written += [(f"{what}: outcome '{o.id}'", o.title, o.id) for o in test.outcomes]
    for complaint in kb.complaints.values():
        what = f"complaint '{complaint.id}'"
        written += [(f"{what}: title", complaint.title, complaint)]
        written += [(f"{what}: says", complaint.says, complaint)]
    for kind in kb.installations.values():
        for name, found in Family(kb, [kind]).fitted.items():
            written += [(f"instance '{name}': title", i.title, i) for i in found]
    written += [(f"caution '{c.id}': text", c.text, c) for c in kb.cautions.values()]
    written += [(f"question '{q.id}': ask", q.ask, q) for q in kb.questions.values()]
    written += [(f"sign '{s.id}': title", s.title, s) for s in kb.signs.values()]
    written += [(f"source '{s.id}': title", s.title, s) for s in kb.sources.values()]
    written += [(f"word '{w.id}': says", says, w) for w in kb.words.values() for _, says in w.ways]
    for what, text, place in written:
        if not text.strip():
            yield error("empty-text", f"{what} is empty", text, place)


CHECKS = (
    complaints_are_whole,
    factors_have_targets,
    cautions_are_there,
    signs_are_used,
    verifications_can_be_placed,
    words_are_known,
    texts_are_written,
)
