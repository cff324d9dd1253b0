"""The simulated broken installation: it answers every test as the real one would.

One draw of every number stands for the installation: one that worked when it was handed over
and that shows the complaint with the hidden failure modes. Three lanes share these numbers; they
differ only in what an input that floats is taken for (low, high, toggling), so each look may find
another. What is shown hangs on the exercise, the test and the how-manieth look alone.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.errors import fail
from diagnose.interview.verifying import checks_for
from diagnose.knowledge.names import unit_of
from diagnose.knowledge.practice_reading import PracticeKnowledge, load_practice
from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.compose import Fault, Installation, InstalledMode
from diagnose.plant.matrix import MatrixBuilder
from diagnose.plant.pairs import together
from diagnose.plant.phases import Phase
from diagnose.plant.procedures import InstalledTest
from diagnose.plant.readings import floor_of, numeric_reading, outcome_of, per_sample, source_ohms
from diagnose.plant.simulation import Simulation
from diagnose.practice.customer import Customer
from diagnose.practice.draws import Drawer, chance, chosen, unsound
from diagnose.practice.instruments import Display, displayed
from diagnose.practice.records import Exercise, Shown
from diagnose.reasoning.places import PANEL
from diagnose.reasoning.planner import OUTSIDE, repair_places

if TYPE_CHECKING:
    from diagnose.interview.steps import Check

LANES = 3
"""Lanes of one draw: a floating input taken for low, for high, for toggling."""
BLOCK = 6
MOST_DRAWS = 60
"""Draws that are tried before an exercise is given up: rare looks make poor exercises."""
"""Draws that are tried at once."""
SURE = 0.97
"""The healthy installation reads as it should this surely: no error of a meter shows a fault."""
CAPACITORS = ("run_capacitor", "start_capacitor")
"""Part types that keep a charge when isolated."""
FLOATING_OHMS = 2e6
"""Above this a point floats: an ordinary meter shows what it picks up, and that drifts."""
PICK_UP = 0.12
"""How far, in V, what a floating point picks up moves a meter's display (judgement)."""
TRIPPED = "breaker.trips or breaker.off or rcd.off or overload.tripped"


@dataclass(frozen=True)
class _Found:
    """The installation with what is still broken: what it shows, and the complaint's lanes."""

    simulation: Simulation
    fault: Fault | None


class Workshop:
    """Where benches are made: what all exercises on one installation share."""

    def __init__(
        self,
        knowledge: KnowledgeBase,
        installation: Installation,
        practice: PracticeKnowledge | None = None,
    ) -> None:
        self.knowledge = knowledge
        self.installation = installation
        self.practice = practice or load_practice(knowledge)
        self.builder = MatrixBuilder(knowledge, installation)
        self._usual = self.builder.shown(self.builder.simulate(None))
        self._sound: tuple[tuple[int, bytes], NDArray[np.intp]] | None = None
        self._repaired: tuple[tuple[int, bytes], Simulation] | None = None
        """The latest of each, with its seed and draws: one seed often makes several exercises."""

    def bench(self, exercise: Exercise) -> Bench:
        """The broken installation of an exercise.

        Raises
        ------
        DiagnoseError
            The exercise names what this installation has not, or cannot occur on it.
        """
        fault = self.fault(exercise.modes)
        known = [c.id for c in self.builder.complaints]
        if exercise.complaint not in known:
            message = f"there is no complaint '{exercise.complaint}' here"
            raise fail("unknown-id", message, None, known)
        quick = self.builder.only((), (exercise.complaint,))
        for start in range(0, MOST_DRAWS, BLOCK):
            block = np.arange(start, start + BLOCK)
            drawer = Drawer(exercise.seed, 0.0)
            drawer.kept = np.repeat(block, LANES)
            quick.forget()
            broken = quick.simulate(fault, LANES * len(block), drawer)
            shows = quick.complaints_shown(broken)[0].reshape(-1, LANES).any(axis=1)
            fits = block[shows]
            if not len(fits):
                continue
            good = self._good(fits, drawer)
            if len(good):
                drawer.kept = np.repeat(good[:1], LANES)
                return Bench(self, exercise, drawer)
        raise fail(
            "impossible",
            f"no draw of the installation shows '{exercise.complaint}' with "
            f"{' and '.join(exercise.modes)}",
        )

    def _good(self, fits: NDArray[np.intp], drawer: Drawer) -> NDArray[np.intp]:
        """Those of some draws in which the healthy installation shows nothing unusual."""
        key = (drawer.seed, fits.tobytes())
        if self._sound is None or self._sound[0] != key:
            drawer.kept = np.repeat(fits, LANES)
            self.builder.forget()
            healthy = self.builder.simulate(None, LANES * len(fits), drawer)
            bad = np.array(self.builder.complaints_shown(healthy)).any(axis=0)
            bad |= unsound(self.builder, healthy, self._usual, SURE)
            self._sound = key, fits[~bad.reshape(-1, LANES).any(axis=1)]
        return self._sound[1]

    def repaired(self, builder: MatrixBuilder, drawer: Drawer) -> Simulation:
        """The installation of a bench with nothing broken, settled."""
        key = (drawer.seed, b"" if drawer.kept is None else drawer.kept.tobytes())
        if self._repaired is None or self._repaired[0] != key:
            self._repaired = key, builder.simulate(None, LANES, drawer)
        return self._repaired[1]

    def fault(self, names: Sequence[str]) -> Fault:
        """The failure modes of an exercise as one fault.

        Raises
        ------
        DiagnoseError
            There is no such mode here, or the two cannot be together.
        """
        modes: list[InstalledMode] = []
        for name in names:
            if name not in self.installation.modes:
                legal = [m for m in self.installation.modes if m.startswith(unit_of(name))]
                message = f"there is no failure mode '{name}' on this installation"
                raise fail("unknown-id", message, None, legal or self.installation.modes)
            modes.append(self.installation.modes[name])
        if len(modes) == 1:
            return modes[0]
        if len(modes) != 2:
            raise fail("exercise", "an exercise hides one failure mode, or two")
        return together(self.installation, *modes)


