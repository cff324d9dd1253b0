"""Full names: what belongs to a unit is called ``unit.name``, a test made on it ``test@unit``."""

from __future__ import annotations


def unit_of(name: str) -> str:
    """The unit that a full name begins with.

    Parameters
    ----------
    name
        Of a failure mode (``relay.contacts_welded``), a terminal, an element, a parameter, a
        variable or a line of logic.

    Returns
    -------
    str
        All before the first dot; the whole name where there is none.
    """
    return name.partition(".")[0]


def spec_of(test: str) -> str:
    """The id in the knowledge of an installed test: ``coil_volts`` of ``coil_volts@relay``."""
    return test.partition("@")[0]
