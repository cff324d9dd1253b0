"""Which store is meant: a folder or a database, by option, environment or configuration."""

from __future__ import annotations

import os
from pathlib import Path

from diagnose.casebook.files import FileStore
from diagnose.casebook.store import CaseStore
from diagnose.errors import Place, fail

STORE = "DIAGNOSE_STORE"
"""Environment variable that names the store: a folder or the address of a database."""
CONFIGURATION = "DIAGNOSE_CONFIG"
"""Environment variable that names the configuration file, in the place of the user's own."""
LARGEST = 10_000
"""Bytes of a configuration file: the time to read TOML grows with the square of a key's length."""


def open_store(named: str | None = None) -> CaseStore:
    """The store that is named, else the one of `chosen_store`; nothing is read yet.

    Raises
    ------
    DiagnoseError
        It is no address of a database, or what talks to one is not installed.
    """
    where = named or chosen_store()
    if not is_address(where):
        return FileStore(Path(where))
    from diagnose.casebook.connection import parse_address

    parse_address(where)
    from diagnose.casebook.database import DatabaseStore

    return DatabaseStore(where)


def is_address(store: str) -> bool:
    """Whether the name of a store is an address, not a folder."""
    return "://" in store


def shown_store(store: str) -> str:
    """The name of a store as it may be shown and typed again: without a password."""
    if not is_address(store):
        return store
    from diagnose.casebook.connection import without_password

    return without_password(store)


def chosen_store() -> str:
    """By the environment, else by the configuration, else ``./cases``, else the user's folder.

    Raises
    ------
    DiagnoseError
        The configuration file cannot be used.
    """
    named = os.environ.get(STORE) or configured(configuration_file())
    if named:
        return named
    here = Path("cases")
    if here.is_dir():
        return str(here)
    import platformdirs

    return str(Path(platformdirs.user_data_dir("diagnose", appauthor=False)) / "cases")


def configuration_file() -> Path:
    """Where the configuration is looked for."""
    named = os.environ.get(CONFIGURATION)
    if named:
        return Path(named)
    import platformdirs

    return Path(platformdirs.user_config_dir("diagnose", appauthor=False)) / "config.toml"


def configured(path: Path) -> str:
    """The store that a configuration file names; "" where there is no such file.

    Raises
    ------
    DiagnoseError
        The file cannot be read, or holds something else than a store.
    """
    if not path.is_file():
        return ""
    import tomllib

    from diagnose.knowledge.reading import decode, read_bytes

    place = Place(str(path), 1, 1)
    try:
        told = tomllib.loads(decode(read_bytes(path, largest=LARGEST), str(path)))
    except tomllib.TOMLDecodeError as error:
        raise fail("unreadable", f"not TOML: {error}", place) from error
    except RecursionError as error:
        raise fail("unreadable", "not TOML of ours: its values lie too deep", place) from error
    legal = ('store = "a folder, or the address of a database"',)
    for key in told:
        if key != "store":
            raise fail("unknown-key", f"unknown key '{key}'", place, legal)
    store = told.get("store", "")
    if not isinstance(store, str):
        raise fail("structure", "'store' must be text", place, legal)
    if store and not is_address(store):
        try:
            return str(path.parent / Path(store).expanduser())
        except RuntimeError as error:
            raise fail("structure", f"'store': '{store}' is nobody's home", place, legal) from error
    return store
