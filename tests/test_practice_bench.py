"""The simulated broken installation: what its instruments show, and that it gives nothing away.

References (how each value was obtained is said beside it)
----------
.. [1] Hand-held meters of 6000 counts show 5.999 V, 59.99 V and 599.9 V and overload ("OL") on
   ohms beyond their last range: common practice, no source.
.. [2] Ghost voltages: a 10 MΩ meter shows tens of volts on a dead wire, a low-impedance range of
   about 3 kΩ shows nearly none (read in three makers' notes).
.. [3] ATmega328P, Microchip DS40001984A (2018), table 32-2 (read): between 0.3 and 0.6 of the
   supply a level is undefined; an input without a pull resistor floats.
"""

from __future__ import annotations

import copy
import hashlib
import os
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest

from diagnose.errors import DiagnoseError
from diagnose.plant.procedures import InstalledTest
from diagnose.practice.bench import Bench
from diagnose.practice.customer import BAD, Customer
from diagnose.practice.draws import chance
from diagnose.practice.instruments import displayed
from diagnose.practice.records import Exercise
from diagnose.quantities import parse_reading
from tests.people import practice_bench, standard_session, standard_workshop

WELDED = (("relay.contacts_welded",), "will_not_stop")
NO_PULL = (("roof_high_pull.missing",), "wrong_indication")


def of_kind(bench: Bench, kind: str) -> InstalledTest:
    return next(t for t in bench.tests.values() if t.spec.kind == kind)


@pytest.mark.parametrize(
    ("kind", "value", "step", "letters"),
    [
        ("volts_dc", 4.9876, 0.001, "V"),  # [1]
        ("volts_dc", 23.456, 0.01, "V"),
        ("volts_ac", 229.87, 0.1, "V"),
        ("ohms", 0.34, 0.1, "Ω"),
        ("ohms", 4712.0, 1.0, "kΩ"),
        ("ohms", 98_760.0, 100.0, "kΩ"),
        ("farads", 12.34e-6, 0.01e-6, "µF"),
        ("amps_ac", 2.715, 0.01, "A"),
        ("insulation", 4.56e6, 1e4, "MΩ"),
    ],
)
def test_a_display_is_the_value_to_the_last_digit_of_its_range(
    kind: str, value: float, step: float, letters: str
) -> None:
    test = replace(of_kind(practice_bench(*WELDED), kind), spread=0.0)
    for look in range(1, 20):
        shown = displayed(test, value, 5, look)
        assert abs(shown.value - value) <= 2.5 * step + 1e-12
        assert round(shown.value / step, 6) == round(shown.value / step)
        assert shown.text.endswith(f" {letters}")
        read = parse_reading(shown.text, test.spec.unit)
        assert read == pytest.approx(shown.value, rel=1e-9, abs=1e-15)


def test_the_error_of_an_instrument_is_its_own_and_as_large_as_the_scale_says() -> None:
    test = of_kind(practice_bench(*WELDED), "ohms")
    ratios = [displayed(test, 1000.0, seed, 1).value / 1000.0 for seed in range(400)]
    assert np.std(ratios) == pytest.approx(test.spread, rel=0.15)
    assert np.mean(ratios) == pytest.approx(1.0, abs=0.002)
    same = {displayed(test, 1000.0, 7, look).value for look in range(1, 30)}
    assert max(same) - min(same) <= 4.0  # two digits either way


def test_beyond_the_last_range_a_meter_shows_overload() -> None:  # [1]
    bench = practice_bench(*WELDED)
    test = of_kind(bench, "ohms")
    assert displayed(test, 1e9, 1, 1).text == "OL"
    assert parse_reading("OL", "ohm") == np.inf
    tester = displayed(of_kind(bench, "insulation"), 1e11, 1, 1)
    assert parse_reading(tester.text, "ohm") > 1e9


def own_copy(bench: Bench) -> Bench:
    """A bench that may be changed: the one that is kept is everybody's."""
    own = copy.copy(bench)
    own.customer = Customer(own)
    return own


