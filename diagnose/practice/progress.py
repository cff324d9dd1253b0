"""A trainee's progress: one plain YAML file that is the trainee's own.

One entry per exercise, added at the end and never changed. The file is replaced whole (a new one
beside it, synchronised, renamed over it), so that a kill at any moment leaves the old file or the
new one; what a person wrote in it by hand stays where it is. Mastery is not kept: it is
reckoned from the entries.
"""

from __future__ import annotations

import csv
import datetime
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from diagnose.errors import DiagnoseError, Issue, fail
from diagnose.keeping import dump, write_whole
from diagnose.knowledge.reading import Reader, Text, decode, parse_yaml, read_bytes, read_yaml
from diagnose.practice.mastery import Trace
from diagnose.practice.reading import number_of
from diagnose.practice.records import ENDED
from diagnose.practice.skills import SKILLS

FORMAT = "1"
HEAD = (
    "# Progress of a trainee in 'diagnose practice'. It is the trainee's own file. Exercises are\n"
    "# added at the end; what is mastered is reckoned from them.\n"
)
PATIENCE = 20.0
"""Seconds to wait for another program that is writing."""
RESULTS = ("right", "wrong")
NOBODY = "trainee"


@dataclass(frozen=True)
class Done:
    """One exercise that was done.

    `difficulty` and `minutes` are minutes; `score` is of 100; `skills` says which were done right.
    """

    at: str
    exercise: str
    installation: str
    variants: Mapping[str, str]
    modes: tuple[str, ...]
    complaint: str
    seed: int
    wording: int
    difficulty: float
    minutes: float
    ended: str
    score: float
    skills: Mapping[str, bool]


@dataclass(frozen=True)
class Progress:
    """What a trainee has done so far, oldest first; `trainee` is a free text."""

    trainee: str = NOBODY
    done: tuple[Done, ...] = field(default_factory=tuple)

    def traces(self) -> dict[str, tuple[Trace, datetime.date | None]]:
        """Per skill its trace right after it was practised last, and the day of that."""
        found: dict[str, tuple[Trace, datetime.date | None]] = {
            skill: (Trace.new(), None) for skill in SKILLS
        }
        for done in self.done:
            day = day_of(done.at)
            for skill, right in done.skills.items():
                trace, last = found[skill]
                if last is not None:
                    trace = trace.forget((day - last).days)
                found[skill] = (trace.update(right), day)
        return found


def day_of(at: str) -> datetime.date:
    """The day of an ISO 8601 date or time.

    Raises
    ------
    ValueError
        It is neither.
    """
    return datetime.datetime.fromisoformat(at).date()


# ---------------------------------------------------------------------- the file


def entry_text(done: Done) -> str:
    """One exercise as it stands in the file."""
    data = asdict(done)
    data["variants"] = dict(done.variants)
    data["modes"] = list(done.modes)
    data["skills"] = {s: RESULTS[0] if right else RESULTS[1] for s, right in done.skills.items()}
    for name in ("difficulty", "minutes", "score"):
        data[name] = round(float(data[name]), 2)
    return dump([data])


def progress_text(progress: Progress) -> str:
    """A whole progress file."""
    head = HEAD + dump({"format": int(FORMAT), "trainee": progress.trainee}) + "done:\n"
    return head + "".join(entry_text(done) for done in progress.done)


def read_progress(path: Path) -> Progress:
    """A trainee's progress; an empty one where there is no file yet.

    Raises
    ------
    DiagnoseError
        With every issue found, each with its place.
    """
    if not path.exists():
        return Progress()
    return _progress(read_yaml(path))


def parse_progress(text: str, name: str) -> Progress:
    """The same from a text; `name` is shown in places.

    Raises
    ------
    DiagnoseError
        With every issue found, each with its place.
    """
    return _progress(parse_yaml(text, name))


def append(path: Path, done: Done, trainee: str = NOBODY) -> bool:
    """Add an exercise to a file, or begin the file with it; whether it was new.

    One that is there already, whenever it was noted, is not added again: the file is looked
    through and written under one lock, so that two programs cannot both find it missing.

    Parameters
    ----------
    trainee
        Who it is, where the file begins now.

    Raises
    ------
    DiagnoseError
        The file has issues (it is then left as it is), or cannot be written.
    """
    from filelock import FileLock  # only here: reading needs none

    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with FileLock(path.with_name(f".{path.name}.lock"), timeout=PATIENCE):
            text = _with(path, done, trainee)
            if text:
                write_whole(path, text.encode())
            return bool(text)
    except TimeoutError as error:
        raise fail("busy", f"another program is writing to '{path}'") from error
    except OSError as error:
        raise fail("unwritable", f"cannot write '{path}': {error.strerror}") from error


