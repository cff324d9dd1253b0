"""Following a printed chart by hand, and the interview beside it.

Nothing of the compiler is used: what is on the paper is read back from the HTML page, answers are
given as a person gives them (a reading inside the printed limits, typed with its unit), and a
session of its own is fed through `respond`, like the interview's command.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from html.parser import HTMLParser

from diagnose.cli.render import STATES
from diagnose.interview.drive import Reply, respond
from diagnose.interview.events import Event, new_event
from diagnose.interview.explain import title_of
from diagnose.interview.session import Session, Turn
from diagnose.interview.steps import Option, Step
from diagnose.knowledge.names import unit_of
from diagnose.reasoning.belief import UNKNOWN_UNIT
from diagnose.report.document import with_signs

ANSWER = re.compile(r"(.*) →\xa0(?:go\xa0to\xa0(\d+)|end\xa0([A-Z]+))(?:: suspect (.*))?")
NUMBER = r"(-?[\d.]+(?:e[+-]?\d+)?)(?: ([A-Za-zµΩ/]+))?"
BELOW = re.compile(rf"(?:below|less than) {NUMBER}(?:[:,].*)?")
STRONGER = re.compile(rf"stronger than {NUMBER}")
BETWEEN = re.compile(rf"{NUMBER} to {NUMBER}(?:[:,].*)?")
ABOVE = re.compile(rf"{NUMBER} or more.*")
SUSPECTED, MOST_SUSPECTS, EQUAL = 0.8, 3, 1e-8
UNKNOWN = "a cause not in the knowledge base"


class _Tables(HTMLParser):
    """The page's tables by the title of their first column, and its paragraphs."""

    def __init__(self) -> None:
        super().__init__()
        self.tables: dict[str, list[list[str]]] = {}
        self.paragraphs: list[str] = []
        self.pairs: dict[str, str] = {}
        self.text = ""
        self.row: list[str] = []
        self.label = ""
        self.current = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in ("th", "td", "p", "li", "dt", "dd"):
            self.text = ""
        elif tag == "table":
            self.current = ""
        elif tag == "tr":
            self.row = []
        elif tag == "br":
            self.text += "\n"

    def handle_data(self, data: str) -> None:
        self.text += data

    def handle_endtag(self, tag: str) -> None:
        if tag in ("th", "td"):
            self.row.append(self.text)
        elif tag == "thead":
            self.current = self.row[0]
            self.tables.setdefault(self.current, [])
        elif tag == "tr" and self.current and self.row and self.row[0] != self.current:
            self.tables[self.current].append(self.row)
        elif tag in ("p", "li"):
            self.paragraphs.append(self.text)
        elif tag == "dt":
            self.label = self.text
        elif tag == "dd":
            self.pairs[self.label] = self.text


@dataclass(frozen=True)
class PrintedAnswer:
    """One line of the right column."""

    text: str
    step: int
    end: str
    suspects: str


@dataclass(frozen=True)
class PrintedStep:
    """One row of the table of steps."""

    first: str
    do: str
    cautions: frozenset[str]
    answers: tuple[PrintedAnswer, ...]


@dataclass
class Printed:
    """What is on the paper."""

    steps: dict[int, PrintedStep]
    ends: dict[str, tuple[str, str]]
    cautions: dict[str, str]
    changes: dict[str, str]
    safety: dict[str, str]
    known: str
    most_steps: int
    folded: float


def printed(page: str) -> Printed:
    """Read a chart back from its HTML page."""
    parser = _Tables()
    parser.feed(page)
    cautions = {row[0]: row[1] for row in parser.tables.get("Caution", [])}
    steps = {}
    for number, do, found in parser.tables["Step"]:
        assert int(number) not in steps
        lines = do.split("\n")
        first = lines.pop(0).removeprefix("FIRST: ") if lines[0].startswith("FIRST: ") else ""
        own = [line for line in lines if line.startswith("CAUTION ")]
        said = [line.removeprefix("CAUTION ").partition(": ") for line in own]
        assert all(cautions[name].startswith(text.rstrip(".")) for name, _, text in said)
        answers = []
        for line in found.split("\n"):
            match = ANSWER.fullmatch(line)
            assert match, line
            answers.append(
                PrintedAnswer(match[1], int(match[2] or 0), match[3] or "", match[4] or "")
            )
        rest = "\n".join(line for line in lines if line not in own)
        texts = frozenset(cautions[name] for name, _, _ in said)
        steps[int(number)] = PrintedStep(first, rest, texts, tuple(answers))
    about = " ".join(parser.paragraphs)
    most = re.search(r"At most (\d+) tests on one way", about)
    folded = re.search(r"Answers that fewer than (\d+)% would give", about)
    assert most
    assert folded
    return Printed(
        steps,
        {letter: (what, todo) for letter, what, todo in parser.tables["End"]},
        cautions,
        {name.lower(): do for name, do in parser.tables.get("Where a step says FIRST", [])},
        dict(parser.tables["Before anything is touched"]),
        next(p for p in parser.paragraphs if p.startswith("Taken as known")),
        int(most[1]),
        int(folded[1]) / 100,
    )


