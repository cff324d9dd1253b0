"""Causes that the knowledge base does not hold: people's own words put together, and a stub.

Two cases belong together as far as their words do and their findings do. Words count by how rare
they are, and by their beginnings (*nest*, *nests*, *nesting*); findings count where the same test
was answered with the same outcome, the more the rarer that outcome is under the known causes.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from diagnose.casebook.replays import Replayed
from diagnose.knowledge.names import unit_of
from diagnose.reasoning.belief import UNKNOWN_UNIT

Floats = NDArray[np.float64]

LEAST = 3
"""Cases that make a cluster."""
ALIKE = 0.27
"""Mean likeness, 0 to 1, at which two clusters are still joined (judgement)."""
WORDS = 0.75
"""Share of the words in the likeness of two cases; the rest is their findings, which alone never
join what has no word in common."""
NAMED = 3
"""Cases named in a stub."""
STEM = 4
"""Letters of a word that count."""
SHOWS = 0.6
"""An outcome is said of a cluster where this share of its answers shows it."""
FILLING = frozenset(
    (
        *("a", "an", "and", "are", "as", "at", "be", "by", "for", "from", "had", "has", "have"),
        *("in", "into", "is", "it", "its", "no", "not", "of", "off", "on", "or", "out", "that"),
        *("the", "there", "this", "to", "up", "was", "were", "with"),
    )
)


@dataclass(frozen=True)
class Cluster:
    """Cases with one cause that is not known.

    Attributes
    ----------
    replays : tuple of Replayed
    wordings : tuple of str
        The causes as written, the most typical first.
    shows : tuple of (test, outcome, cases, cases asked)
        What they have in common beyond what known causes would show.
    unit : str
        The unit suspected most in them; its part gets the stub.
    surprise : float
        Mean unlikeness, 0 (one wording, one pattern) to 1.
    """

    replays: tuple[Replayed, ...]
    wordings: tuple[str, ...]
    shows: tuple[tuple[str, str, int, int], ...]
    unit: str
    surprise: float

    @property
    def title(self) -> str:
        """The most typical wording."""
        return self.wordings[0]


def stems(text: str) -> frozenset[str]:
    """The beginnings of a text's words, without the words that only fill."""
    plain = unicodedata.normalize("NFKC", text).casefold()
    return frozenset(w[:STEM] for w in re.findall(r"\w+", plain) if w not in FILLING)


def clusters(replays: Sequence[Replayed]) -> list[Cluster]:
    """Cases put together by average linkage, clusters of `LEAST` or more, the largest first."""
    if len(replays) < LEAST:
        return []
    likeness = WORDS * _word_likeness(replays) + (1 - WORDS) * _finding_likeness(replays)
    groups = [[k] for k in range(len(replays))]
    while len(groups) > 1:
        best, pair = -1.0, (0, 0)
        for a in range(len(groups)):
            for b in range(a + 1, len(groups)):
                mean = float(likeness[np.ix_(groups[a], groups[b])].mean())
                if mean > best:
                    best, pair = mean, (a, b)
        if best < ALIKE:
            break
        a, b = pair
        groups[a] += groups.pop(b)
    large = [g for g in groups if len(g) >= LEAST]
    found = [_cluster([replays[k] for k in g], likeness[np.ix_(g, g)]) for g in large]
    return sorted(found, key=lambda c: (-len(c.replays), c.title))


def _word_likeness(replays: Sequence[Replayed]) -> Floats:
    """Cosine between the words, each weighed by how rare it is, (cases, cases)."""
    texts = [stems(r.outcome.words) for r in replays]
    often: Counter[str] = Counter(word for text in texts for word in text)
    place = {word: k for k, word in enumerate(sorted(often))}
    table = np.zeros((len(texts), max(len(place), 1)))
    for row, text in enumerate(texts):
        for word in text:
            table[row, place[word]] = math.log1p(len(texts) / often[word])
    length = np.maximum(np.linalg.norm(table, axis=1, keepdims=True), 1e-12)
    table = table / length
    return np.asarray(table @ table.T)


def _answers(replayed: Replayed) -> Mapping[str, str]:
    found: dict[str, str] = {}
    for seen in replayed.outcome.findings:
        if not seen.after_repairs and seen.test in replayed.session.tests:
            found.setdefault(seen.test, seen.outcome)
    return found


def _rarity(replayed: Replayed, test: str, outcome: str) -> float:
    """Bits that an outcome is worth: how seldom the known causes of its complaint show it."""
    session = replayed.session
    table = session.table("now")
    ids = [o.id for o in session.tests[test].outcomes]
    if outcome not in ids or any(c not in table.complaint for c in replayed.outcome.complaints):
        return 0.0
    weight = np.exp(table.prior(replayed.outcome.complaints))
    shown = table.likely(table.test_index[test], ids.index(outcome))
    return -math.log2(max(float(weight @ shown), 1e-6))


