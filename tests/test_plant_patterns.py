"""Switch patterns told apart and remembered, against a dictionary of their flags."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from diagnose.plant import patterns
from diagnose.plant.patterns import Remembered, distinct, words_of

FLAGS = 83


def drawn(seed: int, rows: int) -> tuple[NDArray[np.int_], NDArray[np.bool_], list[object]]:
    """Lanes, flags, and the same as keys of a dictionary; few enough kinds to meet again."""
    rng = np.random.default_rng(seed)
    kinds = np.random.default_rng(0).random((40, FLAGS)) < 0.5
    names, on = rng.integers(-6, 6, rows), kinds[rng.integers(0, len(kinds), rows)]
    return names, on, [(int(n), row.tobytes()) for n, row in zip(names, on, strict=True)]


def one_hash(words: patterns.Words) -> NDArray[np.uint64]:
    return np.zeros(len(words), dtype=np.uint64)


@pytest.mark.parametrize("collide", [False, True])
def test_patterns_are_told_apart_as_a_dictionary_does(
    collide: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    if collide:
        monkeypatch.setattr(patterns, "_hashes", one_hash)
    names, on, keys = drawn(1, 500)
    first, places = distinct(words_of(names, on))
    assert [keys[k] for k in first] == list(dict.fromkeys(keys))
    assert [keys[first[place]] for place in places] == keys


@pytest.mark.parametrize("collide", [False, True])
def test_what_is_found_is_what_was_added(collide: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    if collide:
        monkeypatch.setattr(patterns, "_hashes", one_hash)
    known = Remembered(words_of(*drawn(0, 1)[:2]).shape[1], np.zeros(0, dtype=object))
    added: set[object] = set()
    for seed in range(6):
        names, on, keys = drawn(seed, 60)
        words = words_of(names, on)
        places = known.find(words)
        found = known.rows(places[places >= 0])[0].tolist()
        assert found == [key for key, place in zip(keys, places, strict=True) if place >= 0]
        if not collide:  # else some are solved again, but none is taken for another
            assert [key in added for key in keys] == (places >= 0).tolist()
        first, _ = distinct(words)
        new = first[places[first] < 0]
        rows = np.empty(len(new), dtype=object)
        rows[:] = [keys[k] for k in new]
        known = known.copy()
        known.add(words[new], rows)
        added.update(keys)
    assert len(added) > 200
