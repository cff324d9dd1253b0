"""From counts of confirmed cases to an overlay: what a firm's own cases say about the numbers.

Only `Counts` are looked at, never the cases, so learning takes as long for a million of them as
for a thousand, and one more case is added to the counts and fitted again.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from diagnose.casebook.counting import Counts, way_of
from diagnose.casebook.outcomes import Outcome, Variants
from diagnose.casebook.rates import (
    Causes,
    Modes,
    RateFit,
    fit_rates,
)
from diagnose.casebook.shrinkage import Beta
from diagnose.casebook.sites import expected_shares, site_numbers
from diagnose.casebook.times import WEIGHT as TIME_WEIGHT
from diagnose.casebook.times import learned_times
from diagnose.casebook.wirings import Wirings, handbook_rates, history_weights, part_of
from diagnose.casebook.wrong import WEIGHTS, Answers, answers_by_test, fit_error, fitting_weight
from diagnose.knowledge.names import spec_of, unit_of
from diagnose.knowledge.overlay_records import Key, Learned, Overlay

Floats = NDArray[np.float64]

SITE_WEIGHT = "rates of a site, cases of a unit"
SHOWN_IDS = 5
"""Cases named behind a number; their count stands beside them."""
MOVED = 0.01
"""A rate is written where it differs from the handbook's by more than this share."""
HANDBOOK_SHARE = 20.0
"""Cases that the handbook's rates count for where the mean factor of the history is found."""

Behind = Mapping[tuple[str, ...], Sequence[str]]
"""The first cases behind a number, by section, installation type, site and name."""


@dataclass(frozen=True)
class Learning:
    """What was learned, and how.

    Attributes
    ----------
    overlay : Overlay
    rates : RateFit or None
        None where no confirmed cause is in the knowledge base.
    used : float
        Share of the cases whose wiring was learned from.
    """

    overlay: Overlay
    rates: RateFit | None
    used: float


def learn(
    counts: Counts,
    wirings: Wirings,
    behind: Behind | None = None,
    day: str | None = None,
    added: tuple[Overlay, Counts] | None = None,
) -> Learning:
    """Fit everything, or after a few more cases what they bear on.

    Parameters
    ----------
    wirings
        On the handbook, not on what was learned before: cases count once.
    behind
        The cases to name beside each number; see `cases_behind`.
    day
        The date to write, ISO 8601; today by default.
    added
        What was learned before, and the counts of the cases since (they are in `counts` too). Then
        the rates are fitted anew, and of the rest what those cases touch; how much the handbook
        counts stays as it was found. It is the same but for that, and quick.
    """
    behind = behind or {}
    earlier = added[0] if added is not None else None
    if added is not None:
        counts = touched(counts, added[1])
    used = wirings.make_for(counts)
    numbers = _kept(earlier, counts) if earlier is not None else {}
    weights: dict[str, float] = dict(earlier.weights) if earlier is not None else {}
    fitted = _rates(counts, wirings)
    if fitted is not None:
        modes, causes, fit = fitted
        numbers |= _rate_numbers(modes, causes, fit, behind)
        pinned = weights.get(SITE_WEIGHT)
        found, weight = site_numbers(counts, expected_shares(modes, causes, fit), pinned)
        numbers |= {
            k: replace(n, ids=tuple(behind.get(k, ()))[:SHOWN_IDS]) for k, n in found.items()
        }
        weights[SITE_WEIGHT] = weight
        weights["rates, cases of a failure mode"] = fit.weight
    for section, by_phone in (("wrong_answers", False), ("wrong_by_phone", True)):
        numbers |= _error_numbers(counts, wirings, section, by_phone, behind, weights)
    numbers |= _time_numbers(counts, wirings, behind, weights)
    overlay = Overlay(
        learned=day or datetime.date.today().isoformat(),
        knowledge=wirings.knowledge.digest,
        cases=counts.cases,
        weights=weights,
        numbers=numbers,
    )
    return Learning(overlay, fitted[2] if fitted is not None else None, used)


def _kept(earlier: Overlay, counts: Counts) -> dict[Key, Learned]:
    """What was learned before and no rate fitted anew takes the place of."""
    seen = {(kind, site) for kind, site, _ in counts.sites}
    return {
        key: n
        for key, n in earlier.numbers.items()
        if key[0] != "rates" or (key[2] and (key[1], key[2]) not in seen)
    }


