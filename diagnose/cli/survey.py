"""``diagnose survey``: a visit without a complaint, as a checklist to fill in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from diagnose.casebook.answers import QUALIFICATIONS, nearest
from diagnose.cli.common import instruments_named, load, say_learned, session_for, settings
from diagnose.cli.render import Screen, Titles
from diagnose.cli.shown import print_json, put_file
from diagnose.cli.survey_text import FORMATS, SAFETY, form, markdown, plain
from diagnose.errors import DiagnoseError, Issue, Place, fail
from diagnose.interview.session import Session
from diagnose.interview.survey import Survey, Verdict, evaluate, plan_survey
from diagnose.knowledge.names import unit_of
from diagnose.knowledge.reading import Mapping, Text, read_yaml
from diagnose.plant.compose import compose_ready
from diagnose.reasoning.cover import REVEALS
from diagnose.reasoning.guard import Skill
from diagnose.reasoning.suspects import by_unit
from diagnose.report.pictures.values import percent

SUSPECTS = 8


@dataclass(frozen=True)
class Request:
    """The command's options."""

    installation: str | None = None
    variants: Sequence[str] = ()
    instruments: str | None = None
    qualification: str = Skill.INSTRUCTED.value
    threshold: float = REVEALS
    out: Path | None = None
    filled: Path | None = None
    json: bool = False
    knowledge: str | None = None
    no_color: bool = False


def run_survey(request: Request) -> int:
    """Run the command; the exit code.

    Raises
    ------
    DiagnoseError
        Options or a filled-in list that cannot be used.
    """
    if not 0 < request.threshold <= 1:
        raise fail("option", f"--threshold {request.threshold:g} must lie above 0 and up to 1")
    if request.qualification not in QUALIFICATIONS:
        message = f"--qualification '{request.qualification}' is not known"
        raise fail("option", message, None, QUALIFICATIONS)
    if request.out is not None and request.out.suffix not in FORMATS:
        message = f"--out '{request.out}' has no ending that says what to write"
        raise fail("option", message, None, FORMATS)
    knowledge = load(request.knowledge)
    instruments = instruments_named(knowledge, request.instruments)
    screen = Screen(request.no_color)
    if not request.json:
        say_learned(screen, knowledge)
    kind = request.installation or next(iter(knowledge.installations))
    installation = compose_ready(knowledge, kind, settings(request.variants))
    session = session_for(knowledge, installation, screen.plain)
    survey = plan_survey(session, instruments, Skill(request.qualification), request.threshold)
    if request.filled is not None:
        return _filled(request.filled, request.json, screen, session, survey)
    if request.out is not None:
        _write(request.out, survey, session)
        screen.para(f"{len(survey.cover.tests)} tests, written to {request.out}")
    elif request.json:
        print_json(survey_data(session, survey))
    else:
        for line in plain(survey, session, screen.width):
            screen.line(line, "bold yellow" if line.lstrip().startswith("CAUTION") else "")
    return 0


def _write(path: Path, survey: Survey, session: Session) -> None:
    write = {".md": markdown, ".txt": plain, ".yaml": form}[path.suffix]
    put_file(path, ("\n".join(write(survey, session)) + "\n").encode())


def survey_data(session: Session, survey: Survey) -> dict[str, Any]:
    """The checklist as plain data."""
    return {
        "installation": session.installation.type.id,
        "variants": dict(session.installation.choices),
        "threshold": survey.threshold,
        "minutes": survey.cover.minutes,
        "test_minutes": survey.cover.test_minutes,
        "gap": survey.cover.gap,
        "revealed": list(survey.cover.revealed),
        "undetectable": [{"failure_mode": u.mode, "reason": u.reason} for u in survey.unseen],
        "stops": [
            {
                "state": leg.round,
                "level": leg.level,
                "place": leg.place,
                "tests": [
                    {
                        "test": line.test,
                        "title": line.title,
                        "do": line.do,
                        "instrument": line.instrument,
                        "minutes": line.minutes,
                        "healthy": line.healthy,
                        "outcomes": [outcome for outcome, _ in line.outcomes],
                        "cautions": list(line.cautions),
                        "only_one_to_reveal": list(line.sole),
                    }
                    for line in leg.lines
                ],
            }
            for leg in survey.legs
        ],
        "also": [{"check": c.id, "title": c.title} for c in survey.also],
        "safety": SAFETY,
    }


# ---------------------------------------------------------------------- filled in


def read_filled(path: Path) -> dict[str, str]:
    """A filled-in list: test to reading.

    Raises
    ------
    DiagnoseError
        It is no mapping of texts.
    """
    tree = read_yaml(path)
    if not isinstance(tree, Mapping):
        place = getattr(tree, "place", None) or Place(str(path), 1, 1)
        raise fail("structure", "a filled-in list maps each test to its reading", place)
    issues = []
    found: dict[str, str] = {}
    for name, value in tree.items():
        if value is None:
            continue
        if not isinstance(value, Text):
            place = getattr(value, "place", None)
            issues.append(Issue("error", "structure", f"'{name}' must be one reading", place))
            continue
        found[name] = value
    if issues:
        raise DiagnoseError(issues)
    return found


def _filled(path: Path, as_json: bool, screen: Screen, session: Session, survey: Survey) -> int:
    readings = read_filled(path)
    for name in readings:
        if name not in session.tests:
            place = getattr(name, "place", None)
            message = f"there is no test '{name}' on this installation"
            raise fail("unknown-id", message, place, nearest(name, session.tests))
    verdict = evaluate(session, readings, survey.cover.tests)
    if as_json:
        print_json(verdict_data(verdict))
    else:
        _show(screen, session, verdict)
    return 0


def verdict_data(verdict: Verdict) -> dict[str, Any]:
    """What a filled-in list says, as plain data."""
    return {
        "out_of_limits": [
            {"test": o.test, "reading": o.raw, "outcome": o.outcome, "healthy": o.healthy}
            for o in verdict.off
        ],
        "within_limits": verdict.within,
        "not_filled_in": list(verdict.missing),
        "advice": list(verdict.advice),
        "sound": verdict.sound,
        "ranking": [
            {"failure_mode": n, "unit": unit_of(n), "probability": p}
            for n, p in verdict.ranking[:12]
        ],
    }


def _show(screen: Screen, session: Session, verdict: Verdict) -> None:
    screen.rule("Survey", f"{len(verdict.off)} out of limits, {verdict.within} within")
    for off in verdict.off:
        screen.para(f"- {off.title}: {off.outcome} (healthy: {off.healthy})", 2, hang=2)
    if not verdict.off:
        screen.para("Nothing that was filled in is out of limits.", 2)
        screen.field("Sound", f"{percent(verdict.sound)} that nothing is wrong", "bold")
    for text in verdict.advice:
        screen.field("CAUTION", text, "bold yellow")
    if verdict.off:
        screen.para(
            "Treat it as real until it has been repeated: "
            f"{percent(verdict.sound)} that a wrong answer is all there is to it.",
            2,
            "bold",
        )
        titles = Titles(session)
        screen.rule("If something is wrong, it is")
        for suspect in by_unit(verdict.ranking)[:SUSPECTS]:
            if (p := suspect.probability) >= 0.01:
                screen.para(f"{screen.bar(p)} {titles.suspected(suspect)}", 2, hang=27)
        screen.para(
            "Repeat what is out of limits; where it stays, narrow it down with diagnose callout.",
            2,
        )
    if verdict.missing:
        screen.rule("Not filled in")
        for name in verdict.missing:
            screen.para(f"- {session.tests[name].title}", 2, hang=2)
