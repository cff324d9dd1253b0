"""Plain YAML files that are never half written: progress and transcripts."""

from __future__ import annotations

import os
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import yaml

from diagnose.errors import fail
from diagnose.knowledge.reading import Reader, Text


class _Dumper(yaml.SafeDumper):
    """Writes every text that is not plainly printable in double quotes, with escapes."""


def _text(dumper: yaml.SafeDumper, value: str) -> yaml.ScalarNode:
    style = None if value.isprintable() else '"'
    return dumper.represent_scalar("tag:yaml.org,2002:str", value, style)


_Dumper.add_representer(str, _text)


def dump(data: Any) -> str:
    """Plain data as YAML, keys in their order."""
    return str(
        yaml.dump(_plain(data), Dumper=_Dumper, sort_keys=False, allow_unicode=True, width=96)
    )


def _plain(value: Any) -> Any:
    """The value in types that YAML knows; texts lose their places."""
    if isinstance(value, str):
        return str(value)
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    return value


def replace_file(path: Path, text: str) -> None:
    """Put a text in a file's place: the old file or the new one stays, whatever happens.

    Raises
    ------
    DiagnoseError
        The file cannot be written.
    """
    temporary = path.with_name(f".{path.name}.new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        temporary.unlink(missing_ok=True)  # left behind by a kill, or a link laid by somebody
        with temporary.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        temporary.replace(path)
    except OSError as error:
        with suppress(OSError):  # half a file would take room on a full disk
            temporary.unlink(missing_ok=True)
        raise fail("unwritable", f"cannot write '{path}': {error.strerror}") from error
    try:
        handle = os.open(path.parent, os.O_RDONLY)
    except OSError:  # a folder cannot be opened on some systems
        return
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def number_of(reader: Reader, key: str, whole: bool = False) -> float:
    """A number from 0 on under a key; 0 where there is an issue, which is then noted."""
    text = reader.text(key)
    if not isinstance(reader.raw(key), Text):
        return 0.0
    try:
        value = float(int(text)) if whole else float(text)
    except (ValueError, OverflowError):
        value = -1.0
    if not 0.0 <= value < 1e18:
        kind = "whole number" if whole else "number"
        reader.problem(f"'{text}' is no {kind} from 0 on", key)
        return 0.0
    return value
