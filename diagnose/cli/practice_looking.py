"""Lists and drawings that a trainee looks at: they take no time and change nothing."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from diagnose.cli import practice_show as show
from diagnose.cli.render import Screen
from diagnose.errors import fail
from diagnose.interview.session import Session
from diagnose.practice.bench import Bench
from diagnose.practice.functions import Coach

PAGE = 17
"""Lines shown before the trainee is asked for more: they fit a screen of 24 lines."""
WORDS = ("float", "relay", "fuse", "insulation", "clamp", "pressure")
"""Words to look for, where a test has them."""
LEAVE = ("q", "quit", "n", "no")


class Looking:
    """What can be looked at during one attempt."""

    def __init__(
        self,
        session: Session,
        bench: Bench,
        screen: Screen,
        coach: Coach,
        read: Callable[[str], str],
    ) -> None:
        self.session = session
        self.bench = bench
        self.screen = screen
        self.coach = coach
        self.read = read
        self.names = list(bench.tests)
        self.pending = ""
        """What was typed in the middle of a list instead of going on with it."""
        self._bearing: dict[str, list[str]] | None = None

    def page(self, lines: Sequence[str]) -> None:
        """Lines a screen at a time; anything but Enter ends it and may be the next command."""
        for number, line in enumerate(lines):
            if number and number % PAGE == 0:
                left = len(lines) - number
                typed = self.read(f"  Enter for {left} more, q to leave > ").strip()
                if typed:
                    self.pending = "" if typed.casefold() in LEAVE else typed
                    return
            self.screen.line(line)

    def tests(self, rest: str) -> None:
        """The tests that are all of what is typed: function, place, state, a word.

        Raises
        ------
        DiagnoseError
            None is.
        """
        wanted = rest.casefold().split()
        functions = {f.title.casefold(): f.id for f in self.coach.functions.values()}
        if self._bearing is None:
            self._bearing = show.bearing(self.session, self.coach.groups)
        chosen = self.names
        for word in wanted:
            if word in functions:
                ids = self._bearing
                chosen = [n for n in chosen if functions[word] in ids[n]]
                chosen = sorted(chosen, key=lambda n: ids[n].index(functions[word]))
            elif word in self.bench.places:
                chosen = [n for n in chosen if self.bench.tests[n].spec.place_at == word]
            elif word in show.STATE_WORDS:
                chosen = [n for n in chosen if self.bench.tests[n].spec.state == word]
            else:
                chosen = [n for n in chosen if word in self._text_of(n)]
        if not wanted:
            self._ways_to_list()
            return
        if not chosen:
            raise fail("option", f"no test is all of this: {rest}")
        lines = [
            line
            for n in chosen
            if self.bench.tests[n].spec.place_at != "telephone"
            for line in show.test_lines(self.bench, self.names.index(n) + 1, n, self.screen.width)
        ]
        self.page(lines)

    def _text_of(self, name: str) -> str:
        test = self.bench.tests[name]
        return f"{name} {test.title} {test.do} {test.spec.instrument}".casefold()

    def _ways_to_list(self) -> None:
        s = self.screen
        s.para(f"{len(self.names)} tests. Narrow the list down, in any mixture:", 2)
        titles = ", ".join(f.title.casefold() for f in self.coach.functions.values())
        s.field("function", titles)
        s.field("place", ", ".join(self.bench.places))
        s.field("state", "dead, live, energised (supply on, covers closed), any")
        words = [w for w in WORDS if any(w in self._text_of(n) for n in self.names)]
        s.field("a word", f"such as {', '.join(words)}")
        first = next(iter(self.coach.functions.values())).title.casefold()
        s.para(f"For example: tests {first} panel dead", 2)

    def circuit(self, rest: str, points: tuple[int, ...]) -> None:
        """The circuit as text: around some test points, or the whole."""
        from diagnose.report.pictures.text import circuit_text
        from diagnose.report.pictures.values import NOTHING

        near = () if rest else points
        lines = circuit_text(
            self.session.installation, self.session.points, NOTHING, self.screen.width, near
        )
        self.page(list(lines))
        if near:
            self.screen.para("The whole of it: circuit all", 2)
