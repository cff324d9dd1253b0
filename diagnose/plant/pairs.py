"""Two failure modes at once: whether they can be injected together.

Both patches are laid on one netlist. That has a meaning only where they change different
things: of two that change the same element one would silently win.
"""

from __future__ import annotations

from collections.abc import Iterator

from diagnose.errors import fail
from diagnose.plant.compose import Installation, InstalledMode, Pair
from diagnose.plant.lanes import own, patch_of


def together(installation: Installation, first: InstalledMode, second: InstalledMode) -> Pair:
    """Two failure modes as one fault.

    Raises
    ------
    DiagnoseError
        They are of one unit or change the same thing; the message says which.
    """
    reason = clash(installation, first, second)
    if reason:
        raise fail("impossible", f"'{first.id}' and '{second.id}' cannot be combined: {reason}")
    return Pair((first, second))


def clash(installation: Installation, first: InstalledMode, second: InstalledMode) -> str:
    """Why two failure modes cannot be injected together; "" where they can."""
    if first.unit == second.unit:
        return f"both are of the unit '{first.unit}'"
    same = set(changed(installation, first)) & set(changed(installation, second))
    return f"both change '{min(same)}'" if same else ""


def changed(installation: Installation, mode: InstalledMode) -> Iterator[str]:
    """Full names of all that a failure mode changes, elements behind its parameters included."""
    patch = patch_of(mode)
    yield from (*patch.open, *patch.short, *patch.variables, *patch.logic)
    yield from (terminal for pair in patch.swap for terminal in pair)
    yield from (f"situation.{name}" for name in (*patch.always, *patch.found))
    yield from patch.set
    for unit in installation.instances if patch.set else ():
        for element in installation.part_of(unit).elements.values():
            factors = [f.strip() for text in element.fields.values() for f in text.split("*")]
            if any(own(factor, unit) in patch.set for factor in factors):
                yield own(element.id, unit)
