"""What reaches the terminal: no text that somebody else wrote acts on it.

A customer's name, a site, a case's title, a knowledge file may hold escape sequences, which move
the cursor or change what is already there, and marks that turn the direction of writing. They are
shown as what they are (``␛``, ``[U+202E]``), whoever wrote them.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from diagnose.errors import MOST_SAID, DiagnoseError, Issue, fail
from diagnose.language import visible

LONGEST_WORD = 200
"""Characters of one word of a message, which may quote a whole line of a file."""

__all__ = [
    "on_one_line",
    "print_json",
    "print_lines",
    "put_file",
    "say_issues",
    "say_usage",
    "visible",
]


def on_one_line(text: str) -> str:
    """A text on one line, without what acts on a terminal, very long words cut."""
    words = visible(" ".join(text.split())).split()
    return " ".join(w if len(w) <= LONGEST_WORD else w[:LONGEST_WORD] + "…" for w in words)


def say_issues(problem: DiagnoseError | Iterable[Issue]) -> None:
    """One line on stderr for each issue; of very many, the first and how many there are."""
    issues = list(problem.issues if isinstance(problem, DiagnoseError) else problem)
    for issue in issues[:MOST_SAID]:
        print(on_one_line(str(issue)), file=sys.stderr)
    if len(issues) > MOST_SAID:
        print(f"... and {len(issues) - MOST_SAID} more.", file=sys.stderr)


def say_usage(error: Any) -> None:
    """One line on stderr for words that are no command or option; help where there were none."""
    if type(error).__name__ == "NoArgsIsHelpError":
        error.show()
        return
    context = getattr(error, "ctx", None)
    where = context.command_path if context is not None else "diagnose"
    print(f"{on_one_line(error.format_message())} (see: {where} --help)", file=sys.stderr)


def print_lines(lines: Iterable[str]) -> None:
    """Lines on stdout; there may be very many."""
    text = "".join(f"{line}\n" for line in lines)
    if text:
        print(visible(text), end="")


def print_json(data: Any) -> None:
    """An object on stdout; what acts on a terminal stands there as JSON's escapes."""
    text = json.dumps(data, ensure_ascii=False, indent=2)
    if not text.replace("\n", "").isprintable():
        text = "".join(c if c == "\n" or c.isprintable() else _escaped(c) for c in text)
    print(text)


def put_file(path: Path | None, data: bytes) -> None:
    """A file's content in a file or on stdout (None), whatever the encoding of the terminal.

    A file takes the place of an earlier one whole or not at all; a device, a pipe or what is
    behind a link is written in place.

    Raises
    ------
    DiagnoseError
        The file cannot be written.
    """
    if path is None:
        sys.stdout.flush()
        sys.stdout.buffer.write(data)
        sys.stdout.flush()
        return
    try:
        plain = path.is_file() or not path.exists()
        if plain and path.parent.is_dir() and not path.is_symlink():
            from diagnose.keeping import write_whole  # here, because most commands write no file

            write_whole(path, data)
        else:
            path.write_bytes(data)
    except (OSError, ValueError) as error:  # ValueError: a null character in the name
        reason = getattr(error, "strerror", None) or error
        raise fail("unwritable", f"cannot write '{path}': {reason}") from error


def _escaped(char: str) -> str:
    return json.dumps(char)[1:-1]
