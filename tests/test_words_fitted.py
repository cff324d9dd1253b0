"""Every text that can be shown at a ready installation names only what is fitted there.

What a technician calls the parts is common practice, no source.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Iterator

import pytest

from diagnose.interview.history import questions_for
from diagnose.interview.phone import for_customers
from diagnose.interview.verifying import checks_for
from diagnose.knowledge.practice_reading import PracticeKnowledge, load_practice
from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.compose import Installation, compose_ready, fill, preset_names
from diagnose.plant.matrix import MatrixBuilder
from diagnose.practice.customer import true_of
from diagnose.practice.functions import groups_of
from diagnose.reasoning.rule_reach import may_fire
from diagnose.reasoning.rules import rules_at
from tests.bench import shipped

NAMED: dict[re.Pattern[str], str] = {
    re.compile(r"\bmanual\b|mode switch|pump switch(?! is on)", re.I): "selector",
    re.compile(r"at hand\b|to hand\b|hand-off-automatic", re.I): "hand_off_auto",
    re.compile(
        r"controller|(?<!distribution )(?<!meter )\bboard\b|(?<!below )\b5 V\b(?! or)", re.I
    ): "controller_board",
    re.compile(r"relay module|\bmodule\b", re.I): "relay_module",
    re.compile(r"\bfloats?\b(?! valve)", re.I): "float_switch|mains_float|dc_float",
    re.compile(r"\brods?\b", re.I): "electrode",
    re.compile(r"transmitter", re.I): "level_transmitter",
    re.compile(r"ultrasonic|\becho", re.I): "echo_sensor",
    re.compile(r"pressure switch|cut-in|cut-out", re.I): "pressure_switch",
    re.compile(r"\bvessel\b|bladder", re.I): "pressure_vessel",
    re.compile(r"contactor", re.I): "contactor|contactor_three",
    re.compile(r"holding contact", re.I): "auxiliary_contact",
    re.compile(r"overload relay", re.I): "overload|overload_three",
    re.compile(r"soft starter", re.I): "soft_starter",
    re.compile(r"start switch", re.I): "start_switch",
    re.compile(r"start capacitor", re.I): "start_capacitor",
    re.compile(r"run capacitor", re.I): "run_capacitor",
    re.compile(r"control box", re.I): "voltage_relay",
    re.compile(r"generator", re.I): "generator",
    re.compile(r"inverter", re.I): "inverter",
    re.compile(r"foot valve", re.I): "foot_valve",
    re.compile(r"suction pipe", re.I): "suction_pipe",
    re.compile(r"programmable relay", re.I): "logic_relay|logic_relay_dc",
    re.compile(r"phone-controlled|by telephone\b", re.I): "phone_relay",
    re.compile(r"alternating relay|pump 2|both pumps", re.I): "alternator",
    re.compile(r"residual-current", re.I): "residual_device|residual_four|residual_split",
    re.compile(r"panel's plug|pull the plug|its plug or|outlet and plug", re.I): "outlet",
    re.compile(r"roof tank|\btank\b|fill pipe", re.I): "roof_tank",
    re.compile(r"buzzer", re.I): "buzzer",
    re.compile(r"surge protector", re.I): "surge_protector",
    re.compile(r"sump float(?! would)|sump-dry lamp|float in the sump", re.I): "=sump_float",
    re.compile(r"high float|low float", re.I): "=roof_high_float",
    re.compile(r"run lamp", re.I): "pilot_lamp",
    re.compile(r"pump lamp|tank-full lamp", re.I): "indicator",
    re.compile(r"tank-low lamp", re.I): "=low_lamp",
    re.compile(r"electrode relay", re.I): "electrode_relay",
    re.compile(r"three phases|each phase", re.I): "mains_three",
}
"""Words, and the part types of which one must be fitted (with ``=`` a unit)."""
ABSENT = re.compile(
    r"any residual-current device|another circuit that has its own residual-current device|"
    r"where one is fitted, the 30 mA residual-current device|without a residual-current device|"
    r"no residual-current device|no float in the sump|(recommend|fit) a float in the sump|"
    r"generator(,| or) inverter|an electrode relay uses|input floats",
    re.IGNORECASE,
)
"""Said of what need not be there."""
ADVISED = ("recommend", "exclude")
"""Conclusions of rules that name what is missing."""


@functools.cache
def customers() -> PracticeKnowledge:
    return load_practice(shipped())


def fitted(installation: Installation, types: str) -> bool:
    """Whether a part of these types (or, with ``=``, this very unit) is there."""
    if types.startswith("="):
        return installation.has(types[1:])
    return any(i.part in types.split("|") for i in installation.instances.values())


def texts(kb: KnowledgeBase, installation: Installation) -> Iterator[tuple[str, str]]:
    """Whence, and the text: all that interview, call, report, chart and practice may show."""
    builder = MatrixBuilder(kb, installation)
    for test in builder.tests.values():
        yield test.id, test.title
        yield test.id, test.do
        yield from ((test.id, outcome.title) for outcome in test.outcomes)
        if for_customers(test.spec):
            yield f"{test.id} by phone", fill(test.spec.by_phone, installation, test.it)
    for name, instance in installation.instances.items():
        yield name, instance.title
    for name, fault in installation.modes.items():
        mode = fault.mode
        for text in (mode.title, mode.remedy, *mode.root_causes):
            yield name, text
    for question in questions_for(kb, installation, "history", "phone").values():
        yield question.id, question.ask
        yield from ((question.id, choice) for choice in question.choices.values())
    for check in checks_for(installation):
        yield f"check {check.id}", f"{check.title}: {check.how}"
    complaints = {c.id for c in builder.complaints}
    for name in complaints:
        yield name, kb.complaints[name].title
        yield name, kb.complaints[name].says
    known = complaints | {test.spec.id for test in builder.tests.values()}
    known |= set(questions_for(kb, installation, "safety", "history", "phone"))
    for rule in rules_at(kb, installation):
        if may_fire(rule, installation, known):
            for fact in rule.then:
                if fact.kind not in ADVISED:
                    said = [fact.get(key) for key in ("what", "how", "why", "text", "cause")]
                    yield f"rule {rule.id}", "; ".join(said)
    practice = customers()
    for group in groups_of(practice, installation):
        yield group.function.id, f"{group.function.does}; {group.function.works_when}"
    for complaint in builder.complaints:
        every = kb.complaints[complaint.id].when
        held = [k for k, alternative in enumerate(every) if alternative in complaint.when]
        for wording in true_of(practice.wordings[complaint.id], held, installation):
            yield f"customer {complaint.id}", wording.says


LEAST = {"sump_sensor": "none", "residual": "none"}
NO_FLOAT = (
    {**LEAST, "roof_sensor": "electrodes", "timers": "fitted"},
    {**LEAST, "roof_sensor": "electrode_relay", "source": "feeder"},
    {**LEAST, "roof_sensor": "transmitter", "start": "control_box"},
    {"roof_sensor": "ultrasonic", "sump_sensor": "none", "start": "soft_starter"},
)
"""Wirings of the standard type without any float, which no ready one is."""
WIRINGS: list[tuple[str, dict[str, str]]] = [
    *((name, {}) for name in (*shipped().installations, *preset_names(shipped()))),
    *(("tank_and_sump", choices) for choices in NO_FLOAT),
]


@pytest.mark.parametrize(("ready", "choices"), WIRINGS)
def test_no_text_names_what_is_not_fitted(ready: str, choices: dict[str, str]) -> None:
    kb = shipped()
    installation = compose_ready(kb, ready, choices)
    wrong = []
    absent = [pattern for pattern, types in NAMED.items() if not fitted(installation, types)]
    said = dict.fromkeys(texts(kb, installation))
    assert len(said) > 500
    for whence, written in said:
        text = ABSENT.sub("", written)
        assert "{" not in text, (whence, text)
        wrong += [(whence, text, f.group()) for p in absent if (f := p.search(text))]
    assert not wrong, "\n".join(map(str, wrong))


def test_nobody_is_sent_to_floats_that_are_not_in_the_roof_tank() -> None:
    installation = compose_ready(shipped(), "transmitter")
    assert installation.has("sump_float")
    tests = MatrixBuilder(shipped(), installation).tests.values()
    sent = [t for t in tests if t.spec.place_at == "roof" and re.search(r"\bfloat\b", t.do)]
    assert not [t.id for t in sent if "float valve" not in t.do]


def test_the_switch_is_called_what_it_is() -> None:
    """One test, three panels: common practice, no source."""

    def heard(ready: str) -> str:
        return MatrixBuilder(shipped(), compose_ready(shipped(), ready)).tests["pump_heard_off"].do

    assert heard("tank_and_sump").startswith("Switch to manual, pump off. ")
    assert heard("two_pumps").startswith("Switch to manual, pump off. ")
    assert heard("latching_floats").startswith("Turn the switch to off. ")


def test_what_cannot_occur_is_no_complaint() -> None:
    """No board, no lamp but the run lamp, no telephone: nobody complains of them."""
    builder = MatrixBuilder(shipped(), compose_ready(shipped(), "latching_floats"))
    complaints = {c.id for c in builder.complaints}
    assert not complaints & {"controller_dark", "controller_resets", "no_remote_start"}
    assert {"will_not_start_manual", "wrong_indication", "relay_chatters"} <= complaints
    remote = MatrixBuilder(shipped(), compose_ready(shipped(), "phone_started")).complaints
    assert "no_remote_start" in {c.id for c in remote}
