"""Readings of one mark laid beside each other, place by place."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from legibility.alphabet import ROW_SEPARATOR, UNREAD
from legibility.marks.open_readings import NOTHING, OPEN_SET


def flat(reading: str) -> str:
    """Characters of a reading, rows joined, an undecided place as "?"; empty for nothing read.

    Examples
    --------
    >>> flat("A[8B]/1?")
    'A?1?'
    """
    return "" if reading == NOTHING else OPEN_SET.sub(UNREAD, reading).replace(ROW_SEPARATOR, "")


def consensus(readings: Sequence[str]) -> str:
    """What most readings say: the commonest length, and at each place the commonest character.

    Ties go to the longer reading and to the character named first; a place nobody could read is
    "?".
    """
    texts = [flat(reading) for reading in readings if flat(reading)]
    if not texts:
        return ""
    lengths = Counter(map(len, texts))
    length = max(lengths, key=lambda n: (lengths[n], n))
    chosen = [text for text in texts if len(text) == length]
    places = []
    for column in zip(*chosen, strict=True):
        named = Counter(c for c in column if c != UNREAD)
        places.append(max(named, key=lambda c: named[c]) if named else UNREAD)
    return "".join(places)


def laid(reading: str, reference: str) -> tuple[str | None, ...]:
    """For each place of a reference what a reading says there: a character, "?", or None.

    A reading of the same length is taken place by place; another one is laid so that the fewest
    characters are exchanged, missing or added (Needleman & Wunsch 1970, J. Mol. Biol. 48:443-453).
    None: the reading has nothing at that place.

    Examples
    --------
    >>> laid("A1?", "A12"), laid("A2", "A12")
    (('A', '1', '?'), ('A', None, '2'))
    """
    text = flat(reading)
    if len(text) == len(reference):
        return tuple(text)
    cost = [[float(i + j) for j in range(len(reference) + 1)] for i in range(len(text) + 1)]
    for i in range(1, len(text) + 1):
        for j in range(1, len(reference) + 1):
            same = cost[i - 1][j - 1] + _exchange(text[i - 1], reference[j - 1])
            cost[i][j] = min(same, cost[i - 1][j] + 1, cost[i][j - 1] + 1)
    placed: list[str | None] = [None] * len(reference)
    i, j = len(text), len(reference)
    while i and j:
        if cost[i][j] == cost[i - 1][j - 1] + _exchange(text[i - 1], reference[j - 1]):
            placed[j - 1] = text[i - 1]
            i, j = i - 1, j - 1
        elif cost[i][j] == cost[i - 1][j] + 1:
            i -= 1
        else:
            j -= 1
    return tuple(placed)


def _exchange(a: str, b: str) -> float:
    if a == b:
        return 0.0
    return 0.5 if UNREAD in (a, b) else 1.0
