"""Records of what is built: ready installations, and what a healthy one is designed to do."""

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
