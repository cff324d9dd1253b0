"""The knowledge kept on disk: alike to the last place, never stale, only ever a saving of time."""

import hashlib
import ntpath
import os
import pickle
import random
import sys
from collections.abc import Callable
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import pytest

from diagnose.cache import keep
from diagnose.cli.common import load
from diagnose.errors import DiagnoseError, Place
from diagnose.knowledge import cache
from diagnose.knowledge.cache import knowledge_for
from diagnose.knowledge.folder import PATTERNS, digest_of, find_knowledge, shown_name
from diagnose.knowledge.load import load_knowledge
from diagnose.knowledge.reading import Text
from diagnose.knowledge.records import KnowledgeBase
from tests.tiny import TINY, copy_tiny, edit, place_of, shown_place


def same(one: Any, two: Any) -> bool:
    """Whether two records are alike all the way down, the places of their texts included."""
    if type(one) is not type(two):
        return False
    if is_dataclass(one):
        return all(same(getattr(one, f.name), getattr(two, f.name)) for f in fields(one))
    if isinstance(one, dict):
        return same(list(one.items()), list(two.items()))
    if isinstance(one, list | tuple):
        return len(one) == len(two) and all(map(same, one, two))
    return bool(one == two) and (not isinstance(one, Text) or bool(one.place == two.place))


def the_file(folder: Path) -> Path:
    """The one file of a cache folder, which must hold nothing else."""
    (path,) = folder.iterdir()
    return path


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A copy of the made-up knowledge."""
    return copy_tiny(tmp_path)


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    """A cache folder that is not there yet."""
    return tmp_path / "cache"


@pytest.fixture
def reads(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """The folders that were read from their files, in order."""
    done: list[Path] = []
    really = cache._load

    def noted(root: Path) -> KnowledgeBase:
        done.append(root)
        return really(root)

    monkeypatch.setattr(cache, "_load", noted)
    return done


@pytest.mark.parametrize("root", [TINY, find_knowledge()], ids=["made up", "shipped"])
def test_what_is_kept_is_what_was_read(root: Path, kept: Path, reads: list[Path]) -> None:
    fresh = load_knowledge(root)
    assert same(knowledge_for(root, kept), fresh)
    assert reads == [root]
    again = knowledge_for(root, kept)
    assert reads == [root]
    assert same(again, fresh)
    assert again == fresh
    assert digest_of(root) == fresh.digest
    assert the_file(kept).name.startswith("knowledge-")


def test_the_comparison_sees_a_place() -> None:
    one, two = (Text("a", Place("f", line, 1)) for line in (1, 2))
    assert one == two
    assert not same({"k": (one,)}, {"k": (two,)})
    assert same({"k": (one,)}, {"k": (Text("a", Place("f", 1, 1)),)})


FILES = [
    next(iter(sorted(TINY.glob(pattern)))).relative_to(TINY).as_posix() for pattern in PATTERNS
]


@pytest.mark.parametrize("file", FILES)
def test_a_changed_file_is_noticed_at_once(
    folder: Path, kept: Path, reads: list[Path], file: str
) -> None:
    before = knowledge_for(folder, kept)
    path = folder / file
    stat = path.stat()
    path.write_bytes(b"# a line more\n" + path.read_bytes())
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))  # the clock does not matter
    after = knowledge_for(folder, kept)
    assert len(reads) == 2
    assert same(after, load_knowledge(folder))
    assert not same(before, after)


def test_a_file_more_or_less_is_noticed(folder: Path, kept: Path, reads: list[Path]) -> None:
    knowledge_for(folder, kept)
    text = (folder / "parts" / "battery.yaml").read_text(encoding="utf-8")
    spare = folder / "parts" / "spare.yaml"
    spare.write_text(text.replace("id: battery", "id: spare"), encoding="utf-8")
    assert "spare" in knowledge_for(folder, kept).parts
    spare.unlink()
    assert "spare" not in knowledge_for(folder, kept).parts
    assert len(reads) == 2  # the last one was still kept


def test_an_error_comes_from_the_files_with_its_place(folder: Path, kept: Path) -> None:
    knowledge_for(folder, kept)
    edit(folder, "parts/battery.yaml", "title: Battery flat", "titel: Battery flat")
    for _ in range(2):
        with pytest.raises(DiagnoseError) as caught:
            knowledge_for(folder, kept)
        places = [shown_place(folder, issue.place) for issue in caught.value.issues]
        assert place_of(folder, "parts/battery.yaml", "titel") in places
    assert len(list(kept.iterdir())) == 1  # nothing of it was kept
    edit(folder, "parts/battery.yaml", "titel: Battery flat", "title: Battery flat")
    assert same(knowledge_for(folder, kept), load_knowledge(folder))


def test_places_follow_the_folder_from_which_it_is_run(
    folder: Path, kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shown = set()
    for here in (folder.parent, folder):
        monkeypatch.chdir(here)
        place = knowledge_for(folder, kept).parts["battery"].place
        assert place is not None
        shown.add(place.file)
    assert shown == {"knowledge/parts/battery.yaml", "parts/battery.yaml"}


def test_a_file_that_changes_while_it_is_read_is_not_kept(
    folder: Path, kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def slowly(root: Path) -> KnowledgeBase:
        edit(root, "complaints.yaml", "says: It stays hot", "says: It keeps hot")
        return load_knowledge(root)

    monkeypatch.setattr(cache, "_load", slowly)
    knowledge_for(folder, kept)
    assert not kept.exists()


@pytest.mark.parametrize("what", ["format", "program", "python"])
def test_another_program_reads_anew(
    folder: Path, kept: Path, reads: list[Path], monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    knowledge_for(folder, kept)
    if what == "format":
        monkeypatch.setattr(cache, "FORMAT", cache.FORMAT + 1)
    elif what == "program":
        monkeypatch.setattr(cache, "_program", lambda: "another program")
    else:
        monkeypatch.setattr(sys, "version", "4.0.0")
    knowledge_for(folder, kept)
    assert len(reads) == 2


class Touching:
    """Pickles to a call that makes a file."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __reduce__(self) -> tuple[Callable[..., Any], tuple[str, int]]:
        return (os.mkdir, (str(self.path), 0o700))


