"""How much of a mark was read right."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from legibility.alphabet import ROW_SEPARATOR
from legibility.intervals import Rate, rate

MERGED: Final = str.maketrans({"O": "0", "I": "1"})
"""Pairs that many herds' rules decide, not the eye: O/0 and I/1."""


def plain(mark: str, *, merge: bool = False) -> str:
    """A mark without the separation of rows, optionally with O read as 0 and I as 1.

    Examples
    --------
    >>> plain("AO/1I", merge=True)
    'A011'
    """
    text = mark.replace(ROW_SEPARATOR, "")
    return text.translate(MERGED) if merge else text


def exact(truth: str, said: str, *, merge: bool = False) -> bool:
    """Whether every character is right, rows included.

    A row break that the reader did not report is an error too: ``AB/12`` is not ``AB12``.
    """
    if merge:
        truth, said = truth.translate(MERGED), said.translate(MERGED)
    return truth == said


def edit_distance(first: str, second: str) -> int:
    """Least number of insertions, deletions and exchanges (Levenshtein 1966).

    Examples
    --------
    >>> edit_distance("KITTEN", "SITTING")
    3
    """
    costs = list(range(len(second) + 1))
    for i, a in enumerate(first, start=1):
        diagonal, costs[0] = costs[0], i
        for j, b in enumerate(second, start=1):
            best = min(costs[j] + 1, costs[j - 1] + 1, diagonal + (a != b))
            diagonal, costs[j] = costs[j], best
    return costs[-1]


def characters_right(truth: str, said: str, *, merge: bool = False) -> tuple[int, int]:
    """Characters of the truth that an alignment of least edit distance leaves matched.

    Among the alignments with the least distance the one with most matches counts.

    Returns
    -------
    (int, int)
        Right, and how many there were.

    Examples
    --------
    >>> characters_right("AB/123", "AB12")
    (4, 5)
    """
    a, b = plain(truth, merge=merge), plain(said, merge=merge)
    # (distance, -matches), compared in that order
    costs: list[tuple[int, int]] = [(j, 0) for j in range(len(b) + 1)]
    for i, x in enumerate(a, start=1):
        diagonal, costs[0] = costs[0], (i, 0)
        for j, y in enumerate(b, start=1):
            same = x == y
            step = (diagonal[0] + (not same), diagonal[1] - same)
            up = (costs[j][0] + 1, costs[j][1])
            left = (costs[j - 1][0] + 1, costs[j - 1][1])
            diagonal, costs[j] = costs[j], min(step, up, left)
    return -costs[-1][1], len(a)


def exact_rate(pairs: Sequence[tuple[str, str]], *, merge: bool = False) -> Rate:
    """Share of (truth, said) pairs that are the same."""
    return rate(sum(exact(t, s, merge=merge) for t, s in pairs), len(pairs))


def character_rate(pairs: Sequence[tuple[str, str]], *, merge: bool = False) -> Rate:
    """Share of all characters of the truths that were read right.

    The interval treats characters as independent; those of one photo share its faults, so the
    true interval is wider.
    """
    counts = np.array([characters_right(t, s, merge=merge) for t, s in pairs], dtype=int)
    right, total = counts.reshape(-1, 2).sum(axis=0)
    return rate(int(right), int(total))


def confidently_wrong(
    probability: Sequence[float], right: Sequence[bool], *, threshold: float = 0.95
) -> Rate:
    """Share of all answers that were said with at least ``threshold`` and are wrong."""
    wrong = sum(p >= threshold and not good for p, good in zip(probability, right, strict=True))
    return rate(wrong, len(probability))
