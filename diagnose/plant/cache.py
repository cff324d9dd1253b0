"""The dependency matrix kept on disk, by the content of all that shapes it.

The key is a SHA-256 over the physics: the records of the composed installation and its fitted
parts, the tests, the signs' words and their numbers, what the complaints go by, and the source
text of the plant itself. Rates, minutes, titles, texts, sources and places are left out, so that
learning a rate or mending a sentence builds nothing anew.

A file that cannot be read, or is not what its name says, is built anew without a word.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from diagnose.cache import cache_folder, keep, note_use
from diagnose.errors import Place
from diagnose.knowledge import expressions, family
from diagnose.knowledge.asked_records import Complaint, Sign
from diagnose.knowledge.built_records import Situation
from diagnose.knowledge.records import (
    Element,
    FailureMode,
    Instance,
    KnowledgeBase,
    Number,
    Outcome,
    Part,
    Signal,
    TestSpec,
)
from diagnose.plant.compose import Installation
from diagnose.plant.matrix import HEALTHY, DependencyMatrix, MatrixBuilder, Progress
from diagnose.plant.regimes import Regimes

FORMAT = 2
KEPT = 64
"""Files kept in the cache; the longest unused go first."""
PREFIX = "matrix-"

NOT_PHYSICS: Mapping[type, tuple[str, ...]] = {
    Number: ("source", "place"),
    Element: ("place",),
    Signal: ("place",),
    Part: ("title", "failure_modes", "place"),
    Instance: ("title", "where", "shown", "place"),
    Situation: ("title", "place"),
    Outcome: ("title",),
    Sign: ("title", "place"),
    Complaint: ("title", "says", "cautions", "place"),
    TestSpec: (
        *("title", "do", "place_at", "state", "instrument", "minutes", "answering"),
        *("cautions", "customer", "by_phone", "hands", "by", "source", "probes", "place"),
    ),
    FailureMode: (
        *("title", "mode_class", "rate", "remedy", "spares", "root_causes", "prevention"),
        *("intermittent", "repair", "licensed", "status", "no_test", "place"),
    ),
}
"""Fields that cannot change a matrix. What is not listed counts, new fields included."""


def canonical(value: Any) -> Any:
    """A record as nested lists and texts, without what is not physics, order kept."""
    kind = type(value)
    if issubclass(kind, str):  # the most, so the first
        return value
    if isinstance(value, Place):
        return None
    if is_dataclass(kind):
        return [
            kind.__name__,
            *([name, canonical(getattr(value, name))] for name in _physics(kind)),
        ]
    if isinstance(value, Mapping):
        return [[canonical(key), canonical(inner)] for key, inner in value.items()]
    if isinstance(value, list | tuple):
        return [canonical(inner) for inner in value]
    if isinstance(value, float):
        return value.hex()
    return value


@lru_cache
def _physics(kind: type) -> tuple[str, ...]:
    """The fields of a record type that count."""
    skipped = NOT_PHYSICS.get(kind, ())
    return tuple(f.name for f in fields(kind) if f.name not in skipped)


@lru_cache(maxsize=1)
def _program() -> str:
    """Digest of the source text that turns records into a matrix."""
    digest = hashlib.sha256()
    knowledge = (Path(expressions.__file__), Path(family.__file__))
    for path in (*sorted(Path(__file__).parent.glob("*.py")), *knowledge):
        digest.update(path.name.encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()


def matrix_key(knowledge: KnowledgeBase, installation: Installation) -> str:
    """SHA-256 over everything that shapes the installation's matrix, in hexadecimal."""
    used = {installation.instances[name].part for name in installation.instances}
    words = {
        scale: {word: number.nominal for word, number in knowledge.scales[scale].words.items()}
        for scale in ("how_sure", "accuracy")
        if scale in knowledge.scales
    }
    content = [
        FORMAT,
        _program(),
        canonical(installation.choices),
        canonical(installation.type.references),
        canonical(installation.type.situations),
        canonical(installation.instances),
        canonical(installation.nets),
        canonical(installation.domain),
        canonical({name: part for name, part in knowledge.parts.items() if name in used}),
        canonical({name: (m.unit, m.mode) for name, m in installation.modes.items()}),
        canonical(knowledge.tests),
        canonical(knowledge.signs),
        canonical(knowledge.complaints),
        canonical(words),
    ]
    return hashlib.sha256(json.dumps(content).encode()).hexdigest()


