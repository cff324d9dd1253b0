"""Checks on what is asked by telephone and on what is loaded into the van."""

from __future__ import annotations

from collections.abc import Iterator

from diagnose.errors import Issue
from diagnose.knowledge.checks_base import error, nearest, warning
from diagnose.knowledge.records import KnowledgeBase, TestSpec

PHONE_STATES = ("any", "energised")
PHONE_PLACES = ("telephone", "anywhere", "panel", "pump")
NOT_BY_PHONE = ("work_at_height", "confined_sump")
URGENCIES = ("emergency", "now", "today", "soon", "planned")


def phone_tests_are_safe(kb: KnowledgeBase) -> Iterator[Issue]:
    """A test for customers that needs more than eyes, ears and a dry switch."""
    for test in kb.tests.values():
        if test.place_at == "telephone" and not test.customer:
            message = f"test '{test.id}': what is asked by telephone needs 'customer: yes'"
            yield error("customer", message, test)
        if not test.customer:
            if test.by_phone:
                message = f"test '{test.id}': 'by_phone' needs 'customer: yes'"
                yield error("customer", message, test.by_phone, test)
            continue
        for reason, legal in _unsafe(test):
            message = f"test '{test.id}': no customer may be asked for it: {reason}"
            yield error("customer", message, test, legal=legal)
        if not test.by_phone:
            message = f"test '{test.id}': 'by_phone' must say what the customer is asked"
            yield error("customer", message, test)
        errors = kb.scales.get("phone_errors")
        if errors and test.answering not in errors.words:
            message = f"test '{test.id}': the scale 'phone_errors' has no '{test.answering}'"
            yield error("customer", message, test, legal=errors.words)


def _unsafe(test: TestSpec) -> Iterator[tuple[str, tuple[str, ...]]]:
    """What speaks against asking a customer, and what would be legal."""
    if test.instrument != "none":
        yield f"it needs the instrument '{test.instrument}'", ("none",)
    if test.state not in PHONE_STATES:
        yield f"it is made '{test.state}'", PHONE_STATES
    if test.place_at not in PHONE_PLACES:
        yield f"it is made at the {test.place_at}", PHONE_PLACES
    if test.lift or test.bridge:
        yield "a lead is moved", ()
    if test.by == "licensed":
        yield "it needs a licence", ()
    for caution in test.cautions:
        if caution in NOT_BY_PHONE:
            yield f"its caution is '{caution}'", ()


def urgencies_are_known(kb: KnowledgeBase) -> Iterator[Issue]:
    """A rule that concludes an urgency of no known level."""
    for rule in kb.rules.values():
        for fact in rule.then:
            level = fact.get("level")
            if fact.kind == "urgency" and level not in URGENCIES:
                message = f"rule '{rule.id}': '{level}' is not an urgency"
                yield error("unknown-id", message, rule, legal=URGENCIES)


def spares_have_prices(kb: KnowledgeBase) -> Iterator[Issue]:
    """A spare without a price, or a price of what nothing needs."""
    scale = kb.scales.get("spare_prices")
    if scale is None:
        return
    used = set()
    for part in kb.parts.values():
        for mode in part.failure_modes.values():
            for spare in mode.spares:
                used.add(str(spare))
                if spare not in scale.words:
                    message = (
                        f"failure mode '{part.id}.{mode.id}': the scale 'spare_prices' has no "
                        f"'{spare}'"
                    )
                    yield error("no-price", message, spare, mode, legal=nearest(spare, scale.words))
    for name, number in scale.words.items():
        if name not in used:
            message = f"scale 'spare_prices': no failure mode needs '{name}'"
            yield warning("unused", message, number)


CHECKS = (phone_tests_are_safe, urgencies_are_known, spares_have_prices)
