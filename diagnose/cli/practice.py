"""``diagnose practice``: a callout that never happened, at the terminal."""

from __future__ import annotations

import importlib.util
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from diagnose.cli import practice_show as show
from diagnose.cli.common import INTERRUPTED, load, say_learned, session_for, settings
from diagnose.cli.progress import next_for, note_on_screen, usual_file
from diagnose.cli.render import Screen
from diagnose.cli.transcripts import Transcript, read_transcript
from diagnose.errors import fail
from diagnose.interview.session import Session
from diagnose.knowledge.practice_reading import load_practice
from diagnose.plant.compose import compose
from diagnose.practice.bench import Bench, Workshop
from diagnose.practice.records import LARGEST_SEED, Attempt, Exercise


@dataclass(frozen=True)
class Request:
    """The command's options."""

    installation: str | None = None
    variants: Sequence[str] = ()
    complaint: str | None = None
    modes: Sequence[str] = ()
    seed: int | None = None
    out: Path | None = None
    resume: Path | None = None
    hints: bool = True
    knowledge: str | None = None
    no_color: bool = False
    trainee: Path | None = None
    upcoming: bool = False
    two_faults: bool = False

    def refuse_contradictions(self) -> None:
        """Refuse options that cannot go together.

        Raises
        ------
        DiagnoseError
            They contradict one another; the message says which.
        """
        if self.resume is not None:
            others = {
                "--installation": self.installation,
                "--set": self.variants,
                "--complaint": self.complaint,
                "--mode": self.modes,
                "--seed": self.seed,
                "--two-faults": self.two_faults or None,
                "--out": self.out,
            }
            for name, value in others.items():
                if value not in (None, (), []):
                    raise fail("option", f"{name} cannot go with --resume: the file says it")
        if self.upcoming and (self.complaint or self.modes or self.seed is not None or self.resume):
            raise fail("option", "--next cannot go with --complaint, --mode, --seed or --resume")
        if self.two_faults and (self.modes or self.upcoming):
            raise fail("option", "--two-faults cannot go with --mode or --next")
        if self.seed is not None and not 0 <= self.seed <= LARGEST_SEED:
            raise fail("option", f"--seed {self.seed} must lie from 0 to {LARGEST_SEED}")


def run_practice(request: Request) -> int:
    """Run the command; the exit code.

    Raises
    ------
    DiagnoseError
        Options or a transcript that cannot be used.
    """
    request.refuse_contradictions()
    screen = Screen(request.no_color)
    knowledge = load(request.knowledge)
    say_learned(screen, knowledge)
    practice = load_practice(knowledge)
    old = read_transcript(request.resume) if request.resume is not None else None
    kind = request.installation or next(iter(knowledge.installations))
    chosen = settings(request.variants)
    if old is not None:
        kind, chosen = old.exercise.kind, dict(old.exercise.variants)
    installation = compose(knowledge, kind, chosen)
    session = session_for(knowledge, installation, screen.plain)
    workshop = Workshop(knowledge, installation, practice)
    progress = request.trainee or (usual_file() if request.upcoming else None)
    if old is not None:
        exercise = old.exercise
    elif request.upcoming and progress is not None:
        exercise = next_for(progress, session, practice, screen)
    else:
        exercise = _drawn(request, session, workshop)
    bench = workshop.bench(exercise)
    transcript = old or Transcript(request.out or _usual(exercise), exercise)
    if old is None:
        transcript.begin()
    return lead(session, bench, screen, transcript, request.hints, progress=progress)


def lead(
    session: Session,
    bench: Bench,
    screen: Screen,
    transcript: Transcript,
    hints: bool = True,
    read: Callable[[str], str] = input,
    progress: Path | None = None,
) -> int:
    """One callout at the terminal, from where its transcript stands; the exit code.

    Parameters
    ----------
    progress
        The trainee's progress file, where the attempt is noted.
    """
    from diagnose.cli.practice_desk import Desk

    desk = Desk(session, bench, screen, transcript, read, hints)
    show.opening(screen, bench, desk.attempt)
    if transcript.acts:
        show.found(screen, bench, desk.attempt)
    else:
        screen.para("Type what you do; help lists the words. Begin with: ask safety", 2)
    try:
        ended = desk.run()
    except (KeyboardInterrupt, EOFError):
        screen.line()
        _kept(screen, transcript)
        return INTERRUPTED
    if not ended:
        _kept(screen, transcript)
        return 0
    finish(screen, session, bench, desk.attempt)
    if transcript.path is not None:
        screen.para(f"The attempt is on file: {transcript.path}", 2, hang=2)
    if progress is not None:
        note_on_screen(progress, session, bench, desk.attempt, screen)
    return 0


def finish(screen: Screen, session: Session, bench: Bench, attempt: Attempt) -> None:
    """How it ended, and the debrief."""
    show.ending(screen, bench, attempt)
    if importlib.util.find_spec("diagnose.cli.debriefing") is not None:
        debriefing = importlib.import_module("diagnose.cli.debriefing")
        debriefing.show_debrief(screen, session, bench, attempt)


def _kept(screen: Screen, transcript: Transcript) -> None:
    screen.para("Stopped. Go on with it:", 2)
    screen.line(f"  diagnose practice --resume {transcript.path}")


def _drawn(request: Request, session: Session, workshop: Workshop) -> Exercise:
    from diagnose.practice.exercises import draw_exercise, draw_two_faults

    seed = request.seed
    if seed is None:
        seed = random.SystemRandom().randint(0, LARGEST_SEED)
    if request.two_faults:
        return draw_two_faults(session, workshop, seed, request.complaint or "")
    return draw_exercise(session, seed, request.complaint or "", request.modes)


def _usual(exercise: Exercise) -> Path:
    """Where an attempt is kept if nothing else is said: a free name in the user's data folder."""
    import platformdirs

    folder = Path(platformdirs.user_data_dir("diagnose", appauthor=False)) / "practice"
    number, path = 1, folder / f"{exercise.id}.yaml"
    while path.exists():
        number += 1
        path = folder / f"{exercise.id}-{number}.yaml"
    return path