def matrix_for(
    knowledge: KnowledgeBase,
    installation: Installation,
    progress: Progress | None = None,
    cache_dir: Path | None = None,
) -> DependencyMatrix:
    """The dependency matrix of an installation, from the cache or built and cached.

    Parameters
    ----------
    progress
        Called with (rows done, rows) while building; not at all on a hit.
    cache_dir
        See `diagnose.cache.cache_folder`.

    Raises
    ------
    DiagnoseError
        The knowledge cannot be simulated; see `MatrixBuilder`.
    """
    key = matrix_key(knowledge, installation)
    path = cache_folder(cache_dir) / f"{PREFIX}{key}.npz"
    found = _read(path, key, (*installation.modes, HEALTHY))
    if found is not None:
        return found
    matrix = MatrixBuilder(knowledge, installation).build(progress)
    _write(path, key, matrix)
    return matrix


def _read(path: Path, key: str, rows: Sequence[str]) -> DependencyMatrix | None:
    """What the file holds, or None where it is absent, damaged or foreign."""
    try:
        with np.load(path, allow_pickle=False) as file:
            if str(file["key"]) != key:
                return None
            matrix = DependencyMatrix(
                rows=tuple(str(x) for x in file["rows"]),
                tests=tuple(str(x) for x in file["tests"]),
                p=np.asarray(file["p"], dtype=np.float64),
                sizes=np.asarray(file["sizes"], dtype=np.int_),
                complaints={
                    str(name): np.asarray(column, dtype=np.float64)
                    for name, column in zip(
                        file["complaint_names"], file["complaints"], strict=True
                    )
                },
                regimes=_read_regimes(file),
            )
    except Exception:  # whatever a damaged file makes the reader raise, it is built anew
        return None
    if matrix.rows != tuple(rows) or not _is_whole(matrix):
        return None
    note_use(path)
    return matrix


def _read_regimes(file: Mapping[str, NDArray[Any]]) -> Regimes:
    names = [str(name) for name in file["complaint_names"]]
    columns = np.asarray(file["regime_complaints"], dtype=np.float64)
    return Regimes(
        row=np.asarray(file["regime_row"], dtype=np.int_),
        share=np.asarray(file["regime_share"], dtype=np.float64),
        p=np.asarray(file["regime_p"], dtype=np.float64),
        complaints=dict(zip(names, columns, strict=True)),
    )


def _is_whole(matrix: DependencyMatrix) -> bool:
    """Whether the shapes agree and every row of every test is a distribution."""
    rows, tests = len(matrix.rows), len(matrix.tests)
    return (
        matrix.p.ndim == 3
        and matrix.p.shape[:2] == (rows, tests)
        and matrix.sizes.shape == (tests,)
        and all(column.shape == (rows,) for column in matrix.complaints.values())
        and bool(np.allclose(matrix.p.sum(axis=2), 1.0, atol=1e-6))
        and bool((matrix.p >= 0).all())
    )


def _write(path: Path, key: str, matrix: DependencyMatrix) -> None:
    regimes = matrix.regimes
    if regimes is None:
        return
    names = list(matrix.complaints)
    columns = np.array([matrix.complaints[name] for name in names])

    def write(file: BinaryIO) -> None:
        np.savez_compressed(
            file,
            key=np.array(key),
            rows=np.array(matrix.rows),
            tests=np.array(matrix.tests),
            p=matrix.p,
            sizes=matrix.sizes,
            complaint_names=np.array(names, dtype=np.str_),
            complaints=columns.reshape(len(names), len(matrix.rows)),
            regime_row=regimes.row,
            regime_share=regimes.share,
            regime_p=regimes.p,
            regime_complaints=np.array([regimes.complaints[name] for name in names]),
        )

    keep(path, write, KEPT)
