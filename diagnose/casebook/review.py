"""What confirmed cases contradict: likelihoods, rules, ranks, tests, and causes that are missing.

Each suspicion is a count beside the chance, case by case, that the knowledge gives it; how
surprising the count is follows exactly (`diagnose.casebook.surprise`), and of each kind only those
are reported of which on average at most one in twenty is false. Recorded causes are sometimes
wrong, so a share `MISLED` of the cases is allowed to say anything.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from diagnose.casebook.missing import Cluster, clusters, stub
from diagnose.casebook.replays import Replayed
from diagnose.casebook.surprise import at_least, at_most, believed
from diagnose.knowledge.names import spec_of

KINDS = ("likelihood", "rule", "ranked_low", "never_helps", "missing")
MISLED = 0.05
"""Share of the cases in which what is recorded as the cause may be wrong (judgement)."""
DOUBT = 0.15
"""How much of the model's own belief in what a rule calls impossible is granted to a right rule."""
UNLIKELY = 0.1
"""An outcome is near impossible where the cause shows it less often than this, errors apart."""
LOW = 3
"""A cause below this place was ranked low."""
OFTEN = 8
"""A test must have been asked so often before it is said never to help."""
LEAST = 3
"""Cases that any entry needs."""


@dataclass(frozen=True)
class Entry:
    """One thing to look at.

    Attributes
    ----------
    kind : str
        One of `KINDS`.
    about : str
        What it is about: ``unit.mode at test``, a rule, a failure mode, a test, a cluster's words.
    says : str
        What the cases say.
    do : str
        What to look at or to change.
    cases : tuple of str
    surprise : float
        Chance of a count like this if the knowledge were right.
    stub : str
        A failure mode to edit, for a missing one.
    """

    kind: str
    about: str
    says: str
    do: str
    cases: tuple[str, ...]
    surprise: float
    stub: str = ""
    data: Mapping[str, Any] = field(default_factory=dict)


def review(replays: Sequence[Replayed]) -> list[Entry]:
    """Everything to look at, the most cases first within each kind.

    A failure mode that is ranked low is not named again where a likelihood or a rule explains it.
    """
    entries = [*_likelihoods(replays), *_rules(replays)]
    explained = {e.data["cause"] for e in entries if "cause" in e.data}
    for entry in entries:
        if entry.kind == "rule":
            explained |= set(entry.data["causes"])
    entries += [e for e in _ranked_low(replays) if e.about not in explained]
    entries += _never_helping(replays)
    entries += _missing(replays)
    return sorted(entries, key=lambda e: (KINDS.index(e.kind), -len(e.cases), e.about))


def _kept(entries: list[Entry]) -> list[Entry]:
    chosen = believed([e.surprise for e in entries])
    return [e for e, keep in zip(entries, chosen, strict=True) if keep and len(e.cases) >= LEAST]


# ---------------------------------------------------------------------- likelihoods


def _first_answers(replayed: Replayed) -> Iterator[tuple[str, str]]:
    done = set()
    for seen in replayed.outcome.findings:
        if seen.sure and not seen.by_phone and not seen.after_repairs and seen.test not in done:
            done.add(seen.test)
            if seen.test in replayed.session.tests:
                yield seen.test, seen.outcome


def _likelihoods(replays: Sequence[Replayed]) -> list[Entry]:
    """Outcomes near impossible under the confirmed cause, seen more often than errors explain."""
    chances: dict[tuple[str, str], list[dict[str, float]]] = {}
    clean: dict[tuple[str, str], dict[str, list[float]]] = {}
    seen: dict[tuple[str, str, str], list[str]] = {}
    for replayed in replays:
        cause, session = replayed.outcome.cause, replayed.session
        if not replayed.outcome.one_fault or cause not in session.installation.modes:
            continue
        row = session.matrix.rows.index(cause)
        for test, outcome in _first_answers(replayed):
            k = session.matrix.tests.index(test)
            ids = [o.id for o in session.tests[test].outcomes]
            if outcome not in ids:
                continue
            p = session.matrix.p[row, k, : len(ids)]
            wrong = session.errors[test]
            given = (1 - wrong) * p + wrong * (1 - p) / (len(ids) - 1)
            given = (1 - MISLED) * given + MISLED * session.matrix.p[:, k, : len(ids)].mean(axis=0)
            chances.setdefault((cause, test), []).append(
                dict(zip(ids, given.tolist(), strict=True))
            )
            plain = clean.setdefault((cause, test), {})
            for name, value in zip(ids, p.tolist(), strict=True):
                plain.setdefault(name, []).append(value)
            seen.setdefault((cause, test, outcome), []).append(replayed.outcome.case)
    entries = []
    for (cause, test, outcome), cases in sorted(seen.items()):
        expected = float(np.mean(clean[cause, test][outcome]))
        if expected > UNLIKELY:
            continue
        asked = chances[cause, test]
        surprise = at_least([c[outcome] for c in asked], len(cases))
        says = (
            f"under {cause}, {test} showed '{outcome}' in {len(cases)} of {len(asked)} cases; "
            f"the knowledge expects {100 * expected:.0f} %"
        )
        do = (
            f"What {test} shows under {cause} is computed from the part: mend its patch or signs, "
            "or the test's limits, until it shows this; or word the test so that it is not misread."
        )
        data = {"cause": cause, "test": test, "outcome": outcome, "expected": expected}
        entries.append(
            Entry("likelihood", f"{cause} at {test}", says, do, tuple(cases), surprise, "", data)
        )
    return _kept(entries)


