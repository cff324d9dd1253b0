"""Files in the user's cache folder: each saves time and nothing hangs on any of them.

A file is written beside its place and moved there in one step, so a reader never sees half of
one and writers cannot spoil each other's. A folder that cannot be written to only costs the time.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import BinaryIO

ENVIRONMENT = "DIAGNOSE_CACHE"


def cache_folder(cache_dir: Path | None = None) -> Path:
    """The folder named, else the environment's (``DIAGNOSE_CACHE``), else the user's cache."""
    if cache_dir is not None:
        return cache_dir
    named = os.environ.get(ENVIRONMENT)
    if named:
        return Path(named)
    import platformdirs  # only here: a folder that is named needs no looking for

    return platformdirs.user_cache_path("diagnose", appauthor=False)


def keep(path: Path, write: Callable[[BinaryIO], None], most: int) -> None:
    """Write a file whole, or not at all where the folder cannot be written to.

    Parameters
    ----------
    path
        Its name is ``kind-key.suffix``.
    write
        Writes the content to the open file.
    most
        Files of this kind and suffix kept in the folder; the longest unused go first.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, beside = tempfile.mkstemp(prefix=".part-", suffix=path.suffix, dir=path.parent)
    except OSError:
        return
    try:
        with os.fdopen(handle, "wb") as file:
            write(file)
        Path(beside).replace(path)
    except BaseException as error:  # an interrupt leaves nothing behind either
        with suppress(OSError):
            Path(beside).unlink()
        if isinstance(error, OSError):
            return
        raise
    with suppress(OSError):
        alike = path.parent.glob(f"{path.name.partition('-')[0]}-*{path.suffix}")
        for old in sorted(alike, key=lambda p: p.stat().st_mtime)[:-most]:
            old.unlink()


def note_use(path: Path) -> None:
    """Note that a file was read, so that it stays longest."""
    with suppress(OSError):
        os.utime(path)