@dataclass
class Walked:
    """What was seen on the way."""

    leaves: dict[str, int] = field(default_factory=dict)
    steps: set[int] = field(default_factory=set)
    turns: int = 0
    deepest: int = 0


def opening(session: Session, paper: Printed, opened: Event, complaint: str) -> list[Event]:
    """Answer what is asked before the first test as the paper says."""
    events = [opened]
    while True:
        turn = session.turn(events)
        step = turn.step
        if step.kind != "question":
            return events
        if step.id == "complaint":
            reply = Reply("answer", complaint, ids=(complaint,))
        else:
            titles = {o.title: o.id for o in step.options}
            if step.title in paper.safety:
                reply = Reply("answer", titles[paper.safety[step.title]])
            else:
                said = [i for t, i in titles.items() if f"{step.title} {t}." in paper.known]
                assert len(said) == 1, (step.title, paper.known)
                reply = Reply("answer", said[0])
        event = respond(session, turn, step, reply, events)
        assert event is not None
        events.append(event)


def walk(session: Session, paper: Printed, events: list[Event]) -> Walked:
    """Follow every way from step 1; every difference from the interview is an assertion."""
    walked = Walked()
    _step(session, paper, 1, events, 1, walked)
    assert walked.steps == paper.steps.keys(), "a step that nothing leads to"
    assert walked.leaves.keys() >= paper.ends.keys() - {"N"}, "an end that nothing leads to"
    assert walked.leaves.keys() <= paper.ends.keys()
    return walked


def _step(
    session: Session, paper: Printed, number: int, events: list[Event], depth: int, walked: Walked
) -> None:
    row = paper.steps[number]
    turn = session.turn(events)
    walked.turns += 1
    changed = []
    while turn.step.kind == "act":
        step = turn.step
        changed.append(step.title.lower())
        on_paper = paper.changes[step.title.lower()]
        assert with_signs(step.text) in on_paper
        for caution in step.cautions:
            name = next(n for n, text in paper.cautions.items() if text == caution)
            assert f"CAUTION {name}: " in on_paper
        event = respond(session, turn, step, Reply("answer", "done"), events)
        assert event is not None
        events = [*events, event]
        turn = session.turn(events)
    assert row.first.lower() == ", then ".join(changed), number
    step = turn.step
    assert step.kind == "test", (number, step.kind)
    title = step.title[:1].upper() + step.title[1:]
    once_more = "Once more: " if step.again else ""
    assert row.do.startswith(with_signs(f"{once_more}{title}. {step.text}")), number
    if step.state != "any":
        assert row.do.endswith(STATES[step.state]), number
    assert row.cautions == set(step.cautions), number
    assert depth <= paper.most_steps
    walked.steps.add(number)
    walked.deepest = max(walked.deepest, depth)
    *listed, other = row.answers
    assert other.text.startswith("anything else")
    assert other.end == "N"
    meant = {answer: typed(step, answer.text) for answer in listed}
    outcomes = {session.read_answer(step.id, text) for text in meant.values()}
    assert len(outcomes) == len(listed)
    left = [o for o in step.options if o.id not in outcomes]
    assert step.why is not None
    likely = {split.outcome: split.probability for split in step.why.splits}
    for option in left:
        assert likely[option.id] < paper.folded, (number, option.id)
    if left:
        assert other.text != "anything else", number
    walked.leaves["N"] = walked.leaves.get("N", 0) + 1
    for answer, text in meant.items():
        event = respond(session, turn, step, Reply("answer", text), events)
        assert event is not None
        after = [*events, event]
        if answer.step:
            assert answer.step > number, "a reference that leads back"
            _step(session, paper, answer.step, after, depth + 1, walked)
        else:
            walked.turns += 1
            walked.leaves[answer.end] = walked.leaves.get(answer.end, 0) + 1
            _leaf(session, paper, answer, session.turn(after), (number, answer.text))