# ---------------------------------------------------------------------- rules


def _rules(replays: Sequence[Replayed]) -> list[Entry]:
    """Rules whose conclusions the confirmed causes contradict more often than they may."""
    chances: dict[str, list[float]] = {}
    wrong: dict[str, dict[str, list[tuple[str, str]]]] = {}
    for replayed in replays:
        if replayed.outcome.cause not in replayed.session.installation.modes:
            continue  # what is not known cannot have been suspected
        by_rule: dict[str, list[Any]] = {}
        for claim in replayed.claims:
            by_rule.setdefault(claim.rule, []).append(claim)
        for rule, claims in by_rule.items():
            failed = [c for c in claims if c.wrong]
            categorical = claims[0].text.startswith("excludes") or " against " in claims[0].text
            chance = 1 - float(np.prod([1 - c.chance for c in claims]))
            chance = DOUBT * chance if categorical else MISLED + (1 - MISLED) * chance
            chances.setdefault(rule, []).append(min(max(chance, 0.002), 0.999))
            for claim in failed[:1]:
                told = wrong.setdefault(rule, {}).setdefault(claim.text, [])
                told.append((replayed.outcome.case, replayed.outcome.cause))
    entries = []
    for rule, asked in sorted(chances.items()):
        against = wrong.get(rule, {})
        cases = tuple(case for found in against.values() for case, _ in found)
        surprise = at_least(asked, len(cases))
        texts = "; ".join(sorted(against, key=lambda t: -len(against[t]))[:2])
        causes = sorted({cause for found in against.values() for _, cause in found} - {""})
        says = (
            f"rule '{rule}' ({texts}) fired in {len(asked)} cases and the confirmed cause spoke "
            f"against it in {len(cases)} ({', '.join(causes[:3])})"
        )
        do = "Narrow its 'when', or take the rule out; add these cases' facts under 'silent_on'."
        data = {"rule": rule, "fired": len(asked), "causes": causes}
        entries.append(Entry("rule", rule, says, do, cases, surprise, "", data))
    return _kept(entries)


# ---------------------------------------------------------------------- ranks and tests


def _ranked_low(replays: Sequence[Replayed]) -> list[Entry]:
    """Failure modes confirmed far more often than they were believed in at the end."""
    cases: dict[str, list[str]] = {}
    for replayed in replays:
        if replayed.rank > LOW:
            cases.setdefault(replayed.outcome.cause, []).append(replayed.outcome.case)
    entries = []
    for cause, low in sorted(cases.items()):
        chances = [
            (1 - MISLED) * r.believed.get(cause, 0.0) * (_place(r, cause) > LOW) + MISLED / 50
            for r in replays
        ]
        surprise = at_least(chances, len(low))
        confirmed = sum(r.outcome.cause == cause for r in replays)
        says = (
            f"{cause} was confirmed in {confirmed} cases and stood below place {LOW} in {len(low)} "
            f"of them when the tests were done; {sum(chances):.1f} were expected"
        )
        do = "See which test would have shown it and was not asked, or whether its rate is too low."
        entries.append(
            Entry("ranked_low", cause, says, do, tuple(low), surprise, "", {"confirmed": confirmed})
        )
    return _kept(entries)


def _place(replayed: Replayed, cause: str) -> int:
    own = replayed.believed.get(cause, 0.0)
    return 1 + sum(p > own for p in replayed.believed.values())


def _never_helping(replays: Sequence[Replayed]) -> list[Entry]:
    """Tests asked often whose answers never changed what was believed, though they should have."""
    asked: dict[str, list[tuple[str, bool, float]]] = {}
    for replayed in replays:
        for answer in replayed.asked:
            spec = spec_of(answer.test)
            of = replayed.outcome.case
            asked.setdefault(spec, []).append((of, answer.helped, answer.chance))
    entries = []
    for test, answers in sorted(asked.items()):
        if len(answers) < OFTEN:
            continue
        helped = sum(h for _, h, _ in answers)
        expected = sum(c for _, _, c in answers)
        surprise = at_most([c for _, _, c in answers], helped)
        says = (
            f"{test} was asked {len(answers)} times and told something about the unit "
            f"{helped} times; {expected:.1f} times were expected"
        )
        do = "See whether its outcomes part what is really found, or whether its answers are read."
        cases = tuple(dict.fromkeys(case for case, _, _ in answers))
        entries.append(Entry("never_helps", test, says, do, cases, surprise))
    return _kept(entries)


# ---------------------------------------------------------------------- missing causes


def _missing(replays: Sequence[Replayed]) -> list[Entry]:
    """Causes in people's own words that belong together, each with a stub to edit."""
    entries = []
    for cluster in clusters([r for r in replays if r.outcome.words]):
        says = (
            f"{len(cluster.replays)} cases ended with a cause that is not in the knowledge base: "
            + "; ".join(f"'{w}'" for w in cluster.wordings[:3])
        )
        do = "If it is one way of failing, edit the stub, put it into the part's file, and check."
        cases = tuple(r.outcome.case for r in cluster.replays)
        data = {"words": list(cluster.wordings), "shows": _shown(cluster)}
        entries.append(
            Entry(
                *("missing", cluster.title, says, do, cases, cluster.surprise),
                stub=stub(cluster, len(replays)),
                data=data,
            )
        )
    return entries


def _shown(cluster: Cluster) -> list[str]:
    return [f"{test}: {outcome} ({n} of {of})" for test, outcome, n, of in cluster.shows]
