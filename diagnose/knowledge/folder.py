"""The folder of knowledge files: where it is, what it holds, the digest of it all."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

from diagnose.errors import fail

ENVIRONMENT = "DIAGNOSE_KNOWLEDGE"
OVERLAY_ENVIRONMENT = "DIAGNOSE_OVERLAY"
OVERLAY = "learned.yaml"
"""Name of the file of learned numbers; it is no part of the folder's own digest."""
PACKAGED = "_data"
PATTERNS = (
    "knowledge.yaml",
    *("sources.yaml", "scales.yaml", "parts/*.yaml", "installations/*.yaml", "tests/*.yaml"),
    *("signs/*.yaml", "complaints.yaml", "cautions.yaml", "questions.yaml", "rules/*.yaml"),
    *("days/*.yaml", "words.yaml"),
)
"""The knowledge files, in the order in which they are read."""


def find_knowledge(chosen: str | None = None) -> Path:
    """The knowledge folder: `chosen`, the environment's, the checkout's or the packaged one.

    Raises
    ------
    DiagnoseError
        The chosen folder does not exist.
    """
    chosen = chosen or os.environ.get(ENVIRONMENT)
    if chosen:
        path = Path(chosen)
        if not path.is_dir():
            raise fail("no-knowledge", f"there is no knowledge folder '{chosen}'")
        return path
    package = Path(__file__).resolve().parent.parent
    for candidate in (package / PACKAGED / "knowledge", package.parent / "knowledge"):
        if candidate.is_dir():
            return candidate
    raise fail("no-knowledge", "no knowledge folder found; name one with --knowledge DIR")


def overlay_path(root: Path, chosen: Path | None = None) -> Path:
    """Where the overlay of a knowledge folder lies, whether it is there or not.

    `chosen`, the environment's (``DIAGNOSE_OVERLAY``), the folder itself where it can be written
    to and does not come with the program, else the user's data folder.
    """
    named = os.environ.get(OVERLAY_ENVIRONMENT)
    if chosen is not None or named:
        return chosen or Path(str(named))
    if os.access(root, os.W_OK) and root.resolve().parent.name != PACKAGED:
        return root / OVERLAY
    import platformdirs  # only here: a folder that can be written to needs no looking for

    return Path(platformdirs.user_data_dir("diagnose", appauthor=False)) / OVERLAY


def shown_name(path: Path) -> str:
    """A path as places show it: from the working folder where it lies below that."""
    try:
        shown = os.path.relpath(path)
    except ValueError:  # on another drive of Windows
        return str(path)
    return str(path) if shown.startswith("..") else shown


def digest_of(root: Path) -> str:
    """The digest that `load_knowledge` would give the files below `root` as they are now.

    Raises
    ------
    OSError
        A file cannot be read.
    """
    total = hashlib.sha256()
    for pattern in PATTERNS:
        for path in sorted(root.glob(pattern)):
            total.update(hashed(root, path, path.read_bytes()))
    return total.hexdigest()


def hashed(root: Path, path: Path, data: bytes) -> bytes:
    """What one file adds to the digest: its name and its bytes."""
    return path.relative_to(root).as_posix().encode() + b"\0" + data
