"""Numbers learned from a firm's own cases, as records: they take the place of the handbook's."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from diagnose.errors import Place

SECTIONS: Mapping[str, str] = {
    "rates": "/Mh",
    "wrong_answers": "1",
    "wrong_by_phone": "1",
    "test_minutes": "min",
    "change_minutes": "min",
    "repair_minutes": "min",
}
"""What can be learned of an installation type, with its unit.

``rates`` and ``repair_minutes`` are of failure modes (``unit.mode``), ``wrong_answers``,
``wrong_by_phone`` and ``test_minutes`` of tests, ``change_minutes`` of words of the scale
``changes``.
"""
SITE_SECTIONS: Mapping[str, str] = {"rates": "times", "change_minutes": "min"}
"""The same for one site; its ``rates`` are factors on those of a unit's failure modes."""


@dataclass(frozen=True)
class Learned:
    """One learned number in the unit of its section.

    Attributes
    ----------
    value, low, high : float
        The number to use, and the ends of its 95 % interval.
    handbook : float
        What it takes the place of.
    cases : int
        Cases behind it; 0 where it follows from what was learned of its neighbours.
    ids : tuple of str
        The first few of them.
    """

    value: float
    handbook: float
    low: float
    high: float
    cases: int = 0
    ids: tuple[str, ...] = ()
    place: Place | None = None


Key = tuple[str, str, str, str]
"""Section, installation type, site ("" for all), name."""


@dataclass(frozen=True, repr=False)
class Overlay:
    """All that was learned, with when, from how much and beside which knowledge.

    Attributes
    ----------
    path : str
        As shown; "" where it is not in a file yet.
    learned : str
        The day.
    knowledge : str
        Digest of the knowledge base that it was learned with.
    cases : int
        Confirmed cases counted.
    weights : mapping
        How much the handbook counted in the end, by what was weighed; a record.
    numbers : mapping of `Key` to `Learned`
    digest : str
        Of the file's bytes; "" where it is not in a file yet.
    """

    learned: str
    knowledge: str
    cases: int
    weights: Mapping[str, float] = field(default_factory=dict)
    numbers: Mapping[Key, Learned] = field(default_factory=dict)
    path: str = ""
    digest: str = ""

    def value(self, section: str, kind: str, name: str, handbook: float, site: str = "") -> float:
        """The number to use: the site's, else the installation type's, else the handbook's."""
        found = self.numbers.get((section, kind, site, name)) if site else None
        found = found or self.numbers.get((section, kind, "", name))
        return handbook if found is None else found.value

    def factor(self, kind: str, site: str, unit: str) -> float:
        """How much more often than elsewhere a unit fails at a site."""
        found = self.numbers.get(("rates", kind, site, unit)) if site else None
        return 1.0 if found is None else found.value