def test_a_ghost_voltage_vanishes_on_the_low_impedance_range() -> None:  # [2]
    bench = own_copy(
        practice_bench(("pump_cable.live_open", "suppressor.open"), "will_not_start_at_all")
    )
    shown = {}
    for kind in ("volts_ac", "volts_ac_loz"):
        like = bench.tests["contact_drop"]
        spec = replace(like.spec, kind=kind)
        off = bench.tests["relay_pin_off"].condition
        bench.tests = {**bench.tests, kind: replace(like, id=kind, spec=spec, condition=off)}
        shown[kind] = parse_reading(bench.shown(kind).text, "V")
    assert shown["volts_ac"] > 1.0
    assert shown["volts_ac_loz"] == 0.0


def test_a_floating_input_wanders_between_looks() -> None:  # [3]
    floating, sound = practice_bench(*NO_PULL), practice_bench(*WELDED)
    name = "pin_volts_down@roof_high_float"
    looks = [floating.shown(name, look) for look in range(1, 9)]
    assert len({look.text for look in looks}) >= 6
    assert all("drifts" in look.text for look in looks if "jumps" not in look.text)
    steady = [sound.shown(name, look) for look in range(1, 9)]
    assert not any("drifts" in look.text for look in steady)
    values = [parse_reading(look.text, "V") for look in steady]
    assert max(values) - min(values) <= 0.005


def test_a_limit_cycle_shows_both_of_its_values() -> None:
    bench = practice_bench(("adapter.under_rated",), "controller_resets")
    texts = {n: bench.shown(n) for n, t in bench.tests.items() if t.spec.kind == "volts_dc"}
    jumping = {n: s for n, s in texts.items() if s.text.startswith("jumps between")}
    assert jumping
    for name, shown in jumping.items():
        outcomes = {o.id: o.when for o in bench.tests[name].outcomes}
        if "changing" in outcomes.values():
            assert outcomes[shown.outcome] == "changing"


def fingerprint(bench: Bench) -> str:
    """All that a bench can show, in one number."""
    told = [bench.customer.says()]
    told += [bench.customer.answer(q).text for q in bench.customer.questions]
    told += [repr(bench.shown(n, look)) for n in bench.tests for look in (1, 2)]
    told += [repr(bench.checked(c)) for c in bench.checks]
    return hashlib.sha256("\n".join(told).encode()).hexdigest()


