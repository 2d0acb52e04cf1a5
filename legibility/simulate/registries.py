"""Registries of any size that an animal with a given mark may stand in.

The animal is one of the herd like any other: the others are built the same way as it, or in one of
a few ways of which its own is one. Numbers run on (neighbours differ in the last character) or are
scattered, and a quarter of the marks are near-twins of another one. Leaving the animal out gives a
registry in which it is not registered, with its near-twin still there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import ROW_SEPARATOR
from legibility.simulate.herd import NEAR_TWINS, TWIN_SHARE
from legibility.simulate.scene import sample_mark

HAS_TWIN: Final = 0.45
"""Choice, by ``TWIN_SHARE``: it is a twin itself (0.25) or has one (0.75 (1 - exp(-1 / 3)))."""
MOST_SHAPES: Final = 4
"""Choice: ways of building marks in one herd."""
FULLEST: Final = 0.5
"""Choice: a herd uses at most this share of the marks that a way of building them allows."""
MOST_SPREAD: Final = 1000.0
"""Choice: numbers are drawn from a range 2 to this many times as wide as there are animals."""

_LETTERS: Final = 26
_DIGITS: Final = 10
_WIDEST: Final = 2**60
_TRIES: Final = 30

_TWIN_OF: Final = np.zeros(256, dtype=np.uint8)
for _a, _b in NEAR_TWINS.items():
    _TWIN_OF[ord(_a)] = ord(_b)


@dataclass(frozen=True, slots=True)
class SimulatedRegistry:
    """Marks of a herd, all different."""

    marks: NDArray[np.bytes_]
    """(n,)"""
    own: int
    """Index of the animal it was made around."""


def simulated_registry(
    rng: np.random.Generator, mark: str, *, animals: int
) -> SimulatedRegistry | None:
    """A herd of ``animals`` in which one carries ``mark``.

    Parameters
    ----------
    rng : Generator
    mark : str
        As written, ``AB/123``.
    animals : int
        At least 2.

    Returns
    -------
    SimulatedRegistry or None
        None when marks built like this one are too few for such a herd.
    """
    shapes = _shapes(rng, mark, animals)
    if not shapes:
        return None
    share = -(-animals // len(shapes))
    own = np.array([mark], dtype=f"S{max(map(len, shapes))}")
    found = [_drawn(rng, shape, share) for shape in shapes]
    marks = _different(np.concatenate([m.astype(own.dtype) for m in found]), own[0])
    rng.shuffle(marks)
    marks = marks[: animals - 1]
    twins = round(TWIN_SHARE * marks.size)
    if rng.random() < HAS_TWIN:
        marks[-1:] = _twinned(rng, own)
    if twins:
        models = rng.choice(marks.size, size=twins)
        marks[:twins] = _twinned(rng, marks[models])
    marks = _different(marks, own[0])
    for _ in range(_TRIES):
        if marks.size >= animals - 1:
            break
        shape = shapes[int(rng.integers(len(shapes)))]
        more = _drawn(rng, shape, share).astype(own.dtype)
        marks = np.concatenate([marks, _different(more, own[0])])
        marks = marks[np.sort(np.unique(marks, return_index=True)[1])]
    marks = marks[: animals - 1]
    place = int(rng.integers(marks.size + 1))
    return SimulatedRegistry(np.insert(marks, place, own[0]), place)


def _shapes(rng: np.random.Generator, mark: str, animals: int) -> list[str]:
    """Marks whose way of building them the herd uses, the given one first; empty: impossible."""
    wanted = int(rng.integers(1, MOST_SHAPES + 1))
    fewest = int(np.ceil(animals / (FULLEST * _capacity(mark))))
    if fewest > MOST_SHAPES:
        return []
    wanted = max(wanted, fewest)
    shapes = [mark]
    for _ in range(_TRIES * wanted):
        if len(shapes) == wanted:
            break
        other = sample_mark(rng)
        if _capacity(other) * FULLEST >= animals / wanted:
            shapes.append(other)
    return shapes if len(shapes) >= fewest else []


def _radices(mark: str) -> list[int]:
    return [_LETTERS if c.isalpha() else _DIGITS for c in mark if c != ROW_SEPARATOR]


def _capacity(mark: str) -> int:
    total = 1
    for radix in _radices(mark):
        total = min(total * radix, _WIDEST)
    return total


def _drawn(rng: np.random.Generator, mark: str, count: int) -> NDArray[np.bytes_]:
    """Up to ``count`` different marks numbered near ``mark``, in random order."""
    capacity = _capacity(mark)
    spread = float(np.exp(rng.uniform(np.log(2.0), np.log(MOST_SPREAD))))
    width = int(min(capacity, max(2.0, count * spread)))
    place = _number(mark, capacity)
    start = int(rng.integers(max(0, place - width + 1), min(place, capacity - width) + 1))
    if width <= 4 * count:
        numbers = rng.permutation(width)[:count]
    else:
        numbers = np.unique(rng.integers(width, size=count + count // 2))
        numbers = rng.permutation(numbers)[:count]
    return _written(mark, start + numbers.astype(np.int64))


def _number(mark: str, capacity: int) -> int:
    number = 0
    for character in mark:
        if character != ROW_SEPARATOR:
            radix = _LETTERS if character.isalpha() else _DIGITS
            digit = ord(character) - ord("A" if character.isalpha() else "0")
            number = number * radix + digit
    return number % capacity


def _written(mark: str, numbers: NDArray[np.int64]) -> NDArray[np.bytes_]:
    """Marks built like ``mark`` with these numbers, last character fastest."""
    text = np.tile(np.frombuffer(mark.encode(), dtype=np.uint8), (numbers.size, 1))
    rest = numbers.copy()
    for place in range(len(mark) - 1, -1, -1):
        if mark[place] == ROW_SEPARATOR:
            continue
        radix, first = (_LETTERS, ord("A")) if mark[place].isalpha() else (_DIGITS, ord("0"))
        text[:, place] = first + rest % radix
        rest //= radix
    return np.ascontiguousarray(text).view(f"S{len(mark)}").ravel()


def _twinned(rng: np.random.Generator, marks: NDArray[np.bytes_]) -> NDArray[np.bytes_]:
    """Each mark with one character exchanged for one easily taken for it, where there is one."""
    width = marks.dtype.itemsize
    text = np.ascontiguousarray(marks).view(np.uint8).reshape(marks.size, width).copy()
    other = _TWIN_OF[text]
    order = np.where(other > 0, rng.random(text.shape), -1.0)
    place = order.argmax(axis=1)
    rows = np.arange(marks.size)
    can = order[rows, place] >= 0
    text[rows[can], place[can]] = other[rows[can], place[can]]
    return np.ascontiguousarray(text).view(f"S{width}").ravel()


def _different(marks: NDArray[np.bytes_], own: np.bytes_) -> NDArray[np.bytes_]:
    """Without repetitions and without ``own``, in the order given."""
    kept = marks[np.sort(np.unique(marks, return_index=True)[1])]
    return np.asarray(kept[kept != own])
