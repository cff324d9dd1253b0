"""The trainee at the terminal: one line after the other becomes an act of the attempt."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from diagnose.cli import practice_show as show
from diagnose.cli.lines import match
from diagnose.cli.practice_looking import Looking
from diagnose.cli.practice_words import ACTS, METERS, Command, one_of, understand
from diagnose.cli.render import Screen, sentence
from diagnose.cli.saving import persist
from diagnose.cli.transcripts import Transcript
from diagnose.errors import DiagnoseError, fail
from diagnose.interview.session import Session
from diagnose.interview.steps import Option
from diagnose.practice.bench import Bench
from diagnose.practice.deeds import SAFETY, judge
from diagnose.practice.functions import CONCLUSIONS, Coach
from diagnose.practice.judging import needless_for
from diagnose.practice.play import prepare, start, step
from diagnose.practice.records import Act, Attempt, Taken
from diagnose.reasoning.belief import Belief
from diagnose.reasoning.guard import Electrical

Read = Callable[[str], str]
MOST_HINTS = 4
TRIED = "to try or to look: "
CONCLUDED = (
    Option("for", "it speaks for it"),
    Option("against", "it speaks against it"),
    Option("neither", "it says little either way"),
)


class Desk:
    """One attempt at the terminal."""

    def __init__(
        self,
        session: Session,
        bench: Bench,
        screen: Screen,
        transcript: Transcript,
        read: Read = input,
        hints: bool = True,
    ) -> None:
        self.session = session
        self.bench = bench
        self.screen = screen
        self.transcript = transcript
        self.read = read
        self.hints = hints
        self.coach = Coach(session, bench.practice)
        self.needless = needless_for(session)
        self.attempt: Attempt = start(bench)
        self.looking = Looking(session, bench, screen, self.coach, read)
        self.function = ""
        self._declined = False
        self._near: tuple[int, ...] = ()
        for act in transcript.acts:
            self._step(act)
            self.function = act.data.get("function", self.function)

    # ------------------------------------------------------------------ the loop

    def run(self) -> bool:
        """Until the callout ends (true) or the trainee stops (false)."""
        while self.attempt.ended == "open":
            line, self.looking.pending = self.looking.pending, ""
            line = line or self.read(show.prompt(self.attempt))
            if not line.strip():
                continue
            command = understand(line)
            if command is None:
                word = line.split()[0]
                self.screen.para(f"'{word}' is no word here: type help.", 2, "red")
                continue
            if command.word == "stop":
                return False
            try:
                self._obey(command)
            except DiagnoseError as error:
                for issue in error.issues:
                    self.screen.para(issue.message, 2, "red")
        return True

    def do(self, act: Act) -> Taken:
        """One act: on file first, then on the screen."""
        self._step(act)
        said = f"{act.kind}: {', '.join(f'{k} = {v}' for k, v in act.data.items())}"
        persist(lambda: self.transcript.add(act), lambda: said, self.read)
        return self.attempt.taken[-1]

    def _step(self, act: Act) -> None:
        self.attempt = step(self.bench, self.attempt, act, self.needless(self.attempt, act))

    def _obey(self, command: Command) -> None:
        word, rest = command.word, command.rest
        looks: dict[str, Callable[[], None]] = {
            "help": lambda: show.helped(self.screen, self.bench),
            "functions": lambda: show.functions(self.screen, self.coach.groups),
            "parts": lambda: show.parts(self.screen, self.bench, self.coach.groups),
            "found": lambda: show.found(self.screen, self.bench, self.attempt),
            "hint": self._hint,
            "dead": self._dead,
            "on": self._on,
            "nothing": lambda: None,
        }
        named: dict[str, Callable[[str], None]] = {
            "tests": self.looking.tests,
            "test": self._test,
            "ask": self._ask,
            "swap": self._swap,
            "bypass": self._bypass,
            "check": self._check,
            "suspect": self._suspect,
            "circuit": lambda rest: self.looking.circuit(rest, self._near),
        }
        if word in looks:
            looks[word]()
        elif word in named:
            named[word](rest)
        elif word in ACTS:
            self._show(Act(word))
        elif word == "go":
            options = [Option(p, p) for p in self.bench.places]
            self._show(Act("go", {"place": one_of("places", rest, options)}))
        elif word == "level":
            options = [Option(x, x) for x in ("empty", "mid", "full")]
            self._show(Act("level", {"level": one_of("levels", rest, options)}))
        elif word == "meter":
            if rest.casefold() not in METERS:
                raise fail("option", f"'{rest}' is no meter: type meter cat2 or meter cat3")
            self._show(Act("meter", {"category": METERS[rest.casefold()]}))
        else:
            self._show(Act("finish", {"as": word}))

    def _show(self, act: Act) -> Taken:
        taken = self.do(act)
        if self.attempt.ended == "open":
            show.taken(self.screen, self.bench, self.attempt)
        return taken

    # ------------------------------------------------------------------ hints

    def _hint(self) -> None:
        if not self.hints:
            raise fail("option", "no hints in this callout")
        from diagnose.practice.hints import hint

        level = 1
        for taken in reversed(self.attempt.taken):
            if taken.act.kind != "hint":
                break
            level += 1
        level = min(level, MOST_HINTS)
        text = hint(self.session, self.bench, self.attempt, level)
        self.do(Act("hint", {"level": str(level)}))
        self.screen.field(f"Hint {level}", text)

    # ------------------------------------------------------------------ choosing

    def choose(self, question: str, options: Sequence[Option]) -> str:
        """One of some options, or "" for an empty line."""
        self.screen.para(question, 2, "bold")
        self.screen.options(options)
        while True:
            line = self.read("  number, Enter to leave it > ").strip()
            if line.casefold() in ("", "q"):
                return ""
            chosen = match(line, options)
            if chosen is not None:
                return chosen
            self.screen.para(f"Type a number from 1 to {len(options)}.", 2, "red")

    def _ask(self, rest: str) -> None:
        history = [q for q in self.bench.customer.questions.values() if q.kind == "history"]
        options = [
            Option(SAFETY, "the safety questions: is anyone hurt, a shock, water, burning, damage"),
            *(Option(q.id, q.ask) for q in history),
            *(
                Option(n, TRIED + sentence(self.bench.tests[n].title))
                for n in show.phone_tests(self.bench)
            ),
        ]
        if rest:
            name = one_of("questions", rest, options)
            asked = self.bench.tests[name].spec.by_phone if name in self.bench.tests else ""
            title = next(o.title for o in options if o.id == name)
            self.screen.field("Asked", asked or title.removeprefix(TRIED))
            self._show(Act("ask", {"question": name}))
            return
        wide = self.screen.width
        entries = (show.hanging(f"{k:>4}  ", o.title, wide) for k, o in enumerate(options, 1))
        self.looking.page([line for entry in entries for line in entry])
        self.screen.para("ask safety first, or ask and a number", 2)

    def _unit(self, rest: str, verb: str) -> str:
        options = show.units(self.bench, self.coach.groups)
        if rest:
            return one_of("units", rest, options)
        self.looking.page([f"{k:>4}  {o.title}" for k, o in enumerate(options, 1)])
        self.screen.para(f"{verb} and a number or a name", 2)
        return ""

    def _swap(self, rest: str) -> None:
        unit = self._unit(rest, "swap")
        if unit:
            self._show(Act("swap", {"unit": unit}))

    def _bypass(self, rest: str) -> None:
        unit = self._unit(rest, "bridge")
        if unit:
            self._show(Act("bypass", {"unit": unit}))

    def _check(self, rest: str) -> None:
        options = [Option(c.id, c.title) for c in self.bench.checks.values()]
        if not rest:
            results = {
                t.act.data["check"]: t.shown.text
                for t in self.attempt.taken
                if t.act.kind == "check" and t.shown
            }
            for k, o in enumerate(options, 1):
                done = f": {results[o.id]}" if o.id in results else ""
                self.screen.para(f"{k:>2}  {o.title}{done}", 2, hang=4)
            self.screen.para("check and a number", 2)
            return
        name = one_of("checks", rest, options)
        act = Act("check", {"check": name})
        if not judge(self.bench, self.attempt, act).why:
            self.screen.para(self.bench.checks[name].how, 2)
        self._show(act)

    # ------------------------------------------------------------------ the method

    def belief(self) -> Belief:
        """What the findings say so far, as the interview has it."""
        from diagnose.practice.events import state_after

        return self.session.belief(state_after(self.attempt, self.session))

    def _suspect(self, rest: str) -> None:
        options = [Option(f.id, f"{f.title}: {f.does}") for f in self.coach.functions.values()]
        chosen = (
            one_of("functions", rest, options)
            if rest
            else self.choose("Which function do you suspect?", options)
        )
        if chosen:
            self.function = chosen
            self.do(Act("state", {"function": chosen}))
            self.screen.para(self.coach.on_function(self.belief(), chosen), 2, "cyan")

    def _test(self, rest: str) -> None:
        options = [Option(n, self.bench.tests[n].title) for n in self.bench.tests]
        if not rest:
            raise fail("option", "which test? type tests for the lists, then test and a number")
        name = one_of("tests", rest, options)
        act = Act("test", {"test": name})
        self._near = self.session.points.of(self.bench.tests[name])
        show.card(self.screen, self.bench, name, self._near)
        if not judge(self.bench, self.attempt, act).why:
            before = self.belief()
            if not self._expect(before, name):
                return
            taken = self._show(act)
            if taken.shown is not None and self.function:
                self._conclude(before, name, taken.shown.outcome)
            return
        self._show(act)

    def _expect(self, belief: Belief, name: str) -> bool:
        """Ask what is suspected and expected; whether to do the test."""
        if not self.function and not self._declined:
            self._suspect("")
            self._declined = not self.function
        if self.function:
            title = self.coach.functions[self.function].title.lower()
            outcomes = [Option(o.id, o.title) for o in self.bench.tests[name].outcomes]
            expected = self.choose(f"If {title} is at fault, what will it show?", outcomes)
            if expected:
                data = {"function": self.function, "test": name, "expectation": expected}
                self.do(Act("state", data))
                said = self.coach.on_expectation(belief, self.function, name, expected)
                self.screen.para(said, 2, "cyan")
        line = self.read("  Enter to do it, n to leave it > ").strip()
        if line.casefold() not in ("", "y", "yes", "n", "no", "q"):
            self.looking.pending = line
        return line.casefold() in ("", "y", "yes")

    def _conclude(self, before: Belief, name: str, outcome: str) -> None:
        title = self.coach.functions[self.function].title.lower()
        question = f"What does that say of your suspicion, {title}?"
        conclusion = self.choose(question, CONCLUDED)
        if conclusion in CONCLUSIONS:
            data = {"function": self.function, "test": name, "conclusion": conclusion}
            self.do(Act("state", data))
            said = self.coach.on_conclusion(before, self.function, name, outcome, conclusion)
            self.screen.para(said, 2, "cyan")
            self.screen.para("Another suspicion: suspect and a number.", 2)

    # ------------------------------------------------------------------ the order, once known

    def _dead(self) -> None:
        proved = any(t.electrical == Electrical.PROVED_DEAD.value for t in self.attempt.taken)
        if not proved:
            raise fail("option", "do it step by step once: isolate, lock, prove ... (see help)")
        self._several(Act("swap", {"unit": next(iter(self.bench.installation.instances))}))

    def _on(self) -> None:
        if not any(t.act.kind == "energise" and t.done for t in self.attempt.taken):
            raise fail("option", "do it step by step once: close, block, energise")
        self._several(Act("energise"), last=True)

    def _several(self, towards: Act, last: bool = False) -> None:
        """What an act needs first, as the order has it, and the act itself where it is the last."""
        for act in [*(prepare(self.bench, self.attempt, towards) or ()), *([towards] * last)]:
            self._show(act)