def test_the_same_exercise_shows_the_same_whatever_the_hash_seed() -> None:
    code = (
        "from diagnose.knowledge.cache import knowledge_for\n"
        "from diagnose.knowledge.folder import find_knowledge\n"
        "from diagnose.plant.compose import compose\n"
        "from diagnose.practice.bench import Workshop\n"
        "from diagnose.practice.records import Exercise\n"
        "from tests.test_practice_bench import WELDED, fingerprint\n"
        "knowledge = knowledge_for(find_knowledge())\n"
        "place = compose(knowledge, next(iter(knowledge.installations)))\n"
        "exercise = Exercise('x', place.type.id, dict(place.choices), *WELDED, 1)\n"
        "print(fingerprint(Workshop(knowledge, place).bench(exercise)))"
    )
    here = fingerprint(practice_bench(*WELDED))
    result = subprocess.run(
        (sys.executable, "-c", code),
        env=os.environ | {"PYTHONHASHSEED": "77", "PYTHONPATH": ":".join(sys.path)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert result.stdout.strip() == here
    assert practice_bench(*WELDED, seed=2).shown("panel_voltage") != practice_bench(*WELDED).shown(
        "panel_voltage"
    )


def test_chances_are_even_and_hang_on_their_names_alone() -> None:
    drawn = np.array([chance(seed, "a", 1) for seed in range(2000)])
    assert drawn.mean() == pytest.approx(0.5, abs=0.02)
    assert np.histogram(drawn, 10, (0, 1))[0].min() > 140
    assert chance(3, "a", 1) == chance(3, "a", 1) != chance(3, "a", 2)
    assert chance(3, "ab", "c") != chance(3, "a", "bc")


def test_readings_are_what_the_matrix_holds_possible() -> None:
    """Two ways to an outcome: displayed and read, or binned over samples with a meter's spread."""
    session = standard_session()
    unlikely = count = 0
    for case in (WELDED, NO_PULL):
        bench = practice_bench(*case)
        for name, test in bench.tests.items():
            if test.condition is None:
                continue
            ids = [o.id for o in test.outcomes]
            p = session.matrix.of(case[0][0], name)
            unlikely += p[ids.index(bench.shown(name).outcome)] < 0.02
            count += 1
    assert count > 400
    assert unlikely / count < 0.01


def test_the_right_part_swapped_heals_it_and_a_wrong_one_changes_nothing() -> None:
    bench = practice_bench(*WELDED)
    usual = standard_session().matrix
    for name, test in bench.tests.items():
        if test.condition is not None:
            healthy = test.outcomes[int(usual.of("healthy", name).argmax())].id
            assert bench.shown(name, 1, ("relay",)).outcome == healthy, name
        assert bench.shown(name, 1, ("motor", "pump")) == bench.shown(name)
    assert bench.complains("will_not_stop")
    assert not bench.complains("will_not_stop", ("relay",))
    assert bench.checked("gone").outcome == "fail"
    assert {bench.checked(c, ("relay",)).outcome for c in bench.checks} == {"pass"}


def test_of_two_faults_one_repair_leaves_the_other() -> None:
    bench = practice_bench(("relay.contacts_welded", "full_lamp.open"), "wrong_indication")
    assert [m.id for m in bench.left(("relay",))] == ["full_lamp.open"]
    assert bench.complains("will_not_stop", ("full_lamp",))
    assert not bench.complains("will_not_stop", ("relay",))
    assert bench.complains("wrong_indication", ("relay",))
    assert not bench.left(("relay", "full_lamp"))


@pytest.mark.parametrize("case", [WELDED, NO_PULL], ids=["welded", "no_pull"])
def test_nothing_shown_names_what_is_hidden(case: tuple[tuple[str, ...], str]) -> None:
    bench = practice_bench(*case)
    (mode,) = (bench.installation.modes[m] for m in case[0])
    hidden = (mode.id, mode.title, bench.installation.instances[mode.unit].title)
    told = [
        bench.customer.says(),
        *(bench.customer.answer(q).text for q in bench.customer.questions),
    ]
    told += [bench.shown(n).text for n in bench.tests]
    for text in told:
        assert not any(name.casefold() in text.casefold() for name in hidden), text


def test_a_customer_says_only_what_is_true_and_blames_no_part() -> None:
    bench = practice_bench(*NO_PULL)
    held = bench.alternatives("wrong_indication")
    assert held
    wordings = bench.practice.wordings["wrong_indication"]
    says = next(w for w in wordings if w.says == bench.customer.says())
    assert set(says.of) & set(held)
    parts = ("relay", "contactor", "capacitor", "module", "cable", "resistor", "valve", "float")
    for spoken in bench.practice.wordings.values():
        for wording in spoken:
            assert not any(part in wording.says.casefold() for part in parts), wording.says


def test_history_leans_the_way_the_cause_makes_likely() -> None:
    """A commissioning fault is told of new installations far more often than wear is."""

    bench = own_copy(practice_bench(*WELDED))

    def never(mode: str) -> int:
        answers = []
        for seed in range(100):
            bench.exercise = replace(bench.exercise, seed=seed, modes=(mode,))
            answers.append(bench.customer.answer("worked").outcome)
        return answers.count("never")

    assert never("program.relay_inverted") > 3 * never("relay.contacts_burnt")


def test_a_hazard_is_told_when_asked() -> None:
    bench = own_copy(practice_bench(*WELDED))
    for question, choice in BAD.items():
        bench.exercise = replace(bench.exercise, hazard=question)
        assert bench.customer.answer(question).outcome == choice
        others = [q for q in BAD if q != question]
        assert all(bench.customer.answer(q).outcome != BAD[q] for q in others)


@pytest.mark.parametrize(
    ("modes", "complaint", "message"),
    [
        (("relay.nonsense",), "hums", "no failure mode 'relay.nonsense'"),
        (("relay.contacts_welded",), "nonsense", "no complaint 'nonsense'"),
        (("full_lamp.open",), "hums", "no draw of the installation shows"),
        (("relay.contacts_welded", "relay.contacts_burnt"), "hums", "cannot be combined"),
    ],
)
def test_an_exercise_that_cannot_be_is_refused(
    modes: tuple[str, ...], complaint: str, message: str
) -> None:
    workshop = standard_workshop()
    with pytest.raises(DiagnoseError, match=message):
        workshop.bench(Exercise("x", "tank_and_sump", {}, modes, complaint, 1))
