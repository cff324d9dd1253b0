"""``diagnose progress``: where a trainee stands, the weak spots of a group, what comes next."""

from __future__ import annotations

import datetime
import random
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.cli.report import Wanted, write
from diagnose.cli.saving import persist
from diagnose.cli.shown import put_file, visible
from diagnose.errors import DiagnoseError, Issue, fail
from diagnose.practice.records import LARGEST_SEED

if TYPE_CHECKING:
    from diagnose.cli.render import Screen
    from diagnose.interview.session import Session
    from diagnose.knowledge.practice_reading import PracticeKnowledge
    from diagnose.practice.bench import Bench
    from diagnose.practice.choosing import Chooser, Chosen
    from diagnose.practice.progress import Done, Progress
    from diagnose.practice.records import Attempt, Exercise

EXPORTS = ("csv", "json")


@dataclass(frozen=True)
class Request:
    """The command's options."""

    trainee: Path | None = None
    group: Path | None = None
    export: str = ""
    format: str = ""
    output: Path | None = None
    upcoming: bool = False
    installation: str | None = None
    variants: Sequence[str] = ()
    knowledge: str | None = None
    no_color: bool = False


def usual_file() -> Path:
    """Where progress is kept if nothing else is said."""
    import platformdirs

    return Path(platformdirs.user_data_dir("diagnose", appauthor=False)) / "progress.yaml"


def run_progress(request: Request, today: datetime.date | None = None) -> int:
    """Run the command; the exit code.

    Raises
    ------
    DiagnoseError
        A file that cannot be used (what the others say is shown first), or an option.
    """
    from diagnose.practice.progress import as_csv, as_json

    today = today or datetime.date.today()
    if request.export and request.export not in EXPORTS:
        raise fail("option", f"--export: '{request.export}' is none", None, EXPORTS)
    if request.group is not None and (request.trainee is not None or request.upcoming):
        raise fail("option", "--group cannot go with --trainee or --next")
    several, issues = _read(request)
    if not several:
        raise DiagnoseError(issues)
    if request.export:
        if request.export == "csv":
            text = as_csv(several)
        else:
            parts = [as_json(p).rstrip("\n") for p in several]
            text = f"[{', '.join(parts)}]\n" if request.group is not None else f"{parts[0]}\n"
        _put(text, request.output)
    else:
        _show(request, several, today)
    if issues:
        raise DiagnoseError(issues)
    return 0


def _read(request: Request) -> tuple[list[Progress], list[Issue]]:
    """The trainee's progress, or a group's with the issues of the files that cannot be used."""
    from diagnose.practice.progress import read_progress

    if request.group is None:
        path = request.trainee or usual_file()
        if request.trainee is not None and not path.exists():
            raise fail("unreadable", f"there is no file '{path}'")
        return [read_progress(path)], []
    files = sorted(request.group.glob("*.yaml"))
    if not files:
        raise fail("unreadable", f"there is no progress file (*.yaml) in '{request.group}'")
    several: list[Progress] = []
    issues: list[Issue] = []
    for path in files:
        try:
            several.append(read_progress(path))
        except DiagnoseError as error:
            issues += error.issues
    return several, issues


def _show(request: Request, several: Sequence[Progress], today: datetime.date) -> None:
    from diagnose.cli.progress_paper import group_document, trainee_document

    upcoming = None
    if request.upcoming:
        upcoming = _upcoming(request, several[0], today)
    if request.group is not None:
        document = group_document(several, today)
    else:
        document = trainee_document(several[0], today, upcoming)
    form = request.format or ("text" if request.output is None else "")
    wanted = Wanted(form, request.output, None, None, request.no_color).checked()
    write(document, wanted, "progress")


def _put(text: str, output: Path | None) -> None:
    if output is None or str(output) == "-":
        if sys.stdout.isatty():
            sys.stdout.write(visible(text))
        else:
            put_file(None, text.encode())
        return
    put_file(output, text.encode())
    print(output)


def _upcoming(request: Request, progress: Progress, today: datetime.date) -> str:
    """The next exercise in words that do not say what it hides."""
    from diagnose.cli.common import load, session_for, settings
    from diagnose.knowledge.practice_reading import load_practice
    from diagnose.plant.compose import compose
    from diagnose.practice.choosing import next_exercise

    knowledge = load(request.knowledge)
    kind = request.installation or next(iter(knowledge.installations))
    installation = compose(knowledge, kind, settings(request.variants))
    session = session_for(knowledge, installation, request.no_color)
    chooser = chooser_for(session, load_practice(knowledge), request.no_color)
    return in_words(next_exercise(progress, chooser, today, 0))


