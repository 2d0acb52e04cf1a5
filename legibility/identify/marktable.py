"""Marks of a registry as arrays that one pass of arithmetic can score.

Every different row of characters is stored once. For scoring, a row is cut in the middle; the
halves are nodes of two prefix trees (the left halves read forwards, the right halves backwards),
so that rows which begin or end alike share their arithmetic. A row as it looks with the two
characters at the cut exchanged has its own pair of nodes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, LONGEST_ROW, N_CHARACTERS, ROW_SEPARATOR
from legibility.identify.channel import IS_TURNABLE

Ids: TypeAlias = NDArray[np.int32]
Keys: TypeAlias = NDArray[np.uint64]
"""A string of characters as digits 1..36 of a number to the base 37, first character first."""

BASE: Final = 37
LONGEST_PIECE: Final = 3
"""Arithmetic: 36**3 strings fit 16 bits, and their states a processor's cache."""
_LONGEST_MARK: Final = 2 * LONGEST_ROW + 1
_PAD: Final = 0
_SEPARATOR: Final = 255
_CODES: Final = np.zeros(256, dtype=np.uint8)
_CODES[np.frombuffer(CHARACTERS.encode(), dtype=np.uint8)] = np.arange(1, BASE)
_CODES[ord(ROW_SEPARATOR)] = _SEPARATOR


@dataclass(frozen=True, slots=True)
class PrefixTree:
    """Nodes level by level; node 0 is the empty string."""

    keys: Keys
    """(n,) ascending, hence level by level."""
    parent: Ids
    """(n,); of the root 0."""
    last: NDArray[np.uint8]
    """(n,) index of the last character; of the root 0."""
    level_start: tuple[int, ...]
    """First node of each level, and ``n``."""


