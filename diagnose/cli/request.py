"""What the commands that lead a case are asked for, and how a case is taken up again."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.casebook.answers import Answers, read_answers
from diagnose.casebook.stores import shown_store
from diagnose.cli.render import Screen
from diagnose.errors import fail
from diagnose.language import gettext as _
from diagnose.language import marked

if TYPE_CHECKING:
    from diagnose.knowledge.records import KnowledgeBase

GO_ON = marked("Every answer is on file. To go on:")


@dataclass(frozen=True)
class Request:
    """Argument and options of a command that leads a case: by a person, or by an answers file."""

    case: str | None = None
    answers: Path | None = None
    json: bool = False
    resume: bool = False
    store: str | None = None
    knowledge: str | None = None
    installation: str | None = None
    variants: Sequence[str] = ()
    no_color: bool = False
    site: str | None = None

    def refuse_contradictions(self) -> None:
        """Check the options against one another.

        Raises
        ------
        DiagnoseError
            Two of them contradict one another.
        """
        if self.case and not self.resume:
            raise fail("option", f"to go on with a case: --resume {self.case}")
        if self.answers is not None and self.resume:
            raise fail("option", "--answers and --resume exclude one another")
        if self.site is not None and (self.installation or self.variants or self.resume):
            message = "--site says what is fitted: no --installation, --set or --resume with it"
            raise fail("option", message)
        if self.site is not None and self.answers is not None:
            raise fail("option", "--site does not go with --answers: the file says it")
        if self.answers is None and self.json:
            raise fail("option", "--json needs --answers FILE")

    def answers_in(self, path: Path, knowledge: KnowledgeBase) -> Answers:
        """The answers file; it says the installation itself.

        Raises
        ------
        DiagnoseError
            It cannot be used, or an option names an installation too.
        """
        answers = read_answers(path, knowledge)
        if self.installation or self.variants:
            message = "--installation and --set do not go with --answers: the file says it"
            raise fail("option", message)
        return answers

    def resume_hint(self, screen: Screen, command: str, case_id: str, text: str) -> None:
        """Say with which command the case goes on, broken where the screen is too narrow."""
        words = [f"diagnose {command} --resume {shlex.quote(case_id)}"]
        if self.store:
            words.append(f"--store {shlex.quote(shown_store(self.store))}")
        if self.knowledge:
            words.append(f"--knowledge {shlex.quote(self.knowledge)}")
        screen.para(_(text))
        fits = len(" ".join(words)) + 2 <= screen.width
        screen.line("  " + (" " if fits else " \\\n    ").join(words))
