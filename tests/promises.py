"""What the interview promises about safety, said a second time, step by step.

Written from the order of making dead of EN 50110-1 (disconnect, secure, prove dead, then work; as
given in the references), from IEC 60364-6 (insulation of a dead circuit, at least 1 Mohm, with the
electronics disconnected) and from common practice; it calls neither the guard nor the rules. The
state of the world is folded from the events here, not by the interview.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from diagnose.interview.events import Event
from diagnose.interview.steps import Step
from diagnose.knowledge.names import spec_of
from diagnose.plant.procedures import InstalledTest

SHOCK = {"tingle": ("yes",)}
"""A felt shock: nothing but looking, and dead work by a licensed electrician."""
UNSTEADY = (("premises_power", "flicker"), ("premises_power", "dim"))
"""With a shock: the supply's neutral and earth may be open, and nothing earthed is dead."""
STOPS = {
    "danger": ("yes", "water"),
    "panel_wet": ("yes", "storm"),
    "burning": ("now", "gas"),
}
"""A hurt person, water at the panel, fire, bad air, a storm: nothing but looking."""
NOT_LIVE = {"burning": ("earlier",), "damage_seen": ("yes",), "company": ("alone",)}
OFF = {"burning": ("earlier",), "damage_seen": ("yes",)}
"""Scorched, bare or uncovered: made good before it is switched on or operated."""
NOT_THERE = {
    "roof": {"panel_wet": ("storm",), "danger": ("water",), "roof_way": ("unsafe",)},
    "sump": {"panel_wet": ("storm",), "danger": ("water",), "burning": ("gas",)},
    "pump": {"panel_wet": ("storm",), "danger": ("water",)},
}
LASTING = (
    ("tingle", "yes"),
    ("panel_wet", "yes"),
    ("burning", "now"),
    ("burning", "earlier"),
    ("damage_seen", "yes"),
)
"""A fault of the installation: it stands until it is repaired, insulation good, inspected."""
CLEARING = {"rule_insulation_after_hazard": "insulation", "rule_damage_inspected": "inspected"}
CLEARED = {"repaired", "insulation", "inspected"}
PASSING = {
    "danger": ("yes", "water"),
    "panel_wet": ("storm",),
    "burning": ("gas",),
    "roof_way": ("unsafe",),
}
"""What is asked anew when the callout goes on."""
METERS_FOR_DEAD = ("ohms", "insulation", "farads")
REACHED = {
    "insulation_from_panel": ("line", "neutral", "motor"),
    "insulation_cable_live": ("line",),
    "insulation_cable_neutral": ("neutral",),
    "insulation_motor": ("motor",),
    "insulation_legs": ("leg 1", "leg 2", "motor"),
    "insulation_leg_1": ("leg 1",),
    "insulation_leg_2": ("leg 2",),
    "insulation_three": ("L1", "L2", "L3", "motor"),
    "insulation_cable_one": ("L1",),
    "insulation_cable_two": ("L2",),
    "insulation_motor_three": ("motor",),
    "box_insulation": ("run", "start", "common", "motor"),
    "turn_insulation": ("run", "start", "common", "motor"),
    "lifted_insulation_cable": ("run",),
    "hoisted_cable_insulation": ("run",),
    "lifted_insulation_motor": ("motor",),
    "hoisted_insulation": ("motor",),
    "set_lead_insulation": ("line", "neutral"),
    "mains_float_earth": ("both cores",),
    "insulation_outlet": (),
    "surge_insulation": (),
}
"""What each insulation test reaches behind the panel, by what its text says is put to the tester;
the building's outlet and a surge module that was pulled are none of it."""
RESETS = ("reset_at_rest", "trips_on_call", "trips_without_pump", "set_trips", "fed_from_elsewhere")
OFF_AGAIN = ("breaker", "rcd", "at_once", "overload", "later", "trips")
WORDS = {
    "roof": "Roof work:",
    "sump": "Never climb or lean into the sump",
    "insulation": "surge arresters from the circuit at both ends",
    "discharge": "discharge afterwards",
    "live": "Mains voltage within reach",
    "restart": "can start by itself",
    "bridge": "A bridge or jumper is fitted proved dead and comes out",
    "dead": "prove dead",
}
"""A part of the caution that must be read with the step."""


