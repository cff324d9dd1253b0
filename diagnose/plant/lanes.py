"""Several faults side by side: what each lane of a circuit has changed.

A lane is one failure mode, two at once (or the healthy installation), with one sample of every
parameter.
Lanes that share their wiring are compiled and settled together, which is what makes the
dependency matrix quick to build.
"""

from __future__ import annotations

import functools
import zlib
from collections.abc import Callable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from diagnose.errors import Place, fail
from diagnose.knowledge.expressions import code
from diagnose.knowledge.names import unit_of
from diagnose.knowledge.records import Number, Patch
from diagnose.plant.compose import Fault, Installation

Samples = NDArray[np.float64]
Flags = NDArray[np.bool_]
Codes = NDArray[np.int_]
Draw = Callable[[str, Number, int], Samples]
"""How a number becomes samples: (full name, number, count) -> (count,)."""


@functools.lru_cache(maxsize=8192)
def draw(name: str, number: Number, count: int) -> Samples:
    """Stratified samples (count,) of a number's range; the order hangs on `name` alone."""
    u = _places(name, count)
    if number.log and number.low > 0:
        logs = np.log(number.low) + u * (np.log(number.high) - np.log(number.low))
        return np.asarray(np.exp(logs))
    return np.asarray(number.low + u * (number.high - number.low))


@functools.lru_cache(maxsize=8192)
def _places(name: str, count: int) -> Samples:
    rng = np.random.default_rng(zlib.crc32(name.encode()))
    return np.asarray((rng.permutation(count) + 0.5) / count)


def nominal(name: str, number: Number, count: int) -> Samples:
    """A draw without chance: the nominal value, (count,) times."""
    return np.full(count, number.nominal)


def own(name: str, unit: str) -> str:
    """The full name of what a patch names: its own unit's unless it says another's."""
    return name if "." in name else f"{unit}.{name}"


def patch_of(fault: Fault | None) -> Patch:
    """All that a fault changes, under full names; nothing for the healthy installation."""
    whole = Patch()
    for part in fault.parts if fault else ():
        unit, patch = part.unit, part.mode.patch
        whole = Patch(
            set={**whole.set, **{own(n, unit): v for n, v in patch.set.items()}},
            variables={**whole.variables, **{own(n, unit): v for n, v in patch.variables.items()}},
            logic={**whole.logic, **{own(n, unit): v for n, v in patch.logic.items()}},
            open=(*whole.open, *(own(n, unit) for n in patch.open)),
            short=(*whole.short, *(own(n, unit) for n in patch.short)),
            swap=(*whole.swap, *((own(a, unit), own(b, unit)) for a, b in patch.swap)),
            always={**whole.always, **patch.always},
            found={**whole.found, **patch.found},
        )
    return whole


class Lanes:
    """Faults and samples laid side by side; lane l is fault l // samples."""

    def __init__(
        self,
        installation: Installation,
        modes: Sequence[Fault | None],
        samples: int,
        draw: Draw,
    ) -> None:
        self.modes = tuple(modes)
        self.samples = samples
        self.count = samples * len(self.modes)
        self._draw = draw
        self._set: list[Mapping[str, Number]] = []
        self._variables: list[Mapping[str, str]] = []
        self.logic: dict[str, list[tuple[int, str]]] = {}
        self.cut: dict[str, Flags] = {}
        self.joined: dict[str, Flags] = {}
        self.patches = [patch_of(fault) for fault in self.modes]
        for k, patch in enumerate(self.patches):
            self._set.append(patch.set)
            self._variables.append(patch.variables)
            for name, text in patch.logic.items():
                self.logic.setdefault(name, []).append((k, text))
            for names, flags in ((patch.open, self.cut), (patch.short, self.joined)):
                for name in names:
                    column = flags.setdefault(name, np.zeros(self.count, dtype=bool))
                    column[self.of(k)] = True
        self.nets = self._swapped(installation)

    def of(self, mode: int) -> slice:
        """The lanes of one mode."""
        return slice(mode * self.samples, (mode + 1) * self.samples)

    def place(self, mode: int) -> Place | None:
        """Where a mode stands in the knowledge base."""
        fault = self.modes[mode]
        return fault.parts[0].mode.place if fault else None

    def _swapped(self, installation: Installation) -> dict[str, str]:
        nets = dict(installation.nets)
        for a, b in self.patches[0].swap:
            for terminal in (a, b):
                if terminal not in nets:
                    raise fail("unknown-id", f"'{terminal}' is not a terminal", self.place(0))
            nets[a], nets[b] = nets[b], nets[a]
        return nets

    def number(self, full: str, base: Number) -> Samples:
        """One parameter in every lane, (lanes,)."""
        result = np.tile(self._draw(full, base, self.samples), len(self.modes))
        for k, changed in enumerate(self._set):
            if full in changed:
                result[self.of(k)] = self._draw(full, changed[full], self.samples)
        return result

    def variable(self, full: str, base: str) -> Codes:
        """One variable's code in every lane, (lanes,)."""
        result = np.full(self.count, code(base))
        for k, changed in enumerate(self._variables):
            if full in changed:
                result[self.of(k)] = code(changed[full])
        return result

    def check_names(self, known: set[str], instances: Mapping[str, object]) -> None:
        """Every patched name exists.

        Raises
        ------
        DiagnoseError
            A mode sets what no fitted part has.
        """
        for k in range(len(self.modes)):
            for full in (*self._set[k], *self._variables[k]):
                if full not in known and unit_of(full) in instances:
                    raise fail(
                        "unknown-id",
                        f"'{full}' is neither a parameter nor a variable",
                        self.place(k),
                    )

    def situation(self, name: str, value: str, found: bool) -> Codes:
        """A situation's variable in every lane, with what the modes force, (lanes,)."""
        result = np.full(self.count, code(value))
        for k, patch in enumerate(self.patches):
            if found and name in patch.found:
                result[self.of(k)] = code(patch.found[name])
            if name in patch.always:
                result[self.of(k)] = code(patch.always[name])
        return result

    def forced_names(self) -> set[str]:
        """Situation variables that some mode forces."""
        return {n for patch in self.patches for n in (*patch.always, *patch.found)}
