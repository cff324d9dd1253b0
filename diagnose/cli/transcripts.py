"""A practice attempt on file: the exercise and the acts, one added for each thing done.

Everything else is computed again from them. What the exercise hides stands in the file in base64,
so that nobody reads it by accident; it is no secret. The file is replaced whole, as a case is.
"""

from __future__ import annotations

import base64
import binascii
import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from diagnose.errors import DiagnoseError, Issue, fail
from diagnose.keeping import write_whole
from diagnose.knowledge.reading import Mapping as Node
from diagnose.knowledge.reading import Reader, Text, read_yaml
from diagnose.practice.records import ACTS, Act, Exercise
from diagnose.units import whole_number

FORMAT = "1"
HIDDEN = 120
"""What is hidden is filled up to so many characters: its length does not tell how many faults."""
HEAD = (
    "# A practice attempt of diagnose: nothing here happened. Acts are added at the end.\n"
    "# 'hidden' is what the exercise hides, in base64 so that it is not read by accident.\n"
)


@dataclass
class Transcript:
    """One attempt's file; `path` None keeps nothing."""

    path: Path | None
    exercise: Exercise
    acts: list[Act] = field(default_factory=list)

    def begin(self) -> None:
        """Write the file's head.

        Raises
        ------
        DiagnoseError
            There is such a file already, or it cannot be written.
        """
        if self.path is None:
            return
        if self.path.exists():
            raise fail(
                "exists", f"'{self.path}' exists: go on with it (--resume), or name another file"
            )
        self._write()

    def add(self, act: Act) -> None:
        """Put one more act on file, synchronised; the same one again where it could not be."""
        if not self.acts or self.acts[-1] is not act:
            self.acts.append(act)
        if self.path is not None:
            self._write()

    def _write(self) -> None:
        assert self.path is not None
        write_whole(self.path, transcript_text(self.exercise, self.acts).encode())


def transcript_text(exercise: Exercise, acts: Sequence[Act]) -> str:
    """The whole file."""
    hidden = {"modes": list(exercise.modes), "hazard": exercise.hazard}
    head: dict[str, Any] = {
        "format": int(FORMAT),
        "id": str(exercise.id),
        "installation": str(exercise.kind),
        "variants": {str(k): str(v) for k, v in exercise.variants.items()},
        "complaint": str(exercise.complaint),
        "seed": exercise.seed,
        "wording": exercise.wording,
        "meter": str(exercise.meter),
        "hidden": base64.b64encode(json.dumps(hidden).ljust(HIDDEN).encode()).decode(),
    }
    text = HEAD + yaml.safe_dump(head, sort_keys=False, allow_unicode=True) + "acts:"
    if not acts:
        return text + " []\n"
    lines = (json.dumps({"kind": act.kind, **act.data}, ensure_ascii=False) for act in acts)
    return text + "\n" + "".join(f"- {line}\n" for line in lines)


def read_transcript(path: Path) -> Transcript:
    """An attempt from its file.

    Raises
    ------
    DiagnoseError
        With every issue of the file, each with its place.
    """
    issues: list[Issue] = []
    reader = Reader(read_yaml(path), issues, "transcript")
    reader.choice("format", (FORMAT,))
    hidden = _hidden(reader)
    exercise = Exercise(
        id=reader.text("id"),
        kind=reader.text("installation"),
        variants=reader.text_map("variants"),
        modes=tuple(hidden.get("modes", ())),
        complaint=reader.text("complaint"),
        seed=_whole(reader, "seed"),
        wording=_whole(reader, "wording"),
        hazard=str(hidden.get("hazard", "")),
        meter=reader.choice("meter", ("cat_ii", "cat_iii")),
    )
    acts = [_act(node, issues) for node in reader.children("acts")]
    reader.done()
    if issues:
        raise DiagnoseError(issues)
    return Transcript(path, exercise, acts)


def _hidden(reader: Reader) -> dict[str, Any]:
    text = reader.text("hidden")
    try:
        hidden = json.loads(base64.b64decode(text, validate=True))
        if isinstance(hidden, dict) and all(isinstance(m, str) for m in hidden["modes"]):
            return hidden
    except (binascii.Error, ValueError, KeyError, TypeError, RecursionError):
        pass
    reader.problem("'hidden' is not what this program wrote there", "hidden")
    return {}


def _whole(reader: Reader, key: str) -> int:
    text = reader.text(key, "0")
    number = whole_number(text, 10**18)
    if number is not None:
        return number
    reader.problem(f"'{key}' must be a whole number", key)
    return 0


def _act(node: Any, issues: list[Issue]) -> Act:
    if not isinstance(node, Node) or not all(isinstance(v, Text) for v in node.values()):
        place = getattr(node, "place", None)
        issues.append(Issue("error", "structure", "an act must be a mapping of texts", place))
        return Act("look")
    reader = Reader(node, issues, "act")
    kind = reader.choice("kind", ACTS)
    return Act(str(kind), {str(k): str(v) for k, v in node.items() if k != "kind"})
