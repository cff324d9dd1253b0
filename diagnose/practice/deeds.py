"""What each act of a practice callout comes down to, and how it stands before it is done."""

from __future__ import annotations

from dataclasses import dataclass

from diagnose.errors import fail
from diagnose.plant.procedures import InstalledTest
from diagnose.practice.bench import Bench
from diagnose.practice.records import ACTS, Act, Attempt, Hazard
from diagnose.practice.referee import BRIDGED, Deed, broken, impossible, remedy
from diagnose.reasoning.guard import Electrical
from diagnose.reasoning.places import PANEL, TELEPHONE
from diagnose.reasoning.planner import repair_places

PLAIN: dict[str, Deed] = {
    "isolate": Deed.ISOLATE,
    "lock_off": Deed.LOCK_OFF,
    "prove_tester": Deed.PROVE_TESTER,
    "prove_dead": Deed.PROVE_DEAD,
    "discharge": Deed.DISCHARGE,
    "disconnect": Deed.DISCONNECT,
    "close": Deed.CLOSE,
    "block": Deed.BLOCK,
    "energise": Deed.ENERGISE,
    "level": Deed.LEVEL,
}
PROTECTION = (
    *("residual_device", "residual_four", "residual_split", "fuse"),
    *("breaker", "breaker_three", "breaker_split"),
    *("overload", "overload_three", "box_overload"),
    *("isolator", "isolator_four", "isolator_split"),
)
INTERLOCKS = (
    *(
        "float_switch",
        "mains_float",
        "dc_float",
        "pressure_switch",
        "electrode_relay",
        "sensor_terminals",
    ),
    *("selector", "manual_switch", "hand_off_auto", "contactor", "contactor_three"),
)
LEVELS = ("empty", "mid", "full")
SAFETY = "safety"
ASKING = ("test", "ask")
"""Kinds of acts that may name an installed test."""
ENDINGS = ("done", "hand_over", "give_up")


@dataclass(frozen=True)
class Verdict:
    """How an act stands: its deed, why it makes no sense now, or which rule it breaks."""

    deed: Deed
    why: str = ""
    rule: str = ""
    fix: Act | None = None
    """What would have to come first, where something would help."""


def judge(bench: Bench, attempt: Attempt, act: Act, needless: bool = False) -> Verdict:
    """How an act stands now.

    Raises
    ------
    DiagnoseError
        The act is of an unknown kind or names what is not there.
    """
    deed = deed_of(bench, act, needless)
    why = _senseless(bench, attempt, act, deed)
    if why:
        fix = None
        level = _level_missing(bench, attempt, act)
        if level:
            fix = Act("level", {"level": level})
        elif remedy(attempt.safety, deed) is Deed.ENERGISE:
            fix = Act("energise")
        return Verdict(deed, why, "", fix)
    rule = broken(attempt.safety, deed)
    return Verdict(deed, "", rule, _fix(bench, attempt, act, deed, rule) if rule else None)


def deed_of(bench: Bench, act: Act, needless: bool = False) -> Deed:
    """What an act comes down to.

    Raises
    ------
    DiagnoseError
        The act is of an unknown kind or names what is not there.
    """
    if act.kind not in ACTS:
        raise fail("unknown-id", f"'{act.kind}' is not an act", None, ACTS)
    if act.kind in PLAIN:
        return PLAIN[act.kind]
    if act.kind == "test" or (act.kind == "ask" and named(act, "question") in bench.tests):
        return _deed_of_test(bench, named_test(bench, act), needless)
    if act.kind == "swap":
        unit = named_unit(bench, act)
        at_pump = repair_places(bench.installation)[unit] == "pump"
        return Deed.TOUCH_PUMP if at_pump else Deed.TOUCH
    if act.kind == "bypass":
        part = bench.installation.instances[named_unit(bench, act)].part
        if part in PROTECTION:
            return Deed.BYPASS_PROTECTION
        return Deed.BYPASS_INTERLOCK if part in INTERLOCKS else Deed.LOOK
    if act.kind == "check":
        return _deed_of_check(bench, act)
    return Deed.LOOK


def _deed_of_test(bench: Bench, test: InstalledTest, needless: bool) -> Deed:
    spec = test.spec
    if spec.state == "any":
        return Deed.LOOK
    if spec.state == "energised":
        resets = test.condition is not None and test.condition.values.get("reset") == "yes"
        return Deed.RESET if resets else Deed.OPERATE
    if spec.state == "live":
        return Deed.LIVE_NEEDLESS if needless else Deed.LIVE
    near = spec.place_at == "pump" or "capacitor_charge" in spec.cautions
    near = near and bench.capacitor
    if spec.instrument == "none":
        return Deed.TOUCH_PUMP if near else Deed.TOUCH
    if spec.instrument == "insulation_tester":
        return Deed.INSULATION_PUMP if near else Deed.INSULATION
    return Deed.MEASURE_PUMP if near else Deed.MEASURE


