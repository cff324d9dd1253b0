"""A skip is a failure where ``DIAGNOSE_NO_SKIPS=1``, so that a missing oracle cannot go unseen.

Neither the machine's language nor the configuration of who runs the tests has a say.
NumPy computes with one thread, as in the program: on its small matrices a second one only waits.
A PostgreSQL server is started once in each process that runs tests, where one asks for it.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Generator, Iterator
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from tests.database import Server

os.environ["DIAGNOSE_CONFIG"] = os.devnull
os.environ["LANGUAGE"] = "en"
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ["XDG_CONFIG_HOME"] = tempfile.mkdtemp(prefix="no-configuration-")
os.environ.pop("DIAGNOSE_STORE", None)
NO_SKIPS = os.environ.get("DIAGNOSE_NO_SKIPS") == "1"


def _refuse_skip(report: pytest.CollectReport | pytest.TestReport) -> None:
    """Turn a skip into a failure that gives its reason; an expected failure is no skip."""
    if NO_SKIPS and report.skipped and not hasattr(report, "wasxfail"):
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr
        report.outcome = "failed"
        report.longrepr = f"skipped, but DIAGNOSE_NO_SKIPS=1 allows no skip: {reason}"


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    _refuse_skip(report)
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report() -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    report = yield
    _refuse_skip(report)
    return report


@pytest.fixture(scope="session")
def postgresql() -> Iterator[Server]:
    """A running server of our own; skipped where none is installed."""
    from tests.database import missing, server

    if missing():
        pytest.skip(missing())
    with server() as running:
        yield running
