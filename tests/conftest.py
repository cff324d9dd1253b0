"""What holds for every test.

A skip is a failure where ``DIAGNOSE_NO_SKIPS=1``, so that a missing oracle cannot go unseen.
Neither the machine's language nor the firm's file of who runs the tests has a say.
"""

import os
import tempfile
from collections.abc import Generator

import pytest

os.environ["LANGUAGE"] = "en"
os.environ["XDG_CONFIG_HOME"] = tempfile.mkdtemp(prefix="no-configuration-")

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
