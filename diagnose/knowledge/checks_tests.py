"""Checks on tests: where they are made, what they show, in which state, with which caution."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping

from diagnose.errors import Issue
from diagnose.knowledge.checks_base import error, needs_issues, unknown, warning
from diagnose.knowledge.family import Family, fill_in
from diagnose.knowledge.names import unit_of
from diagnose.knowledge.records import KnowledgeBase, TestSpec

INSTRUMENTS = (
    *("none", "multimeter", "loz", "clamp"),
    *("capacitance", "insulation_tester", "bucket", "gauge"),
)
POINTS: Mapping[str, int] = {
    **dict.fromkeys(("volts_dc", "volts_ac", "volts_ac_loz", "hertz"), 2),
    **dict.fromkeys(("ohms", "insulation", "farads"), 2),
    **{"head": 1, "amps_ac": 1, "amps_dc": 1, "flow": 1, "signal": 0},
}
"""How many nets (or elements, for a current or a flow) each kind of reading names."""
AT_ELEMENTS = ("amps_ac", "amps_dc", "flow")
RESISTANCES = ("ohms", "insulation", "farads")
ISOLATED_SUPPLIES = ("off", "bench")
"""Mains isolated; on "bench" the 5 V side may be fed from a power bank or a bench outlet."""
LEGAL_STATES: Mapping[str, tuple[str, ...]] = {
    **dict.fromkeys(("volts_dc", "volts_ac", "volts_ac_loz", "hertz"), ("live", "dead")),
    **dict.fromkeys(RESISTANCES, ("dead",)),
    "amps_ac": ("live", "energised"),
    "amps_dc": ("live",),
}
LEGAL_INSTRUMENTS: Mapping[str, tuple[str, ...]] = {
    "volts_dc": ("multimeter", "loz"),
    "volts_ac": ("multimeter",),
    "volts_ac_loz": ("loz",),
    "hertz": ("multimeter",),
    "amps_ac": ("clamp", "multimeter"),
    "amps_dc": ("multimeter",),
    "ohms": ("multimeter",),
    "insulation": ("insulation_tester",),
    "farads": ("capacitance",),
}
LIVE_CAUTION = "mains_live"
INSULATION_CAUTION = "insulation_test_voltage"
CAPACITOR_CAUTION = "capacitor_charge"
LONGEST_TITLE = 60


def _filled(test: TestSpec, family: Family, texts: Iterable[str]) -> Iterator[tuple[str, str]]:
    """Each text as written and as it reads for every instance that it can be filled for."""
    instances = family.instances
    for text in texts:
        for it in family.instances_for(test.each):
            full = fill_in(text, it, instances)
            if "{" not in full:
                yield text, full


def names_are_known(kb: KnowledgeBase) -> Iterator[Issue]:
    """An unknown part, situation, instrument, caution, sign or need."""
    family = Family.all_of(kb)
    for test in kb.tests.values():
        what = f"test '{test.id}'"
        for part in (p.strip() for p in test.each.split("|") if test.each):
            if part not in kb.parts:
                yield unknown(what, "part", part, kb.parts, test.each, test)
        if test.situation and test.situation not in family.situations:
            name = test.situation
            yield unknown(what, "situation", name, family.situations, test)
        if test.instrument not in INSTRUMENTS:
            yield unknown(what, "instrument", test.instrument, INSTRUMENTS, test)
        for caution in test.cautions:
            if caution not in kb.cautions:
                yield unknown(what, "caution", caution, kb.cautions, test)
        if test.kind == "sign":
            for sign in test.of:
                if sign not in kb.signs:
                    yield unknown(what, "sign", sign, kb.signs, test)
        if "{" not in test.needs:
            yield from needs_issues(what, test.needs, family, test)


def points_are_known(kb: KnowledgeBase) -> Iterator[Issue]:
    """A net, terminal or element that is in no installation, or a placeholder of no instance."""
    family = Family.all_of(kb)
    for test in kb.tests.values():
        what = f"test '{test.id}'"
        nets = [*test.bridge, *(test.probes or ())]
        elements = list(test.lift)
        if test.kind in POINTS:
            (elements if test.kind in AT_ELEMENTS else nets).extend(test.of)
        for kind, texts, legal in (
            ("net or terminal", nets, family.nets),
            ("element", elements, family.branches),
        ):
            filled: dict[str, set[str]] = {text: set() for text in texts}
            for text, full in _filled(test, family, texts):
                filled[text].add(full)
            for text, found in filled.items():
                known = any(part in kb.parts for part in test.each.split("|"))
                if not found and "{" in text and (known or not test.each):
                    message = f"{what}: '{text}' can be filled in for no instance"
                    yield error("placeholder", message, text, test)
                for name in sorted(found - legal):
                    if unit_of(name) in family.unclear:
                        continue
                    yield unknown(what, kind, name, legal, text, test)
        if len(test.bridge) % 2:
            message = f"{what}: 'bridge' names nets in pairs"
            yield error("points", message, test.bridge[-1], test)


def readings_are_whole(kb: KnowledgeBase) -> Iterator[Issue]:
    """A reading at too many or too few points, or without the situation it is taken in."""
    for test in kb.tests.values():
        what = f"test '{test.id}'"
        if test.kind in POINTS:
            count = POINTS[test.kind]
            if len(test.of) != count:
                message = f"{what}: '{test.kind}' names {count} points, not {len(test.of)}"
                yield error("points", message, *test.of, test)
            if not test.situation:
                yield error("no-situation", f"{what}: a reading needs its 'situation'", test)
            continue
        if not test.of:
            yield error("points", f"{what}: it names no sign", test)
        if test.situation or test.values or test.lift or test.bridge:
            message = f"{what}: signs are looked for as found: no situation, lift or bridge"
            yield error("sign-situation", message, test.situation, test)


def outcomes_are_ordered(kb: KnowledgeBase) -> Iterator[Issue]:
    """Outcomes whose limits do not ascend, that no reading can reach, or that lack a rest."""
    for test in kb.tests.values():
        what = f"test '{test.id}'"
        if test.kind == "sign":
            yield from _sign_outcomes(test, what)
        elif test.kind == "signal":
            yield from _signal_outcomes(test, what)
        else:
            yield from _numeric_outcomes(test, what)


def _sign_outcomes(test: TestSpec, what: str) -> Iterator[Issue]:
    if len(test.outcomes) != len(test.of) + 1:
        message = f"{what}: it needs an outcome for each sign, then one for none of them"
        yield error("outcomes", message, test)
    for outcome in test.outcomes:
        if outcome.when:
            message = f"{what}: the outcomes of signs have no 'when'"
            yield error("outcomes", message, outcome.when, outcome.id, test)


def _signal_outcomes(test: TestSpec, what: str) -> Iterator[Issue]:
    for outcome in test.outcomes[:-1]:
        if not outcome.when:
            message = f"{what}: only the last outcome may go without 'when'"
            yield error("outcomes", message, outcome.id, test)
    if test.outcomes and test.outcomes[-1].when:
        last = test.outcomes[-1]
        message = f"{what}: the last outcome is the rest and has no 'when'"
        yield error("outcomes", message, last.when, last.id, test)


def _numeric_outcomes(test: TestSpec, what: str) -> Iterator[Issue]:
    for outcome in test.outcomes:
        if outcome.when and outcome.when != "changing":
            message = f"{what}: a reading's outcome has 'below' or 'when: changing'"
            yield error("outcomes", message, outcome.when, outcome.id, legal=("changing",))
        if outcome.when and outcome.below is not None:
            message = f"{what}: an outcome has either 'below' or 'when'"
            yield error("outcomes", message, outcome.when, outcome.id)
    bins = [outcome for outcome in test.outcomes if not outcome.when]
    for outcome in bins[:-1]:
        if outcome.below is None:
            message = f"{what}: only the last outcome may go without 'below'"
            yield error("outcomes", message, outcome.id, test)
    if bins and bins[-1].below is not None:
        message = f"{what}: the last outcome is the rest and has no 'below'"
        yield error("outcomes", message, bins[-1].id, test)
    limits = [(outcome.below, outcome) for outcome in bins if outcome.below is not None]
    for (lower, _), (upper, outcome) in itertools.pairwise(limits):
        if not upper > lower:
            message = f"{what}: the limits of its outcomes must ascend"
            yield error("outcomes", message, outcome.id, test)


def states_are_safe(kb: KnowledgeBase) -> Iterator[Issue]:
    """A state in which the reading cannot or must not be taken."""
    for test in kb.tests.values():
        what = f"test '{test.id}'"
        legal = LEGAL_STATES.get(test.kind)
        if legal and test.state not in legal:
            message = f"{what}: '{test.kind}' is not measured in the state '{test.state}'"
            yield error("state", message, test, legal=legal)
        tools = LEGAL_INSTRUMENTS.get(test.kind)
        if tools and test.instrument in INSTRUMENTS and test.instrument not in tools:
            message = f"{what}: '{test.kind}' is not measured with '{test.instrument}'"
            yield error("instrument", message, test, legal=tools)
        for kind in kb.installations.values():
            situation = kind.situations.get(test.situation)
            if situation is None:
                continue
            supply = test.values.get("supply", situation.values.get("supply", ""))
            if test.state == "dead" and supply not in ISOLATED_SUPPLIES:
                message = f"{what} is 'dead', but the supply is on in '{test.situation}'"
                yield error("supply", message, test.situation, test)
            if test.state in ("live", "energised") and supply in ISOLATED_SUPPLIES:
                message = f"{what} is '{test.state}', but the supply is off in '{test.situation}'"
                yield error("supply", message, test.situation, test)


def cautions_are_given(kb: KnowledgeBase) -> Iterator[Issue]:
    """A test without the caution that its hazard calls for."""
    for test in kb.tests.values():
        wanted = []
        if test.state == "live":
            wanted.append(("a live test", LIVE_CAUTION))
        if test.instrument == "insulation_tester":
            wanted.append(("an insulation test", INSULATION_CAUTION))
        if test.kind == "farads":
            wanted.append(("measuring a capacitor", CAPACITOR_CAUTION))
        for what, caution in wanted:
            if caution not in test.cautions:
                message = f"test '{test.id}': {what} needs the caution '{caution}'"
                yield error("no-caution", message, test, legal=(caution,))


def titles_are_short(kb: KnowledgeBase) -> Iterator[Issue]:
    """A title that does not fit into a line beside its minutes."""
    family = Family.all_of(kb)
    for test in kb.tests.values():
        longest = max(
            (full for _, full in _filled(test, family, [test.title])), key=len, default=""
        )
        if len(longest) > LONGEST_TITLE:
            message = f"test '{test.id}': '{longest}' is longer than {LONGEST_TITLE} characters"
            yield warning("long-title", message, test.title, test)


def templates_apply(kb: KnowledgeBase) -> Iterator[Issue]:
    """A template for a part type that is fitted nowhere."""
    family = Family.all_of(kb)
    for test in kb.tests.values():
        parts = [part.strip() for part in test.each.split("|") if test.each]
        for part in parts:
            if part in kb.parts and not family.units_of(part):
                message = f"test '{test.id}': the part '{part}' is fitted nowhere"
                yield warning("unused", message, test.each, test)


CHECKS = (
    names_are_known,
    points_are_known,
    readings_are_whole,
    outcomes_are_ordered,
    states_are_safe,
    cautions_are_given,
    titles_are_short,
    templates_apply,
)
