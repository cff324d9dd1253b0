"""Records of what is built: ready installations, what cannot be built, situations, what it does."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from diagnose.errors import Place

DOES = ("starts", "stops", "protects", "shows")
"""What a healthy installation is built to do."""


@dataclass(frozen=True)
class Designed:
    """What a healthy installation does in one situation, as an expression on its behaviour.

    `does`: one of `DOES`; `needs`: where it is meant to, as of a test.
    """

    situation: str
    does: str
    holds: str
    needs: str = ""
    place: Place | None = None


@dataclass(frozen=True)
class Preset:
    """A ready installation: choices of variants with a title, and where it is met."""

    id: str
    title: str
    met: str
    variants: Mapping[str, str]
    place: Place | None = None


@dataclass(frozen=True)
class Conflict:
    """A combination of variants that cannot be built, and why."""

    when: Mapping[str, str]
    reason: str


@dataclass(frozen=True)
class Situation:
    """Values of the situation's variables, and the situation that came before."""

    id: str
    title: str
    values: Mapping[str, str]
    after: str = ""
    found: bool = False
    real_level: bool = False
    """The water must really stand there: floats held by hand will not do."""
    place: Place | None = None
