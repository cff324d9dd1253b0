"""Problems as data: where they are, what is wrong and what would be legal.

Every room reports bad input through `Issue` values collected in one `DiagnoseError`;
the command line turns each into one line and exits with 2.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Severity = Literal["error", "warning"]
MOST_SAID = 200
"""Issues of one error that are said; of more, their number."""


@dataclass(frozen=True, order=True)
class Place:
    """A spot in a text file; line and column count from 1."""

    file: str
    line: int
    column: int

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}"


@dataclass(frozen=True)
class Issue:
    """One thing wrong: `code` names the check, `legal` lists what would be accepted."""

    severity: Severity
    code: str
    message: str
    place: Place | None = None
    legal: tuple[str, ...] = ()

    def __str__(self) -> str:
        where = f"{self.place}: " if self.place else ""
        hint = f" (legal: {', '.join(self.legal)})" if self.legal else ""
        return f"{where}{self.message}{hint}"


class DiagnoseError(Exception):
    """Input that cannot be used, with every issue found in it."""

    def __init__(self, issues: Issue | Iterable[Issue]) -> None:
        self.issues: tuple[Issue, ...] = (issues,) if isinstance(issues, Issue) else tuple(issues)
        said = [str(issue) for issue in self.issues[:MOST_SAID]]
        if len(self.issues) > MOST_SAID:
            said.append(f"... and {len(self.issues) - MOST_SAID} more.")
        super().__init__("\n".join(said))


def fail(
    code: str, message: str, place: Place | None = None, legal: Iterable[str] = ()
) -> DiagnoseError:
    """Make a `DiagnoseError` of one issue, ready to raise."""
    return DiagnoseError(Issue("error", code, message, place, tuple(legal)))
