"""Marks and invented herds for evaluation."""

from __future__ import annotations

from typing import Final

import numpy as np

from legibility.alphabet import CHARACTERS, ROW_SEPARATOR
from legibility.containers import Animal

LETTERS: Final = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
DIGITS: Final = "0123456789"

LOOK_ALIKES: Final = (
    "8B", "0O", "0D", "OQ", "1I", "17", "5S", "2Z", "6G", "CG", "EF", "PR", "UV", "MN", "38", "49",
)  # fmt: skip
"""Pairs used to make near-twins: the issue's list and the pairs that Simpson, Mousikou, Montoya &
Defior 2013 (Behav. Res. Methods 45:431-439) found most similar."""

TWO_ROW_SHARE: Final = 0.3
"""Choice: share of marks in two rows."""


def random_mark(*, rng: np.random.Generator, rows: int | None = None) -> str:
    """A mark of 2 to 8 characters: letters then digits, digits alone, or any mixture.

    Examples
    --------
    >>> random_mark(rng=np.random.default_rng(1), rows=2).count("/")
    1
    """
    two = bool(rng.random() < TWO_ROW_SHARE) if rows is None else rows == 2
    length = int(rng.integers(2, 9))
    kind = int(rng.choice(3, p=(0.5, 0.2, 0.3)))
    if kind == 0:
        letters = int(rng.integers(1, max(2, min(4, length))))
        text = _draw(LETTERS, letters, rng) + _draw(DIGITS, length - letters, rng)
        cut = letters if length - letters > 0 else 1
    elif kind == 1:
        text = _draw(DIGITS, length, rng)
        cut = length // 2
    else:
        text = _draw(CHARACTERS, length, rng)
        cut = int(rng.integers(1, length))
    return text[:cut] + ROW_SEPARATOR + text[cut:] if two else text


def _draw(characters: str, count: int, rng: np.random.Generator) -> str:
    return "".join(characters[int(i)] for i in rng.integers(len(characters), size=count))


def evaluation_herd(
    n_animals: int, seed: int, *, twin_share: float = 0.25, two_rows: bool | None = None
) -> tuple[Animal, ...]:
    """An invented registry of different marks in which many animals have a near-twin.

    Parameters
    ----------
    n_animals : int
    seed : int
    twin_share : float, optional
        Share of animals whose mark differs from an earlier one in a single look-alike character.
    two_rows : bool, optional
        All marks in two rows, or none; mixed by default.

    Returns
    -------
    tuple of Animal
        ``animal_id`` is ``"A0001"`` and so on; marks are 2 to 8 characters long.
    """
    rng = np.random.default_rng((seed, n_animals))
    rows = None if two_rows is None else 1 + int(two_rows)
    marks: list[str] = []
    taken: set[str] = set()
    while len(marks) < n_animals:
        twin = marks and rng.random() < twin_share
        mark = near_twin(marks[int(rng.integers(len(marks)))], rng=rng) if twin else ""
        mark = mark or random_mark(rng=rng, rows=rows)
        if mark.replace(ROW_SEPARATOR, "") not in taken:
            taken.add(mark.replace(ROW_SEPARATOR, ""))
            marks.append(mark)
    return tuple(
        Animal(
            animal_id=f"A{number:04d}",
            mark=mark,
            ear=str(rng.choice(("left", "right"))),
            birth_year=int(rng.integers(2012, 2025)),
            sex=str(rng.choice(("f", "m"))),
            line=number + 1,
        )
        for number, mark in enumerate(marks, start=1)
    )


def near_twin(mark: str, *, rng: np.random.Generator) -> str:
    """The mark with one character exchanged for a look-alike; empty when none has one."""
    options = [
        (place, pair[1 - pair.index(character)])
        for place, character in enumerate(mark)
        for pair in LOOK_ALIKES
        if character in pair
    ]
    if not options:
        return ""
    place, other = options[int(rng.integers(len(options)))]
    return mark[:place] + other + mark[place + 1 :]
