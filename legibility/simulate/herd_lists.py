"""Lists of herds as people keep them, made around one mark: series with gaps, several prefixes.

The mark's own herd numbers on: letters stay, the number runs. A list may hold the mark, or just not
hold it, in one of the ways in which a mark comes to be missing from a list (:data:`KINDS`).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, ROW_SEPARATOR

KINDS: Final = ("gap", "next number", "one character", "two swapped", "another herd")
"""How a mark is missing: a number left out of the series; one of the next five numbers; a gap, with
a mark that differs in one character on the list; the same with two neighbours exchanged; a herd
with other letters or numbers."""
NEXT: Final = 5
"""Choice: how far beyond the end of its series a new number is."""
DENSE: Final = (0.6, 0.95)
SPARSE: Final = (0.02, 0.3)
"""Choice: share of the numbers of a series that are carried."""
MOST_HERDS: Final = 4
"""Choice: series in one list, unless their numbers do not suffice."""
MOST_SERIES: Final = 3000
"""Choice: series tried to fill a list."""
FULLEST: Final = 0.5
"""Choice: a list uses at most this share of the marks of its pattern."""

_LETTERS: Final = CHARACTERS[:26]


def herd_list(
    rng: np.random.Generator, mark: str, *, animals: int, kind: str, dense: bool
) -> list[str] | None:
    """Marks of a list, without row breaks and all different.

    Parameters
    ----------
    rng : Generator
    mark : str
        The photographed animal's, with or without ``/``.
    animals : int
    kind : str
        ``"registered"``, or one of ``KINDS``.
    dense : bool
        Whether most numbers of a series are carried.

    Returns
    -------
    list of str or None
        None where there is no such list for this mark.
    """
    text = mark.replace(ROW_SEPARATOR, "")
    if animals > FULLEST * _capacity(text):
        return None
    model = text
    if kind == "another herd":
        model = _another(rng, text)
    found: set[str] = set()
    share = float(rng.uniform(*(DENSE if dense else SPARSE)))
    herds = int(rng.integers(1, MOST_HERDS + 1))
    for _ in range(MOST_SERIES):
        if len(found) >= animals:
            break
        wanted = min(animals - len(found), max(1, -(-animals // herds)))
        ends = kind == "next number" and model == text
        found |= set(_series(rng, model, wanted, share, ends=ends))
        model = _another(rng, text)
    near = None
    if kind == "one character":
        near = _one_changed(rng, text)
    elif kind == "two swapped":
        near = _swapped(rng, text)
    found.discard(text)
    if near is None and kind in ("one character", "two swapped"):
        return None
    marks = sorted(found)
    rng.shuffle(marks)
    marks = [m for m in marks if m != near][: animals - (near is not None or kind == "registered")]
    if near is not None:
        marks.append(near)
    if kind == "registered":
        marks.append(text)
    if len(marks) < animals // 2 or len(marks) < 2:
        return None
    rng.shuffle(marks)
    return marks


def _capacity(text: str) -> int:
    total = 1
    for character in text:
        total *= len(_LETTERS) if character.isalpha() else 10
    return total


def _number_part(text: str) -> tuple[int, int]:
    """Where the last run of digits begins and ends; both 0 where there is none."""
    end = len(text)
    while end and not text[end - 1].isdigit():
        end -= 1
    start = end
    while start and text[start - 1].isdigit():
        start -= 1
    return start, end


def _series(
    rng: np.random.Generator, model: str, count: int, share: float, *, ends: bool
) -> list[str]:
    """Up to ``count`` marks numbered around ``model``; ``ends``: only below it."""
    start, end = _number_part(model)
    if start == end:
        return _scattered(rng, model, count)
    capacity = 10 ** (end - start)
    number = int(model[start:end])
    width = min(capacity, max(3, round(count / share)))
    if ends:
        high = number - int(rng.integers(1, NEXT + 1))
        low = high - width + 1
    else:
        low = number - int(rng.integers(0, width))
        low = min(max(0, low), capacity - width)
        high = low + width - 1
    values = np.arange(max(0, low), high + 1)
    values = values[values < capacity]
    chosen = rng.permutation(values)[:count]
    if ends and values.size:
        chosen[:1] = values[-1]
    return [f"{model[:start]}{v:0{end - start}d}{model[end:]}" for v in chosen.tolist()]


def _scattered(rng: np.random.Generator, model: str, count: int) -> list[str]:
    return [_another(rng, model) for _ in range(count)]


def _another(rng: np.random.Generator, text: str) -> str:
    """A mark of the same pattern of letters and digits."""
    return "".join(
        _LETTERS[int(rng.integers(26))] if c.isalpha() else str(int(rng.integers(10))) for c in text
    )


def _one_changed(rng: np.random.Generator, text: str) -> str:
    place = int(rng.integers(len(text)))
    same: NDArray[np.str_] = np.array(
        [c for c in CHARACTERS if c != text[place] and c.isalpha() == text[place].isalpha()]
    )
    return text[:place] + str(rng.choice(same)) + text[place + 1 :]


def _swapped(rng: np.random.Generator, text: str) -> str | None:
    places = [k for k in range(len(text) - 1) if text[k] != text[k + 1]]
    if not places:
        return None
    k = int(rng.choice(places))
    return text[:k] + text[k + 1] + text[k] + text[k + 2 :]
