"""Minutes of tests, ways, acts and repairs, from those that somebody measured.

A time is log-normal. Its median starts at the handbook's value, moved by how fast the firm works
altogether, and counts for `WEIGHT` measurements; installation types share what they have seen, and
a site starts from its type. So three measurements never outvote the handbook.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from diagnose.casebook.counting import Counts, Tally
from diagnose.casebook.shrinkage import Estimate, LogTime, pooled_spread
from diagnose.knowledge.names import spec_of
from diagnose.knowledge.overlay_records import Key
from diagnose.knowledge.records import KnowledgeBase

WEIGHT = 6.0
"""Measurements that what is known beforehand counts for (judgement)."""
SPREAD, SPREAD_WEIGHT = 0.4, 20.0
"""Standard deviation of the logarithm of one measurement beforehand, and its weight (judgement)."""
PACE_WEIGHT = 30.0
"""Measurements that *as fast as the handbook* counts for."""
MOST = 500
"""Times of sites that are written."""
SITE_CASES = 3
SITE_TELLS = 0.1
"""A site's own time is kept from so many measurements on, where it differs by more than this share
and the general one lies outside its interval."""


@dataclass(frozen=True)
class Time:
    """A learned time: estimate, the handbook's minutes, measurements behind it."""

    estimate: Estimate
    handbook: float
    n: int


def learned_times(
    counts: Counts,
    knowledge: KnowledgeBase,
    repair_words: Mapping[tuple[str, str], str],
    weights: dict[str, float] | None = None,
) -> dict[Key, Time]:
    """Every time that was measured, by section, installation type, site and name.

    Parameters
    ----------
    repair_words : (installation type, ``unit.mode``) -> word of ``repair_minutes``
    weights
        Takes the firm's pace and the spread of each section; what is there already stays.
    """
    weights = {} if weights is None else weights
    found: dict[Key, Time] = {}
    by_section: dict[str, dict[tuple[str, str, str], Tally]] = {}
    handbook: dict[tuple[str, str, str], float] = {}
    for (kind, site, work, name), tally in counts.minutes.items():
        told = _section(knowledge, repair_words, kind, work, name)
        if told is None:
            continue
        section, entry, minutes = told
        tallies = by_section.setdefault(section, {})
        tallies[kind, site, entry] = tallies.get((kind, site, entry), Tally()).plus(tally)
        handbook[section, kind, entry] = minutes
    for section, tallies in by_section.items():
        books = {(k, e): m for (s, k, e), m in handbook.items() if s == section}
        for (kind, site, entry), time in _shrunk(section, tallies, books, weights):
            found[section, kind, site, entry] = time
    return _readable(found)


def _readable(found: dict[Key, Time]) -> dict[Key, Time]:
    """Of the sites' own times those farthest from the handbook, `MOST` of them at most."""
    own = [key for key in found if key[2]]

    def far(key: Key) -> tuple[float, Key]:
        return -abs(math.log(found[key].estimate.value / found[key].handbook)), key

    left_out = set(sorted(own, key=far)[MOST:])
    return {key: time for key, time in found.items() if key not in left_out}


def _section(
    knowledge: KnowledgeBase,
    repair_words: Mapping[tuple[str, str], str],
    kind: str,
    work: str,
    name: str,
) -> tuple[str, str, float] | None:
    """Section, entry and the handbook's minutes of a piece of work; None where it is unknown."""
    changes = knowledge.scales["changes"].words
    if work == "test":
        spec = knowledge.tests.get(spec_of(name))
        if spec is None:
            return None
        return "test_minutes", spec.id, knowledge.word("minutes", spec.minutes)
    if work == "repair":
        word = repair_words.get((kind, name))
        return None if word is None else ("repair_minutes", name, _word(knowledge, word))
    if work == "act":
        return ("change_minutes", name, changes[name].nominal) if name in changes else None
    place, _, choice = name.partition(":")
    word = f"panel_to_{place}"
    question = knowledge.questions.get(f"{place}_way")
    if question is not None and choice:
        word = question.minutes.get(choice, {}).get(word, word)
    return ("change_minutes", word, changes[word].nominal) if word in changes else None


def _word(knowledge: KnowledgeBase, word: str) -> float:
    return knowledge.word("repair_minutes", word)


def _shrunk(
    section: str,
    tallies: Mapping[tuple[str, str, str], Tally],
    handbook: Mapping[tuple[str, str], float],
    weights: dict[str, float],
) -> Iterator[tuple[tuple[str, str, str], Time]]:
    """The cascade firm, installation type, site for the entries of one section."""
    spread = weights.get(f"{section}, spread") or pooled_spread(
        list(tallies.values()), SPREAD, SPREAD_WEIGHT
    )
    weights[f"{section}, spread"] = spread
    by_kind: dict[tuple[str, str], Tally] = {}
    at_sites: dict[tuple[str, str], list[tuple[str, Tally]]] = {}
    for (kind, site, entry), tally in sorted(tallies.items()):
        if site and tally.n >= SITE_CASES:
            at_sites.setdefault((kind, entry), []).append((site, tally))
        by_kind[kind, entry] = by_kind.get((kind, entry), Tally()).plus(tally)
    slower = sum(t.total - t.n * math.log(handbook[key]) for key, t in by_kind.items())
    pace = slower / (sum(t.n for t in by_kind.values()) + PACE_WEIGHT)
    pace = math.log(weights.setdefault(f"{section}, pace", math.exp(pace)))
    everywhere: dict[str, Tally] = {}
    for (_, entry), tally in by_kind.items():
        everywhere[entry] = everywhere.get(entry, Tally()).plus(tally)
    for (kind, entry), tally in sorted(by_kind.items()):
        book = handbook[kind, entry]
        firm = LogTime(math.log(book) + pace, WEIGHT, spread)
        others = everywhere[entry].plus(tally, -1)
        prior = LogTime(firm.seen(others).log_mean, WEIGHT, spread)
        time = prior.seen(tally)
        yield (kind, "", entry), Time(time.estimate(), book, tally.n)
        for site, own in at_sites.get((kind, entry), []):
            rest = prior.seen(tally.plus(own, -1))
            here = LogTime(rest.log_mean, WEIGHT, spread).seen(own)
            estimate = here.estimate()
            outside = not estimate.low <= math.exp(time.log_mean) <= estimate.high
            if outside and abs(here.log_mean - time.log_mean) > SITE_TELLS:
                yield (kind, site, entry), Time(estimate, book, own.n)
