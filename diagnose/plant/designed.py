"""Whether a healthy installation does what it is built for: starts, stops, protects."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from diagnose.errors import Issue
from diagnose.knowledge.asked_records import Complaint
from diagnose.knowledge.built_records import Designed
from diagnose.plant.circuit import SAMPLES, Circuit
from diagnose.plant.compose import Installation
from diagnose.plant.conditions import conditions_for
from diagnose.plant.lanes import draw
from diagnose.plant.simulation import Simulation

PHASES = ("changing", "steady")


def lines_for(installation: Installation) -> list[Designed]:
    """The statements that are meant for what is fitted here."""
    return [d for d in installation.type.designed if installation.fits(d.needs)]


def designed_issues(installation: Installation) -> list[Issue]:
    """An error for each statement that does not hold, in every sample of every tolerance.

    A statement must hold steadily; one that begins with ``changing`` is taken as it is. An
    installation type that says nothing about itself has no issues here.
    """
    lines = lines_for(installation)
    if not lines:
        return []
    wanted = Complaint("designed", "", "", tuple({d.situation: d.holds} for d in lines), ())
    conditions, named = conditions_for(installation, {}, [wanted])
    circuit = Circuit(installation, None, (), SAMPLES, draw)
    simulation = Simulation(circuit, conditions, named)
    return [
        issue
        for line in lines
        for issue in _issues(installation, line, simulation, named[line.situation])
    ]


def _issues(
    installation: Installation, line: Designed, simulation: Simulation, condition: int
) -> Iterable[Issue]:
    text = line.holds if line.holds.partition(" ")[0] in PHASES else f"steady {line.holds}"
    held = simulation.holds(condition, text)
    if not held.all():
        share = float(np.mean(~held))
        situation = installation.type.situations[line.situation]
        message = (
            f"as designed it {line.does} ({situation.title}), but '{line.holds}' fails in "
            f"{share:.0%} of the samples"
        )
        yield Issue("error", "designed", message, line.place)


def of_installation(issues: Iterable[Issue], name: str) -> list[Issue]:
    """The issues with the installation's name in their message."""
    return [replace(i, message=f"installation '{name}': {i.message}") for i in issues]