def sealed(path: Path, content: bytes) -> bytes:
    """Content under the right checksum for a file's name."""
    key = path.stem.partition("-")[2]
    return hashlib.sha256(key.encode() + content).digest() + content


def damage(path: Path, how: str) -> None:
    """Spoil a kept file."""
    data = path.read_bytes()
    content = data[cache.CHECKSUM :]
    spot = random.Random(how).randrange(len(data))
    path.write_bytes(
        {
            "empty": b"",
            "text": b"no knowledge at all\n",
            "cut": data[:spot],
            "flipped": data[:spot] + bytes([data[spot] ^ 0x10]) + data[spot + 1 :],
            "sealed cut": sealed(path, content[: len(content) // 2]),
            "another record": sealed(path, pickle.dumps(Place("f", 1, 1))),
            "another digest": sealed(path, content.replace(digest_of(TINY).encode(), b"0" * 64)),
            "a call": sealed(path, pickle.dumps(Touching(path.parent.parent / "called"))),
        }[how]
    )


DAMAGE = ["empty", "text", "cut", "flipped"]
FOREIGN = ["sealed cut", "another record", "another digest", "a call"]


@pytest.mark.parametrize("how", DAMAGE + FOREIGN)
def test_a_damaged_file_only_costs_time(
    kept: Path, reads: list[Path], how: str, capfd: pytest.CaptureFixture[str]
) -> None:
    fresh = knowledge_for(TINY, kept)
    path = the_file(kept)
    sound = path.read_bytes()
    damage(path, how)
    assert path.read_bytes() != sound
    assert same(knowledge_for(TINY, kept), fresh)
    assert len(reads) == 2
    assert the_file(kept).read_bytes() == sound
    assert same(knowledge_for(TINY, kept), fresh)
    assert len(reads) == 2
    assert not (kept.parent / "called").exists()
    assert capfd.readouterr() == ("", "")


def test_the_call_would_be_made_by_a_plain_unpickler(tmp_path: Path) -> None:
    pickle.loads(pickle.dumps(Touching(tmp_path / "called")))
    assert (tmp_path / "called").is_dir()


def test_a_file_under_another_name_is_not_taken(
    folder: Path, kept: Path, reads: list[Path]
) -> None:
    knowledge_for(folder, kept)
    other = the_file(kept)
    edit(folder, "complaints.yaml", "says: It stays hot", "says: It keeps hot")
    changed = knowledge_for(folder, kept)
    (mine,) = set(kept.iterdir()) - {other}
    mine.write_bytes(other.read_bytes())
    assert same(knowledge_for(folder, kept), changed)
    assert len(reads) == 3


@pytest.mark.parametrize("how", ["a file in its way", "read-only", "in nowhere"])
def test_a_folder_that_cannot_be_written_only_costs_time(
    tmp_path: Path, kept: Path, how: str
) -> None:
    if how == "a file in its way":
        kept.write_text("here is no folder", encoding="utf-8")
    elif how == "read-only":
        kept.mkdir(mode=0o500)
    else:
        kept = Path(os.devnull) / "cache"
    fresh = load_knowledge(TINY)
    for _ in range(2):
        assert same(knowledge_for(TINY, kept), fresh)


def test_a_full_disk_leaves_nothing_behind(kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(self: Path, target: Path) -> Path:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    assert same(knowledge_for(TINY, kept), load_knowledge(TINY))
    assert list(kept.iterdir()) == []


def test_an_interrupt_leaves_nothing_behind(tmp_path: Path) -> None:
    def write(file: object) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        keep(tmp_path / "kind-key.bin", write, 3)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_on_another_drive(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(ValueError, match="path is on mount"):  # as Windows has it
        ntpath.relpath("D:\\knowledge", "C:\\work")
    monkeypatch.setattr("os.path.relpath", lambda path: ntpath.relpath("D:\\k", "C:\\work"))
    assert shown_name(tmp_path) == str(tmp_path)


def test_old_files_make_room(folder: Path, kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cache, "KEPT", 2)
    kept.mkdir()
    (kept / "matrix-1.npz").touch()
    for k in range(4):
        path = folder / "complaints.yaml"
        path.write_bytes(b"# once more\n" + path.read_bytes())
        knowledge_for(folder, kept)
        newest = max(kept.glob("knowledge-*"), key=lambda p: p.stat().st_mtime_ns)
        os.utime(newest, (k + 1, k + 1))
    assert len(list(kept.glob("knowledge-*"))) == 2
    assert (kept / "matrix-1.npz").exists()


def test_the_commands_take_it_from_the_cache(
    folder: Path, kept: Path, reads: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("DIAGNOSE_CACHE", str(kept))
    first, second = load(str(folder)), load(str(folder))
    assert reads == [folder]
    assert same(first, second)
    (folder / "complaints.yaml").unlink()
    assert not load(str(folder)).complaints
