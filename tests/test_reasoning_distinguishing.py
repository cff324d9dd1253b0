"""Which test tells a failure mode best: against counting by hand, and as ``check`` prints it."""

import json
import subprocess
from pathlib import Path

import numpy as np
import pytest

from diagnose.cli import main
from diagnose.knowledge.names import unit_of
from diagnose.plant.compose import compose
from diagnose.plant.matrix import HEALTHY, MatrixBuilder
from diagnose.reasoning.distinguishing import NEARLY, distinctions
from diagnose.reasoning.separation import SHOWN
from tests.tiny import TINY, copy_tiny, edit, tiny


def run(capsys: pytest.CaptureFixture[str], *options: str) -> tuple[int, str, str]:
    """Exit code, output and errors of ``diagnose check``."""
    capsys.readouterr()
    code = 0
    try:
        main(["check", *options])
    except SystemExit as stop:
        code = int(stop.code or 0)
    printed = capsys.readouterr()
    return code, printed.out, printed.err


def test_the_best_test_parts_a_mode_from_most_of_its_rivals() -> None:
    """The same by plain loops over rows, tests and outcomes."""
    kb = tiny()
    installation = compose(kb, "bench", {"second": "fitted"})
    builder = MatrixBuilder(kb, installation)
    matrix = builder.build()
    rates = {name: mode.mode.rate.nominal for name, mode in installation.modes.items()}
    minutes = {name: test.minutes for name, test in builder.tests.items()}
    found = distinctions(matrix, rates, minutes)
    assert list(found) == list(installation.modes)
    for mode, told in found.items():
        weights = {}
        for other in installation.modes:
            shared = [
                float(p[matrix.rows.index(other)])
                for p in matrix.complaints.values()
                if min(p[matrix.rows.index(other)], p[matrix.rows.index(mode)]) >= SHOWN
            ]
            if shared and unit_of(other) != unit_of(mode):
                weights[other] = max(shared) * rates[other]
        assert told.rivals == len(weights)
        weights = weights or {HEALTHY: 1.0}

        def apart(test: str, other: str, mode: str = mode) -> float:
            pairs = zip(matrix.of(mode, test), matrix.of(other, test), strict=True)
            return 0.5 * float(sum(abs(a - b) for a, b in pairs))

        scores = {
            test: sum(w * apart(test, o) for o, w in weights.items()) / sum(weights.values())
            for test in matrix.tests
        }
        assert told.score == pytest.approx(max(scores.values()))
        assert told.test == "" or scores[told.test] == pytest.approx(told.score)
        best = {o: max(apart(t, o) for t in matrix.tests) for o in weights}
        assert told.nearest_distance == pytest.approx(min(best.values()))
        assert best[told.nearest] == pytest.approx(told.nearest_distance)


def test_a_live_test_is_named_only_where_it_tells_more() -> None:
    kb = tiny()
    installation = compose(kb, "bench")
    builder = MatrixBuilder(kb, installation)
    matrix = builder.build()
    rates = dict.fromkeys(installation.modes, 1.0)
    plain = distinctions(matrix, rates, {})
    named = {d.test for d in plain.values() if d.test}
    careful = distinctions(matrix, rates, {}, live=named)
    for mode, told in careful.items():
        others = [t for t in matrix.tests if t not in named]
        if told.test in named and told.rivals == 0:
            healthy = [
                0.5 * np.abs(matrix.of(mode, t) - matrix.of(HEALTHY, t)).sum() for t in others
            ]
            assert max(healthy, default=0.0) < NEARLY * told.score + 1e-9
    assert any(told.test not in named for told in careful.values())


def test_check_says_what_tells_a_mode(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, "--knowledge", str(TINY), "--mode", "heater.burnt_out")
    assert (code, err) == (0, "")
    assert "Best test: " in out
    assert "Nearest rival: " in out
    assert max(map(len, out.splitlines())) <= 80
    code, out, _ = run(capsys, "--knowledge", str(TINY), "--mode", "all", "--json")
    told = json.loads(out)
    assert {d["mode"] for d in told["modes"]} == set(compose(tiny(), "bench").modes)
    code, out, _ = run(capsys, "--knowledge", str(TINY), "--mode", "all")
    assert out.count("best: ") == len(told["modes"])
    code, out, err = run(capsys, "--knowledge", str(TINY), "--mode", "heater.burnt")
    assert (code, out) == (2, "")
    assert "there is no failure mode 'heater.burnt' on default (legal: battery.flat" in err


def git(folder: Path, *words: str) -> None:
    who = ("-c", "user.name=tester", "-c", "user.email=tester@example.invalid")
    subprocess.run(["git", "-C", str(folder), *who, *words], check=True, capture_output=True)


def test_check_compares_with_an_earlier_state(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A test taken away: what it alone told is told no more; by folder and by revision."""
    folder = copy_tiny(tmp_path)
    git(tmp_path, "init", "-q")
    git(tmp_path, "add", "-A")
    git(tmp_path, "commit", "-qm", "as it was")
    text = (folder / "tests" / "bench.yaml").read_text(encoding="utf-8")
    first = text.index("  - id: coil_ohms")
    end = text.find("\n  - id: ", first + 1)
    gone = text[first : end + 1 if end > 0 else len(text)]
    edit(folder, "tests/bench.yaml", gone, "")
    tables = []
    for earlier in (str(TINY), "HEAD"):
        options = ("--knowledge", str(folder), "--against", earlier)
        code, out, err = run(capsys, *options, "--json")
        assert (code, err) == (0, "")
        whole, default = json.loads(out)
        assert whole["rows"]["tests"] == {"before": 10, "after": 9}
        modes = default["rows"]["failure modes"]
        assert modes["before"] == modes["after"]
        assert default["rows"]["tests"]["after"] == default["rows"]["tests"]["before"] - 1
        assert default["lists"]["tests gone"] == ["coil_ohms"]
        tables.append((whole["rows"], default["rows"], default["lists"]))
        code, out, _ = run(capsys, *options)
        assert max(map(len, out.splitlines())) <= 80
        assert "-1" in out
    assert tables[0] == tables[1]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--against", "no-such-revision"), "is neither a folder nor a revision"),
        (("--against", "--output=x"), "is neither a folder nor a revision"),
        (("--against", "HEAD", "--mode", "all"), "exclude one another"),
        (("--mode", "all", "--all"), "goes with one --installation"),
    ],
)
def test_what_cannot_be_compared_is_one_line(
    options: tuple[str, ...], words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = copy_tiny(tmp_path)
    code, out, err = run(capsys, "--knowledge", str(folder), *options)
    assert (code, out) == (2, "")
    assert err.count("\n") == 1
    assert words in err
