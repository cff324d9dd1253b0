"""What `diagnose check` refuses: for each a small change that meets it, and one that passes.

The files stand in ``tests/data/refusals`` as changes to the made-up knowledge: in `file`, `old`
becomes `new`; `code` is the one error that must come, at the text `at` (in another file after a
bar). Invented for the tests of this repository; evidence of nothing.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import yaml

from diagnose.cli.check import run_check
from tests.tiny import TINY, copy_tiny, edit, place_of

FOLDER = TINY.parent / "refusals"
NAMES = sorted({path.name.split(".")[0] for path in FOLDER.iterdir()})


def checked(
    folder: Path, name: str, capsys: pytest.CaptureFixture[str]
) -> tuple[dict[str, str], int, list[dict[str, Any]]]:
    """Make the change; what the file says, the exit code and the errors."""
    change = yaml.safe_load((FOLDER / f"{name}.yaml").read_text(encoding="utf-8"))
    edit(folder, change["file"], change["old"], change["new"])
    code = run_check(str(folder), as_json=True, installations=["default", "two_buttons"])
    return change, code, json.loads(capsys.readouterr().out)["errors"]


@pytest.mark.parametrize("name", NAMES)
def test_it_is_refused_where_it_stands(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = copy_tiny(tmp_path)
    change, code, errors = checked(folder, f"{name}.refused", capsys)
    assert code == 1
    (error,) = errors
    needle, _, other = change["at"].partition("|")
    file, line, column = place_of(folder, other or change["file"], needle)
    assert error["code"] == change["code"]
    assert Path(error["file"]).resolve() == (folder / file).resolve()
    assert (error["line"], error["column"]) == (line, column)


@pytest.mark.parametrize("name", NAMES)
def test_what_is_sound_passes(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _change, code, errors = checked(copy_tiny(tmp_path), f"{name}.passes", capsys)
    assert errors == []
    assert code == 0


def test_a_mode_that_says_in_vain_that_no_test_detects_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = copy_tiny(tmp_path)
    edit(folder, "parts/battery.yaml", "    class: wear\n", "    class: wear\n    no_test: none\n")
    assert run_check(str(folder), as_json=True, installations=["default"]) == 0
    warnings = json.loads(capsys.readouterr().out)["warnings"]
    assert [w["line"] for w in warnings if w["code"] == "detected"] == [
        place_of(folder, "parts/battery.yaml", "title: Battery flat")[1]
    ]


def test_each_refusal_has_one_file_of_either_kind() -> None:
    assert len(NAMES) >= 10
    assert {path.name for path in FOLDER.iterdir()} == {
        f"{name}.{kind}.yaml" for name in NAMES for kind in ("refused", "passes")
    }
