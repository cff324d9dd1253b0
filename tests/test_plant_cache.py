"""The matrix cache: what its key follows, and that a bad file costs time and nothing else."""

import random
import re
import shutil
from concurrent.futures import ProcessPoolExecutor
from dataclasses import fields, is_dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pytest

from diagnose.cache import cache_folder
from diagnose.knowledge import asked_records, built_records, records
from diagnose.knowledge.load import load_knowledge
from diagnose.knowledge.records import KnowledgeBase
from diagnose.plant import cache
from diagnose.plant.cache import matrix_for, matrix_key
from diagnose.plant.compose import Installation, compose
from diagnose.plant.matrix import DependencyMatrix, MatrixBuilder
from tests.tiny import TINY, copy_tiny, edit, tiny

BENCH, TESTS = "installations/bench.yaml", "tests/bench.yaml"


def pair(folder: Path = TINY, **choices: str) -> tuple[KnowledgeBase, Installation]:
    """Knowledge and one installation."""
    kb = load_knowledge(folder)
    return kb, compose(kb, "bench", choices)


def same(first: DependencyMatrix, second: DependencyMatrix) -> bool:
    """Whether two matrices are equal to the last bit."""
    return (
        first.rows == second.rows
        and first.tests == second.tests
        and np.array_equal(first.p, second.p)
        and np.array_equal(first.sizes, second.sizes)
        and list(first.complaints) == list(second.complaints)
        and all(np.array_equal(first.complaints[c], second.complaints[c]) for c in first.complaints)
    )


@pytest.fixture(scope="module")
def built() -> DependencyMatrix:
    """The made-up installation's matrix, built without a cache."""
    return MatrixBuilder(*pair()).build()


def the_file(folder: Path) -> Path:
    """The one file of a cache folder, which must hold nothing else."""
    (path,) = folder.iterdir()
    return path


def test_built_once_then_read_to_the_last_bit(tmp_path: Path, built: DependencyMatrix) -> None:
    calls: list[tuple[int, int]] = []
    first = matrix_for(*pair(), lambda done, total: calls.append((done, total)), tmp_path)
    assert calls[0] == (0, len(first.rows))  # at once: the first rows may take long
    assert calls[-1] == (len(first.rows), len(first.rows))
    calls.clear()
    second = matrix_for(*pair(), lambda done, total: calls.append((done, total)), tmp_path)
    assert calls == []
    assert same(first, second)
    assert same(first, built)
    assert second.p.dtype == np.float64
    assert the_file(tmp_path).name == f"matrix-{matrix_key(*pair())}.npz"


@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        ("parts/battery.yaml", "rate: common", "rate: rare"),
        ("scales.yaml", "common: {value: 4 /Mh", "common: {value: 5 /Mh"),
        ("scales.yaml", "quick: {value: 1 min", "quick: {value: 2 min"),
        ("scales.yaml", "replace: {value: 30 min", "replace: {value: 90 min"),
        ("scales.yaml", "meter: {value: 4 %", "meter: {value: 9 %"),
        ("scales.yaml", "panel_to_roof: {value: 4 min", "panel_to_roof: {value: 9 min"),
        ("scales.yaml", "more: {value: 4 times", "more: {value: 3 times"),
        ("sources.yaml", "guess: {", "# a line more\nguess: {"),
        ("parts/battery.yaml", "tolerance: 5 %, source: invented", "tolerance: 5 %, source: guess"),
        ("parts/battery.yaml", "title: Battery flat", "title: Battery run down"),
        ("parts/battery.yaml", "remedy: Replace the battery.", "remedy: Charge it."),
        ("parts/button.yaml", "spares: [button]", "spares: [button, screws]"),
        ("parts/button.yaml", "intermittent: [touched]", "intermittent: [hot]"),
        (BENCH, "title: button pressed", "title: button held down"),
        (BENCH, "title: relay, where: panel", "title: the relay, where: roof"),
        (TESTS, "Measure across {here.cell}.", "Measure across both its poles."),
        (TESTS, "title: Voltage of the battery", "title: Volts of the battery"),
        (TESTS, "title: below 6 V", "title: run down"),
        (TESTS, "cautions: [capacitor_charge]", "by: licensed\n    cautions: [capacitor_charge]"),
        (TESTS, "at: panel\n    state: any", "at: roof\n    state: dead"),
        ("complaints.yaml", "says: It stays hot", "says: It keeps hot"),
        ("cautions.yaml", "text: Live parts", "text: Mind live parts"),
        ("questions.yaml", "button.left_out: more", "relay.welded: more"),
        ("rules/order.yaml", "reason: smoke", "reason: fumes"),
        ("signs/seen.yaml", "title: browned relay", "title: relay gone brown"),
    ],
)  # fmt: skip
def test_what_is_not_physics_keeps_the_key(tmp_path: Path, file: str, old: str, new: str) -> None:
    folder = copy_tiny(tmp_path)  # every place differs too: the files lie elsewhere
    edit(folder, file, old, new)
    assert load_knowledge(folder).digest != tiny().digest
    assert matrix_key(*pair(folder)) == matrix_key(*pair())


