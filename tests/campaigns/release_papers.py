"""What goes beside a release: its bill of materials, licences, known vulnerabilities."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

from tests.campaigns.release_steps import CLEAN, ROOT, Unverified, run

REASONED = {
    "experta": "LGPL-3.0: imported as its own package, unmodified on disk; whoever bundles it into "
    "one file must let it be replaced",
}
"""Packages whose licence asks for something, and why it is met."""
TOOLS = {"pip", "setuptools", "wheel"}
"""What a virtual environment holds by itself."""
COPYLEFT = ("GPL", "EUPL", "CDDL", "MPL", "OSL", "SSPL", "CC-BY-NC")
READ = """
import importlib.metadata as m, json
told = []
for one in m.distributions():
    data = one.metadata
    kinds = [c.split(" :: ")[-1] for c in data.get_all("Classifier") or () if "License ::" in c]
    first = (data.get("License") or "").strip().splitlines()
    named = data.get("License-Expression") or "; ".join(kinds) or (first[0] if first else "")
    told.append([data["Name"], data["Version"], named, one.requires or []])
print(json.dumps(told))
"""
ASKED_IN_VAIN = ("ConnectionError", "ServiceError", "timed out", "Max retries", "resolve")


def packages(venv: Path) -> list[tuple[str, str, str]]:
    """Name, version and licence of every package in an environment, as its own metadata say."""
    told = json.loads(run(venv / "bin" / "python", "-c", READ, cwd=venv, env=CLEAN))
    return sorted((n, v, lic) for n, v, lic, _ in told if n.lower() not in TOOLS)


def bill_of_materials(venv: Path, target: Path) -> str:
    """CycloneDX by its own Python tool, of the environment that the wheel was installed in."""
    program = shutil.which("cyclonedx-py", path=str(Path(sys.executable).parent))
    if program is None:
        raise Unverified("cyclonedx-py is not installed: pip install -e '.[release]'")
    epoch = run("git", "log", "-1", "--format=%ct", cwd=ROOT).strip()
    run(
        *(program, "environment", "--output-reproducible", "--pyproject", ROOT / "pyproject.toml"),
        *("--output-format", "JSON", "--output-file", target, venv / "bin" / "python"),
        cwd=venv,
        env=os.environ | {"SOURCE_DATE_EPOCH": epoch},
    )
    told = json.loads(target.read_text(encoding="utf-8"))
    named = {part["name"].lower() for part in told["components"]}
    named.add(told["metadata"]["component"]["name"].lower())
    lacking = [name for name, _, _ in packages(venv) if name.lower() not in named]
    if lacking:
        raise RuntimeError(f"lacks {lacking}")
    return f"CycloneDX {told['specVersion']}, {len(told['components'])} components"


def licences(venv: Path, target: Path) -> str:
    """A list of them; none unknown, none that asks for something without a reason why it is met."""
    found = packages(venv)
    target.write_text("".join(f"{n} {v}: {lic}\n" for n, v, lic in found), encoding="utf-8")
    unknown = [name for name, _, licence in found if not licence]
    asking = [n for n, _, lic in found if any(word in lic for word in COPYLEFT)]
    unmet = [name for name in asking if name not in REASONED]
    if unknown or unmet:
        raise RuntimeError(f"unknown: {unknown}; no reason given for: {unmet}")
    return f"{len(found)} packages; " + "; ".join(f"{n}: {REASONED[n]}" for n in asking)


def audited(venv: Path, work: Path) -> str:
    """What pip-audit knows of the exact versions installed."""
    program = shutil.which("pip-audit", path=str(Path(sys.executable).parent))
    if program is None:
        raise Unverified("pip-audit is not installed: pip install -e '.[release]'")
    pinned = work / "pinned.txt"
    known = [f"{n}=={v}\n" for n, v, _ in packages(venv) if n != "diagnose"]
    pinned.write_text("".join(known), encoding="utf-8")
    done = subprocess.run(
        [program, "-r", pinned, "--no-deps", "--disable-pip", "--progress-spinner", "off"],
        capture_output=True,
        text=True,
        check=False,
    )
    said = (done.stdout + done.stderr).strip()
    if done.returncode == 0:
        return f"{len(known)} packages: {said.splitlines()[-1]}"
    if any(word in said for word in ASKED_IN_VAIN):
        raise Unverified(f"nobody could be asked: {said.splitlines()[-1][:150]}")
    raise RuntimeError(said[-600:])