@dataclass
class World:
    """What is true of the place, from the events alone."""

    skill: str = "instructed"
    meter: str = "cat_iii"
    supply: str = "on"
    answers: dict[str, str] = field(default_factory=dict)
    complaints: tuple[str, ...] = ()
    findings: list[tuple[str, str, int]] = field(default_factory=list)
    repairs: int = 0
    stands: set[tuple[str, str]] = field(default_factory=set)
    shown: set[str] = field(default_factory=set)
    parted: bool = False
    charged: bool = False
    refused: set[str] = field(default_factory=set)

    @staticmethod
    def after(events: Sequence[Event]) -> World:
        """Fold the events: what was withdrawn was never said, what was done stays done."""
        world = World()
        gone = {e.data["event"] for e in events if e.kind == "withdrawn"}
        for event in events:
            data = event.data
            if event.kind in ("withdrawn", "resumed"):
                world.supply = "not known"
            if event.kind == "resumed":
                world._goes_on()
            if event.kind == "answered" and (data["question"], data["choice"]) in LASTING:
                world.stands.add((data["question"], data["choice"]))
                world.shown = set()
            if event.kind == "complaint" and "shock" in data["ids"]:
                world.shown = world.shown if ("tingle", "yes") in world.stands else set()
                world.stands.add(("tingle", "yes"))
            if event.kind in ("finding", "verified") and world.parted:
                world.charged = True
            if event.id in gone:
                continue
            if event.kind == "opened":
                world.skill, world.meter = data["qualification"], data["meter_category"]
            elif event.kind == "complaint":
                world.complaints = tuple(data["ids"])
            elif event.kind == "answered":
                world.answers[data["question"]] = data["choice"]
            elif event.kind == "finding":
                world.findings.append((data["test"], data["outcome"], world.repairs))
            elif event.kind == "repaired":
                world.repairs += 1
                world.supply = "not known"
                world.shown = world.shown if world.cleared else {"repaired"}
            elif event.kind == "verified" and data["result"] == "pass":
                world.shown |= {CLEARING[data["check"]]} if data["check"] in CLEARING else set()
            elif event.kind == "cannot":
                world.refused.add(data.get("act", data.get("test")))
            elif event.kind == "act":
                world.refused.discard(data["act"])
                world._act(data["act"])
        return world

    def _goes_on(self) -> None:
        self.refused -= {"isolate", "prove_dead", "energise", "found_on", "part"}
        self.refused -= {"discharge", "rejoin"}
        over = [q for q, choices in PASSING.items() if self.answers.get(q) in choices]
        for question in [*over, *(["tingle"] if "danger" in over else [])]:
            self.answers.pop(question, None)

    def _act(self, act: str) -> None:
        supplies = {"isolate": "off", "prove_dead": "dead", "energise": "on", "found_on": "on"}
        self.supply = supplies.get(act, self.supply)
        self.parted = act == "part" or (self.parted and act != "rejoin")
        self.charged = self.charged and act != "discharge"

    @property
    def cleared(self) -> bool:
        """Whether what was reported of the installation counts as gone."""
        return self.shown >= CLEARED

    def unmeasured(self, tests: Mapping[str, InstalledTest]) -> bool:
        """It tripped, and the insulation could be measured dead and was not since the repair."""
        able = self.skill != "unqualified" and not self.refused & {"isolate", "prove_dead", "part"}
        kinds = {t: tests[t].spec.instrument == "insulation_tester" for t in tests}
        left = any(
            tests[t].spec.place_at == "panel"
            and t not in self.refused
            and (tests[t].spec.by != "licensed" or self.skill == "licensed")
            for t in tests
            if kinds[t]
        )
        made = any(kinds[t] and n == self.repairs for t, _, n in self.findings)
        return "trips" in self.complaints and able and left and not made

    def said(self, words: Mapping[str, Sequence[str]]) -> bool:
        """Whether one of the answers was given."""
        told = {*self.answers.items(), *self.stands}
        told -= set(LASTING) if self.cleared else set()
        return any((q, c) in told for q, choices in words.items() for c in choices)

    @property
    def stopped(self) -> bool:
        """Whether something was reported after which nothing is switched on or measured live."""
        return self.kept_away or self.said(SHOCK)

    @property
    def kept_away(self) -> bool:
        """Whether something was reported that stops everything but looking."""
        unseen = {"damage_seen": ("yes",), "other_source": ("yes",)}
        unsteady = any((t, o) in UNSTEADY for t, o, _ in self.findings)
        shock = self.said(SHOCK) and (self.skill != "licensed" or unsteady)
        return self.said(STOPS) or shock or (self.skill == "unqualified" and self.said(unseen))

    def may_be_live_tested(self, tests: Mapping[str, InstalledTest]) -> bool:
        """Whether nothing that was said, and nobody's skill, speaks against a live test."""
        good = {t for t, o, _ in self.findings if o == "good"}
        tripped = "trips" in self.complaints and reached(tests) != reached(good & set(tests))
        able = self.skill != "unqualified" and self.meter in ("cat_iii", "cat_iv")
        return able and not (self.stopped or self.said(NOT_LIVE) or tripped)


