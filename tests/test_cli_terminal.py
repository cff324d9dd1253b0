"""The callout driven key by key in a real terminal of 80 × 24."""

import os
import re
import signal
import sys
from pathlib import Path

import pexpect
import pytest
from typer.testing import CliRunner

from diagnose.casebook.files import FileStore
from diagnose.casebook.store import CaseHeader, status_of
from diagnose.cli import app
from diagnose.interview.events import Event
from diagnose.interview.session import Session, Turn
from diagnose.interview.state import replay, variants_of
from tests.people import SimulatedPerson, clear_modes, standard_session

ESCAPE = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")
PATIENCE = 300
"""Seconds to wait for the screen: a cold matrix on a busy machine; no test is timed by it."""
SET_UP = ("", "Demo Lane 4", "", "", "cat_iii", "licensed")
"""What is typed at the questions of the set-up."""


@pytest.fixture(scope="module")
def session() -> Session:
    return standard_session()


@pytest.fixture(scope="module")
def mode(session: Session) -> str:
    return clear_modes(session, 3)[0]


def heed_interrupts() -> None:
    """In the new process, even where this one was started in the background and ignores them."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


class Typist:
    """Types in a real terminal of 80 × 24 what a simulated person says, and keeps the screen."""

    def __init__(self, session: Session, mode: str, store: Path, *options: str, **env: str) -> None:
        self.session = session
        self.person = SimulatedPerson(session, mode, repairs=True)
        self.store = FileStore(store)
        self.screen = ""
        self.child = pexpect.spawn(
            sys.executable,
            ["-m", "diagnose", "callout", "--store", str(store), *options],
            env={**os.environ, "TERM": "xterm-256color", "PYTHONIOENCODING": "utf-8"} | env,
            dimensions=(24, 80),
            encoding="utf-8",
            timeout=PATIENCE,
            preexec_fn=heed_interrupts,
        )

    def prompt(self) -> str:
        """Wait for the next prompt; what was written before it."""
        self.child.expect(r"(?<=[ \n])> ")
        self.screen += str(self.child.before) + "> "
        return str(self.child.before)

    def type(self, line: str) -> None:
        self.child.sendline(line)

    def describe(self) -> None:
        """The few questions of the set-up: the standard installation, all at hand."""
        for line in SET_UP:
            self.prompt()
            self.type(line)

    def turn(self) -> Turn:
        """What the case on disk asks next."""
        (case,) = self.store.listing().cases
        return self.session.turn(self.store.events(case.id))

    def line(self, turn: Turn) -> str:
        """What is typed next: options by number, readings by their name."""
        step = turn.step
        if step.conclusion is not None:
            return "1"
        choice = self.person.choice(turn, step)
        ids = [option.id for option in step.options]
        return choice if step.unit else str(ids.index(choice) + 1)

    def to_a_test(self) -> Turn:
        """Describe the callout and answer until the first test is offered."""
        self.describe()
        while True:
            self.prompt()
            turn = self.turn()
            if turn.step.kind == "test":
                return turn
            self.type(self.line(turn))

    def lead(self) -> Turn:
        """Answer until the repair is verified; each answer is looked for on disk first."""
        count = 0
        while True:
            self.prompt()
            turn = self.turn()
            if turn.step.kind == "done":
                return turn
            (case,) = self.store.listing().cases
            events = len(self.store.events(case.id))
            assert events > count
            count = events
            self.type(self.line(turn))

    def end(self) -> str:
        self.child.expect(pexpect.EOF)
        self.screen += str(self.child.before)
        self.child.close()
        return self.screen


@pytest.mark.parametrize(
    ("options", "env", "coloured"),
    [
        ((), {}, True),
        (("--no-color",), {}, False),
        ((), {"NO_COLOR": "1"}, False),
        ((), {"TERM": "dumb"}, False),
        ((), {"PYTHONIOENCODING": "ascii"}, True),
    ],
    ids=["colour", "option", "environment", "dumb", "ascii"],
)
def test_a_callout_in_a_terminal(
    tmp_path: Path,
    session: Session,
    mode: str,
    options: tuple[str, ...],
    env: dict[str, str],
    coloured: bool,
) -> None:
    typist = Typist(session, mode, tmp_path, *options, **env)
    typist.describe()
    turn = typist.lead()
    assert turn.step.id == "verified"
    typist.type("yes")
    for line in ("", "47", "one relay module, two screws", "30"):
        typist.prompt()
        typist.type(line)
    screen = typist.end()
    assert typist.child.exitstatus == 0
    assert bool(ESCAPE.search(screen)) == coloured
    written = ESCAPE.sub("", screen).replace("\r", "")
    assert "\x1b" not in written
    wide = [line for line in written.split("\n") if len(line) > 80 and "> " not in line]
    assert not wide
    for text in ("Demo Lane 4", "Test 1", "Healthy", "Now likeliest", "Result", "How sure"):
        assert text in written
    (case,) = FileStore(tmp_path).listing().cases
    closed = FileStore(tmp_path).events(case.id)[-1]
    assert closed.kind == "closed"
    assert closed.data["minutes"] == 47
    assert closed.data["parts"] == ["one relay module", "two screws"]
    assert closed.data["confirmed"] == "verification"
    assert closed.data["verified"] == "passed"
    assert closed.data["took"] == {}
    assert re.fullmatch(r"\d{4}-\d\d-\d\d", closed.data["call_back"])


def test_the_words_at_a_test(tmp_path: Path, session: Session, mode: str) -> None:
    typist = Typist(session, mode, tmp_path, "--no-color")
    turn = typist.to_a_test()
    first = turn.step
    for word, shown in [
        ("?", "Why this test"),
        ("view", "Still suspected"),
        ("help", "take the last answer back"),
        ("no such answer at all", "no such answer at all"),
    ]:
        typist.type(word)
        assert shown in typist.prompt()
        assert typist.turn().step == first
    typist.type("cannot the ladder is too short")
    typist.prompt()
    state = typist.turn().state
    assert state.cannot == {first.id: "the ladder is too short"}
    typist.type("back")
    assert "Taken back: cannot" in typist.prompt()
    turn = typist.turn()
    assert not turn.state.cannot
    while turn.step.kind == "act":
        typist.type("done")
        typist.prompt()
        turn = typist.turn()
    choice = typist.person.choice(turn, turn.step)
    typist.type(f"not sure {choice}")
    typist.prompt()
    (found,) = typist.turn().state.findings
    assert (found.test, found.outcome, found.sure) == (turn.step.id, choice, False)
    assert found.raw == f"not sure {choice}"
    typist.type("stop")
    assert "diagnose callout --resume" in typist.end()
    assert typist.child.exitstatus == 0


def test_what_is_typed_ahead_answers_no_safety_question(
    tmp_path: Path, session: Session, mode: str
) -> None:
    typist = Typist(session, mode, tmp_path, "--no-color")
    for line in SET_UP[:-1]:
        typist.prompt()
        typist.type(line)
    typist.prompt()
    typist.type("licensed\n1\n1\nyes")  # pasted: the set-up's last line, and three more
    assert "is not taken as its answer" in typist.prompt()
    assert not typist.turn().state.answers
    while (turn := typist.turn()).step.id != "complaint":
        typist.type(typist.line(turn))
        assert "is not taken" not in typist.prompt()
    typist.type(f"{typist.line(turn)}\n1")  # no safety hangs on these two: both are taken
    typist.prompt()
    typist.prompt()
    after = typist.turn().state
    assert after.complaints
    assert len(after.answers) == len(turn.state.answers) + 1
    typist.child.close(force=True)


def test_another_test_can_be_chosen(tmp_path: Path, session: Session, mode: str) -> None:
    typist = Typist(session, mode, tmp_path, "--no-color")
    turn = typist.to_a_test()
    assert turn.decision is not None
    offered = [c.candidate.test for c in turn.decision.choices]
    offered = [t for t in offered if session.step_for(turn, t)]
    assert len(offered) > 1
    typist.type("other")
    typist.prompt()
    typist.type("2")
    wanted = offered[1]
    while True:
        typist.prompt()
        turn = typist.turn()
        step = session.step_for(turn, wanted)
        assert step is not None
        if step.kind == "test":
            break
        typist.type("done")
    typist.type(typist.person.outcome(wanted))
    typist.prompt()
    assert [f.test for f in typist.turn().state.findings] == [wanted]
    typist.child.close(force=True)


@pytest.mark.parametrize("how", ["interrupt", "end of input", "kill"])
def test_a_callout_goes_on_after_it_was_cut_off(
    tmp_path: Path, session: Session, mode: str, how: str
) -> None:
    typist = Typist(session, mode, tmp_path, "--no-color")
    typist.describe()
    for _ in range(3):
        typist.prompt()
        typist.type(typist.line(typist.turn()))
    typist.prompt()
    (case,) = FileStore(tmp_path).listing().cases
    before = FileStore(tmp_path).events(case.id)
    if how == "kill":
        typist.child.kill(9)
        typist.child.close()
    else:
        if how == "interrupt":
            typist.child.sendcontrol("c")
        else:
            typist.child.sendeof()
        screen = typist.end()
        assert f"diagnose callout --resume {case.id}" in screen
        assert "Traceback" not in screen
        assert typist.child.exitstatus == 130
    assert [e.kind for e in before] == [
        *("opened", "described", "described", "described", "described", "described"),
        *("answered", "answered", "answered"),
    ]
    again = Typist(session, mode, tmp_path, "--no-color", "--resume")
    assert case.id in again.prompt()
    events = FileStore(tmp_path).events(case.id)
    assert [e.id for e in events[: len(before)]] == [e.id for e in before]
    assert [e.kind for e in events[len(before) :]] == ["resumed"]
    again.type(again.line(again.turn()))
    assert again.lead().step.id == "verified"
    again.child.close(force=True)


def only_case(folder: Path) -> tuple[CaseHeader, list[Event]]:
    """The one case on file."""
    (case,) = FileStore(folder).listing().cases
    return case, FileStore(folder).events(case.id)


def test_the_set_up_goes_on_after_each_kill(tmp_path: Path, session: Session, mode: str) -> None:
    typist = Typist(session, mode, tmp_path, "--no-color")
    for count, line in enumerate(SET_UP):
        shown = typist.prompt()
        assert ("nearest to it" in shown) == (count == 0)
        assert ("The standard one has" in shown) == (count == 2)
        assert ("instruments are at hand" in shown) == (count == 3)
        assert ("measuring category" in shown) == (count == 4)
        assert ("Who does the work" in shown) == (count == 5)
        typist.type(line)
        if count + 1 < len(SET_UP):
            typist.prompt()  # the next question: the answer before must be on file by now
            case, events = only_case(tmp_path)
            assert sum(e.kind in ("opened", "described") for e in events) == count + 1
            assert status_of(events) == "being set up"
            typist.child.kill(signal.SIGKILL)
            typist.child.close()
            typist = Typist(session, mode, tmp_path, "--no-color", "--resume")
    assert case.id == f"{case.opened[:10]}-callout"
    assert typist.lead().step.id == "verified"
    _, events = only_case(tmp_path)
    said = [e for e in events if e.kind in ("opened", "described")]
    assert [list(e.data) for e in said[1:]] == [
        *(["site"], ["wiring"], ["instruments"], ["meter_category"], ["qualification"]),
    ]
    assert sum(e.kind == "resumed" for e in events) == len(SET_UP) - 1
    opened = typist.turn().state.opened
    assert opened["site"] == "Demo Lane 4"
    assert opened["variants"] == session.installation.choices
    assert "multimeter" in opened["instruments"]
    assert (opened["meter_category"], opened["qualification"]) == ("cat_iii", "licensed")
    typist.child.close(force=True)


@pytest.mark.parametrize("how", ["interrupt", "end of input"])
def test_a_set_up_can_be_left(tmp_path: Path, session: Session, mode: str, how: str) -> None:
    first = Typist(session, mode, tmp_path / "none", "--no-color")
    first.prompt()
    first.child.sendcontrol("c")
    assert "nothing is on file" in first.end()
    typist = Typist(session, mode, tmp_path, "--no-color")
    for line in SET_UP[:3]:
        typist.prompt()
        typist.type(line)
    typist.prompt()
    (typist.child.sendcontrol("c") if how == "interrupt" else typist.child.sendeof())
    screen = typist.end()
    assert "Every answer is on file" in screen
    assert typist.child.exitstatus == 130
    case, _ = only_case(tmp_path)
    assert f"diagnose callout --resume {case.id}" in screen
    store = ("--store", str(tmp_path))
    listed = CliRunner().invoke(app, ["cases", *store])
    assert listed.stdout == f"{case.id}  being set up\n"
    one = CliRunner().invoke(app, ["cases", "show", case.id, *store]).stdout
    assert "described: site: Demo Lane 4" in one
    assert "described: wiring: standard" in one
    close = ("close", case.id, "--found", "dirt", "--confirmed", "measured", *store)
    assert CliRunner().invoke(app, close).exit_code == 0
    assert CliRunner().invoke(app, ["cases", *store]).stdout == f"{case.id}  closed  dirt\n"


def test_an_installation_is_described(tmp_path: Path, session: Session, mode: str) -> None:
    typist = Typist(session, mode, tmp_path, "--no-color")
    typist.prompt()
    typist.type("")
    typist.prompt()
    typist.type("")
    assert "The standard one has" in typist.prompt()
    typist.type("no")
    changed = ""
    kind = session.installation.type
    for name, variant in kind.variants.items():
        if len(variant.choices) < 2:
            continue
        assert variant.choices[variant.default].title in typist.prompt().replace("\r\n", "\n")
        others = [c for c in variant.choices if c != variant.default]
        typist.type(others[0] if not changed else "")
        changed = changed or f"{name}={others[0]}"
    typist.prompt()
    typist.type("0")
    typist.prompt()
    typist.type("unqualified")
    typist.prompt()
    case, events = only_case(tmp_path)
    name, _, choice = changed.partition("=")
    variants = variants_of(case.variants, events)
    assert variants == {**session.installation.choices, name: choice}
    opened = replay(events, {}).opened
    assert opened["variants"] == variants
    assert opened["instruments"] == []
    assert (opened["qualification"], opened["meter_category"]) == ("unqualified", "none")
    typist.child.close(force=True)
