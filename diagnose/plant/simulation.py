"""Every condition of one circuit settled, and what holds in each of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from diagnose.knowledge.expressions import code
from diagnose.plant.behaviour import Settler
from diagnose.plant.circuit import Circuit, bridge_name
from diagnose.plant.conditions import rounds
from diagnose.plant.phases import Condition, Phase


class Simulation:
    """All conditions of one circuit, settled: each of its lanes in each condition."""

    def __init__(
        self, circuit: Circuit, conditions: Sequence[Condition], named: Mapping[str, int]
    ) -> None:
        self.circuit = circuit
        self.conditions = list(conditions)
        self.lanes = circuit.lanes.count
        self.a: list[tuple[Phase, int]] = [(Phase(), 0)] * len(conditions)
        self.b: list[tuple[Phase, int]] = [(Phase(), 0)] * len(conditions)
        for group in rounds(conditions, named):
            bare = [self._bare(conditions[k]) for k in group]
            chosen = {condition.key: condition for condition in bare}
            held = self._memory(list(chosen.values()), named)
            phases = Settler(circuit, list(chosen.values())).settle(held)
            position = {key: place for place, key in enumerate(chosen)}
            for k, condition in zip(group, bare, strict=True):
                place = position[condition.key]
                self.a[k], self.b[k] = (
                    (phase, place)
                    if condition is conditions[k]
                    else (self._isolated(phase, place, conditions[k]), 0)
                    for phase in phases
                )

    def _bare(self, condition: Condition) -> Condition:
        """The condition to settle: leads of what is isolated do not matter there."""
        leads = [*condition.lift, *(bridge_name(*pair) for pair in condition.bridge)]
        domains = {self.circuit.branch(name)[0] for name in leads}
        if not leads or not condition.dead or "water" in domains:
            return condition
        return replace(condition, lift=frozenset(), bridge=frozenset())

    def _isolated(self, phase: Phase, position: int, condition: Condition) -> Phase:
        """An isolated condition: what its bare one settled to, and its own leads."""
        whole = slice(position * self.lanes, (position + 1) * self.lanes)
        on = {domain: flags[whole].copy() for domain, flags in phase.on.items()}
        for name in condition.lift:
            domain, branch = self.circuit.branch(name)
            on[domain][:, branch] = False
        for pair in condition.bridge:
            domain, branch = self.circuit.branch(bridge_name(*pair))
            on[domain][:, branch] = True
        return Phase(
            {name: values[whole] for name, values in phase.values.items()},
            {domain: v[whole] for domain, v in phase.v.items()},
            on,
        )

    def _memory(
        self, chosen: Sequence[Condition], named: Mapping[str, int]
    ) -> dict[str, NDArray[np.bool_]]:
        held: dict[str, NDArray[np.bool_]] = {}
        for name in (line.name for line in self.circuit.logic):
            columns = []
            for condition in chosen:
                if not condition.after:
                    columns.append(np.zeros(self.lanes, dtype=bool))
                    continue
                phase, position = self.a[named[condition.after]]
                columns.append(phase.values[name][self._rows(position)])
            if columns[0].dtype == bool:
                held[name] = np.concatenate(columns)
        return held

    def _rows(self, position: int) -> NDArray[np.int_]:
        return np.arange(position * self.lanes, (position + 1) * self.lanes)

    def phases(self, condition: int) -> tuple[Phase, Phase, NDArray[np.int_]]:
        """Phases A and B and the rows of one condition."""
        phase, position = self.a[condition]
        return phase, self.b[condition][0], self._rows(position)

    def holds(self, condition: int, text: str) -> NDArray[np.bool_]:
        """Per lane, whether an expression holds in either phase.

        ``changing x``: differs between the phases; ``steady x``: holds in both.
        """
        a, b, rows = self.phases(condition)
        word, _, rest = text.partition(" ")
        bare = rest if word in ("changing", "steady") else text
        line = self.circuit.compile(bare, "", getattr(text, "place", None))
        sides = []
        for phase in (a, b):
            env = {name: phase.values[name][rows] for name in line.names if name in phase.values}
            for name in line.names - set(env):
                env[name] = np.full(len(rows), code("") if name.startswith("situation.") else False)
            value = np.asarray(line.evaluate(env), dtype=bool)
            sides.append(np.broadcast_to(value, (len(rows),)))
        if word == "changing":
            return np.asarray(sides[0] != sides[1])
        if word == "steady":
            return np.asarray(sides[0] & sides[1])
        return np.asarray(sides[0] | sides[1])
