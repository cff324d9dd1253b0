"""An installed release tried out from an empty folder, where nothing can be reached.

In a network namespace of its own (``unshare -n``; root, or user namespaces) not even the loopback
is there. Where no namespace can be had, a hook of the interpreter refuses to connect, to bind and
to look up a name instead; the table says which of the two it was.
"""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path

from tests.campaigns.release_steps import ROOT, run

PYTHONS = ((3, 11), (3, 12), (3, 13))
ANSWERS = "own-tank-overflows-welded-contact.yaml"
FROM = "tank_and_sump"

REACH = """
import socket
try:
    socket.create_connection(("192.0.2.1", 9), 3)
except OSError as error:
    print(type(error).__name__, error)
else:
    raise SystemExit("something was reached")
"""
"""192.0.2.0/24 is set aside for documentation (RFC 5737): nothing is there to be disturbed."""
HOOKED = """
import sys
def refuse(event, arguments):
    if event in ("socket.connect", "socket.bind", "socket.getaddrinfo", "socket.sendto"):
        raise OSError(f"network: {event} {arguments[1:]}")
sys.addaudithook(refuse)
from diagnose.cli import main
main(sys.argv[1:])
"""


class Away:
    """An installation in `venv`, used from the empty folder `folder` with a home of its own."""

    def __init__(self, venv: Path, folder: Path) -> None:
        self.folder = folder
        self.python = venv / "bin" / "python"
        self.program = venv / "bin" / "diagnose"
        folder.mkdir(parents=True)
        self.environment = {
            "HOME": str(folder / "home"),
            "PATH": f"{venv / 'bin'}:/usr/bin:/bin",
            "LANG": "C.UTF-8",
            "OPENBLAS_NUM_THREADS": "1",
        }
        self.apart = next((way for way in WAYS if self.works(way)), None)

    def works(self, way: Sequence[str]) -> bool:
        """Whether a namespace can be had this way."""
        try:
            done = subprocess.run([*way, "true"], capture_output=True, check=False)
        except OSError:  # no such program
            return False
        return done.returncode == 0

    def run(self, *words: str | Path) -> str:
        """What a command prints, with nothing to be reached."""
        return run(*(self.apart or ()), *words, cwd=self.folder, env=self.environment)

    def diagnose(self, *words: str) -> str:
        """What `diagnose` prints."""
        if self.apart is not None:
            return self.run(self.program, *words)
        return self.run(self.python, "-c", HOOKED, *words)


WAYS = (("unshare", "-n"), ("unshare", "-rn"))
"""As root, else as anybody where the system allows it."""


def try_out(venv: Path, folder: Path) -> Iterator[tuple[str, Callable[[], str]]]:
    """Names of steps and the steps, in the order in which they stand on one another."""
    away = Away(venv, folder)
    shutil.copy(ROOT / "cases" / ANSWERS, folder)
    name = folder.name.removeprefix("away-")
    for step in (apart, imported, callout, report, chart, handbook, check, cases):
        yield f"  {name} {step.__name__}", partial(step, away)


def apart(away: Away) -> str:
    """Nothing can be reached."""
    if away.apart is None:
        return "no network namespace here: a hook refuses every connection instead"
    return f"{' '.join(away.apart)}: {away.run(away.python, '-c', REACH).strip()}"


def imported(away: Away) -> str:
    """The code and the knowledge are those of the wheel."""
    ask = (
        "import diagnose, pathlib; from diagnose.knowledge.folder import find_knowledge; "
        "print(pathlib.Path(diagnose.__file__).parent, find_knowledge(), sep='\\n')"
    )
    package, knowledge = map(Path, away.run(away.python, "-c", ask).splitlines())
    if "site-packages" not in package.parts or package not in knowledge.parents:
        raise RuntimeError(f"{package}, {knowledge}")
    return "package and knowledge from site-packages"


def callout(away: Away) -> str:
    """The callout of README.md's first command ends as its file expects."""
    told = json.loads(away.diagnose("callout", "--answers", ANSWERS, "--store", "kept", "--json"))
    if told["as_expected"] is not True or not told["case"]["id"]:
        raise RuntimeError(f"{told['status']}, {told['unit']}, {told['as_expected']}")
    said = away.diagnose("callout", "--answers", ANSWERS)
    if "as expected" not in said:
        raise RuntimeError(said[-200:])
    return f"{told['status']}: {told['failure_mode']}, as expected"


def _pdf(path: Path) -> str:
    data = path.read_bytes()
    if not data.startswith(b"%PDF-") or len(data) < 10_000:
        raise RuntimeError(f"{path.name} is no PDF: {data[:20]!r}, {len(data)} bytes")
    return f"PDF, {len(data) / 1024:.0f} KiB"


def report(away: Away) -> str:
    """The service report, in both languages."""
    (case,) = (path.stem for path in (away.folder / "kept").glob("*.yaml"))
    for language in ("en", "hi"):
        target = f"report-{language}.pdf"
        away.diagnose(
            *("report", case, "--store", "kept", "--language", language, "--output", target)
        )
    return ", ".join(_pdf(away.folder / f"report-{lang}.pdf") for lang in ("en", "hi"))


def chart(away: Away) -> str:
    """The printed chart of README.md."""
    wired = ("--complaint", "hums", "--set", "drive=contactor")
    away.diagnose("chart", FROM, *wired, "--output", "chart.pdf")
    return _pdf(away.folder / "chart.pdf")


def handbook(away: Away) -> str:
    """The handbook."""
    away.diagnose("handbook", FROM, "--output", "handbook.pdf")
    return _pdf(away.folder / "handbook.pdf")


def check(away: Away) -> str:
    """The knowledge, as installed, has no error."""
    return f"{len(away.diagnose('check').splitlines())} lines, no error"


def cases(away: Away) -> str:
    """The case is on the list."""
    (line,) = away.diagnose("cases", "--store", "kept").splitlines()
    return line
