"""Answers on which safety hangs are typed once they were asked for, not ahead and not pasted.

On a terminal only. Lines from a pipe or a file are there before anything is asked, and all count.
"""

from __future__ import annotations

import select
import sys
from collections.abc import Callable

from diagnose.cli.render import Screen
from diagnose.language import gettext as _

QUIET = 0.05
"""Seconds without another line after which a paste counts as over (judgement)."""


def read_afresh(read: Callable[[str], str], prompt: str, *, screen: Screen) -> str:
    """A line typed after its prompt was shown; what was typed before is thrown away, and said."""
    if _forget():
        message = _("What was typed before this was asked is not taken as its answer.")
        screen.para(message, 2, "yellow")
    return read(prompt)


def _forget() -> bool:
    """Throw away what waits at the terminal; whether a whole line was among it."""
    try:
        import termios
    except ImportError:  # no such terminals on this system
        return False
    try:
        if not sys.stdin.isatty():
            return False
        terminal = sys.stdin.fileno()
        waited = False
        while select.select([terminal], [], [], QUIET if waited else 0)[0]:
            waited = True
            termios.tcflush(terminal, termios.TCIFLUSH)
        termios.tcflush(terminal, termios.TCIFLUSH)  # a line not yet ended
    except (OSError, ValueError, termios.error):
        return False
    return waited