class Bench:
    """One broken installation; made by `Workshop.bench`."""

    def __init__(self, workshop: Workshop, exercise: Exercise, drawer: Drawer) -> None:
        self.exercise = exercise
        self.knowledge = workshop.knowledge
        self.practice = workshop.practice
        self.installation = workshop.installation
        self.tests: Mapping[str, InstalledTest] = workshop.builder.tests
        at = {t.spec.place_at for t in self.tests.values()} | set(
            repair_places(self.installation).values()
        )
        self.places = tuple(place for place in (PANEL, *OUTSIDE) if place in at)
        parts = {instance.part for instance in self.installation.instances.values()}
        self.capacitor = bool(parts & set(CAPACITORS))
        """Whether there is a capacitor that keeps its charge."""
        self.checks: dict[str, Check] = {c.id: c for c in checks_for(self.installation)}
        complaints = [c.id for c in workshop.builder.complaints]
        self._workshop = workshop
        self._builder = workshop.builder.only(self.tests, complaints)
        self._drawer = drawer
        self._found: dict[frozenset[str], _Found] = {}
        self.customer = Customer(self)

    # ------------------------------------------------------------------ what is left broken

    def left(self, swapped: Collection[str] = ()) -> tuple[InstalledMode, ...]:
        """The hidden failure modes whose units were not swapped."""
        modes = (self.installation.modes[name] for name in self.exercise.modes)
        return tuple(mode for mode in modes if mode.unit not in swapped)

    def found(self, swapped: Collection[str] = ()) -> _Found:
        """The installation settled with what is still broken."""
        left = self.left(swapped)
        key = frozenset(mode.id for mode in left)
        if key not in self._found:
            if left:
                fault = left[0] if len(left) == 1 else together(self.installation, *left)
                settled = self._builder.simulate(fault, LANES, self._drawer)
                self._found[key] = _Found(settled, fault)
            else:
                settled = self._workshop.repaired(self._builder, self._drawer)
                self._found[key] = _Found(settled, None)
        return self._found[key]

    # ------------------------------------------------------------------ tests

    def shown(self, test: str, look: int = 1, swapped: Collection[str] = ()) -> Shown:
        """What the instrument or the eye shows at the how-manieth look, from 1.

        Raises
        ------
        DiagnoseError
            There is no such test here.
        """
        installed = self.test(test)
        found = self.found(swapped)
        if installed.condition is None:
            weights = self._builder.signs(installed, found.fault)
            k = chosen(self.exercise.seed, weights.tolist(), "sign", test)
            return self._words(installed, installed.outcomes[k].id)
        a, b, rows = found.simulation.phases(self._builder.index[installed.condition.key])
        lane = self._lane(look, test)
        if installed.spec.kind == "signal":
            weights = per_sample(found.simulation.circuit, installed, a, b, rows)[lane]
            k = chosen(self.exercise.seed, weights.tolist(), "signal", test, look)
            return self._words(installed, installed.outcomes[k].id)
        return self._read(installed, found, (a, b), rows[lane : lane + 1], look)

    def test(self, name: str) -> InstalledTest:
        """One installed test.

        Raises
        ------
        DiagnoseError
            There is no such test here.
        """
        if name not in self.tests:
            raise fail("unknown-id", f"there is no test '{name}' on this installation")
        return self.tests[name]

    def _lane(self, look: int, name: str) -> int:
        return int(chance(self.exercise.seed, "lane", name, look) * LANES)

    def _words(self, test: InstalledTest, outcome: str) -> Shown:
        return Shown(next(o.title for o in test.outcomes if o.id == outcome), outcome)

    def _read(
        self,
        test: InstalledTest,
        found: _Found,
        phases: tuple[Phase, Phase],
        rows: np.ndarray,
        look: int,
    ) -> Shown:
        circuit, seed = found.simulation.circuit, self.exercise.seed
        wander = 0.0
        if test.spec.kind == "volts_dc":
            ohms = float(source_ohms(circuit, test, phases[0], rows)[0])
            wander = PICK_UP if ohms > FLOATING_OHMS else 0.0
        true = [float(numeric_reading(circuit, test, phase, rows)[0]) for phase in phases]
        shows: list[Display] = [displayed(test, x, seed, look, wander) for x in true]
        outcomes = [outcome_of(display.value, test.outcomes) for display in shows]
        apart = abs(true[0] - true[1]) > 2 * floor_of(test.spec.unit, test.outcomes)
        unsteady = next((o.id for o in test.outcomes if o.when == "changing"), "")
        if apart and outcomes[0] != outcomes[1]:
            low, high = sorted(shows, key=lambda display: display.value)
            at = int(chance(seed, "moment", test.id, look) * 2)
            text = f"jumps between {low.text} and {high.text}"
            return Shown(text, unsteady or outcomes[at])
        text = shows[0].text + (", and it drifts" if wander else "")
        return Shown(text, outcomes[0])

    # ------------------------------------------------------------------ checks and the state

    def complains(self, complaint: str, swapped: Collection[str] = ()) -> bool:
        """Whether the customer would still report a complaint."""
        ids = [c.id for c in self._builder.complaints]
        if complaint not in ids:
            return False
        shown = self._builder.complaints_shown(self.found(swapped).simulation)
        return bool(shown[ids.index(complaint)].any())

    def alternatives(self, complaint: str, swapped: Collection[str] = ()) -> tuple[int, ...]:
        """Which alternatives of a complaint hold, from 0 in the order of the knowledge base."""
        simulation, situations = self.found(swapped).simulation, self.installation.type.situations
        named = self._builder.named
        held = []
        for k, alternative in enumerate(self.knowledge.complaints[complaint].when):
            if any(name not in situations for name in alternative):
                continue
            whole = np.ones(simulation.lanes, dtype=bool)
            for name, text in alternative.items():
                whole &= simulation.holds(named[name], text)
            if whole.any():
                held.append(k)
        return tuple(held)

    def checked(self, check: str, swapped: Collection[str] = ()) -> Shown:
        """The result of a check after a repair: ``pass`` or ``fail``, in words.

        Raises
        ------
        DiagnoseError
            There is no such check here.
        """
        if check not in self.checks:
            raise fail("unknown-id", f"there is no check '{check}'", None, self.checks)
        record = self.checks[check]
        complaints = record.complaints
        if check == "gone":
            complaints = (self.exercise.complaint,)
        failed = any(self.complains(c, swapped) for c in complaints)
        for name, test in self.tests.items():
            good = record.like.get(name) or record.like.get(test.spec.id)
            if good and not failed:
                failed = self.shown(name, 1, swapped).outcome not in good
        text = "not as it should be" if failed else "as it should be"
        return Shown(text, "fail" if failed else "pass")

    def tripped(self, test: str = "", swapped: Collection[str] = ()) -> bool:
        """Whether a protective device is off as found, or trips in the condition of a test."""
        found = self.found(swapped)
        situations = ["found_empty"] if "found_empty" in self._builder.named else []
        conditions = [self._builder.named[name] for name in situations]
        if test:
            condition = self.test(test).condition
            conditions = [] if condition is None else [self._builder.index[condition.key]]
        return any(bool(found.simulation.holds(c, TRIPPED).any()) for c in conditions)
