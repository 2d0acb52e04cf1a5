"""How marks are usually written: letters and digits stand in runs.

A row of dies is set up as letters and then a number, or as a number and a last letter; a lone
letter between digits is rare (common practice, no source). So a cell that looks as much like a B as
like an 8 is read as what its neighbours are. This is no evidence of the photo: it is left out
wherever animals are compared by what the photo shows.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, N_CHARACTERS, NO_CHARACTER
from legibility.probability import LogProbability

LETTERS_FIRST: Final = 0.45
"""Choice, no source: share of marks that are letters, then digits; either run may be missing."""
LAST_LETTER: Final = 0.1
"""Choice, no source: share of marks that are digits and one last letter, that of the year for one.
The other marks are any characters."""
_IS_LETTER: Final = np.array([character.isalpha() for character in CHARACTERS])


def as_usually_written(cells: Sequence[LogProbability]) -> tuple[LogProbability, ...]:
    """Log-probabilities of the cells of one mark when the usual ways to write marks count.

    Parameters
    ----------
    cells : (37,) each, in reading order over all rows
        Log-probability of each character and of "no character" under equal priors.

    Returns
    -------
    tuple of (37,)
        Each sums to one. An unread cell stays so, and a cell without a character breaks no run.

    Examples
    --------
    ``4 4 2|Z 7 2`` with 2 and Z alike: the Z loses all but a few per cent.
    """
    if not cells:
        return ()
    logp = np.array(cells, dtype=np.float64)
    patterns, weights = _ways_to_write(logp)
    posterior = np.exp(weights - np.logaddexp.reduce(weights))
    out = posterior[0] * np.exp(logp)
    for pattern, weight in zip(patterns, posterior[1:], strict=True):
        out += weight * np.exp(_held_to(logp, pattern))
    return tuple(np.log(np.maximum(row / row.sum(), np.finfo(float).tiny)) for row in out)


def log_usual(cells: Sequence[LogProbability]) -> float:
    """How much likelier the cells are when the usual ways to write marks count, log-ratio.

    Zero where the cells say nothing of letters against digits, and for no cells at all.

    Parameters
    ----------
    cells : (37,) each
        As for :func:`as_usually_written`.

    Examples
    --------
    Of the two ways to see a row, ``9 4 8 2`` upright and ``5 8 H P`` in the mirror, the first gains
    2.7 and the second loses 0.8.
    """
    if not cells:
        return 0.0
    _, weights = _ways_to_write(np.array(cells, dtype=np.float64))
    return float(np.logaddexp.reduce(weights))


def _ways_to_write(
    logp: LogProbability,
) -> tuple[list[NDArray[np.bool_]], NDArray[np.float64]]:
    """Where letters stand in each usual way; log-weight of any characters, then of each way."""
    n = len(logp)
    nothing = np.exp(logp[:, NO_CHARACTER])
    # What the class of a cell adds: 1 where the cell says nothing of letters against digits.
    gain = np.stack([nothing + _share(logp, ~_IS_LETTER), nothing + _share(logp, _IS_LETTER)])
    gain = np.log(np.maximum(gain, np.finfo(float).tiny))
    letters_first = np.arange(n)[None] < np.arange(n + 1)[:, None]
    patterns, shares = list(letters_first), [LETTERS_FIRST / (n + 1)] * (n + 1)
    if n > 1:
        patterns.append(np.arange(n) == n - 1)
        shares.append(LAST_LETTER)
    weights = [np.log(1 - sum(shares))]
    weights += [
        np.log(share) + gain[pattern.astype(int), np.arange(n)].sum()
        for pattern, share in zip(patterns, shares, strict=True)
    ]
    return patterns, np.array(weights)


def _share(logp: LogProbability, members: NDArray[np.bool_]) -> LogProbability:
    """Probability of a class of characters over what equal priors give it, (n,)."""
    inside = np.exp(logp[:, :N_CHARACTERS][:, members]).sum(axis=1)
    return np.asarray(inside * N_CHARACTERS / members.sum())


def _held_to(logp: LogProbability, letters: NDArray[np.bool_]) -> LogProbability:
    """Each cell held to letters or to digits, (n, 37), each summing to one."""
    out = logp.copy()
    out[:, :N_CHARACTERS][letters[:, None] != _IS_LETTER[None]] = -np.inf
    boost = np.where(letters, N_CHARACTERS / _IS_LETTER.sum(), N_CHARACTERS / (~_IS_LETTER).sum())
    out[:, :N_CHARACTERS] += np.log(boost)[:, None]
    floor = np.log(np.finfo(float).tiny)
    return np.asarray(out - np.maximum(np.logaddexp.reduce(out, axis=1), floor)[:, None])
