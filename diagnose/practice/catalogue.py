"""All exercises of one installation with their difficulty, kept on disk as the matrix is.

The key is a SHA-256 over the matrix's key, the knowledge (rates, minutes and places count here) and
the source text of what reckons; a file that cannot be read is made anew without a word.
"""

from __future__ import annotations

import hashlib
import itertools
import json
from collections.abc import Mapping
from dataclasses import asdict
from functools import lru_cache
from pathlib import Path
from typing import Any, BinaryIO

from diagnose.cache import cache_folder, keep, note_use
from diagnose.interview.session import Session
from diagnose.plant.cache import matrix_key
from diagnose.plant.matrix import Progress
from diagnose.practice.difficulty import Difficulty, Rated, Rating

FORMAT = 1
KEPT = 64
"""Files kept in the cache; the longest unused go first."""
PREFIX = "difficulty-"


@lru_cache(maxsize=1)
def _program() -> str:
    """Digest of the source text that a difficulty hangs on, besides the plant's."""
    here = Path(__file__).parent
    rooms = (sorted((here.parent / room).glob("*.py")) for room in ("reasoning", "interview"))
    digest = hashlib.sha256()
    for path in (here / "ways.py", here / "difficulty.py", *itertools.chain(*rooms)):
        digest.update(path.name.encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()


def difficulty_key(session: Session) -> str:
    """SHA-256 over everything that a difficulty hangs on, in hexadecimal."""
    physics = matrix_key(session.knowledge, session.installation)
    content = [FORMAT, _program(), physics, session.knowledge.digest, session.installation.id]
    return hashlib.sha256(json.dumps(content).encode()).hexdigest()


def catalogue(
    session: Session, progress: Progress | None = None, cache_dir: Path | None = None
) -> list[Rated]:
    """Every exercise with one fault, by complaint and failure mode, from the cache or reckoned.

    Complaints that report a hazard are left out: there is nothing to find, all hand over.

    Parameters
    ----------
    progress
        Called with (complaints done, complaints) while reckoning; not at all on a hit.
    cache_dir
        See `diagnose.cache.cache_folder`.
    """
    key = difficulty_key(session)
    path = cache_folder(cache_dir) / f"{PREFIX}{key}.json"
    found = _read(path, key)
    if found is not None:
        return found
    rating = Rating(session)
    complaints = [c for c in rating.table.complaint if c not in session.reports]
    rated: list[Rated] = []
    for done, complaint in enumerate(complaints, 1):
        rated += rating.rate(complaint)
        if progress is not None:
            progress(done, len(complaints))
    text = json.dumps({"key": key, "exercises": [asdict(r) for r in rated]})

    def write(file: BinaryIO) -> None:
        file.write(text.encode())

    keep(path, write, KEPT)
    return rated


def _read(path: Path, key: str) -> list[Rated] | None:
    """What the file holds, or None where it is absent, damaged or foreign."""
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        if data["key"] != key:
            return None
        found = [_rated(entry) for entry in data["exercises"]]
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None
    note_use(path)
    return found


def _rated(entry: Mapping[str, Any]) -> Rated:
    given = dict(entry["difficulty"])
    for name in ("places", "in_vain"):
        given[name] = tuple(given[name])
    return Rated(tuple(entry["modes"]), str(entry["complaint"]), Difficulty(**given))