@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        ("parts/heater.yaml", "resistance: {value: 100 ohm", "resistance: {value: 101 ohm"),
        ("parts/heater.yaml", "100 ohm, tolerance: 10 %", "100 ohm, tolerance: 5 %"),
        ("parts/battery.yaml", "0.5 V .. 2 V", "0.5 V .. 3 V"),
        ("parts/battery.yaml", "0.5 V .. 2 V,", "0.5 V .. 2 V, log: yes,"),
        ("parts/relay.yaml", "off_below: drop_out", "off_below: pull_in"),
        ("parts/relay.yaml", "open: [coil]", "open: [contact]"),
        ("parts/button.yaml", "or state == 'stuck'\"\nfail", "or state != 'good'\"\nfail"),
        ("parts/button.yaml", "signs: {browned: mostly}", "signs: {browned: hardly}"),
        ("parts/outlet.yaml", "always: {supply: \"off\"}", "always: {finger: \"off\"}"),
        ("scales.yaml", "mostly: {value: 85 %", "mostly: {value: 80 %"),
        ("scales.yaml", "meter: {value: 1 %", "meter: {value: 2 %"),
        ("signs/seen.yaml", "background: hardly", "background: mostly"),
        (BENCH, "released, values: {finger: \"on", "released, values: {finger: \"off"),
        (BENCH, "button pressed, after: released", "button pressed"),
        (BENCH, "{a: plus, b: coil}\n", "{b: plus, a: coil}\n"),
        (TESTS, "below: 6 V", "below: 7 V"),
        (TESTS, "changing heater.hot", "changing relay.pulled_in"),
        (TESTS, "lift: [button.contact]", "lift: [relay.coil]"),
        (TESTS, "bridge: [button.a, button.b]", "bridge: [relay.c1, relay.c2]"),
        (TESTS, "{finger: \"on\"}", "{finger: \"off\"}"),
        (TESTS, "ohms: [heater.a, heater.b]", "ohms: [heater.a, heater.pe]"),
        ("complaints.yaml", "\"not heater.hot\"", "\"not relay.pulled_in\""),
    ],
)  # fmt: skip
def test_what_is_physics_changes_the_key(tmp_path: Path, file: str, old: str, new: str) -> None:
    folder = copy_tiny(tmp_path)
    edit(folder, file, old, new)
    assert matrix_key(*pair(folder)) != matrix_key(*pair())


def test_the_key_follows_the_variants_and_the_program(monkeypatch: pytest.MonkeyPatch) -> None:
    keys = {
        matrix_key(*pair()),
        matrix_key(*pair(second="fitted")),
        matrix_key(*pair(cell="small")),
    }
    assert len(keys) == 3
    assert re.fullmatch(r"[0-9a-f]{64}", matrix_key(*pair()))
    monkeypatch.setattr(cache, "_program", lambda: "another program")
    assert matrix_key(*pair()) not in keys


def test_fields_left_out_of_the_key_exist() -> None:
    for kind, names in cache.NOT_PHYSICS.items():
        assert is_dataclass(kind)
        assert set(names) <= {f.name for f in fields(kind)}, kind
    texts = {"title", "place", "says", "remedy", "do", "source"}
    shaping = (
        records.Part,
        records.Instance,
        records.TestSpec,
        records.Number,
        asked_records.Complaint,
    )
    for kind in (*shaping, records.FailureMode, built_records.Situation, records.Outcome):
        assert texts & {f.name for f in fields(kind)} <= set(cache.NOT_PHYSICS[kind])


def _damage(path: Path, how: str) -> None:
    data = path.read_bytes()
    rng = random.Random(how)
    if how == "empty":
        path.write_bytes(b"")
    elif how == "text":
        path.write_text("not a matrix\n", encoding="utf-8")
    elif how.startswith("cut"):
        path.write_bytes(data[: rng.randrange(1, len(data))])
    elif how.startswith("flipped"):
        spot = rng.randrange(len(data))
        path.write_bytes(data[:spot] + bytes([data[spot] ^ 0xFF]) + data[spot + 1 :])
    else:
        with np.load(path) as file:
            content = dict(file)
        if how == "pickled":
            content["rows"] = content["rows"].astype(object)
        elif how == "shape":
            content["p"] = content["p"][:, :-1]
        elif how == "nan":
            content["p"][0, 0, 0] = np.nan
        elif how == "sum":
            content["p"][0, 0] *= 0.5
        elif how == "rows":
            content["rows"][0] = "somebody.else"
        elif how == "missing":
            del content["sizes"]
        np.savez(path, **content)


