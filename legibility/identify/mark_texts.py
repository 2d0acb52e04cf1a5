"""The different marks of a registry as texts of one length, whatever their rows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS
from legibility.identify.marktable import MarkTable

Texts = NDArray[np.int64]
"""(k, n) indices of characters."""

IS_LETTER: Final = np.array([character.isalpha() for character in CHARACTERS])
"""(36,)"""
LETTERS: Final = int(IS_LETTER.sum())


@dataclass(frozen=True, slots=True)
class LengthTexts:
    """Different marks of one number of characters, whatever their rows, and who carries them."""

    texts: Texts
    carriers: NDArray[np.int64]
    """(k,) how many."""
    animals: NDArray[np.int64]
    """(m,) animals that carry one of them."""
    places: NDArray[np.int64]
    """(m,) which one."""


def texts_by_length(table: MarkTable) -> list[LengthTexts]:
    """Of every number of characters that there is."""
    lengths = table.characters.astype(np.int64)
    second = np.where(table.second_row >= 0, lengths[table.second_row], 0)
    total = lengths[table.first_row] + second
    found = []
    for n in np.unique(total):
        animals = np.flatnonzero(total == n)
        text = np.zeros((animals.size, int(n)), dtype=np.uint8)
        for first in np.unique(lengths[table.first_row[animals]]):
            rows = np.flatnonzero(lengths[table.first_row[animals]] == first)
            own = animals[rows]
            text[rows, :first] = table.row_characters(table.first_row[own], int(first))
            if first < n:
                text[rows, first:] = table.row_characters(table.second_row[own], int(n - first))
        keys = np.ascontiguousarray(text).view(f"V{int(n)}").ravel()
        _, index, places, counts = np.unique(
            keys, return_index=True, return_inverse=True, return_counts=True
        )
        found.append(LengthTexts(text[index].astype(np.int64), counts, animals, places.ravel()))
    return found