def in_words(chosen: Chosen) -> str:
    """What there is to say of the next exercise: no skill is named, that would tell the cause."""
    minutes = chosen.rated.difficulty.minutes
    return f"for what is weak or due; difficulty about {minutes:.0f} min"


def chooser_for(session: Session, practice: PracticeKnowledge, plain: bool = False) -> Chooser:
    """The exercises of an installation, their difficulty from the cache or reckoned now."""
    from diagnose.cli.common import progress_bar
    from diagnose.practice.catalogue import catalogue
    from diagnose.practice.choosing import Chooser
    from diagnose.practice.skills import unit_functions

    with progress_bar("Reckoning how hard each exercise is", plain) as report:
        exercises = catalogue(session, report)
    return Chooser(exercises, unit_functions(practice, session.installation))


def next_for(path: Path, session: Session, practice: PracticeKnowledge, screen: Screen) -> Exercise:
    """The exercise that a trainee's progress asks for; the screen says what it is for.

    Raises
    ------
    DiagnoseError
        The progress file has issues.
    """
    from diagnose.practice.choosing import next_exercise
    from diagnose.practice.exercises import draw_exercise
    from diagnose.practice.progress import read_progress

    progress = read_progress(path)
    seed = random.SystemRandom().randint(0, LARGEST_SEED)
    chooser = chooser_for(session, practice, screen.plain)
    chosen = next_exercise(progress, chooser, datetime.date.today(), seed)
    screen.para(f"Chosen {in_words(chosen)}", 2)
    return draw_exercise(session, seed, chosen.rated.complaint, chosen.rated.modes, plain=True)


def note_on_screen(
    path: Path, session: Session, bench: Bench, attempt: Attempt, screen: Screen
) -> None:
    """Add an attempt to a trainee's progress and say how each skill was done.

    Raises
    ------
    DiagnoseError
        The file has issues, or cannot be written.
    """
    from diagnose.practice.expert import expert
    from diagnose.practice.score import score_of
    from diagnose.practice.skills import TITLES

    points = score_of(bench, attempt, expert(session, bench).minutes).total
    at = datetime.datetime.now().astimezone().isoformat(timespec="seconds")
    try:
        done = done_of(session, bench.practice, attempt, points, at)
    except DiagnoseError as error:
        screen.para(f"Not noted: {error.issues[0].message}", 2)
        return
    if add(path, done):
        texts = (f"{TITLES[s].lower()} {'+' if right else '-'}" for s, right in done.skills.items())
        screen.field("Progress", ", ".join(texts))
        screen.para(f"Noted in {path}: diagnose progress --trainee {path}", 2, hang=2)


def add(path: Path, done: Done) -> bool:
    """Add what was done to a progress file, once; whether it was new.

    Raises
    ------
    DiagnoseError
        The file has issues, or cannot be written.
    """
    from diagnose.practice.progress import NOBODY, append, entry_text

    trainee = path.stem if path.stem != usual_file().stem else NOBODY
    new: list[bool] = []
    persist(lambda: new.append(append(path, done, trainee)), lambda: entry_text(done), None)
    return new[0]


def done_of(
    session: Session, practice: PracticeKnowledge, attempt: Attempt, score: float, at: str
) -> Done:
    """An attempt as a progress file keeps it.

    Raises
    ------
    DiagnoseError
        The exercise cannot be rated.
    """
    from diagnose.practice.compound import handed_over
    from diagnose.practice.difficulty import Rating
    from diagnose.practice.progress import Done
    from diagnose.practice.skills import allowed_minutes, results_of, unit_functions

    exercise = attempt.exercise
    rated = Rating(session).exercise(exercise.complaint, exercise.modes)
    if exercise.hazard:
        rated = handed_over(session.knowledge, rated)
    allowed = allowed_minutes(session.knowledge, session.installation, rated)
    functions = unit_functions(practice, session.installation)
    return Done(
        at=at,
        exercise=exercise.id,
        installation=exercise.kind,
        variants={str(k): str(v) for k, v in exercise.variants.items()},
        modes=tuple(map(str, exercise.modes)),
        complaint=str(exercise.complaint),
        seed=exercise.seed,
        wording=exercise.wording,
        difficulty=round(rated.difficulty.minutes, 2),
        minutes=round(attempt.minutes, 2),
        ended=attempt.ended,
        score=round(score, 2),
        skills=results_of(attempt, rated, functions, allowed),
    )