def reached(tests: Iterable[str]) -> set[tuple[str, str]]:
    """Live conductors behind the panel that insulation tests reach, each with what it leads to.

    After a trip all that can be reached is found good before anything is measured live.
    """
    apart = (t.partition("@") for t in tests)
    return {(it, conductor) for base, _, it in apart for conductor in REACHED.get(base, ())}


def broken(
    step: Step, world: World, tests: Mapping[str, InstalledTest], cautions: bool = True
) -> list[str]:
    """The promises that a step breaks where it is offered in this world."""
    if step.kind == "test":
        found = [*_state(step.state, world, tests), *_test(tests[step.id], world, tests)]
        found += _parted(step, world)
        return found + ([*_read(tests[step.id], step)] if cautions else [])
    if step.kind == "verify":
        clears = step.id in CLEARING
        return [*_state(step.state, world, tests, clears), *_parted(step, world)]
    if step.kind == "act":
        return list(_act(step.id, world))
    if step.conclusion is not None:
        return list(_end(step, world))
    return []


def _parted(step: Step, world: World) -> Iterator[str]:
    """Round an insulation test: disconnect before it, discharge and reconnect before all else."""
    insulation = step.instrument == "insulation_tester"
    if insulation and not world.parted:
        yield "an insulation test with electronics and surge arresters connected"
    able = world.skill != "unqualified" and not world.kept_away
    acts = {"isolate", "prove_dead", "discharge", "rejoin"}
    able = able and not world.refused & acts
    if (able or step.state not in ("any", "")) and (
        world.charged or (world.parted and not insulation)
    ):
        yield "something else before it is discharged and reconnected"


def repair_broken(world: World, outside: bool, place: str) -> list[str]:
    """The promises that a repair breaks; `outside`: it is made with every cover closed."""
    return list(_repair(world, outside, place))


def _repair(world: World, outside: bool, place: str) -> Iterator[str]:
    if world.answers.get("danger") in ("yes", "water"):
        yield "a repair while people are in danger"
    if world.said(NOT_THERE.get(place, {})):
        yield f"a repair where nobody may go: {place}"
    if world.stopped and world.skill != "licensed":
        yield "a repair under a hold, and no licensed electrician"
    if outside and not world.stopped:
        return
    if world.skill == "unqualified" or world.supply != "dead":
        yield "a repair before it is isolated and proved dead, or by the unqualified"
    if world.parted or world.charged:
        yield "a repair before it is discharged and reconnected"


