"""The knowledge base kept on disk as it was read, by the content of its files.

The key is a SHA-256 over the bytes of every knowledge file, the names under which their places
are shown, the source text that turns files into records, and the version of Python. Only
knowledge without an issue of structure is ever kept, so errors always come from the files
themselves, with their places. What is kept carries its own checksum; a file that is not whole,
or not what its name says, is read anew from the knowledge files without a word.

The records are pickled, but read by an unpickler that makes nothing except them: no file, however
it came into the cache folder, can name a function to be called.
"""

from __future__ import annotations

import hashlib
import io
import pickle
import sys
from dataclasses import is_dataclass
from pathlib import Path
from typing import Any, BinaryIO

from diagnose.cache import cache_folder, keep, note_use
from diagnose.errors import Place
from diagnose.knowledge import day_records, overlay_records, records, rule_records
from diagnose.knowledge.folder import digest_of, shown_name
from diagnose.knowledge.reading import Text
from diagnose.knowledge.records import KnowledgeBase

FORMAT = 1
KEPT = 8
"""Files kept in the cache; the longest unused go first."""
PREFIX = "knowledge-"
CHECKSUM = hashlib.sha256().digest_size

LEGAL: dict[tuple[str, str], type] = {
    (kind.__module__, kind.__qualname__): kind
    for kind in (
        *(Place, Text, *vars(records).values()),
        *(*vars(rule_records).values(), *vars(overlay_records).values()),
        *vars(day_records).values(),
    )
    if isinstance(kind, type) and (kind is Text or is_dataclass(kind))
}
"""All that a kept file may hold besides plain texts, numbers, tuples, lists and mappings."""


class _Records(pickle.Unpickler):
    """Makes records of the knowledge base and refuses to look up anything else."""

    def find_class(self, module: str, name: str) -> Any:
        """See `pickle.Unpickler.find_class`."""
        try:
            return LEGAL[module, name]
        except KeyError:
            raise pickle.UnpicklingError(f"{module}.{name} is no record") from None


def knowledge_for(
    root: Path, cache_dir: Path | None = None, overlay: Path | None = None
) -> KnowledgeBase:
    """The knowledge base below `root`, from the cache or read and cached.

    Parameters
    ----------
    overlay
        A file of learned numbers that take the place of the knowledge's own.
    cache_dir
        See `diagnose.cache.cache_folder`.

    Raises
    ------
    DiagnoseError
        See `load_knowledge`.
    """
    try:
        digest = digest_of(root)
        if overlay is not None:
            digest += f"+{hashlib.sha256(overlay.read_bytes()).hexdigest()[:16]}"
        key = _key(root, digest, overlay)
    except OSError:
        return _fresh(root, overlay)  # which says what cannot be read
    path = cache_folder(cache_dir) / f"{PREFIX}{key}.pickle"
    found = _read(path, key, digest)
    if found is not None:
        return found
    knowledge = _fresh(root, overlay)
    if knowledge.digest == digest:  # else a file was changed meanwhile
        _write(path, key, knowledge)
    return knowledge


def _load(root: Path) -> KnowledgeBase:
    from diagnose.knowledge.load import load_knowledge  # only here: what is kept needs no readers

    return load_knowledge(root)


def _fresh(root: Path, overlay: Path | None) -> KnowledgeBase:
    knowledge = _load(root)
    if overlay is None:
        return knowledge
    from diagnose.knowledge.overlay import with_overlay

    return with_overlay(knowledge, overlay)


def _key(root: Path, digest: str, overlay: Path | None) -> str:
    """SHA-256 over everything that shapes the records, in hexadecimal."""
    shown = "" if overlay is None else shown_name(overlay)
    parts = (str(FORMAT), sys.version, _program(), str(root), shown_name(root), digest, shown)
    return hashlib.sha256("\0".join(parts).encode("utf-8", "surrogateescape")).hexdigest()


def _program() -> str:
    """Digest of the source text that turns files into records."""
    here = Path(__file__).parent
    ground = (here.parent / name for name in ("errors.py", "quantities.py", "units.py"))
    total = hashlib.sha256()
    for path in (*sorted(here.glob("*.py")), *ground):
        total.update(path.name.encode() + b"\0" + path.read_bytes() + b"\0")
    return total.hexdigest()


def _checksum(key: str, content: bytes) -> bytes:
    return hashlib.sha256(key.encode() + content).digest()


def _read(path: Path, key: str, digest: str) -> KnowledgeBase | None:
    """What the file holds, or None where it is absent, damaged or foreign."""
    try:
        data = path.read_bytes()
        content = data[CHECKSUM:]
        if data[:CHECKSUM] != _checksum(key, content):
            return None
        found = _Records(io.BytesIO(content)).load()
    except Exception:  # whatever a foreign file makes the reader raise, it is read anew
        return None
    if not isinstance(found, KnowledgeBase) or found.digest != digest:
        return None
    note_use(path)
    return found


def _write(path: Path, key: str, knowledge: KnowledgeBase) -> None:
    content = pickle.dumps(knowledge, pickle.HIGHEST_PROTOCOL)

    def write(file: BinaryIO) -> None:
        file.write(_checksum(key, content) + content)

    keep(path, write, KEPT)
