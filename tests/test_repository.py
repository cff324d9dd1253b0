"""The house rules that a machine can check: layout, length, import direction, packaging."""

import hashlib
import os
import re
import shutil
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
TOP_LEVEL = {
    *("README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml"),
    *("diagnose", "knowledge", "tests", "cases"),
}
LONGEST_MODULE = 350
# Module → why it is longer. A module that no longer is must leave this list.
LONGER_MODULES: dict[str, str] = {}


def run(*command: str | Path, cwd: Path, **env: str) -> subprocess.CompletedProcess[str]:
    """Run a command with this interpreter's environment, output as text."""
    return subprocess.run(
        command, cwd=cwd, env=os.environ | env, capture_output=True, text=True, check=False
    )


def repository_files() -> list[str]:
    """Files that are in git or would be added, as paths from the top; without git, all."""
    if (ROOT / ".git").exists():
        listed = run(
            *("git", "-c", f"safe.directory={ROOT}", "ls-files"),
            *("-z", "--cached", "--others", "--exclude-standard"),
            cwd=ROOT,
        )
        assert listed.returncode == 0, listed.stderr
        return [name for name in listed.stdout.split("\0") if name and (ROOT / name).exists()]
    files = (path.relative_to(ROOT) for path in ROOT.rglob("*") if path.is_file())
    return [str(path) for path in files if "__pycache__" not in path.parts]


def test_the_top_level_holds_only_what_belongs_there() -> None:
    names = {name.split("/")[0] for name in repository_files()}
    assert {"README.md", "pyproject.toml", "LICENSE", "diagnose", "tests"} <= names
    strangers = {name for name in names if not name.startswith(".")} - TOP_LEVEL
    assert not strangers, f"move or remove: {sorted(strangers)}"


def test_modules_stay_short() -> None:
    lengths = {
        str(path.relative_to(ROOT)): len(path.read_text(encoding="utf-8").splitlines())
        for path in (ROOT / "diagnose").rglob("*.py")
    }
    assert "diagnose/quantities.py" in lengths
    long = {name: length for name, length in lengths.items() if length >= LONGEST_MODULE}
    unexcused = {name: length for name, length in long.items() if not LONGER_MODULES.get(name)}
    assert not unexcused, f"split, or give the reason in LONGER_MODULES: {unexcused}"
    assert LONGER_MODULES.keys() <= long.keys()


def lint_imports(cwd: Path) -> subprocess.CompletedProcess[str]:
    """Check the contracts of ``pyproject.toml`` on the package in `cwd`."""
    program = shutil.which("lint-imports", path=str(Path(sys.executable).parent))
    assert program, "import-linter is not installed: pip install -e '.[test]'"
    config = str(ROOT / "pyproject.toml")
    return run(program, "--no-cache", "--config", config, cwd=cwd, COLUMNS="200")


def test_rooms_import_only_rooms_below_them() -> None:
    result = lint_imports(ROOT)
    assert result.returncode == 0, result.stdout + result.stderr
    assert re.search(r"[1-9][0-9]* kept, 0 broken", result.stdout)


@pytest.mark.parametrize(
    ("room", "imported"),
    [
        ("quantities", "knowledge"),
        ("quantities", "errors"),
        ("knowledge", "plant"),
        ("plant", "reasoning"),
        ("reasoning", "interview"),
        ("interview", "casebook"),
        ("report", "interview"),
        ("report", "casebook"),
        ("practice", "casebook"),
        ("casebook", "cli"),
        ("stranger", "errors"),
    ],
)
def test_an_import_in_the_wrong_direction_is_found(
    tmp_path: Path, room: str, imported: str
) -> None:
    package = tmp_path / "diagnose"
    package.mkdir()
    for name in ("__init__", "errors", room, imported):
        (package / f"{name}.py").touch()
    if room != "stranger":
        assert lint_imports(tmp_path).returncode == 0
    (package / f"{room}.py").write_text(f"import diagnose.{imported}\n", encoding="utf-8")
    result = lint_imports(tmp_path)
    assert result.returncode == 1, result.stdout + result.stderr
    assert f"diagnose.{room}" in result.stdout or room in result.stdout