def _time_numbers(
    counts: Counts, wirings: Wirings, behind: Behind, weights: dict[str, float]
) -> dict[Key, Learned]:
    """Minutes as learned; notes in `weights` what the handbook counts for."""
    words = {
        (kind, name): mode.mode.repair
        for (kind, _), wiring in wirings.made.items()
        if wiring is not None
        for name, mode in wiring.installation.modes.items()
    }
    found: dict[Key, Learned] = {}
    for key, time in learned_times(counts, wirings.knowledge, words, weights).items():
        e = time.estimate
        ids = tuple(behind.get(key, ()))[:SHOWN_IDS]
        found[key] = Learned(e.value, time.handbook, e.low, e.high, time.n, ids)
        weights["minutes, measurements"] = TIME_WEIGHT
    return found


def touched(counts: Counts, added: Counts) -> Counts:
    """Of counts, all causes, and what the added cases bear on: their sites, tests and work."""
    sites = {key[:2] for key in added.sites}
    tests = {(key[0], spec_of(key[3])) for key in added.findings}
    works = {(key[2], spec_of(key[3])) for key in added.minutes}
    return replace(
        counts,
        sites={key: n for key, n in counts.sites.items() if key[:2] in sites},
        findings={
            key: n for key, n in counts.findings.items() if (key[0], spec_of(key[3])) in tests
        },
        minutes={
            key: tally
            for key, tally in counts.minutes.items()
            if (key[2], spec_of(key[3])) in works
        },
    )


# ---------------------------------------------------------------------- rates


def causes_of(counts: Counts, wirings: Wirings) -> tuple[Modes, Causes] | None:
    """The counted causes as tables; None where there are none in the knowledge base."""
    kinds: dict[tuple[str, Variants, tuple[str, ...]], dict[str, int]] = {}
    cases: dict[tuple[str, str], int] = {}
    for (kind, variants, complaints, cause), n in sorted(counts.causes.items()):
        cases[kind, cause] = cases.get((kind, cause), 0) + n
        wiring = wirings.of(kind, variants)
        if wiring is not None and cause in wiring.installation.modes:
            kinds.setdefault((kind, variants, complaints), {})[cause] = n
    rates: dict[tuple[str, str], float] = {}
    groups: dict[tuple[str, str], tuple[str, str, str]] = {}
    for (kind, _), wiring in wirings.made.items():
        if wiring is None:
            continue
        for name, rate in handbook_rates(wiring).items():
            mode, part = wiring.installation.modes[name].mode, part_of(wiring.installation, name)
            rates[kind, name] = rate
            groups[kind, name] = (mode.mode_class, part, f"{part}.{mode.id}")
    names = tuple(sorted(rates))
    classes, parts, part_modes = (
        zip(*(groups[n] for n in names), strict=True) if names else ((),) * 3
    )
    modes = Modes(names, classes, parts, part_modes, np.array([rates[n] for n in names]))
    found, shown = [], []
    raised: dict[tuple[str, Variants], Floats] = {}
    for (kind, variants, complaints), causes in kinds.items():
        wiring = wirings.of(kind, variants)
        reported = wiring.reported(complaints) if wiring is not None else None
        if wiring is None or reported is None:
            continue
        own = np.array([modes.index[kind, name] for name in wiring.modes])
        if (kind, variants) not in raised:
            shares = np.array([rates[kind, name] for name in wiring.modes])
            n_of = np.array([cases.get((kind, name), 0) for name in wiring.modes])
            shares = n_of + HANDBOOK_SHARE * shares / shares.sum()
            raised[kind, variants] = history_weights(
                wiring, counts, wirings.knowledge, shares / shares.sum()
            )
        row = np.zeros((2, len(names)))
        row[0, own] = reported * raised[kind, variants]
        for cause, n in causes.items():
            row[1, modes.index[kind, cause]] = n
        shown.append(row[0])
        found.append(row[1])
    return (modes, Causes(np.array(found), np.array(shown))) if found else None


def _rates(counts: Counts, wirings: Wirings) -> tuple[Modes, Causes, RateFit] | None:
    tables = causes_of(counts, wirings)
    return None if tables is None else (*tables, fit_rates(*tables))