KINDS_OF_DAMAGE = ["empty", "text", "pickled", "shape", "nan", "sum", "rows", "missing"]


@pytest.mark.parametrize("how", [*KINDS_OF_DAMAGE, "cut 1", "cut 2", "flipped"])
def test_a_damaged_file_is_built_anew_silently(
    tmp_path: Path, built: DependencyMatrix, how: str, capfd: pytest.CaptureFixture[str]
) -> None:
    matrix_for(*pair(), cache_dir=tmp_path)
    path = the_file(tmp_path)
    sound = path.read_bytes()
    _damage(path, how)
    assert same(matrix_for(*pair(), cache_dir=tmp_path), built)
    assert path.read_bytes() != b""
    assert same(matrix_for(*pair(), cache_dir=tmp_path), built)
    with np.load(path) as mended, np.load(_written(tmp_path / "sound.npz", sound)) as before:
        assert all(np.array_equal(mended[name], before[name]) for name in before)
    assert capfd.readouterr() == ("", "")


def _written(path: Path, data: bytes) -> Path:
    path.write_bytes(data)
    return path


def test_no_single_changed_byte_gives_another_matrix(
    tmp_path: Path, built: DependencyMatrix
) -> None:
    kb, installation = pair()
    key = matrix_key(kb, installation)
    matrix_for(kb, installation, cache_dir=tmp_path)
    path = the_file(tmp_path)
    data = path.read_bytes()
    refused = 0
    for spot in range(0, len(data), 3):
        path.write_bytes(data[:spot] + bytes([data[spot] ^ 0x5A]) + data[spot + 1 :])
        found = cache._read(path, key, built.rows)
        refused += found is None
        assert found is None or same(found, built)
    assert refused > len(data) / 6  # the rest are dates and names that nobody reads


def test_a_file_of_another_installation_is_not_taken(tmp_path: Path) -> None:
    matrix_for(*pair(cell="small"), cache_dir=tmp_path)
    other = the_file(tmp_path)
    mine = tmp_path / f"matrix-{matrix_key(*pair())}.npz"
    shutil.copy(other, mine)
    kb, installation = pair()
    assert cache._read(mine, matrix_key(kb, installation), (*installation.modes, "healthy")) is None
    assert same(matrix_for(kb, installation, cache_dir=tmp_path), MatrixBuilder(*pair()).build())


def test_a_folder_that_cannot_be_written_only_costs_time(
    tmp_path: Path, built: DependencyMatrix
) -> None:
    in_the_way = tmp_path / "file"
    in_the_way.write_text("here is no folder", encoding="utf-8")
    assert same(matrix_for(*pair(), cache_dir=in_the_way), built)
    assert in_the_way.read_text(encoding="utf-8") == "here is no folder"


def test_where_the_cache_lies(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DIAGNOSE_CACHE", str(tmp_path / "mine"))
    matrix_for(*pair())
    assert the_file(tmp_path / "mine").suffix == ".npz"
    assert cache_folder(tmp_path / "named") == tmp_path / "named"
    monkeypatch.delenv("DIAGNOSE_CACHE")
    monkeypatch.setattr("platformdirs.user_cache_path", lambda name, **_: tmp_path / name)
    assert cache_folder() == tmp_path / "diagnose"


def test_old_files_make_room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cache, "KEPT", 2)
    for cell in ("large", "small", "lone"):
        matrix_for(*pair(cell=cell), cache_dir=tmp_path)
    left = {path.name for path in tmp_path.iterdir()}
    assert left == {f"matrix-{matrix_key(*pair(cell=c))}.npz" for c in ("small", "lone")}


def _in_another_process(folder: str) -> bytes:
    return matrix_for(*pair(), cache_dir=Path(folder)).p.tobytes()


def test_writers_at_the_same_time_do_not_spoil_it(tmp_path: Path, built: DependencyMatrix) -> None:
    with ProcessPoolExecutor(3, mp_context=get_context("spawn")) as pool:
        results = list(pool.map(_in_another_process, [str(tmp_path)] * 6))
    assert set(results) == {built.p.tobytes()}
    assert the_file(tmp_path).name == f"matrix-{matrix_key(*pair())}.npz"