def build(kind: str, source: Path, target: Path) -> Path:
    """Build one distribution without network; the build backend is a test dependency."""
    result = run(
        *(sys.executable, "-m", "build", f"--{kind}", "--no-isolation"),
        *("--outdir", target, source),
        cwd=target,
    )
    assert result.returncode == 0, result.stdout + result.stderr
    (built,) = target.iterdir()
    return built


def digests(folder: Path) -> dict[str, str]:
    """SHA-256 of each file under `folder`, by its path from there."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file()
    }


def test_a_wheel_built_from_the_sdist_carries_the_knowledge(tmp_path: Path) -> None:
    for name in ("sdist", "source", "wheel", "installed"):
        (tmp_path / name).mkdir()
    with tarfile.open(build("sdist", ROOT, tmp_path / "sdist")) as archive:
        archive.extractall(tmp_path / "source", filter="data")
    (source,) = (tmp_path / "source").iterdir()
    with zipfile.ZipFile(build("wheel", source, tmp_path / "wheel")) as archive:
        archive.extractall(tmp_path / "installed")
        names = archive.namelist()
    knowledge = digests(ROOT / "knowledge")
    assert len(knowledge) >= 5
    assert digests(tmp_path / "installed" / "diagnose" / "_data" / "knowledge") == knowledge
    own = {name for name in names if not name.startswith(f"diagnose-{version()}.dist-info/")}
    code = {name for name in repository_files() if name.startswith("diagnose/")}
    assert "diagnose/locale/hi/LC_MESSAGES/diagnose.mo" in code
    assert own == code | {f"diagnose/_data/knowledge/{name}" for name in knowledge}


def version() -> str:
    """The version that ``pyproject.toml`` gives."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    return str(project["version"])


SKIPS = """
import pytest
pytestmark = pytest.mark.filterwarnings("error")
def test_skips(): pytest.skip("no oracle here")
@pytest.mark.skip(reason="never run")
def test_marked(): pass
def test_passes(): assert True
@pytest.mark.xfail(strict=True)
def test_expected_failure(): assert False
"""
MODULE_SKIP = "import pytest\npytest.importorskip('no_such_module_here')\n"


@pytest.mark.parametrize("workers", ["0", "2"])
def test_a_skip_fails_where_none_is_allowed(tmp_path: Path, workers: str) -> None:
    shutil.copy(ROOT / "tests" / "conftest.py", tmp_path)
    (tmp_path / "test_some.py").write_text(SKIPS, encoding="utf-8")
    plugins = ("-p", "xdist", "-p", "no:cacheprovider")  # and no others, which take long to import
    command = (sys.executable, "-m", "pytest", "-q", *plugins, "-n", workers)
    plain = {"PYTEST_ADDOPTS": "", "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"}
    allowed = run(*command, cwd=tmp_path, DIAGNOSE_NO_SKIPS="0", **plain)
    assert allowed.returncode == 0, allowed.stdout
    assert "1 passed, 2 skipped, 1 xfailed" in allowed.stdout
    refused = run(*command, cwd=tmp_path, DIAGNOSE_NO_SKIPS="1", **plain)
    assert refused.returncode == 1, refused.stdout
    # a skip mark acts before the test starts, so pytest counts it as an error
    assert "1 failed, 1 passed, 1 xfailed, 1 error" in refused.stdout
    assert "no oracle here" in refused.stdout
    (tmp_path / "test_module.py").write_text(MODULE_SKIP, encoding="utf-8")
    refused = run(*command, cwd=tmp_path, DIAGNOSE_NO_SKIPS="1", **plain)
    assert refused.returncode != 0
    assert "no_such_module_here" in refused.stdout


def readme_commands(text: str) -> list[str]:
    """The lines of the fenced block after ``<!-- two-commands -->``."""
    block = re.search(r"^<!-- two-commands -->\n+```\w*\n(.*?)^```$", text, re.M | re.S)
    assert block, "README.md has no fenced block after <!-- two-commands -->"
    return block[1].splitlines()


def test_the_readme_has_two_commands_and_their_files_exist() -> None:
    commands = readme_commands((ROOT / "README.md").read_text(encoding="utf-8"))
    assert len(commands) == 2
    first, second = commands
    assert "pip install" in first
    assert "diagnose callout" in first
    assert "[test]" in second
    assert "pytest" in second
    answers = re.search(r"--answers (\S+)", first)
    assert answers
    assert (ROOT / answers[1]).is_file(), f"{answers[1]} does not exist"
