"""Words of ``knowledge/words.yaml`` that a text needs where they have no way to be said."""

from __future__ import annotations

from collections.abc import Iterator

from diagnose.errors import DiagnoseError, Issue
from diagnose.knowledge.asked_records import HERE
from diagnose.knowledge.checks_base import error
from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.compose import Installation
from diagnose.plant.matrix import MatrixBuilder
from diagnose.plant.wiring import compose_named, named_installations
from diagnose.reasoning.rule_reach import may_fire


def wordless_texts(kb: KnowledgeBase) -> Iterator[Issue]:
    """A ``{here.<word>}`` that can be shown where no way of the word fits.

    Tried on every named installation (`named_installations`) that composes: the tests that can be
    done there and the rules that may fire. Each text is named once, with the first of them.
    """
    said: set[tuple[str, str]] = set()
    for named in named_installations(kb):
        try:
            installation = compose_named(kb, named)
            missing = kb.words.keys() - installation.words.keys()
            found = list(_shown_without(kb, installation, missing)) if missing else []
        except DiagnoseError:
            continue  # `wiring_issues` says why
        for what, text, place in found:
            for word in HERE.findall(text):
                if word in missing and (what, word) not in said:
                    said.add((what, word))
                    message = f"{what}: the word '{word}' has no way in '{named.name}'"
                    needs = (needs for needs, _ in kb.words[word].ways)
                    yield error("no-way", message, text, place, legal=needs)


def _shown_without(
    kb: KnowledgeBase, installation: Installation, missing: set[str]
) -> Iterator[tuple[str, str, object]]:
    """Whence, the text as written and where, of all that may be shown here with such a word."""

    def lacks(text: str) -> bool:
        return not missing.isdisjoint(HERE.findall(text))

    builder = MatrixBuilder(kb, installation)
    specs = {test.spec.id: test.spec for test in builder.tests.values()}
    known = {*specs, *(complaint.id for complaint in builder.complaints)}
    known |= {q.id for q in kb.questions.values() if installation.fits(q.needs)}
    for spec in specs.values():
        for text in (spec.title, spec.do, spec.by_phone, *(o.title for o in spec.outcomes)):
            if lacks(text):
                yield f"test '{spec.id}'", text, spec
    for rule in kb.rules.values():
        texts = [text for fact in rule.then for _, text in fact.fields if lacks(text)]
        if texts and may_fire(rule, installation, known):
            for text in texts:
                yield f"rule '{rule.id}'", text, rule