@dataclass(frozen=True, slots=True)
class MarkTable:
    """All marks of a registry; one entry per animal refers to the different rows."""

    row_keys: Keys
    """(r,) ascending keys of the different rows."""
    characters: NDArray[np.uint8]
    """(r,) number of characters of each row."""
    turnable: NDArray[np.uint8]
    """(r,) how many of them make another character when their die is turned."""
    unequal_pairs: NDArray[np.uint8]
    """(r,) neighbouring pairs of different characters."""
    left: PrefixTree
    right: PrefixTree
    left_node: Ids
    """(r,) node of the left half."""
    right_node: Ids
    """(r,) node of the right half, read backwards."""
    swapped_left: Ids
    """(r,) the same with the two characters at the cut exchanged."""
    swapped_right: Ids
    swap_at_cut: NDArray[np.bool_]
    """(r,) whether there are two different characters at the cut."""
    pieces: tuple[NDArray[np.uint16], ...]
    """Each (r,): pieces of each row, see :func:`piece_lengths`, as numbers to the base 36, first
    character first; 0 for a piece that a row does not have."""
    piece_rows: tuple[tuple[int, int], ...]
    """(first, second) most rows of 0, 1, 2, ... characters that share their first or second piece.
    """
    first_row: Ids
    """(n,) row of each animal."""
    second_row: Ids
    """(n,) second row of each animal, -1 for none."""
    mark_keys: NDArray[np.int64]
    """(n,) ascending ``first_row * (r + 1) + second_row + 1``."""
    mark_order: Ids
    """(n,) animal of each entry of ``mark_keys``."""

    def __len__(self) -> int:
        return int(self.first_row.size)

    def animal_keys(self) -> tuple[Keys, Keys]:
        """(n,) keys of each animal's rows; 0 for no second row."""
        rows = np.concatenate([self.row_keys, np.zeros(1, dtype=np.uint64)])
        return rows[self.first_row], rows[self.second_row]

    def of_animals(self, animals: NDArray[np.integer]) -> MarkTable:
        """Table of some of the animals, in the order given."""
        first, second = self.animal_keys()
        return _table(first[animals], second[animals])

    def lengths(self) -> list[tuple[int, slice]]:
        """Numbers of characters that there are, with the rows that have so many."""
        least = [np.uint64(BASE**length // (BASE - 1)) for length in range(1, LONGEST_ROW + 2)]
        starts = np.searchsorted(self.row_keys, least)
        return [
            (length, slice(int(start), int(stop)))
            for length, (start, stop) in enumerate(pairwise(starts), start=1)
            if start < stop
        ]

    def row_text(self, row: int) -> str:
        """Characters of one of the different rows."""
        key, text = int(self.row_keys[row]), ""
        while key:
            key, digit = divmod(key, BASE)
            text = CHARACTERS[digit - 1] + text
        return text

    def row_characters(self, rows: NDArray[np.integer], length: int) -> NDArray[np.int64]:
        """(k, length) indices of the characters of some of the different rows, all this long."""
        powers = np.uint64(BASE) ** np.arange(length - 1, -1, -1, dtype=np.uint64)
        digits = self.row_keys[rows][:, None] // powers % np.uint64(BASE)
        return np.asarray(digits.astype(np.int64) - 1)

    def mark_text(self, animal: int) -> str:
        """Mark of an animal as written."""
        rows = [self.row_text(int(self.first_row[animal]))]
        if self.second_row[animal] >= 0:
            rows.append(self.row_text(int(self.second_row[animal])))
        return ROW_SEPARATOR.join(rows)

    def carriers(self, rows: NDArray[np.integer]) -> NDArray[np.int64]:
        """(k,) animals, ascending, whose mark is one of these rows alone."""
        keys = rows.astype(np.int64) * (self.row_keys.size + 1)
        starts = np.searchsorted(self.mark_keys, keys)
        stops = np.searchsorted(self.mark_keys, keys, side="right")
        places = [np.arange(start, stop) for start, stop in zip(starts, stops, strict=True)]
        return np.sort(self.mark_order[np.concatenate(places)]).astype(np.int64)

    def shared_rows(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """(k,) ascending rows that alone are the mark of several animals, and of how many more than
        one."""
        if self.row_keys.size >= len(self):
            return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
        again = self.mark_keys[1:][self.mark_keys[1:] == self.mark_keys[:-1]]
        rows, more = np.unique(again, return_counts=True)
        alone = rows % (self.row_keys.size + 1) == 0
        return rows[alone] // (self.row_keys.size + 1), more[alone]

    def find(self, mark: str) -> Ids:
        """(k,) animals that carry a mark, ascending; empty when none does.

        A mark in one row, here or in the table, says nothing of rows: it is found in any.
        """
        rows = mark.split(ROW_SEPARATOR)
        if len(rows) > 2 or not all(rows):
            return np.zeros(0, dtype=np.int32)
        text = "".join(rows)
        splits = [len(rows[0])] if len(rows) == 2 else range(1, len(text))
        ids = self._row_ids([text, *(part for k in splits for part in (text[:k], text[k:]))])
        first, second = np.append(ids[0], ids[1::2]), np.append(-1, ids[2::2])
        is_mark = (first >= 0) & (second >= 0)
        is_mark[0] = first[0] >= 0
        keys = (first * (self.row_keys.size + 1) + second + 1)[is_mark]
        starts = np.searchsorted(self.mark_keys, keys)
        stops = np.searchsorted(self.mark_keys, keys, side="right")
        found = [self.mark_order[i:j] for i, j in zip(starts, stops, strict=True)]
        return np.unique(np.concatenate([self.mark_order[:0], *found]))

    def _row_ids(self, rows: Sequence[str]) -> NDArray[np.int64]:
        """(k,) different row that each text is; -1 where it is none."""
        keys = np.array([_row_key(row) for row in rows], dtype=np.uint64)
        places = np.searchsorted(self.row_keys, keys)
        return np.where(places < np.searchsorted(self.row_keys, keys, side="right"), places, -1)


def _row_key(row: str) -> int:
    """Key of a row of characters; 0, which is no row's, for any other text."""
    if len(row) > LONGEST_ROW or any(c not in CHARACTERS for c in row):
        return 0
    key = 0
    for character in row:
        key = key * BASE + CHARACTERS.index(character) + 1
    return key


def piece_lengths(characters: int) -> tuple[int, ...]:
    """How a row is cut into pieces: up to three characters at its ends, up to two between."""
    first = min(characters, LONGEST_PIECE)
    last = min(characters - first, LONGEST_PIECE)
    between = characters - first - last
    middles = [min(2, between - start) for start in range(0, between, 2)]
    return (first, *middles, last)


def exchanged(
    left: NDArray[np.uint16], right: NDArray[np.uint16], last: int
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Neighbouring pieces with the two characters at their cut exchanged.

    ``last`` is the number of characters of the right ones.
    """
    base, power = np.uint16(N_CHARACTERS), np.uint16(N_CHARACTERS ** (last - 1))
    rest, behind = left // base * base, right // power
    ahead = left - rest
    after = right - behind * power + ahead * power
    return (rest + behind).astype(np.intp), after.astype(np.intp)


def build_mark_table(marks: Sequence[str] | NDArray[np.bytes_]) -> MarkTable:
    """Table of well-formed, upper-case marks with at most ``LONGEST_ROW`` characters a row.

    Parameters
    ----------
    marks : sequence of str, or (n,) array of bytes
        One per animal, in the registry's order.
    """
    texts = np.asarray(marks, dtype=f"S{_LONGEST_MARK}")
    return _table(*_row_keys(texts))


def joined_tables(first: MarkTable, second: MarkTable) -> MarkTable:
    """Table of the animals of two tables, the first one's first."""
    keys = (first.animal_keys(), second.animal_keys())
    return _table(*(np.concatenate(part) for part in zip(*keys, strict=True)))


def _table(first_keys: Keys, second_keys: Keys) -> MarkTable:
    """Table from the keys of every animal's rows (0 = no second row)."""
    has_second = second_keys > 0
    row_keys, inverse = np.unique(
        np.concatenate([first_keys, second_keys[has_second]]), return_inverse=True
    )
    first_row = inverse[: first_keys.size].astype(np.int32)
    second_row = np.full(first_keys.size, -1, dtype=np.int32)
    second_row[has_second] = inverse[first_keys.size :]
    mark_keys = first_row.astype(np.int64) * (row_keys.size + 1) + second_row + 1
    order = np.argsort(mark_keys, kind="stable").astype(np.int32)

    digits = _digits(row_keys)
    characters = np.count_nonzero(digits, axis=1).astype(np.uint8)
    turnable = np.concatenate([[False], IS_TURNABLE])[digits].sum(axis=1)
    unequal = (digits[:, 1:] != digits[:, :-1]) & (digits[:, 1:] != _PAD)
    halves, swap_at_cut = _half_keys(digits, characters)
    pieces = _pieces(digits, characters)
    left = _tree(np.concatenate(halves[:2]))
    right = _tree(np.concatenate(halves[2:]))
    nodes = [
        np.searchsorted(tree.keys, keys).astype(np.int32)
        for tree, keys in zip((left, left, right, right), halves, strict=True)
    ]
    return MarkTable(
        row_keys=row_keys,
        characters=characters,
        turnable=turnable.astype(np.uint8),
        unequal_pairs=unequal.sum(axis=1).astype(np.uint8),
        left=left,
        right=right,
        left_node=nodes[0],
        swapped_left=nodes[1],
        right_node=nodes[2],
        swapped_right=nodes[3],
        swap_at_cut=swap_at_cut,
        pieces=pieces,
        piece_rows=_piece_rows(pieces, characters),
        first_row=first_row,
        second_row=second_row,
        mark_keys=mark_keys[order],
        mark_order=order,
    )


def _row_keys(texts: NDArray[np.bytes_]) -> tuple[Keys, Keys]:
    """Keys of the first and second rows (0 = none) of marks as bytes."""
    count = texts.size
    first, second = np.zeros(count, dtype=np.uint64), np.zeros(count, dtype=np.uint64)
    if not count:
        return first, second
    codes = _CODES[np.ascontiguousarray(texts).view(np.uint8).reshape(count, _LONGEST_MARK)]
    in_second = np.zeros(count, dtype=bool)
    for column in codes.T:
        is_character = (column != _PAD) & (column != _SEPARATOR)
        for keys, chosen in (
            (first, is_character & ~in_second),
            (second, is_character & in_second),
        ):
            np.copyto(keys, keys * np.uint64(BASE) + column, where=chosen, casting="unsafe")
        in_second |= column == _SEPARATOR
    return first, second


def _digits(keys: Keys) -> NDArray[np.uint8]:
    """(n, LONGEST_ROW) digits 1..36 of keys, left-justified, 0 after the last."""
    digits = np.zeros((keys.size, LONGEST_ROW), dtype=np.uint8)
    lengths = np.zeros(keys.size, dtype=np.int64)
    rest = keys.copy()
    while np.any(rest):
        lengths += rest > 0
        rest //= np.uint64(BASE)
    rest = keys.copy()
    for back in range(1, LONGEST_ROW + 1):
        rows = np.flatnonzero(lengths >= back)
        digits[rows, lengths[rows] - back] = rest[rows] % np.uint64(BASE)
        rest //= np.uint64(BASE)
    return digits


def _pieces(
    digits: NDArray[np.uint8], characters: NDArray[np.uint8]
) -> tuple[NDArray[np.uint16], ...]:
    lengths = {int(length): piece_lengths(int(length)) for length in np.unique(characters)}
    most = max((len(pieces) for pieces in lengths.values()), default=2)
    codes = tuple(np.zeros(characters.size, dtype=np.uint16) for _ in range(most))
    for length, pieces in lengths.items():
        # Keys ascend, so that rows of one length lie together.
        rows = slice(*np.searchsorted(characters, [length, length + 1]))
        place = 0
        for code, size in zip(codes, pieces, strict=False):
            for column in digits[rows, place : place + size].T:
                code[rows] = code[rows] * np.uint16(N_CHARACTERS) + (column - np.uint16(1))
            place += size
    return codes


def _piece_rows(
    pieces: tuple[NDArray[np.uint16], ...], characters: NDArray[np.uint8]
) -> tuple[tuple[int, int], ...]:
    starts = np.searchsorted(characters, np.arange(LONGEST_ROW + 2, dtype=np.uint8))
    most = []
    for start, stop in pairwise(starts):
        counts = [np.bincount(codes[start:stop], minlength=1) for codes in pieces[:2]]
        most.append((int(counts[0].max()), int(counts[1].max())))
    return tuple(most)


def _half_keys(
    digits: NDArray[np.uint8], characters: NDArray[np.uint8]
) -> tuple[tuple[Keys, Keys, Keys, Keys], NDArray[np.bool_]]:
    """Keys of (left, left with the cut's swap, right backwards, the same with the swap)."""
    count = characters.size
    keys = tuple(np.zeros(count, dtype=np.uint64) for _ in range(4))
    swap_at_cut = np.zeros(count, dtype=bool)
    for length in np.unique(characters):
        rows = np.flatnonzero(characters == length)
        text = digits[rows, :length]
        half = int(length) // 2
        swapped = text.copy()
        if half:
            swapped[:, [half - 1, half]] = text[:, [half, half - 1]]
            swap_at_cut[rows] = text[:, half] != text[:, half - 1]
        keys[0][rows] = _key(text[:, :half])
        keys[1][rows] = _key(swapped[:, :half])
        keys[2][rows] = _key(text[:, half:][:, ::-1])
        keys[3][rows] = _key(swapped[:, half:][:, ::-1])
    return (keys[0], keys[1], keys[2], keys[3]), swap_at_cut


def _key(text: NDArray[np.uint8]) -> Keys:
    key = np.zeros(text.shape[0], dtype=np.uint64)
    for column in text.T:
        key = key * np.uint64(BASE) + column
    return key


def _tree(keys: Keys) -> PrefixTree:
    """Prefix tree that holds all ``keys``."""
    levels: list[Keys] = []
    wanted = np.unique(keys)
    lowest = np.array([BASE**level // (BASE - 1) for level in range(LONGEST_ROW + 2)])
    above = np.zeros(0, dtype=np.uint64)
    for level in range(LONGEST_ROW // 2 + 1, 0, -1):
        low, high = np.uint64(lowest[level]), np.uint64(lowest[level + 1])
        own = wanted[(wanted >= low) & (wanted < high)]
        nodes = np.union1d(own, above) if above.size else own
        above = np.unique(nodes // np.uint64(BASE))
        levels.append(nodes)
    levels.append(np.zeros(1, dtype=np.uint64))
    levels.reverse()
    while levels and not levels[-1].size:
        levels.pop()
    all_keys = np.concatenate(levels)
    last = np.where(all_keys > 0, all_keys % np.uint64(BASE) - np.uint64(1), 0)
    starts = np.concatenate([[0], np.cumsum([level.size for level in levels])])
    return PrefixTree(
        keys=all_keys,
        parent=np.searchsorted(all_keys, all_keys // np.uint64(BASE)).astype(np.int32),
        last=last.astype(np.uint8),
        level_start=tuple(int(start) for start in starts),
    )
