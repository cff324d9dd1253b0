"""A release, built and tried: two builds, what they hold, clean environments, no network.

    python -m tests.campaigns.release [--python PATH ...] [--out FOLDER] [--no-audit]

Builds wheel and sdist of the last commit twice, from clones in two folders, some seconds and a
umask apart: every byte must be the same. Compares their contents with git. Installs the wheel
alone in a clean virtual environment of each Python, and runs the program from an empty folder,
in a network namespace without a way out (else behind a hook that refuses every connection).
Writes a bill of materials (CycloneDX), the licences and the digests beside the wheel, and asks
for known vulnerabilities. One table says what passed and what could not be verified here; exit 1
where anything failed. What it needs besides git comes with ``pip install -e '.[release]'``.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import shutil
import sys
import tarfile
import tempfile
import time
import zipfile
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

from tests.campaigns.release_papers import audited, bill_of_materials, licences
from tests.campaigns.release_steps import CLEAN, ROOT, Result, attempt, run
from tests.campaigns.release_trial import PYTHONS, try_out

APART = 2.5
"""Seconds between the builds: more than the two in which a ZIP file counts."""
LEFT_OUT = (".ci/", ".gitignore")
"""What git has and the sdist need not have."""


# ---------------------------------------------------------------------- building


def built(work: Path, umask: int) -> list[Path]:
    """Wheel and sdist of a fresh clone in `work`."""
    work.mkdir(parents=True)
    old = os.umask(umask)
    try:
        run("git", "clone", "-q", "--no-local", ROOT, "diagnose", cwd=work)
        clone = work / "diagnose"
        epoch = run("git", "log", "-1", "--format=%ct", cwd=clone).strip()
        run(
            *(sys.executable, "-m", "build", "--no-isolation", "--sdist", "--wheel"),
            *("--outdir", work / "dist"),
            cwd=clone,
            env=os.environ | {"SOURCE_DATE_EPOCH": epoch},
        )
    finally:
        os.umask(old)
    return sorted((work / "dist").iterdir())


def digest(path: Path) -> str:
    """SHA-256 of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def build_twice(work: Path, out: Path) -> str:
    """Two builds, byte by byte the same; the first is copied to `out`."""
    first = built(work / "one", 0o022)
    time.sleep(APART)
    second = built(work / "another folder" / "deeper", 0o077)
    if [p.name for p in first] != [p.name for p in second]:
        raise RuntimeError(f"{first} and {second} are not the same files")
    for one, other in zip(first, second, strict=True):
        if one.read_bytes() != other.read_bytes():
            raise RuntimeError(f"{one.name} differs: {digest(one)[:12]}, {digest(other)[:12]}")
        shutil.copy(one, out)
    sizes = ", ".join(f"{p.name} {p.stat().st_size / 1024:.0f} KiB" for p in first)
    return f"{sizes}: the same bytes from two clones"


# ---------------------------------------------------------------------- contents


def tracked() -> set[str]:
    """Every file in the last commit."""
    return set(run("git", "ls-tree", "-r", "--name-only", "-z", "HEAD", cwd=ROOT)[:-1].split("\0"))


def _same(found: set[str], wanted: set[str]) -> None:
    if found != wanted:
        lacking, beyond = sorted(wanted - found)[:5], sorted(found - wanted)[:5]
        raise RuntimeError(f"lacks {lacking}, has beyond {beyond}")


def wheel_holds(wheel: Path) -> str:
    """Package and knowledge, file by file as in git, and nothing else."""
    with zipfile.ZipFile(wheel) as archive:
        found = {name: archive.read(name) for name in archive.namelist()}
    code = {name for name in tracked() if name.startswith("diagnose/")}
    knowledge = {name for name in tracked() if name.startswith("knowledge/")}
    own = {name for name in found if ".dist-info/" not in name}
    _same(own, code | {f"diagnose/_data/{name}" for name in knowledge})
    for name in own:
        source = ROOT / name.removeprefix("diagnose/_data/")
        if found[name] != source.read_bytes():
            raise RuntimeError(f"{name} is not as in the working folder: commit first")
    return f"{len(code)} files of the package, {len(knowledge)} of the knowledge, nothing else"