def _with(path: Path, done: Done, trainee: str) -> str:
    """The text of the file with one more exercise, laid out anew only where it must be.

    "" where the exercise stands there already.
    """
    if not path.exists():
        text = progress_text(Progress(trainee, (done,)))
        parse_progress(text, str(path))
        return text
    text = decode(read_bytes(path), str(path))
    old = parse_progress(text, str(path))
    if any(replace(other, at=done.at) == done for other in old.done):
        return ""
    added = text + ("" if text.endswith("\n") else "\n") + entry_text(done)
    wanted = parse_progress(progress_text(Progress(old.trainee, (*old.done, done))), str(path))
    try:
        if parse_progress(added, str(path)) == wanted:
            return added
    except DiagnoseError:  # the list stands in brackets, or is not the last key
        pass
    return progress_text(wanted)


def _progress(tree: Any) -> Progress:
    issues: list[Issue] = []
    reader = Reader(tree, issues, "progress")
    reader.choice("format", (FORMAT,))
    trainee = str(reader.text("trainee", NOBODY))
    done = tuple(_done(node, issues) for node in _entries(reader))
    reader.done()
    if issues:
        raise DiagnoseError(issues)
    return Progress(trainee, done)


def _entries(reader: Reader) -> list[Any]:
    """The exercises; a file may end with an empty list."""
    value = reader.raw("done")
    return [] if isinstance(value, Text) and value == "" else reader.children("done")


def _done(node: Any, issues: list[Issue]) -> Done:
    reader = Reader(node, issues, "exercise")
    at = reader.text("at")
    try:
        day_of(at if reader.has("at") else "2000-01-01")
    except ValueError:
        reader.problem(f"'{at}' is no date or time (YYYY-MM-DD or YYYY-MM-DDTHH:MM:SS)", "at")
    skills: dict[str, bool] = {}
    for skill, result in reader.text_map("skills").items():
        if skill not in SKILLS:
            place = getattr(skill, "place", reader.place)
            message = f"exercise: there is no skill '{skill}'"
            issues.append(Issue("error", "unknown-id", message, place, SKILLS))
        elif result not in RESULTS:
            message = f"exercise: '{result}' is not a result"
            place = getattr(result, "place", reader.place)
            issues.append(Issue("error", "unknown-id", message, place, RESULTS))
        else:
            skills[str(skill)] = result == RESULTS[0]
    done = Done(
        at=str(at),
        exercise=str(reader.text("exercise")),
        installation=str(reader.text("installation")),
        variants={str(k): str(v) for k, v in reader.text_map("variants").items()},
        modes=tuple(str(mode) for mode in reader.texts("modes")),
        complaint=str(reader.text("complaint")),
        seed=int(number_of(reader, "seed", whole=True)),
        wording=int(number_of(reader, "wording", whole=True)),
        difficulty=number_of(reader, "difficulty"),
        minutes=number_of(reader, "minutes"),
        ended=str(reader.choice("ended", ENDED)),
        score=number_of(reader, "score"),
        skills=skills,
    )
    reader.done()
    return done


# ---------------------------------------------------------------------- export


def as_json(progress: Progress) -> str:
    """All that the file holds, as one object."""
    return json.dumps(asdict(progress), ensure_ascii=False, indent=2) + "\n"


def as_csv(several: Iterable[Progress]) -> str:
    """One line per exercise, a column per skill (right, wrong or empty).

    A text that a spreadsheet would read as a formula gets an apostrophe before it.
    """
    out = io.StringIO()
    plain = ("at", "exercise", "installation", "variants", "modes", "complaint", "seed", "wording")
    counted = ("difficulty", "minutes", "ended", "score")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(["trainee", *plain, *counted, *SKILLS])
    for progress in several:
        for done in progress.done:
            data = asdict(done)
            data["variants"] = ",".join(f"{k}={v}" for k, v in sorted(done.variants.items()))
            data["modes"] = "+".join(done.modes)
            results = [_result(done.skills, skill) for skill in SKILLS]
            row: Sequence[Any] = [
                progress.trainee,
                *(data[n] for n in (*plain, *counted)),
                *results,
            ]
            writer.writerow([_harmless(value) for value in row])
    return out.getvalue()


def _result(skills: Mapping[str, bool], skill: str) -> str:
    return "" if skill not in skills else RESULTS[0] if skills[skill] else RESULTS[1]


def _harmless(value: Any) -> Any:
    return (
        f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t") else value
    )
