"""No answer tells what is hidden: a few callouts of `tests.campaigns.leaks`, which takes all."""

from __future__ import annotations

from dataclasses import replace

from tests.campaigns.leaks import Played, apart, examine, named, open_words
from tests.same_everywhere import session

ALIKE = ("isolator.left_off", "outlet.contact_burnt", "pressure_switch.contacts_burnt")
"""Failure modes of the pressure set that are complained of in the same way."""


def test_callouts_show_nothing_of_what_they_hide() -> None:
    assert examine(session(), ALIKE) == (3, [])


def test_a_leak_would_be_found() -> None:
    own, words = session(), open_words(session())
    mode = own.installation.modes["outlet.contact_burnt"]
    fair = Played("outlet.contact_burnt", "hums", "  Shows     on\n  (5 min)", "kind: test\n")
    assert list(named(own, fair, words)) == []
    for text in (mode.title, "outlet.contact_burnt"):
        assert list(named(own, replace(fair, screen=f"  Hint 1    {text}"), words))
        assert list(named(own, replace(fair, file=text), words))
    read = replace(fair, mode="isolator.left_off", screen="  Shows     off\n  (5 min)")
    assert list(apart(fair, read)) == []
    for other in (
        replace(read, screen="  Shows     on\n  (6 min)"),
        replace(read, screen="  Shows     on\n  (5 min)\n   5  more"),
        replace(read, file="kind: tests\n"),
    ):
        assert len(list(apart(fair, other))) == 1