def sdist_holds(sdist: Path) -> str:
    """Every file in git but those left out, and what the build adds."""
    with tarfile.open(sdist) as archive:
        found = {m.name.partition("/")[2] for m in archive.getmembers() if m.isfile()}
    wanted = {name for name in tracked() if not name.startswith(LEFT_OUT)}
    _same(found - {"PKG-INFO", ".gitignore"}, wanted)
    return f"{len(wanted)} files, all of git but {', '.join(LEFT_OUT)}"


# ---------------------------------------------------------------------- the table


def pythons(named: Sequence[str]) -> list[tuple[str, Path | None]]:
    """Version and interpreter of each Python to be tried; None where none is found."""
    found: dict[str, Path | None] = {f"{major}.{minor}": None for major, minor in PYTHONS}
    for program in [*named, *(shutil.which(f"python{version}") or "" for version in found)]:
        asked = "import sys; print('%d.%d' % sys.version_info[:2])"
        try:
            version = run(program, "-c", asked, cwd=ROOT).strip() if program else ""
        except (OSError, RuntimeError):  # a name that leads to no interpreter
            continue
        if version and found.get(version) is None:
            found[version] = Path(program)
    return sorted(found.items())


def release(named: Sequence[str], out: Path, audit: bool) -> list[Result]:
    """All steps; later ones use what earlier ones left in `out`."""
    out.mkdir(parents=True, exist_ok=True)
    results = []

    def step(name: str, work: Callable[[], str]) -> bool:
        results.append(attempt(name, work))
        return results[-1].verdict == "passed"

    with tempfile.TemporaryDirectory() as made:
        work = Path(made)
        if not step("two builds", lambda: build_twice(work, out)):
            return results
        (wheel,), (sdist,) = out.glob("*.whl"), out.glob("*.tar.gz")
        step("wheel", lambda: wheel_holds(wheel))
        step("sdist", lambda: sdist_holds(sdist))
        newest: Path | None = None
        for version, python in pythons(named):
            if python is None:
                results.append(Result(f"Python {version}", "not verified", "no interpreter here"))
                continue
            venv = work / f"venv-{version}"
            installed = attempt(f"Python {version}", partial(install, python, venv, wheel))
            results.append(installed)
            if installed.verdict == "passed":
                results += [attempt(n, w) for n, w in try_out(venv, work / f"away-{version}")]
                newest = venv
        if newest is not None:
            bom = out / f"{wheel.stem}.cdx.json"
            step("bill of materials", partial(bill_of_materials, newest, bom))
            step("licences", partial(licences, newest, out / "LICENCES.txt"))
            if audit:
                step("known vulnerabilities", partial(audited, newest, work))
        step("digests", lambda: digests(out))
    return results


def install(python: Path, venv: Path, wheel: Path) -> str:
    """A virtual environment with the wheel and what it asks for, nothing else."""
    run(python, "-m", "venv", venv, cwd=wheel.parent)
    pip = (venv / "bin" / "python", "-m", "pip", "--disable-pip-version-check")
    run(*pip, "install", "-q", wheel, cwd=venv, env=CLEAN)
    run(*pip, "check", cwd=venv, env=CLEAN)
    count = len(run(*pip, "list", "--format=freeze", cwd=venv, env=CLEAN).splitlines())
    version = run(venv / "bin" / "python", "--version", cwd=venv).split()[1]
    return f"{version}: installed from the wheel alone, {count} packages, no conflict"


def digests(out: Path) -> str:
    """SHA256SUMS over all that is in `out`."""
    files = sorted(p for p in out.iterdir() if p.is_file() and p.name != "SHA256SUMS")
    text = "".join(f"{digest(path)}  {path.name}\n" for path in files)
    (out / "SHA256SUMS").write_text(text, encoding="utf-8")
    return f"of {len(files)} files in {out}"


def main() -> int:
    """Run the campaign."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--python", action="append", default=[], help="an interpreter to try")
    parser.add_argument("--out", type=Path, help="where the release goes (default: none is kept)")
    parser.add_argument("--no-audit", action="store_true", help="ask nobody for vulnerabilities")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as made:
        out = (options.out or Path(made) / "dist").resolve()
        if out.exists() and any(out.iterdir()):
            parser.error(f"{out} is not empty")
        results = release(options.python, out, not options.no_audit)
    width = max(len(one.name) for one in results)
    for one in results:
        print(f"{one.name:<{width}}  {one.verdict:<12}  {one.about}")
    return 1 if any(one.verdict == "FAILED" for one in results) else 0


if __name__ == "__main__":
    sys.exit(main())
