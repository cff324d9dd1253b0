"""The numbers that learning may change, as they apply to one installation: rates and minutes."""

from __future__ import annotations

from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant.compose import Installation


def failure_rates(knowledge: KnowledgeBase, installation: Installation) -> dict[str, float]:
    """Failures per million hours of each installed failure mode."""
    overlay, kind = knowledge.overlay, installation.type.id
    rates = {name: m.mode.rate.nominal for name, m in installation.modes.items()}
    if overlay is None:
        return rates
    return {name: overlay.value("rates", kind, name, rate) for name, rate in rates.items()}


def site_factors(
    knowledge: KnowledgeBase, installation: Installation, site: str
) -> dict[str, float]:
    """How much more often than elsewhere each failure mode occurs at a site, where learned.

    Parameters
    ----------
    site
        The site's key, "" where none is named.
    """
    overlay, kind = knowledge.overlay, installation.type.id
    if overlay is None or not site:
        return {}
    units = {unit: overlay.factor(kind, site, unit) for unit in installation.instances}
    return {
        name: units[mode.unit]
        for name, mode in installation.modes.items()
        if units[mode.unit] != 1.0
    }


def repair_minutes(knowledge: KnowledgeBase, installation: Installation, name: str) -> float:
    """Minutes to repair an installed failure mode and to try it out."""
    handbook = knowledge.word("repair_minutes", installation.modes[name].mode.repair)
    overlay = knowledge.overlay
    if overlay is None:
        return handbook
    return overlay.value("repair_minutes", installation.type.id, name, handbook)


def change_minutes(knowledge: KnowledgeBase, kind: str = "", site: str = "") -> dict[str, float]:
    """Minutes behind each word of the scale ``changes``, for an installation type and a site."""
    words = {word: n.nominal for word, n in knowledge.scales["changes"].words.items()}
    overlay = knowledge.overlay
    if overlay is None:
        return words
    return {w: overlay.value("change_minutes", kind, w, m, site) for w, m in words.items()}
