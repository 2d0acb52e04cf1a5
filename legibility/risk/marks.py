"""Marks as arrays of character indices, grouped by their row structure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, ROW_SEPARATOR, split_mark

Structure: TypeAlias = tuple[int, int]
"""Characters of the first and of the second row; 0 for no second row."""
Codes: TypeAlias = NDArray[np.uint8]
"""(n, characters) indices 0..35 of both rows, one after the other."""

_BYTES: Final = 8
"""Characters that one unsigned number holds."""
_OTHER: Final = 255
_SEPARATOR: Final = 254
_LOOKUP: Final = np.full(256, _OTHER, dtype=np.uint8)
_LOOKUP[np.frombuffer(CHARACTERS.encode(), dtype=np.uint8)] = np.arange(len(CHARACTERS))
_LOOKUP[ord(ROW_SEPARATOR)] = _SEPARATOR
_LETTERS: Final = np.frombuffer(CHARACTERS.encode(), dtype=np.uint8)


@dataclass(frozen=True, slots=True)
class MarkGroup:
    """Different marks of one structure, in the order of their characters."""

    structure: Structure
    codes: Codes
    ids: NDArray[np.int64]
    """(n,) number of each mark in its :class:`MarkSet`."""


@dataclass(frozen=True, slots=True)
class MarkSet:
    """Different marks, numbered 0..n-1, and which of them each given mark is."""

    groups: tuple[MarkGroup, ...]
    of_given: NDArray[np.int64]
    """(given,) number of the mark that was given."""

    def __len__(self) -> int:
        return sum(len(group.ids) for group in self.groups)

    @property
    def carriers(self) -> NDArray[np.int64]:
        """(n,) how often each mark was given."""
        return np.bincount(self.of_given, minlength=len(self))

    def texts(self, numbers: NDArray[np.integer]) -> list[str]:
        """Marks as written."""
        starts = np.cumsum([0, *(len(group.ids) for group in self.groups)])
        which = np.searchsorted(starts, numbers, side="right") - 1
        out = []
        for number, group in zip(numbers, which, strict=True):
            found = self.groups[int(group)]
            letters = _LETTERS[found.codes[int(number) - starts[int(group)]]].tobytes().decode()
            cut = found.structure[0]
            rows = (letters[:cut], letters[cut:]) if found.structure[1] else (letters,)
            out.append(ROW_SEPARATOR.join(rows))
        return out


def mark_set(marks: Sequence[str] | NDArray[np.bytes_]) -> MarkSet:
    """Different marks among those given.

    Parameters
    ----------
    marks : sequence of str, or (n,) array of bytes
        Written marks, upper case, ``AB/123``.

    Raises
    ------
    ValueError
        If one of them is no mark (see ``alphabet.split_mark``).
    """
    texts = np.asarray(marks, dtype=np.bytes_)
    if not texts.size:
        return MarkSet((), np.zeros(0, dtype=np.int64))
    width = texts.dtype.itemsize
    raw = np.ascontiguousarray(texts).view(np.uint8).reshape(texts.size, width)
    codes = _LOOKUP[raw]
    lengths = (raw != 0).sum(axis=1)
    separators = (codes == _SEPARATOR).sum(axis=1)
    bad = ((codes == _OTHER) & (raw != 0)).any(axis=1) | (lengths == 0) | (separators > 1)
    at = np.where(separators == 1, (codes == _SEPARATOR).argmax(axis=1), lengths)
    bad |= (separators == 1) & ((at == 0) | (at == lengths - 1))
    for index in np.flatnonzero(bad)[:1]:
        split_mark(texts[index].decode("ascii", "replace"))
        raise ValueError(f"{texts[index]!r} is no mark")
    first, second = at, np.where(separators == 1, lengths - at - 1, 0)
    of_given = np.empty(texts.size, dtype=np.int64)
    groups, start = [], 0
    kinds = first * 64 + second
    for kind in np.unique(kinds):
        rows = np.flatnonzero(kinds == kind)
        structure = (int(kind) // 64, int(kind) % 64)
        places = [*range(structure[0]), *range(structure[0] + 1, structure[0] + 1 + structure[1])]
        unique, inverse = distinct(codes[rows][:, places])
        of_given[rows] = inverse + start
        groups.append(MarkGroup(structure, unique, np.arange(start, start + len(unique))))
        start += len(unique)
    return MarkSet(tuple(groups), of_given)


def distinct(codes: Codes) -> tuple[Codes, NDArray[np.int64]]:
    """Different rows of an array in ascending order, and which of them each row is."""
    count, width = codes.shape
    if width <= _BYTES:
        # As one number each, which sorts many times faster than rows of bytes.
        wide = np.zeros((count, _BYTES), dtype=np.uint8)
        wide[:, _BYTES - width :] = codes
        numbers, inverse = np.unique(
            wide.view(">u8").ravel().astype(np.uint64), return_inverse=True
        )
        unpacked = numbers.astype(">u8").view(np.uint8).reshape(-1, _BYTES)
        return np.ascontiguousarray(unpacked[:, _BYTES - width :]), inverse.astype(np.int64)
    packed = np.ascontiguousarray(codes).view(np.dtype((np.void, width))).ravel()
    unique, inverse = np.unique(packed, return_inverse=True)
    return unique.view(np.uint8).reshape(-1, width), inverse.astype(np.int64)
