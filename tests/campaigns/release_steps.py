"""What the steps of ``tests.campaigns.release`` share."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent


class Unverified(RuntimeError):
    """It could not be tried here; the message says why."""


CLEAN = os.environ | {"PYTHONPATH": ""}
"""The environment in which nothing but what is installed is found."""


@dataclass(frozen=True)
class Result:
    """One line of the table."""

    name: str
    verdict: str
    about: str


def run(*command: str | Path, cwd: Path, env: Mapping[str, str] | None = None) -> str:
    """Run a command with nothing to read; its output.

    Parameters
    ----------
    env
        The whole environment; None for that of this process.

    Raises
    ------
    RuntimeError
        It failed; with what it said.
    """
    done = subprocess.run(
        [str(word) for word in command],
        cwd=cwd,
        env=env,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        said = (done.stdout + done.stderr).strip().splitlines()
        words = " ".join(str(word) for word in command[:3])
        raise RuntimeError(f"{words} exits {done.returncode}: {' / '.join(said[-3:])}")
    return done.stdout


def attempt(name: str, work: Callable[[], str]) -> Result:
    """Do one step; how it went, which is said at once too."""
    try:
        result = Result(name, "passed", work())
    except Unverified as error:
        result = Result(name, "not verified", str(error))
    except Exception as error:  # whatever it is, it is a line of the table
        result = Result(name, "FAILED", f"{type(error).__name__}: {error}"[:400])
    print(f"release: {name}: {result.verdict}: {result.about}", file=sys.stderr, flush=True)
    return result
