"""What can be done from here and what it costs: walks, changes of electrical state, tests.

The interview, the practice and the benchmarks all plan with this one function, so what is
measured is what is shipped.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from diagnose.knowledge.records import KnowledgeBase, TestSpec
from diagnose.plant.procedures import InstalledTest
from diagnose.reasoning.guard import Electrical, Exposure, SafetyState, refuse_step
from diagnose.reasoning.strategy import Candidate

PANEL = "panel"
ANYWHERE = "anywhere"


@dataclass(frozen=True)
class Standing:
    """Where the technician stands and in which electrical state the installation is."""

    place: str = PANEL
    electrical: Electrical = Electrical.ENERGISED


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

    @staticmethod
    def of(knowledge: KnowledgeBase) -> Costs:
        """Read the scale ``changes``: isolate, prove_dead, energise, panel_to_<place>."""
        words = {k: n.nominal for k, n in knowledge.scales["changes"].words.items()}
        walk = {
            k.removeprefix("panel_to_"): v for k, v in words.items() if k.startswith("panel_to_")
        }
        return Costs(words["isolate"], words["prove_dead"], words["energise"], walk)

    def move(self, start: str, end: str) -> float:
        """Minutes from one place to another; every way leads past the panel."""
        if end in (ANYWHERE, start):
            return 0.0
        return self.walk.get(start, 0.0) + self.walk.get(end, 0.0)

    def reach(self, standing: Standing, place: str, exposure: Exposure) -> tuple[float, Standing]:
        """Minutes to stand ready for a step, and how one then stands."""
        place = standing.place if place == ANYWHERE else place
        acts = acts_needed(standing.electrical, exposure)
        if not acts:
            return self.move(standing.place, place), replace(standing, place=place)
        minutes = self.move(standing.place, PANEL) + self.move(PANEL, place)
        minutes += sum(self.act(act) for act in acts)
        state = Electrical.PROVED_DEAD if exposure is Exposure.DEAD else Electrical.ENERGISED
        return minutes, Standing(place, state)

    def act(self, act: str) -> float:
        """Minutes of one change of state."""
        return {
            "isolate": self.isolate,
            "prove_dead": self.prove_dead,
            "energise": self.energise,
        }[act]


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


def candidates(
    tests: Mapping[str, InstalledTest],
    index: Mapping[str, int],
    costs: Costs,
    standing: Standing,
    equipment: Equipment,
    skip: Iterable[str] = (),
) -> list[Candidate]:
    """The tests that may be done, each with its whole cost in minutes.

    A test counts as permitted when the guard allows it in the state that its own preparation
    leads to; the guard is asked again when the step is really taken.
    """
    skipped = set(skip)
    ways: dict[tuple[str, str, bool], float | None] = {}

    def way(spec: TestSpec) -> float | None:
        """Minutes to stand ready; None where the guard refuses the step from there."""
        exposure = Exposure(spec.state)
        minutes, then = costs.reach(standing, spec.place_at, exposure)
        ready = replace(equipment.safety, electrical=then.electrical)
        return None if refuse_step(ready, exposure, spec.by == "licensed") else minutes

    found = []
    for name, test in tests.items():
        spec = test.spec
        if name in skipped or spec.instrument not in equipment.instruments:
            continue
        key = (spec.place_at, spec.state, spec.by == "licensed")
        if key not in ways:
            ways[key] = way(spec)
        minutes = ways[key]
        if minutes is not None:
            live = spec.state == Exposure.LIVE.value
            found.append(Candidate(name, index[name], minutes + test.minutes, live))
    return found