def _leaf(
    session: Session, paper: Printed, answer: PrintedAnswer, turn: Turn, at: tuple[int, str]
) -> None:
    what, todo = paper.ends[answer.end]
    conclusion = turn.step.conclusion
    if answer.end == "T":
        assert conclusion is None, (at, "the interview ends here, the chart says it does not")
        _suspects(session, turn, answer.suspects.split(", "), at)
        return
    assert conclusion is not None, (at, answer.end, turn.step.title)
    assert what.startswith("Hand over") == (conclusion.status == "handed_over"), at
    assert what.startswith("Several causes") == (conclusion.status == "ambiguous"), at
    assert not answer.suspects
    if conclusion.unit:
        assert conclusion.title.lower() in what.lower(), (at, what, conclusion.title)
        assert conclusion.unit_title.lower() in what.lower(), at
        assert with_signs(conclusion.remedy).rstrip(".") in todo, at
        if conclusion.status == "ambiguous":
            assert "If it is the first: " in todo, at
            left = [title_of(session, n).lower() for n, _, _ in conclusion.ranking[:2]]
            assert all(title in what.lower() for title in left), (at, what, left)
        else:
            assert _covers(what, conclusion.probability), (at, what, conclusion.probability)
    for said in (*conclusion.reasons, *conclusion.root_causes, *conclusion.spares):
        assert with_signs(said).rstrip(".") in todo, (at, said)
    if conclusion.licensed:
        assert "licensed" in todo, at


def _covers(what: str, probability: float) -> bool:
    """Whether the range of per cents in brackets holds the probability."""
    match = re.search(r"\((>?)(\d+)%(?: to (>?)(\d+)%)?\)$", what)
    assert match, what
    low = 0.99 if match[1] else int(match[2]) / 100
    high = int(match[4]) / 100 if match[4] else low
    high = 1.0 if match[1] or match[3] else high
    return low - 0.006 <= probability <= high + 0.006


def _suspects(session: Session, turn: Turn, named: list[str], at: tuple[int, str]) -> None:
    """The units named are the likeliest, as many as it takes; from the ranking of modes alone."""
    units: dict[str, float] = {}
    for name, p in turn.belief.ranking():
        unit = unit_of(name)
        units[unit] = units.get(unit, 0.0) + p
    titles = {
        session.installation.instances[u].title if u != UNKNOWN_UNIT else UNKNOWN: p
        for u, p in units.items()
    }
    ordered = sorted(titles.values(), reverse=True)
    shown = [titles[title] for title in named]
    assert len(set(named)) == len(named), at
    if named == [UNKNOWN]:
        assert shown[0] >= ordered[0] - EQUAL, at
        return
    assert UNKNOWN not in named, at
    known = sorted((p for t, p in titles.items() if t != UNKNOWN), reverse=True)
    assert all(abs(a - b) < EQUAL for a, b in zip(shown, known, strict=False)), (at, named)
    assert sum(shown) >= SUSPECTED or len(named) == MOST_SUSPECTS, (at, named)
    if len(named) > 1:
        assert sum(shown[:-1]) < SUSPECTED, (at, "more units named than needed")


def limits(text: str) -> tuple[str, str]:
    """The limits in a printed answer as a person would type them; "" where there is none."""
    between = BETWEEN.fullmatch(text)
    if between:
        unit = between[4]
        return f"{between[1]} {between[2] or unit}", f"{between[3]} {unit}"
    above = ABOVE.fullmatch(text)
    if above:
        return f"{above[1]} {above[2]}", ""
    below = BELOW.fullmatch(text) or STRONGER.fullmatch(text)
    return ("", f"{below[1]} {below[2]}") if below else ("", "")


def typed(step: Step, text: str) -> str:
    """What a person would type for a printed answer: a reading inside its limits, or a choice."""
    low, high = limits(text) if step.unit else ("", "")
    if low:
        return low
    if not high:
        return _choice(step, text)
    number, _, unit = high.partition(" ")
    return f"{float(number) * (0.9 if float(number) > 0 else 1.1):g} {unit}"


def _choice(step: Step, text: str) -> str:
    fitting: list[Option] = [o for o in step.options if with_signs(o.title) == text]
    assert len(fitting) == 1, (step.id, text, [o.title for o in step.options])
    return fitting[0].id


def opened(session: Session, **more: object) -> Event:
    """The first event of a case on this installation, as the chart's usual person has it."""
    return new_event(
        "opened",
        installation=session.installation.type.id,
        variants=dict(session.installation.choices),
        **{"qualification": "instructed", "meter_category": "cat_iii", **more},
    )
