"""What is asked once the search has ended: whether it was put right, and what."""

from __future__ import annotations

from typing import TYPE_CHECKING

from diagnose.cli.lines import known_words, match, number_from
from diagnose.cli.typed_ahead import read_afresh
from diagnose.interview.drive import Reply
from diagnose.interview.steps import Conclusion, Option
from diagnose.language import gettext as _
from diagnose.language import marked

if TYPE_CHECKING:
    from diagnose.cli.ask import Terminal
    from diagnose.interview.session import Turn

NOT_NOW = Option("leave", marked("not now: leave the case open"))


def ask_repair(terminal: Terminal, turn: Turn, conclusion: Conclusion) -> Reply:
    """Whether the repair has been made; where no cause was named, none is proposed."""
    if conclusion.status == "stopped" or not conclusion.unit:
        return Reply("leave")
    screen = terminal.screen
    leading = f"{conclusion.unit}.{conclusion.failure_mode}"
    if conclusion.early:
        options = [Option("something_else", _("yes: what was put right comes next"))]
    else:
        options = [
            Option("repaired", _("yes: {cause}").format(cause=conclusion.title)),
            Option("something_else", _("yes, but something else was put right")),
        ]
    not_now = Option(NOT_NOW.id, _(NOT_NOW.title))
    options += [not_now, Option("back", _("back: take the last answer back"))]
    screen.line()
    screen.para(_("Has the repair been made?"), style="bold")
    screen.options(options)
    while True:
        line = read_afresh(terminal.read, _("number > "), screen=screen)
        word = known_words().get(line.strip().casefold())
        if word == "view":
            screen.view(turn, terminal.titles)
            continue
        chosen = match(line, options)
        if word == "stop" or chosen == NOT_NOW.id:
            return Reply("leave")
        if word == "hazard" and (reported := terminal.hazard()) is not None:
            return reported
        if chosen == "back":
            return Reply("back")
        if chosen == "repaired":
            return Reply("repaired", leading)
        if chosen == "something_else":
            other = _put_right(terminal, conclusion, "" if conclusion.early else leading)
            if other:
                return Reply("repaired", other)
            screen.options(options)
            continue
        screen.para(number_from(len(options)), 2, "red")


def _put_right(terminal: Terminal, conclusion: Conclusion, without: str) -> str:
    """The failure mode that was put right: one of the likeliest, or any by its words; "" none."""
    every = {n: Option(n, terminal.titles(n)) for n in terminal.session.installation.modes}
    likely = [every[n] for n, _unit, _p in conclusion.ranking if n in every and n != without]
    terminal.screen.options(likely)
    prompt = _("number, or words of another (float stuck), Enter for none > ")
    return terminal.choose(likely, prompt, optional=True, among=list(every.values()))
