"""Which characters a herd had better leave out of its marks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, N_CHARACTERS, index_of
from legibility.risk.kernel import Matrix

LETTERS_FIRST: Final = 1.6
"""Choice: a digit stays unless it is confused so many times as often as a letter. Where letters and
digits have places of their own, leaving out a digit costs log(10/9) / log(26/25) = 2.7 times as
many marks as leaving out a letter; where they share places, as many. This is the middle."""


@dataclass(frozen=True, slots=True)
class LeftOut:
    """One step of leaving characters out."""

    character: str
    confused_with: str
    """The remaining character it is most confused with."""
    probability: float
    """Of reading one of the two as the other, mean of both ways."""
    remaining: float
    """Mean probability that a remaining character is read as another remaining one."""


def leave_out(
    matrix: Matrix,
    *,
    characters: str = CHARACTERS,
    budget: int,
    together: NDArray[np.float64] | None = None,
) -> tuple[LeftOut, ...]:
    """Characters to leave out, one after the other, each the most confused of those that remain.

    Parameters
    ----------
    matrix : ndarray, (36, 37)
        Confusion kernel at a condition.
    characters : str
        Those in use.
    budget : int
        Most characters to leave out; two always remain.
    together : ndarray, (36, 36), optional
        Share of places at which both of two characters are allowed; 1 where not given. Characters
        that never stand at the same place are not taken for each other.

    Returns
    -------
    tuple of LeftOut
    """
    k = np.asarray(matrix[:, :N_CHARACTERS], dtype=np.float64).copy()
    np.fill_diagonal(k, 0.0)
    if together is not None:
        k *= together
    both = (k + k.T) / 2
    left = [index_of(character) for character in characters]
    steps: list[LeftOut] = []
    while len(steps) < budget and len(left) > 2:
        part = both[np.ix_(left, left)]
        worth = part.sum(axis=1) * [LETTERS_FIRST if c < 26 else 1.0 for c in left]
        # Of equals the later letter goes: deterministic.
        at = max(range(len(left)), key=lambda i: (round(float(worth[i]), 12), left[i]))
        gone = left.pop(at)
        rival = left[int(np.argmax(both[gone, left]))]
        remaining = k[np.ix_(left, left)].sum() / len(left)
        steps.append(
            LeftOut(
                character=CHARACTERS[gone],
                confused_with=CHARACTERS[rival],
                probability=float(both[gone, rival]),
                remaining=float(remaining),
            )
        )
    return tuple(steps)
