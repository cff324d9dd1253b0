"""What a release rests on, as far as it can be told without building one.

``python -m tests.campaigns.release`` builds one and tries it on every Python.
"""

from __future__ import annotations

import ast
import importlib.metadata
import json
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

from tests.campaigns.release_trial import ANSWERS, HOOKED, PYTHONS
from tests.test_repository import ROOT, version

PACKAGE = ROOT / "diagnose"
NETWORK = {
    *("asyncio", "ftplib", "http", "imaplib", "multiprocessing.connection", "poplib", "requests"),
    *("smtplib", "socket", "socketserver", "ssl", "telnetlib", "urllib", "urllib3", "webbrowser"),
    *("wsgiref", "xmlrpc"),
}
EXCUSED = {("cli/circuit.py", "webbrowser")}
"""`--open` shows the picture that was just written, a file on this machine."""
DATABASE = {"alembic", "psycopg", "sqlalchemy"}
"""The one way out: the store's own address, with the extra ``postgresql`` only."""


def imports(path: Path) -> Iterator[str]:
    """Modules that a file imports absolutely, by their full names."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            yield node.module
        elif isinstance(node, ast.Call) and ast.unparse(node.func) == "importlib.import_module":
            (name,) = node.args
            if isinstance(name, ast.Constant):
                yield str(name.value)


@cache
def imported() -> frozenset[tuple[str, str]]:
    """File (from the package's folder) and module, for every import in the package."""
    return frozenset(
        (path.relative_to(PACKAGE).as_posix(), module)
        for path in PACKAGE.rglob("*.py")
        for module in imports(path)
    )


def declared(extra: str = "") -> set[str]:
    """Distributions that ``pyproject.toml`` asks for."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    asked = project["optional-dependencies"][extra] if extra else project["dependencies"]
    return {re.split(r"[\[<>=~! ]", text, maxsplit=1)[0].lower() for text in asked}


def strangers() -> Iterator[tuple[str, str]]:
    """File and distribution of each import that is neither ours nor Python's own."""
    homes = importlib.metadata.packages_distributions()
    for file, module in imported():
        top = module.partition(".")[0]
        if top != "diagnose" and top not in sys.stdlib_module_names:
            assert top in homes, f"{file} imports {top}, which is not installed"
            yield from ((file, home.lower()) for home in set(homes[top]))


def test_what_is_imported_is_declared_and_the_other_way_round() -> None:
    found = set(strangers())
    assert ("reasoning/experta_adapter.py", "frozendict") in found
    for_database = declared("postgresql")
    assert for_database == DATABASE
    assert {home for _, home in found} == declared() | for_database
    rooms = {file.partition("/")[0] for file, home in found if home in for_database}
    assert rooms == {"casebook"}


def test_nothing_but_the_store_can_reach_a_network() -> None:
    found = {
        (file, module)
        for file, module in imported()
        if {module, module.partition(".")[0]} & NETWORK
    }
    assert found == EXCUSED


def test_the_version_is_that_of_the_changelog() -> None:
    text = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    headings = re.findall(r"^## (\S+)", text, re.MULTILINE)
    released = [tuple(map(int, h.split("."))) for h in headings if h != "Unreleased"]
    assert headings.count("Unreleased") <= 1
    assert headings[0] == ("Unreleased" if "Unreleased" in headings else version())
    assert released == sorted(released, reverse=True)
    if headings[0] == "Unreleased":  # what is being made comes after what was released
        assert not released or tuple(map(int, version().split("."))) >= released[0]


def test_each_python_that_is_promised_is_tried() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    named = re.findall(r"Python :: (3)\.(\d+)", "\n".join(project["classifiers"]))
    assert tuple((int(major), int(minor)) for major, minor in named) == PYTHONS
    assert project["requires-python"] == ">={}.{}".format(*PYTHONS[0])


def behind_the_hook(code: str, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code, *words], cwd=ROOT, capture_output=True, text=True, check=False
    )


@pytest.mark.parametrize(
    "reach",
    [
        "import socket; socket.create_connection(('127.0.0.1', 9), 1)",
        "import urllib.request; urllib.request.urlopen('http://127.0.0.1:9', timeout=1)",
    ],
)
def test_the_hook_of_the_campaign_refuses_connections(reach: str) -> None:
    hook, _, _ = HOOKED.partition("from diagnose")
    refused = behind_the_hook(hook + reach)
    assert refused.returncode == 1
    assert "network: socket." in refused.stderr


def test_a_callout_asks_for_no_network() -> None:
    done = behind_the_hook(HOOKED, "callout", "--answers", f"cases/{ANSWERS}", "--json")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["as_expected"] is True