def _state(
    state: str, world: World, tests: Mapping[str, InstalledTest], clears: bool = False
) -> Iterator[str]:
    clears = clears and state == "dead" and world.skill == "licensed"
    stopped = world.kept_away if state == "dead" else world.stopped
    if state != "any" and stopped and not clears:
        yield "more than looking while a hazard stands"
    if state in ("live", "energised") and world.supply != "on":
        yield "needs the supply, which is not known to be on"
    if state in ("live", "energised") and world.said(OFF):
        yield "operated before damage or scorching is made good"
    if state == "live" and not world.may_be_live_tested(tests):
        yield "a live test after a reported hazard, or by whom or with what it may not be made"
    if state == "dead" and world.supply != "dead":
        yield "dead work before it is proved dead"
    if state == "dead" and world.skill == "unqualified":
        yield "an unqualified person opens the panel"


def _test(test: InstalledTest, world: World, tests: Mapping[str, InstalledTest]) -> Iterator[str]:
    spec = test.spec
    if spec.kind in METERS_FOR_DEAD and world.supply != "dead":
        yield f"{spec.kind} before it is proved dead"
    if spec.by == "licensed" and world.skill != "licensed":
        yield "for a licensed electrician"
    if world.said(NOT_THERE.get(spec.place_at, {})):
        yield f"nobody may go to the {spec.place_at}"
    touching = spec.state == "any" and spec.place_at in NOT_THERE
    if touching and world.said(SHOCK) and world.supply != "dead":
        yield "hands on tap, tank, float or pump after a shock, not proved dead"
    if spec.hands and world.kept_away:
        yield "hands on it while a hazard stands"
    if spec.hands and (world.said(SHOCK) or world.said(OFF)) and world.supply != "dead":
        yield "hands on it after a shock or damage, not proved dead"
    again = any(
        spec_of(t) in RESETS and o in OFF_AGAIN and n == world.repairs for t, o, n in world.findings
    )
    if spec.id in RESETS and again:
        yield "a second reset with the cause unfound"
    if spec.id in RESETS and world.unmeasured(tests):
        yield "a reset before the insulation was measured dead"
    if world.answers.get("danger") in ("yes", "water"):
        yield "a step while people are in danger"


def _read(test: InstalledTest, step: Step) -> Iterator[str]:
    spec, text = test.spec, " ".join(step.cautions)
    wanted = {
        "roof": spec.place_at == "roof",
        "sump": spec.place_at == "sump",
        "insulation": spec.kind == "insulation",
        "discharge": spec.kind == "insulation",
        "bridge": bool(spec.bridge),
        "live": spec.state == "live",
        "restart": spec.place_at == "pump" and spec.state == "energised",
    }
    for word, needed in wanted.items():
        if needed and WORDS[word] not in text:
            yield f"the caution '{WORDS[word]}' is missing"


def _act(act: str, world: World) -> Iterator[str]:
    if act == "prove_dead" and world.supply != "off":
        yield "proving dead before isolating"
    if act in ("part", "discharge", "rejoin") and world.supply != "dead":
        yield "on conductors before they are proved dead"
    if (act == "rejoin" and world.charged) or (
        act == "energise" and (world.charged or world.parted)
    ):
        yield "before it is discharged and reconnected"
    if act == "energise" and world.said(OFF):
        yield "switched on before damage or scorching is made good"
    if act in ("energise", "found_on") and world.stopped:
        yield "switching on while a hazard stands"
    if act != "found_on" and world.skill == "unqualified":
        yield "an unqualified person switches"


def _end(step: Step, world: World) -> Iterator[str]:
    end = step.conclusion
    assert end is not None
    if end.licensed and world.skill != "licensed" and end.status == "concluded":
        yield "a repair for the licensed is concluded for others"
    tidied = world.skill == "unqualified" or world.kept_away or world.refused
    if (world.parted or world.charged) and not tidied and end.status != "stopped":
        yield "an end before it is discharged and reconnected"
    over = world.skill == "licensed" or end.status in ("handed_over", "stopped")
    if world.said(SHOCK) and not over:
        yield "a felt shock is not handed over"
    if end.remedy and not any(WORDS["dead"] in text for text in end.cautions):
        yield "a repair without isolation"
