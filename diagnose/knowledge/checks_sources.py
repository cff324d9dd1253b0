"""Checks on numbers, sources and scales: no number without a source, no certainty."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from pathlib import PurePath

from diagnose.errors import Issue, Place
from diagnose.knowledge.checks_base import error, nearest, unknown, warning
from diagnose.knowledge.records import SOURCE_KINDS, KnowledgeBase, Number

RATE_UNIT = "/Mh"
SCALE_UNITS: Mapping[str, str] = {
    "how_common": RATE_UNIT,
    "how_sure": "1",
    "minutes": "min",
    "repair_minutes": "min",
    "answer_errors": "1",
    "phone_errors": "1",
    "accuracy": "1",
    "history_factors": "1",
    "changes": "min",
    "survey": "1",
    "spare_prices": "min",
    "wasted_spare": "min",
    "trust": "min",
}
"""The scales that the program asks for, and the unit of their words."""
CHANGES = (
    *("isolate", "prove_dead", "energise", "verify"),
    *("panel_to_roof", "panel_to_pump", "panel_to_sump"),
)
WANTED: Mapping[str, tuple[str, ...]] = {
    "changes": CHANGES,
    "survey": ("faulty",),
    "minutes": ("glance", "quick", "fair"),
    "repair_minutes": ("heavy",),
    "history_factors": ("more",),
    "trust": ("repair_in_vain",),
}
"""Words that the program itself uses."""
MAY_BE_NOTHING = ("wasted_spare", "trust")
CHANCES = ("how_sure", "answer_errors", "phone_errors", "survey")
WEAK_KINDS = ("judgement", "memory")
MOST_WEAK = 0.5
"""At most this share of the numbers may rest on judgement or memory."""


def numbers_by_source_kind(kb: KnowledgeBase) -> dict[str, int]:
    """Count the numbers by the kind of source that they rest on.

    Every value or range in the files counts once, a word of a scale once however often it is
    used, and every limit of a test's outcomes once. A limit of a test without a source is
    counted as judgement, which is all that it can be.

    Returns
    -------
    dict
        Kind of source to count, in the order of `SOURCE_KINDS`, zeros included.
    """
    counts = Counter(_kind(kb, number.source) for number in kb.numbers)
    for test in kb.tests.values():
        limits = sum(outcome.below is not None for outcome in test.outcomes)
        counts[_kind(kb, test.source)] += limits
    return {kind: counts[kind] for kind in SOURCE_KINDS}


def _kind(kb: KnowledgeBase, source: str) -> str:
    return kb.sources[source].kind if source in kb.sources else "judgement"


def numbers_have_sources(kb: KnowledgeBase) -> Iterator[Issue]:
    """A number that cites nothing, or something that is not in sources.yaml."""
    for number in kb.numbers:
        if not number.source:
            yield error(
                "no-source",
                "this number has no 'source'",
                number,
                legal=nearest("", kb.sources),
            )
        elif number.source not in kb.sources:
            yield unknown("number", "source", number.source, kb.sources, number)


def others_have_sources(kb: KnowledgeBase) -> Iterator[Issue]:
    """A test, caution or rule that cites something that is not in sources.yaml."""
    cited = [(f"test '{t.id}'", t.source, t.place) for t in kb.tests.values() if t.source]
    cited += [(f"caution '{c.id}'", c.source, c.place) for c in kb.cautions.values()]
    cited += [(f"rule '{r.id}'", r.source, r.place) for r in kb.rules.values()]
    for what, source, place in cited:
        if source not in kb.sources:
            yield unknown(what, "source", source, kb.sources, place)


def limits_have_sources(kb: KnowledgeBase) -> Iterator[Issue]:
    """A test whose limits cite nothing."""
    for test in kb.tests.values():
        if not test.source and any(outcome.below is not None for outcome in test.outcomes):
            message = f"test '{test.id}': its limits have no 'source'"
            yield error("limit-source", message, test, legal=nearest("", kb.sources))


def _top_of(kb: KnowledgeBase, file: str) -> Place:
    """The beginning of a file at the top of the folder."""
    known = next((s.place.file for s in kb.sources.values() if s.place), f"{kb.root}/sources.yaml")
    return Place(str(PurePath(known).with_name(file)), 1, 1)


def there_is_a_version(kb: KnowledgeBase) -> Iterator[Issue]:
    """Knowledge of which a case could not say which it was."""
    if not kb.version:
        top = _top_of(kb, "knowledge.yaml")
        yield error("no-version", "the knowledge has no version", top, legal=("version: 1.2.0",))


def scales_are_whole(kb: KnowledgeBase) -> Iterator[Issue]:
    """A scale or a word that the program asks for is missing, or in the wrong unit."""
    top = _top_of(kb, "scales.yaml")
    for name, unit in SCALE_UNITS.items():
        if name not in kb.scales:
            yield error("missing-scale", f"the scale '{name}' is missing", top, legal=SCALE_UNITS)
            continue
        words = kb.scales[name].words
        for word, number in words.items():
            if number.unit != unit:
                message = f"scale '{name}': '{word}' is in '{number.unit or '1'}'"
                yield error("wrong-unit", message, number, legal=(unit,))
            elif name in CHANCES and not 0 < number.low <= number.high < 1:
                message = f"scale '{name}': '{word}' must lie between 0 and 1, both excluded"
                yield error("chance", message, number)
            elif number.low < 0 or (number.low == 0 and name not in MAY_BE_NOTHING):
                message = f"scale '{name}': '{word}' must be above zero"
                yield error("not-positive", message, number)
        wanted = WANTED.get(name, ())
        if name == "wasted_spare" and "repair_minutes" in kb.scales:
            wanted = tuple(kb.scales["repair_minutes"].words)
        for word in (w for w in wanted if w not in words):
            place = next((n.place for n in words.values()), top)
            message = f"scale '{name}': the word '{word}' is missing"
            yield error("missing-scale", message, place, legal=wanted)


def rates_are_rates(kb: KnowledgeBase) -> Iterator[Issue]:
    """A failure rate in another unit than failures per million hours, or not above zero."""
    for part in kb.parts.values():
        for mode in part.failure_modes.values():
            what = f"failure mode '{part.id}.{mode.id}'"
            if mode.rate.unit != RATE_UNIT:
                message = f"{what}: a rate is in {RATE_UNIT}, not in '{mode.rate.unit or '1'}'"
                yield error("wrong-unit", message, mode.rate, mode, legal=(RATE_UNIT,))
            elif not mode.rate.nominal > 0:
                yield error("not-positive", f"{what}: its rate must be above zero", mode.rate, mode)


def judged_numbers(kb: KnowledgeBase) -> Iterator[Issue]:
    """How many failure rates, and whether most numbers, rest on judgement or memory."""
    modes = [mode for part in kb.parts.values() for mode in part.failure_modes.values()]
    judged = [mode for mode in modes if _weak(kb, mode.rate)]
    if judged:
        message = f"{len(judged)} of {len(modes)} failure rates rest on judgement or memory alone"
        yield warning("judged-rates", message, *judged)
    counts = numbers_by_source_kind(kb)
    weak, total = sum(counts[kind] for kind in WEAK_KINDS), sum(counts.values())
    if weak > MOST_WEAK * total:
        first = next((number for number in kb.numbers if _weak(kb, number)), None)
        message = f"{weak} of {total} numbers rest on judgement or memory: at most half may"
        yield warning("judged-numbers", message, first)


def _weak(kb: KnowledgeBase, number: Number) -> bool:
    return _kind(kb, number.source) in WEAK_KINDS


CHECKS = (
    there_is_a_version,
    numbers_have_sources,
    others_have_sources,
    limits_have_sources,
    scales_are_whole,
    rates_are_rates,
    judged_numbers,
)
