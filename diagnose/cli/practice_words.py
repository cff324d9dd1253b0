"""What a trainee types in a practice callout: words, and what follows them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from diagnose.cli.lines import clean, match
from diagnose.errors import fail
from diagnose.interview.steps import Option

WORDS: tuple[tuple[str, str], ...] = (
    # as typed, longest first where one starts like another; the command
    ("lock off", "lock_off"),
    ("lock", "lock_off"),
    ("prove tester", "prove_tester"),
    ("prove dead", "prove_dead"),
    ("hand over", "hand_over"),
    ("give up", "give_up"),
    ("switch on", "energise"),
    ("energize", "energise"),
    ("energise", "energise"),
    ("isolate", "isolate"),
    ("discharge", "discharge"),
    ("disconnect", "disconnect"),
    ("close", "close"),
    ("block", "block"),
    ("level", "level"),
    ("meter", "meter"),
    ("go", "go"),
    ("test", "test"),
    ("tests", "tests"),
    ("ask", "ask"),
    ("questions", "ask"),
    ("swap", "swap"),
    ("repair", "swap"),
    ("check", "check"),
    ("checks", "check"),
    ("bridge", "bypass"),
    ("bypass", "bypass"),
    ("suspect", "suspect"),
    ("functions", "functions"),
    ("parts", "parts"),
    ("circuit", "circuit"),
    ("found", "found"),
    ("view", "found"),
    ("hint", "hint"),
    ("dead", "dead"),
    ("on", "on"),
    ("done", "done"),
    ("stop", "stop"),
    ("help", "help"),
    ("?", "help"),
    ("q", "nothing"),
)
HELP: tuple[tuple[str, str, str], ...] = (
    # words, what they do, what must be fitted
    ("tests", "the tests: 'tests panel dead', 'tests supply', 'tests insulation'", ""),
    ("test N", "do a test (number or name); you say first what you expect", ""),
    ("ask", "the customer: 'ask safety', 'ask N', 'ask' for the list", ""),
    ("suspect", "which function you suspect", ""),
    ("functions, parts, circuit, found", "what there is, and what you have found", ""),
    ("go PLACE", "{places} (a test walks by itself)", ""),
    ("level L", "bring the water of the roof tank to empty, mid, full", "roof_tank"),
    ("isolate, lock, prove tester, prove dead", "make dead, in the right order", ""),
    ("discharge", "the capacitor, before hands come near it", ""),
    ("disconnect", "electronics and surge arresters, before an insulation test", ""),
    ("close, block, energise", "covers; pump off by hand; the supply on again", ""),
    ("dead, on", "the whole order again, once you have done it step by step", ""),
    ("meter C", "take a meter in hand: cat2 or cat3", ""),
    ("swap U", "repair or replace a unit ('swap' lists them)", ""),
    ("bridge U", "put a bridge across a unit", ""),
    ("check N", "a check after the repair ('check' lists them)", ""),
    ("hint", "a hint; asked again, a plainer one", ""),
    ("done, hand over, give up", "end the callout", ""),
    ("stop", "stop for now; --resume goes on", ""),
)
PLAIN = ("isolate", "lock_off", "prove_tester", "prove_dead", "discharge", "disconnect", "close")
"""Commands that are acts without data; so are `block` and `energise`."""
ACTS = (*PLAIN, "block", "energise")
METERS = {"cat2": "cat_ii", "cat ii": "cat_ii", "cat_ii": "cat_ii"} | {
    "cat3": "cat_iii",
    "cat iii": "cat_iii",
    "cat_iii": "cat_iii",
}


@dataclass(frozen=True)
class Command:
    """A line as understood: the command and what follows it."""

    word: str
    rest: str = ""


def understand(line: str) -> Command | None:
    """The command of a typed line; None where its first word is none."""
    text = clean(line)
    lower = text.casefold()
    for typed, word in WORDS:
        if lower == typed or lower.startswith(typed + " "):
            return Command(word, text[len(typed) :].strip())
    return None


def one_of(what: str, typed: str, options: Sequence[Option]) -> str:
    """The option that a text means: its number, id, title, or the only one that contains it.

    Raises
    ------
    DiagnoseError
        None or several; the message says which.
    """
    found = match(typed, options)
    if found is not None:
        return found
    text = typed.casefold()
    near = [o for o in options if text in o.title.casefold() or text in o.id.casefold()]
    if len(near) == 1:
        return near[0].id
    if near:
        shown = "; ".join(o.title for o in near[:4]) + ("; ..." if len(near) > 4 else "")
        raise fail("option", f"'{typed}' is several: {shown}")
    raise fail("option", f"'{typed}' is none of the {what}: type a number from 1 to {len(options)}")
