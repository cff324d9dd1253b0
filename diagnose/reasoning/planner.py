"""What can be done from here and what it costs: walks, changes of electrical state, tests.

The interview, the practice and the benchmarks all plan with this one function, so what is
measured is what is shipped.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.compose import Installation
from diagnose.plant.learned import change_minutes
from diagnose.plant.procedures import InstalledTest
from diagnose.reasoning.guard import Electrical, Exposure, SafetyState, refuse_step
from diagnose.reasoning.places import ANYWHERE, PANEL, TELEPHONE
from diagnose.reasoning.strategy import Candidate, Terrain

OUTSIDE = ("roof", "sump", "pump")


@dataclass(frozen=True)
class Standing:
    """Where the technician stands, the electrical state, and where the tank's water stands.

    `level` is "" where it is not known.
    """

    place: str = PANEL
    electrical: Electrical = Electrical.ENERGISED
    level: str = ""


@dataclass(frozen=True)
class Way:
    """What a step asks for: a place, an electrical state, a level of the water ("" for any)."""

    place: str
    exposure: Exposure
    level: str = ""


def way_of(test: InstalledTest) -> Way:
    """What a test asks for."""
    return Way(test.spec.place_at, Exposure(test.spec.state), test.level)


@dataclass(frozen=True)
class Equipment:
    """Instruments at hand and what they may be used for."""

    instruments: frozenset[str] = frozenset(
        {
            "none",
            "multimeter",
            "loz",
            "clamp",
            "capacitance",
            "insulation_tester",
            "bucket",
            "gauge",
        }
    )
    safety: SafetyState = field(default_factory=SafetyState)


@dataclass(frozen=True)
class Costs:
    """Minutes of walks and of changes of state, from the scale ``changes``."""

    isolate: float
    prove_dead: float
    energise: float
    walk: Mapping[str, float]
    level: Mapping[str, float] = field(default_factory=dict)

    @staticmethod
    def of(
        knowledge: KnowledgeBase,
        site: Mapping[str, str] | None = None,
        minutes: Mapping[str, float] | None = None,
        measured: Mapping[str, float] | None = None,
    ) -> Costs:
        """Read the scale ``changes``: isolate, prove_dead, energise, panel_to_…, level_to_….

        Parameters
        ----------
        site : word -> word
            Which words stand in for which others at this site.
        minutes : word -> minutes
            The scale as learned, where it was.
        measured : word -> minutes
            What was measured at this very site, whatever is said of it.
        """
        scale = minutes or change_minutes(knowledge)
        words = {k: scale[(site or {}).get(k, k)] for k in scale} | dict(measured or {})

        def of(prefix: str) -> dict[str, float]:
            return {k.removeprefix(prefix): v for k, v in words.items() if k.startswith(prefix)}

        return Costs(
            words["isolate"],
            words["prove_dead"],
            words["energise"],
            of("panel_to_"),
            of("level_to_"),
        )

    def move(self, start: str, end: str) -> float:
        """Minutes from one place to another; every way leads past the panel."""
        if end in (ANYWHERE, start):
            return 0.0
        return self.walk.get(start, 0.0) + self.walk.get(end, 0.0)

    def reach(self, standing: Standing, way: Way) -> tuple[float, Standing]:
        """Minutes to stand ready for a step, and how one then stands."""
        place = standing.place if way.place == ANYWHERE else way.place
        level, minutes = standing.level, 0.0
        if way.level not in ("", standing.level):
            level, minutes = way.level, self.level.get(way.level, 0.0)
        acts = acts_needed(standing.electrical, way.exposure)
        if not acts:
            minutes += self.move(standing.place, place)
            return minutes, Standing(place, standing.electrical, level)
        minutes += self.move(standing.place, PANEL) + self.move(PANEL, place)
        minutes += sum(self.act(act) for act in acts)
        dead = way.exposure is Exposure.DEAD
        state = Electrical.PROVED_DEAD if dead else Electrical.ENERGISED
        return minutes, Standing(place, state, level)

    def act(self, act: str) -> float:
        """Minutes of one change of state."""
        return {
            "isolate": self.isolate,
            "prove_dead": self.prove_dead,
            "energise": self.energise,
            "found_on": 0.0,
        }.get(act, 0.0)  # round an insulation test: in the minutes of the test


def acts_needed(electrical: Electrical, exposure: Exposure) -> tuple[str, ...]:
    """The changes of state to make before a step of this exposure, in order."""
    if exposure is Exposure.LOOK:
        return ()
    if exposure is Exposure.DEAD:
        if electrical is Electrical.PROVED_DEAD:
            return ()
        if electrical is Electrical.ISOLATED:
            return ("prove_dead",)
        return ("isolate", "prove_dead")
    return () if electrical is Electrical.ENERGISED else ("energise",)


def repair_places(installation: Installation) -> dict[str, str]:
    """Where each unit is repaired: the panel where its place is not one of its own."""
    places = {name: instance.where for name, instance in installation.instances.items()}
    return {name: p if p in OUTSIDE else PANEL for name, p in places.items()}


def level_found(
    installation: Installation, knowledge: KnowledgeBase, complaints: Sequence[str]
) -> str:
    """Where the water of the roof tank stands on arrival, as the complaint has it.

    "" where it says nothing, and where there is no roof tank.
    """
    situations = installation.type.situations
    for complaint in complaints:
        for name in knowledge.complaints[complaint].when[0]:
            situation = situations.get(name)
            if situation is not None and (situation.real_level or situation.found):
                return situation.values.get("roof", "")
    return ""


class Ground:
    """Every way that the tests of an installation ask for, and what each costs from anywhere.

    Parameters
    ----------
    repairs : unit -> place
        Where each unit is repaired.
    """

    def __init__(
        self,
        tests: Mapping[str, InstalledTest],
        costs: Costs,
        repairs: Mapping[str, str] | None = None,
    ) -> None:
        self.costs = costs
        self.way = {name: way_of(test) for name, test in tests.items()}
        self.repair = {u: Way(p, Exposure.DEAD) for u, p in (repairs or {}).items()}
        ways = dict.fromkeys([*self.way.values(), *self.repair.values()])
        self.column = {way: k for k, way in enumerate(ways)}
        self._column_of = {name: self.column[way] for name, way in self.way.items()}
        self._ways = tuple(ways)
        self._known: dict[Standing, Terrain] = {}

    def terrain(self, standing: Standing) -> Terrain:
        """What every way costs from here and from wherever it leads."""
        if standing not in self._known:
            row = {standing: 0}
            order = [standing]
            minutes: list[list[float]] = []
            after: list[list[int]] = []
            for here in order:
                reached = [self.costs.reach(here, way) for way in self.column]
                for _, then in reached:
                    if then not in row:
                        row[then] = len(order)
                        order.append(then)
                minutes.append([m for m, _ in reached])
                after.append([row[then] for _, then in reached])
            repair = {unit: self.column[way] for unit, way in self.repair.items()}
            self._known[standing] = Terrain(np.array(minutes), np.array(after), 0, repair)
        return self._known[standing]

    def candidates(
        self,
        tests: Mapping[str, InstalledTest],
        index: Mapping[str, int],
        standing: Standing,
        equipment: Equipment,
        skip: Iterable[str] = (),
    ) -> list[Candidate]:
        """The tests that may be done, each with its whole cost in minutes.

        A test counts as permitted when the guard allows it in the state that its own preparation
        leads to; the guard is asked again when the step is really taken.
        """
        skipped = set(skip)
        ways: dict[tuple[int, bool, bool, bool], float | None] = {}

        def ready(way: Way, licensed: bool, reset: bool, hands: bool) -> float | None:
            """Minutes to stand ready; None where the guard refuses the step from there."""
            minutes, then = self.costs.reach(standing, way)
            safety = replace(
                equipment.safety, electrical=then.electrical, parted=False, charged=False
            )
            refused = refuse_step(safety, way.exposure, licensed, way.place, reset, hands=hands)
            return None if refused else minutes

        found = []
        for name, test in tests.items():
            spec = test.spec
            if name in skipped or spec.instrument not in equipment.instruments:
                continue
            if spec.place_at == TELEPHONE:
                continue
            column = self._column_of[name]
            way = self._ways[column]
            reset = "reset_once" in spec.cautions and spec.state != "any"
            key = (column, spec.by == "licensed", reset, spec.hands)
            if key not in ways:
                ways[key] = ready(way, *key[1:])
            minutes = ways[key]
            if minutes is not None:
                live = way.exposure is Exposure.LIVE
                whole = minutes + test.minutes
                found.append(Candidate(name, index[name], whole, live, test.minutes, column))
        return found
