"""A bench: shipped parts wired together by hand and settled, for checks of their physics."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import diagnose
from diagnose.knowledge.load import load_knowledge
from diagnose.knowledge.records import (
    Domain,
    Element,
    InstallationType,
    Instance,
    KnowledgeBase,
    Number,
    Part,
)
from diagnose.plant.circuit import Circuit
from diagnose.plant.compose import Installation, compose
from diagnose.plant.lanes import draw
from diagnose.plant.phases import Condition, Phase
from diagnose.plant.procedures import InstalledTest, situation_condition
from diagnose.plant.readings import numeric_reading
from diagnose.plant.simulation import Simulation

KNOWLEDGE = Path(diagnose.__file__).parent.parent / "knowledge"
SAMPLES = 12


@functools.lru_cache(maxsize=1)
def shipped() -> KnowledgeBase:
    return load_knowledge(KNOWLEDGE)


def exact(value: float, unit: str = "1") -> Number:
    return Number(value, value, value, unit, "test")


def two_pole(name: str, domain: Domain, kind: str, **fields: float) -> Part:
    """A part of one element between `a` and `b`."""
    return Part(
        id=name,
        title=name,
        domain=domain,
        terminals={"a": domain, "b": domain},
        parameters={key: exact(value) for key, value in fields.items()},
        variables={},
        elements={"body": Element("body", kind, ("a", "b"), {key: key for key in fields})},
        signals={},
        logic={},
        failure_modes={},
    )


def bench(
    wiring: Mapping[str, tuple[str, Mapping[str, str]]],
    extra: tuple[Part, ...] = (),
    settings: Mapping[str, Mapping[str, float]] | None = None,
) -> Installation:
    """Shipped parts and `extra` ones wired together: name → (part, terminal → net)."""
    chosen = settings or {}
    kb = shipped()
    instances = {
        name: Instance(
            id=name,
            part=part,
            title=name,
            where="panel",
            wires=wires,
            logic={},
            roles={},
            set={key: exact(value) for key, value in chosen.get(name, {}).items()},
            variables={},
        )
        for name, (part, wires) in wiring.items()
    }
    kind = InstallationType(
        id="bench",
        title="bench",
        parts=instances,
        references={"dc": "gnd", "ac": "earth", "water": "yard"},
        variants={},
        conflicts=(),
        situations={},
        signals={},
        presets={},
        path=(),
    )
    parts = {**kb.parts, **{part.id: part for part in extra}}
    return compose(replace(kb, parts=parts, installations={"bench": kind}), "bench")


class Bench:
    """One installation settled in one condition, with every tolerance sampled."""

    def __init__(
        self,
        installation: Installation,
        condition: Condition | None = None,
        mode: str = "",
        mains: float | None = None,
        nominal: bool = False,
    ) -> None:
        def drawn(name: str, number: Number, count: int) -> NDArray[np.float64]:
            if mains is not None and name == "mains.voltage":
                return np.full(count, mains)
            return np.full(count, number.nominal) if nominal else draw(name, number, count)

        failed = installation.modes[mode] if mode else None
        self.circuit = Circuit(installation, failed, (), SAMPLES, drawn)
        chosen = condition or Condition(values={})
        self.a: Phase
        self.a, self.b, self.rows = Simulation(self.circuit, [chosen], {}).phases(0)

    def is_on(self, signal: str) -> NDArray[np.bool_]:
        """A signal or line of logic in both phases, (2, samples)."""
        return np.array([phase.values[signal][self.rows] for phase in (self.a, self.b)], dtype=bool)

    def read(self, kind: str, *of: str) -> NDArray[np.float64]:
        """What an instrument shows in the first phase, (samples,)."""
        spec = replace(next(iter(shipped().tests.values())), kind=kind)
        test = InstalledTest("test", spec, "", "", "", of, None, 0.0, 0.0, 0.0, spec.outcomes)
        return np.asarray(numeric_reading(self.circuit, test, self.a, self.rows))


def installed(**choices: str) -> Installation:
    return compose(shipped(), "tank_and_sump", choices)


def situation(installation: Installation, name: str, **more: str) -> Condition:
    found = situation_condition(installation, name)
    return replace(found, values={**found.values, **more}, after="")
