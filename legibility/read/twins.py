"""O against 0 and I against 1: characters that many die sets draw alike.

A reader that learned from many sets thinks it can tell them, since in most sets it can; in a set it
never saw it is right less often than it says. So the log-odds within such a pair count only in
part, as far as held-out sets bear out. How probable the pair is stays as it was.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import index_of
from legibility.containers import LogLikelihood

PAIRS: Final = ("O0", "I1")
RIDGE: Final = 1e-3
"""Choice: pull towards passing the odds on; keeps the exponent finite on clean data."""
MOST: Final = 1.0
"""Choice: no pair is made surer than the reader was."""
PAIR_SHOWN: Final = 0.5
"""Choice: only cells that show the pair this probably say how well it is told apart."""


@dataclass(frozen=True, slots=True)
class TwinModel:
    """Exponent of the odds within each pair, 0 (says nothing) .. 1 (as the reader said)."""

    exponents: tuple[float, ...] = (1.0,) * len(PAIRS)
    """In the order of ``PAIRS``."""

    def __post_init__(self) -> None:
        if len(self.exponents) != len(PAIRS) or not all(0 <= x <= MOST for x in self.exponents):
            raise ValueError(
                f"exponents {self.exponents}; expected {len(PAIRS)} numbers from 0 to {MOST:g}"
            )


def weigh_twins(model: TwinModel, logp: LogLikelihood) -> LogLikelihood:
    """Log-probabilities with the odds within each pair tempered.

    Parameters
    ----------
    logp : ndarray, shape (n, 37), float64, normalised and finite

    Returns
    -------
    ndarray, shape (n, 37), float64
        Normalised; each pair is together as probable as before.

    Examples
    --------
    0.8 for O and 0.2 for 0 are 2/3 and 1/3 with an exponent of one half.
    """
    out = np.array(logp, dtype=np.float64)
    for pair, exponent in zip(PAIRS, model.exponents, strict=True):
        members = [index_of(character) for character in pair]
        both = np.logaddexp.reduce(out[:, members], axis=1, keepdims=True)
        tempered = exponent * out[:, members]
        tempered -= np.logaddexp.reduce(tempered, axis=1, keepdims=True)
        out[:, members] = tempered + both
    return out


def fit_twins(logp: LogLikelihood, truth: NDArray[np.int64]) -> TwinModel:
    """Exponents that make held-out truth most probable; one where no cell shows the pair.

    Parameters
    ----------
    logp : ndarray, shape (n, 37), float64
    truth : ndarray of int, shape (n,)
        Class of each cell, 36 = no character.
    """
    from scipy.optimize import minimize_scalar

    exponents = []
    for pair in PAIRS:
        first, second = (index_of(character) for character in pair)
        shown = np.logaddexp(logp[:, first], logp[:, second]) > np.log(PAIR_SHOWN)
        asked = shown & ((truth == first) | (truth == second))
        sign = np.where(truth[asked] == first, 1.0, -1.0)
        margin = sign * (logp[asked, first] - logp[asked, second])

        def loss(exponent: float, margin: NDArray[np.float64] = margin) -> float:
            return float(
                np.logaddexp(0.0, -exponent * margin).sum() + RIDGE * (exponent - 1.0) ** 2
            )

        exponents.append(float(minimize_scalar(loss, bounds=(0.0, MOST), method="bounded").x))
    return TwinModel(tuple(exponents))