def _rate_numbers(modes: Modes, causes: Causes, fit: RateFit, behind: Behind) -> dict[Key, Learned]:
    """Rates that moved; all are scaled alike, so that as many failures are expected in all."""
    cases = causes.counts.sum(axis=0)
    scale = modes.handbook.sum() / (modes.handbook @ fit.factor)
    found: dict[Key, Learned] = {}
    for k, (kind, name) in enumerate(modes.names):
        factor, low, high = (scale * float(x[k]) for x in (fit.factor, fit.low, fit.high))
        if abs(factor - 1) <= MOVED and not cases[k]:
            continue
        book = float(modes.handbook[k])
        key = ("rates", kind, "", name)
        ids = tuple(behind.get(key, ()))[:SHOWN_IDS]
        found[key] = Learned(book * factor, book, book * low, book * high, int(cases[k]), ids)
    return found


# ---------------------------------------------------------------------- wrong answers


def _error_numbers(
    counts: Counts,
    wirings: Wirings,
    section: str,
    by_phone: bool,
    behind: Behind,
    weights: dict[str, float],
) -> dict[Key, Learned]:
    """Chances of wrong answers: by kind of answering, then test, then installation type."""
    knowledge = wirings.knowledge
    scale = "phone_errors" if by_phone else "answer_errors"
    answers = {
        key: found
        for key, found in answers_by_test(counts, wirings, by_phone).items()
        if knowledge.tests[key[1]].answering in knowledge.scales[scale].words
    }
    if not answers:
        return {}
    books = {k: knowledge.word(scale, knowledge.tests[k[1]].answering) for k in answers}
    counted = weights.get(f"{section}, answers") or fitting_weight(
        {k: (answers[k], books[k]) for k in answers}
    )
    weights[f"{section}, answers"] = counted
    by_word: dict[str, list[tuple[str, str]]] = {}
    for key in answers:
        by_word.setdefault(knowledge.tests[key[1]].answering, []).append(key)
    found: dict[Key, Learned] = {}
    for word, keys in by_word.items():
        handbook = knowledge.word(scale, word)
        start = Beta.around(handbook, WEIGHTS[2])
        pinned = f"{section}, {word}, mean"
        middle = weights.get(pinned) or fit_error(_joined([answers[k] for k in keys]), start).mean
        weights[pinned] = middle
        for key in sorted(keys):
            others = [answers[k] for k in keys if k[1] == key[1] and k != key]
            prior = Beta.around(middle, counted)
            if others:
                prior = Beta.around(fit_error(_joined(others), prior).mean, counted)
            e = fit_error(answers[key], prior).estimate()
            place = (section, key[0], "", key[1])
            ids = tuple(behind.get(place, ()))[:SHOWN_IDS]
            n = int(answers[key].n.sum())
            found[place] = Learned(e.value, handbook, e.low, e.high, n, ids)
    return found


def _joined(parts: Sequence[Answers]) -> Answers:
    return Answers(*(np.concatenate([getattr(p, f) for p in parts]) for f in ("p", "others", "n")))


# ---------------------------------------------------------------------- the cases behind


def cases_behind(outcomes: Iterable[Outcome]) -> Behind:
    """The first few confirmed cases behind every number, by its key in the overlay."""
    found: dict[tuple[str, ...], list[str]] = {}

    def note(case: str, *key: str) -> None:
        ids = found.setdefault(key, [])
        if len(ids) < SHOWN_IDS and case not in ids:
            ids.append(case)

    for outcome in outcomes:
        if not outcome.confirmed:
            continue
        case, kind, site = outcome.case, outcome.installation, outcome.site
        if outcome.cause:
            note(case, "rates", kind, "", outcome.cause)
            if site:
                note(case, "rates", kind, site, unit_of(outcome.cause))
        for seen in outcome.findings:
            spec = spec_of(seen.test)
            if outcome.one_fault and not seen.after_repairs:
                section = "wrong_by_phone" if seen.by_phone else "wrong_answers"
                note(case, section, kind, "", spec)
            if seen.own is not None and not seen.by_phone:
                note(case, "test_minutes", kind, "", spec)
            if seen.walk is not None and ":" not in way_of(outcome, seen.place):
                note(case, "change_minutes", kind, "", f"panel_to_{seen.place}")
        for act in outcome.acts:
            if act.minutes is not None:
                note(case, "change_minutes", kind, "", act.name)
        for repair in outcome.repairs:
            if repair.minutes is not None:
                note(case, "repair_minutes", kind, "", repair.name)
    return found
