"""Several failure modes side by side: what each lane of a circuit has changed.

A lane is one failure mode (or the healthy installation) with one sample of every parameter.
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
from diagnose.knowledge.records import Number, Patch
from diagnose.plant.compose import Installation, InstalledMode

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


class Lanes:
    """Failure modes and samples laid side by side; lane l is mode l // samples."""

    def __init__(
        self,
        installation: Installation,
        modes: Sequence[InstalledMode | None],
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
        self.patches = [m.mode.patch if m else Patch() for m in self.modes]
        for k, mode in enumerate(self.modes):
            unit, patch = (mode.unit if mode else ""), self.patches[k]
            self._set.append({own(n, unit): v for n, v in patch.set.items()})
            self._variables.append({own(n, unit): v for n, v in patch.variables.items()})
            for name, text in patch.logic.items():
                self.logic.setdefault(own(name, unit), []).append((k, text))
            for names, flags in ((patch.open, self.cut), (patch.short, self.joined)):
                for name in names:
                    column = flags.setdefault(own(name, unit), np.zeros(self.count, dtype=bool))
                    column[self.of(k)] = True
        self.nets = self._swapped(installation)

    def of(self, mode: int) -> slice:
        """The lanes of one mode."""
        return slice(mode * self.samples, (mode + 1) * self.samples)

    def place(self, mode: int) -> Place | None:
        """Where a mode stands in the knowledge base."""
        record = self.modes[mode]
        return record.mode.place if record else None

    def _swapped(self, installation: Installation) -> dict[str, str]:
        nets = dict(installation.nets)
        first = self.modes[0]
        for left, right in self.patches[0].swap:
            a, b = own(left, first.unit if first else ""), own(right, first.unit if first else "")
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
                if full not in known and full.partition(".")[0] in instances:
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