def _finding_likeness(replays: Sequence[Replayed]) -> Floats:
    """Share of the bits of two cases' common tests on which they agree, (cases, cases)."""
    answers = [_answers(r) for r in replays]
    bits = [
        {test: _rarity(r, test, outcome) for test, outcome in found.items()}
        for r, found in zip(replays, answers, strict=True)
    ]
    found = np.eye(len(replays))
    for a in range(len(replays)):
        for b in range(a + 1, len(replays)):
            same = total = 0.0
            for test in answers[a].keys() & answers[b].keys():
                agree = answers[a][test] == answers[b][test]
                worth = max(bits[a][test], bits[b][test])
                total += worth
                same += worth if agree else 0.0
            found[a, b] = found[b, a] = same / (total + 2.0)
    return found


def _cluster(replays: Sequence[Replayed], likeness: Floats) -> Cluster:
    order = np.argsort(-likeness.mean(axis=1), kind="stable")
    wordings = tuple(dict.fromkeys(replays[k].outcome.words for k in order))
    told: dict[str, Counter[str]] = {}
    for replayed in replays:
        for test, outcome in _answers(replayed).items():
            told.setdefault(test, Counter())[outcome] += 1
    shows = []
    for test, outcomes in told.items():
        outcome, n = outcomes.most_common(1)[0]
        of = outcomes.total()
        if n >= 2 and n / of >= SHOWS:
            bits = float(
                np.mean(
                    [_rarity(r, test, outcome) for r in replays if _answers(r).get(test) == outcome]
                )
            )
            shows.append((bits * n, test, outcome, n, of))
    shows.sort(key=lambda s: (-s[0], s[1]))
    units: dict[str, float] = {}
    for replayed in replays:
        for name, p in replayed.believed.items():
            unit = unit_of(name)
            if unit != UNKNOWN_UNIT:
                units[unit] = units.get(unit, 0.0) + p
    pairs = likeness[np.triu_indices(len(replays), 1)]
    return Cluster(
        tuple(replays),
        wordings,
        tuple((test, outcome, n, of) for _, test, outcome, n, of in shows[:8]),
        max(sorted(units), key=lambda u: units[u], default=""),
        float(1.0 - pairs.mean()),
    )


# ---------------------------------------------------------------------- the stub


def stub(cluster: Cluster, cases: int) -> str:
    """A failure mode in the format of ``parts/*.yaml``, ready to edit, with what is known of it.

    Parameters
    ----------
    cases
        All confirmed cases, to say how common it is.
    """
    first = cluster.replays[0].session
    part = first.installation.instances[cluster.unit].part if cluster.unit else "the part"
    words = sorted(stems(cluster.title), key=lambda w: cluster.title.casefold().find(w))
    whole = [
        next((x for x in re.findall(r"\w+", cluster.title.casefold()) if x.startswith(w)), w)
        for w in words[:3]
    ]
    name = "_".join(re.sub(r"[^a-z0-9]", "", w) for w in whole).strip("_") or "new_cause"
    title = cluster.title[:1].upper() + cluster.title[1:]
    rate, per = _common(cluster, cases)
    lines = [
        f"  # for parts/{part}.yaml, under failure_modes (suspected most: {cluster.unit})",
        f"  # cases: {', '.join(r.outcome.case for r in cluster.replays[:NAMED])}",
        *(f"  # also: {w}" for w in cluster.wordings[1:4]),
        f"  {name}:",
        f"    title: {_quoted(title[:60])}",
        "    class: damage # or wear, commissioning, as_designed",
        f"    rate: {rate} # {len(cluster.replays)} of {cases} cases, about {per:.1f} /Mh",
        "    patch: {} # what it changes in the part, so that the tests show:",
        *(f"    #   {test}: {outcome} ({n} of {of})" for test, outcome, n, of in cluster.shows),
        "    signs: {} # what is seen, heard or smelt: sign: always, mostly, often, sometimes",
        "    remedy: Write what puts it right.",
        "    spares: []",
        "    root_causes: []",
        "    repair: refit # or adjust, replace, heavy",
    ]
    return "\n".join(" ".join(line.split("\n")) for line in lines) + "\n"


def _quoted(text: str) -> str:
    plain = " ".join(text.split()).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{plain}"'


def _common(cluster: Cluster, cases: int) -> tuple[str, float]:
    """The word of the scale ``how_common`` nearest to its share of the cases, and its rate."""
    session = cluster.replays[0].session
    table = session.table("now")
    reported = np.zeros(len(table.names))
    for column in table.complaint.values():
        reported = np.maximum(reported, np.nan_to_num(column))
    whole = float(np.nansum(table.weight * reported))
    rate = max(len(cluster.replays) / max(cases, 1) * whole, 1e-3)
    words = session.knowledge.scales["how_common"].words
    word = min(words, key=lambda w: abs(np.log(words[w].nominal / rate)))
    return word, rate