def _deed_of_check(bench: Bench, act: Act) -> Deed:
    name = named(act, "check")
    if name not in bench.checks:
        raise fail("unknown-id", f"there is no check '{name}'", None, bench.checks)
    state = bench.checks[name].state
    return {"any": Deed.LOOK, "energised": Deed.OPERATE, "live": Deed.LIVE}.get(state, Deed.MEASURE)


def _senseless(bench: Bench, attempt: Attempt, act: Act, deed: Deed) -> str:
    """Why an act, safe or not, cannot be done as things stand; "" where it can."""
    kind, data = act.kind, act.data
    if attempt.ended != "open":
        return "The callout is over."
    if kind == "test" and named_test(bench, act).spec.place_at == TELEPHONE:
        return "Only the customer can tell this: ask."
    if kind == "ask":
        name = named(act, "question")
        if name in bench.tests and not bench.tests[name].spec.customer:
            return "A customer cannot do this."
        if name != SAFETY and name not in bench.tests and name not in bench.customer.questions:
            raise fail("unknown-id", f"there is no question '{name}'")
    level = _level_missing(bench, attempt, act)
    if level:
        return f"The water must really stand at '{level}' for this (level {level})."
    if kind == "go" and data.get("place") not in bench.places:
        raise fail(
            "unknown-id", f"there is no place '{data.get('place')}' here", None, bench.places
        )
    if kind == "level":
        if not bench.installation.has("roof_tank"):
            return "There is no roof tank here."
        if data.get("level") not in LEVELS:
            raise fail("unknown-id", f"there is no level '{data.get('level')}'", None, LEVELS)
        if data["level"] == attempt.level:
            return "The water stands there already."
    if kind == "check" and not attempt.swapped:
        return "Nothing was repaired yet: there is nothing to check."
    if kind == "bypass" and deed not in BRIDGED:
        return "There is nothing to bridge there."
    if kind == "discharge" and not bench.capacitor:
        return "There is no capacitor here."
    if kind == "finish":
        return _not_finished(attempt, data.get("as", ""))
    return impossible(attempt.safety, deed)


def _level_missing(bench: Bench, attempt: Attempt, act: Act) -> str:
    """The level that a test needs and the water does not have; "" where all is well."""
    name = named(act, "test" if act.kind == "test" else "question") if act.kind in ASKING else ""
    level = bench.tests[name].level if name in bench.tests else ""
    return "" if level == attempt.level else level


def _not_finished(attempt: Attempt, how: str) -> str:
    if how not in ENDINGS:
        raise fail("unknown-id", f"'{how}' is no way to finish", None, ENDINGS)
    live = attempt.safety.electrical is Electrical.ENERGISED
    if how == "done" and not attempt.swapped:
        return "Nothing was repaired. To stop here: hand over, or give up."
    if how == "done" and not live:
        return "The installation is still off: switch it on and check it before you leave."
    if how == "hand_over" and attempt.safety.hazard is Hazard.KNOWN and not attempt.safety.locked:
        return "Not like this: isolate it and lock it off before you hand over."
    return ""


def _fix(bench: Bench, attempt: Attempt, act: Act, deed: Deed, rule: str) -> Act | None:
    if rule == "unrated_meter":
        return Act("meter", {"category": "cat_iii"})
    first = remedy(attempt.safety, deed)
    if first is Deed.LOOK:
        return Act("ask", {"question": SAFETY})
    if first is Deed.MEASURE:
        return _shortest_dead_test(bench)
    kinds = {deed: kind for kind, deed in PLAIN.items()}
    return Act(kinds[first]) if first in kinds else None


def _shortest_dead_test(bench: Bench) -> Act | None:
    fits = [
        (test.minutes, name)
        for name, test in bench.tests.items()
        if _deed_of_test(bench, test, False) is Deed.MEASURE and test.spec.place_at == PANEL
    ]
    return Act("test", {"test": min(fits)[1]}) if fits else None


def named(act: Act, key: str) -> str:
    """What an act names under a key.

    Raises
    ------
    DiagnoseError
        It names nothing there.
    """
    if key not in act.data:
        raise fail("act", f"the act '{act.kind}' lacks '{key}'")
    return act.data[key]


def named_unit(bench: Bench, act: Act) -> str:
    """The unit that an act names.

    Raises
    ------
    DiagnoseError
        There is none of that name.
    """
    unit = named(act, "unit")
    if not bench.installation.has(unit):
        raise fail(
            "unknown-id", f"there is no unit '{unit}' here", None, bench.installation.instances
        )
    return unit


def named_test(bench: Bench, act: Act) -> InstalledTest:
    """The installed test that an act names.

    Raises
    ------
    DiagnoseError
        There is none of that name.
    """
    return bench.test(named(act, "test" if act.kind == "test" else "question"))
