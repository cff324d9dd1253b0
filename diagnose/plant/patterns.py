"""Switch patterns as rows of whole words: told apart, and looked up, many at once.

Rows are compared by a hash first and by all of their words afterwards, so that two patterns that
happen to have one hash are never taken for each other.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Words = NDArray[np.uint64]
"""(rows, words) of 64 bits."""
Indices = NDArray[np.int_]
FACTOR = np.uint64(0x9E3779B97F4A7C15)
"""2⁶⁴ over the golden ratio, odd: what multiplicative hashing takes (Knuth, recalled)."""
FOLD = np.uint64(29)


def words_of(names: Indices, on: NDArray[np.bool_]) -> Words:
    """A whole number and the flags (rows, flags) of each row in as few words as hold them."""
    flags = np.packbits(on, axis=1)
    width = 8 * -(-flags.shape[1] // 8)
    packed = np.zeros((len(on), 8 + width), dtype=np.uint8)
    packed[:, :8] = names.astype(np.int64).view(np.uint8).reshape(-1, 8)
    packed[:, 8 : 8 + flags.shape[1]] = flags
    return packed.view(np.uint64)


def _hashes(words: Words) -> NDArray[np.uint64]:
    result = np.zeros(len(words), dtype=np.uint64)
    for k in range(words.shape[1]):
        result = (result ^ words[:, k]) * FACTOR
        result ^= result >> FOLD
    return result


def distinct(words: Words) -> tuple[Indices, Indices]:
    """Rows that stand for all the others, in order, and for each row its place among them."""
    _, first, places = np.unique(_hashes(words), return_index=True, return_inverse=True)
    if not np.array_equal(words[first][places], words):  # one hash, two patterns
        _, first, places = np.unique(words, axis=0, return_index=True, return_inverse=True)
    order = np.argsort(first)
    turned = np.empty_like(order)
    turned[order] = np.arange(len(order))
    return first[order], turned[places.reshape(-1)]


class Remembered:
    """Patterns, each with its rows of some arrays; what is added stays where it is."""

    def __init__(self, width: int, *blank: NDArray[Any]) -> None:
        """`width`: words of a pattern; `blank`: arrays of no rows, for their shape and kind."""
        self.count = 0
        self._words: Words = np.zeros((0, width), dtype=np.uint64)
        self._arrays = list(blank)
        self._sorted = np.zeros(0, dtype=np.uint64)
        self._places: Indices = np.zeros(0, dtype=np.int_)

    def copy(self) -> Remembered:
        """The same patterns, to be added to on its own."""
        other = Remembered(0)
        other.count = self.count
        other._words = self._words[: self.count].copy()
        other._arrays = [array[: self.count].copy() for array in self._arrays]
        other._sorted, other._places = self._sorted, self._places
        return other

    def find(self, words: Words) -> Indices:
        """The place of each pattern, -1 where it is not known, (rows,)."""
        if not self.count:
            return np.full(len(words), -1)
        hashes = _hashes(words)
        at = np.minimum(np.searchsorted(self._sorted, hashes), self.count - 1)
        places = self._places[at]
        known = (self._words[places] == words).all(axis=1)
        return np.where(known, places, -1)

    def add(self, words: Words, *rows: NDArray[Any]) -> Indices:
        """Add patterns that are not known; their places, (rows,)."""
        places = np.arange(self.count, self.count + len(words))
        self.count += len(words)
        self._words = _grown(self._words, places, words)
        self._arrays = [_grown(a, places, r) for a, r in zip(self._arrays, rows, strict=True)]
        hashes = _hashes(words)
        order = np.argsort(hashes)
        at = np.searchsorted(self._sorted, hashes[order])
        self._sorted = np.insert(self._sorted, at, hashes[order])
        self._places = np.insert(self._places, at, places[order])
        return places

    def rows(self, places: Indices) -> list[NDArray[Any]]:
        """What was added with the patterns at these places, (rows, ...) each."""
        return [array[places] for array in self._arrays]


def _grown(array: NDArray[Any], places: Indices, rows: NDArray[Any]) -> NDArray[Any]:
    """The array with rows put at places beyond its used part; made larger by half where full."""
    needed = int(places[-1]) + 1 if len(places) else 0
    if needed > len(array):
        larger = np.zeros((max(needed, len(array) * 3 // 2), *array.shape[1:]), dtype=array.dtype)
        larger[: len(array)] = array
        array = larger
    array[places] = rows
    return array
