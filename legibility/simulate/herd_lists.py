"""Lists of herds as people keep them, made around one mark: series with gaps, several prefixes.

The mark's own herd numbers on: letters stay, the number runs. A list may hold the mark, or just not
hold it, in one of the ways in which a mark comes to be missing from a list (:data:`KINDS`).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, LONGEST_ROW, ROW_SEPARATOR

KINDS: Final = (
    "gap",
    "next number",
    "one character",
    "two swapped",
    "one more",
    "one fewer",
    "another herd",
)
"""How a mark is missing: a number left out of the series; one of the next five numbers; a gap, with
a mark that differs in one character on the list; the same with two neighbours exchanged; a herd
whose marks have a character less, or more, one of them the mark but for that character; a herd with
other letters or numbers."""
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
    near = _NEAR[kind](rng, text) if kind in _NEAR else None
    if kind in _NEAR and near is None:
        return None
    model = near if near is not None and len(near) != len(text) else text
    pattern = model
    if animals > FULLEST * _capacity(pattern):
        return None
    if kind == "another herd":
        model = _another(rng, pattern)
    found: set[str] = set()
    share = float(rng.uniform(*(DENSE if dense else SPARSE)))
    herds = int(rng.integers(1, MOST_HERDS + 1))
    for _ in range(MOST_SERIES):
        if len(found) >= animals:
            break
        wanted = min(animals - len(found), max(1, -(-animals // herds)))
        ends = kind == "next number" and model == text
        found |= set(_series(rng, model, wanted, share, ends=ends))
        model = _another(rng, pattern)
    own = text if kind == "registered" else near
    marks = sorted(found - {text, own})
    rng.shuffle(marks)
    marks = marks[: animals - (own is not None)]
    if own is not None:
        marks.append(own)
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
    runs = [run.span() for run in re.finditer(r"\d+", text)]
    return runs[-1] if runs else (0, 0)


def _series(
    rng: np.random.Generator, model: str, count: int, share: float, *, ends: bool
) -> list[str]:
    """Up to ``count`` marks numbered around ``model``; ``ends``: only below it."""
    start, end = _number_part(model)
    if start == end:
        return [_another(rng, model) for _ in range(count)]
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


def _one_left_out(rng: np.random.Generator, text: str) -> str | None:
    place = int(rng.integers(len(text)))
    return (text[:place] + text[place + 1 :]) or None


def _one_put_in(rng: np.random.Generator, text: str) -> str | None:
    place = int(rng.integers(len(text) + 1))
    longer = text[:place] + CHARACTERS[int(rng.integers(len(CHARACTERS)))] + text[place:]
    return longer if len(longer) <= LONGEST_ROW else None


_NEAR: Final[Mapping[str, Callable[[np.random.Generator, str], str | None]]] = {
    "one character": _one_changed,
    "two swapped": _swapped,
    "one more": _one_left_out,
    "one fewer": _one_put_in,
}
"""The registered mark that the photographed one is a step from."""
