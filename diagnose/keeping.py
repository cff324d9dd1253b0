"""Files that are never half written, and plain data as YAML."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import yaml

from diagnose.errors import fail


class _Dumper(yaml.SafeDumper):
    """Writes every text that is not plainly printable in double quotes, with escapes."""


def _text(dumper: yaml.SafeDumper, value: str) -> yaml.ScalarNode:
    style = None if value.isprintable() else '"'
    return dumper.represent_scalar("tag:yaml.org,2002:str", value, style)


_Dumper.add_representer(str, _text)


def dump(data: Any) -> str:
    """Texts, numbers, lists and mappings as YAML, in their order."""
    return str(
        yaml.dump(
            _plain(data),
            Dumper=_Dumper,
            sort_keys=False,
            allow_unicode=True,
            default_flow_style=False,
            width=96,
        )
    )


def _plain(value: Any) -> Any:
    """The value in types that YAML knows; texts lose their places."""
    if isinstance(value, str):
        return str(value)
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, Sequence):
        return [_plain(v) for v in value]
    return value


def write_whole(path: Path, data: bytes) -> None:
    """Put a file in the place of an earlier one: whole or not at all, and on disk.

    Who may read it stays as it was. Behind a link stands the file that is meant: that is
    replaced, and the link stays.

    Raises
    ------
    DiagnoseError
        It cannot be written.
    """
    with suppress(OSError):  # a name that no file can have is refused below
        if path.is_symlink() and path.exists():
            path = path.resolve()
    temporary = path.with_name(f".{path.name}.new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        temporary.unlink(missing_ok=True)  # left behind by a kill, or a link laid by somebody
        with temporary.open("xb") as file:
            if path.exists():
                shutil.copymode(path, temporary)
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        temporary.replace(path)
        sync_folder(path.parent)
    except OSError as error:
        with suppress(OSError):  # half a file would take room on a full disk
            temporary.unlink(missing_ok=True)
        raise fail("unwritable", f"cannot write '{path}': {error.strerror}") from error


def sync_folder(folder: Path) -> None:
    """Put a rename on disk, where the system can synchronise a folder."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:  # a folder cannot be opened on some systems
        return
    try:
        os.fsync(handle)
    except OSError as error:
        # many a network folder cannot do it; the file itself is on disk, and under its name
        if error.errno not in (errno.EINVAL, errno.EBADF, errno.ENOTSUP):
            raise
    finally:
        os.close(handle)
