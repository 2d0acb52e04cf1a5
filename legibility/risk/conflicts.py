"""Marks that conflict: one is read as the other too easily, or they have the same characters.

Two marks conflict when either is read as the other with at least the stated probability. A mark
without a break may come to stand in any rows, registered or new, so the layout counts in which that
probability is largest (``misreading.in_any_layout``).
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import ROW_SEPARATOR
from legibility.risk.marks import mark_set
from legibility.risk.misreading import Channel, in_any_layout
from legibility.risk.pairs import Finder, find_pairs


def characters_of(mark: str) -> str:
    """What a mark says, its rows aside."""
    return mark.replace(ROW_SEPARATOR, "")


class Fixed:
    """Marks that cannot be changed, prepared once to compare others with."""

    def __init__(self, marks: Sequence[str], ch: Channel, bound: float) -> None:
        self._set = mark_set(list(marks))
        self._finder = Finder(self._set) if len(marks) else None
        self._ch, self._bound = in_any_layout(ch), bound
        self._characters = set(map(characters_of, marks))

    def free(self, marks: Sequence[str]) -> list[str]:
        """Those of some marks that conflict with none of the fixed ones, in their order."""
        if self._finder is None or not marks:
            return list(marks)
        others = mark_set(list(marks))
        out = np.zeros(len(others), dtype=bool)
        for group in others.groups:
            out[self._finder.pairs(group, self._ch, least=self._bound).record] = True
        out[find_pairs(self._set, others, self._ch, least=self._bound).read] = True
        return [
            mark
            for mark, number in zip(marks, others.of_given, strict=True)
            if not out[number] and characters_of(mark) not in self._characters
        ]


def conflicts(
    marks: Sequence[str], ch: Channel, bound: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Pairs of different marks that conflict, as indices into ``marks``, each pair once."""
    if not marks:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    group = mark_set(list(marks))
    place = np.zeros(len(group), dtype=np.int64)
    place[group.of_given] = np.arange(len(marks))
    pairs = find_pairs(group, group, in_any_layout(ch), least=bound)
    same = _same_characters(marks)
    a = np.concatenate([place[pairs.record], same[:, 0]])
    b = np.concatenate([place[pairs.read], same[:, 1]])
    low, high = np.minimum(a, b), np.maximum(a, b)
    keys = np.unique(low * len(marks) + high)
    return keys // len(marks), keys % len(marks)


def _same_characters(marks: Sequence[str]) -> NDArray[np.int64]:
    """(p, 2) pairs of marks that differ in their rows alone."""
    by_characters: dict[str, list[int]] = {}
    for at, mark in enumerate(marks):
        by_characters.setdefault(characters_of(mark), []).append(at)
    pairs = [pair for group in by_characters.values() for pair in combinations(group, 2)]
    return np.array(pairs, dtype=np.int64).reshape(-1, 2)
