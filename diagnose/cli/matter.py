"""What a report is about, and how its texts are put."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from diagnose.cli.firm import Firm
from diagnose.interview.account import Account
from diagnose.language import gettext as _
from diagnose.report.document import Figure, trimmed

if TYPE_CHECKING:
    from diagnose.casebook.store import CaseHeader
    from diagnose.interview.events import Event
    from diagnose.plant.compose import Installation, InstalledMode

LINE = 60
"""Characters of a name on the customer's page; the case file holds the whole."""


@dataclass(frozen=True)
class Matter:
    """What a report is about: the case, its account, the firm, the knowledge now loaded.

    Attributes
    ----------
    closed
        Data of the ``closed`` event that stands; None where the case is open.
    pictures
        By name: ``circuit``, ``suspicion``, ``measured``; those that could be drawn.
    """

    header: CaseHeader
    site: str
    events: Sequence[Event]
    installation: Installation
    account: Account
    knowledge: str
    firm: Firm = field(default_factory=Firm)
    closed: Mapping[str, Any] | None = None
    closed_at: str = ""
    pictures: Mapping[str, Figure] = field(default_factory=dict)
    since: str = ""
    """What has changed in the knowledge since the case was opened."""


def free(text: str) -> str:
    """A free text, cut where it is very long, with a notice."""
    return trimmed(text, _("[cut: {count} characters in the case file]"))


def short(text: str, most: int = LINE) -> str:
    """A free text for the customer's page, on one line, with a notice where it is cut."""
    return trimmed(" ".join(text.split(" ")).replace("\n", " "), notice(), most)


def notice() -> str:
    """What stands where a text was cut."""
    return _("[cut: {count} characters in the case file]")


def parts_of(closed: Mapping[str, Any]) -> list[str]:
    """The parts that a ``closed`` event lists, each on one line, not too many."""
    given = closed.get("parts") or []
    texts = [given] if isinstance(given, str) else [str(part) for part in given]
    shown = [short(text, 60) for text in texts[:5]]
    if len(texts) > len(shown):
        shown.append(_("{count} more in the case file").format(count=len(texts) - len(shown)))
    return shown


def found_mode(matter: Matter) -> InstalledMode | None:
    """The cause: as closed, else as repaired last, else as concluded; None where none is known.

    A closing in words of one's own names none.
    """
    closed, account = matter.closed or {}, matter.account
    names = [f"{closed.get('unit', '')}.{closed.get('failure_mode', '')}"]
    if not closed.get("found") or closed.get("unit"):
        names += [account.repairs[-1].mode] if account.repairs else []
        if account.conclusion is not None:
            names.append(f"{account.conclusion.unit}.{account.conclusion.failure_mode}")
    modes = matter.installation.modes
    return next((modes[name] for name in names if name in modes), None)


def title_of(matter: Matter, name: str) -> str:
    """A failure mode in words, with its unit."""
    modes = matter.installation.modes
    if name not in modes:
        return _("a cause that is not in the knowledge base")
    unit = _(matter.installation.instances[modes[name].unit].title)
    mode = _(modes[name].title)
    return f"{unit}: {mode[0].lower()}{mode[1:]}"
