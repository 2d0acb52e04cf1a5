"""The best any reader could do who is told everything but the characters.

Handed the true place of every cell, the die set, how askew each die stood, what hides the skin, how
much ink the mark's needles hold on average, the share of lost needles and the clutter of this
skin, the observer asks the photo only how much ink there is at the places where each die of the
set would have pressed. For die *c* with needles *i* and normalised answers z_i of the dot filter
(unit noise), with expected answer d for a needle of full strength,

    log p(photo | c) - log p(photo | no ink) = sum_i log( q + (1-q) E_a exp(a d z_i - (a d)^2 / 2) )

where q is the share of lost needles and a, the ink left, is normal with the mark's own mean and
deviation (Gaussian matched filter, e.g. Van Trees 1968, "Detection, Estimation, and Modulation
Theory I", section 4.2). The expectation has a closed form. Noise of neighbouring needles is taken
as independent, and needles of one die as not overlapping; both are approximations, so that this is
a close, not an exact, ceiling. Covered needles say nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS, N_CHARACTERS, ROW_SEPARATOR
from legibility.evaluate.measure import filtered
from legibility.evaluate.truth import EvaluationPhoto
from legibility.evaluate.visibility import sample
from legibility.probability import normalise_log

LEAST_LOSS: Final = 0.005
"""Choice: no needle is ever certain to hold ink."""

MOST_SIGMAS: Final = 6.0
"""Choice: answers are clipped here, because skin has outliers that no Gaussian has."""


@dataclass(frozen=True, slots=True)
class IdealReading:
    """What the ideal observer says of one photo."""

    text: str
    logp: tuple[NDArray[np.float64], ...]
    """Per character, (36,) log-probabilities under equal priors."""


def inked_log_ratio(
    answers: NDArray[np.float64], *, full: float, mean: float, sd: float, loss: float
) -> NDArray[np.float64]:
    """Log-likelihood ratio of "a needle pressed here" against "none did", for each answer.

    Parameters
    ----------
    answers : ndarray of float64, (n,)
        Of the dot filter, in units of its noise.
    full : float
        Expected answer to a needle of strength 1, in the same units.
    mean, sd : float
        Of the ink left in a needle that holds any.
    loss : float
        Share of needles that hold none, 0..1.

    Notes
    -----
    With a d = s ~ N(m, v), E exp(s z - s^2/2) = exp((z^2 v + 2 z m - m^2) / (2 (1+v))) / sqrt(1+v).
    """
    m, v = full * mean, (full * sd) ** 2
    z = np.clip(answers, -MOST_SIGMAS, max(MOST_SIGMAS, m + 3 * np.sqrt(v)))
    exponent = (z**2 * v + 2 * z * m - m**2) / (2 * (1 + v)) - 0.5 * np.log1p(v)
    share = min(max(loss, LEAST_LOSS), 1 - LEAST_LOSS)
    return np.asarray(np.logaddexp(np.log(share), np.log1p(-share) + exponent), dtype=np.float64)


def read_ideally(photo: EvaluationPhoto) -> IdealReading:
    """Read a photo with everything but the characters given.

    Raises
    ------
    ValueError
        If the photo shows no mark.
    """
    truth = photo.truth
    if not truth.rows:
        raise ValueError(f"{photo.name} shows no mark; expected a photo with one")
    height = float(np.mean([cell.height_px for cell in truth.characters]))
    answer = filtered(
        photo.pixels,
        np.asarray(truth.ink_direction),
        sigma_px=truth.dot_sigma_px,
        height_px=height,
    )
    rows, logps = [], []
    for row in truth.rows:
        text = ""
        for cell in row:
            sites = cell.sites.astype(np.float64)
            gains = inked_log_ratio(
                sample(answer, sites[:, :2]) / cell.noise,
                full=cell.unit_response / cell.noise,
                mean=truth.strength_mean,
                sd=truth.strength_sd,
                loss=truth.loss,
            )
            gains = np.where(sites[:, 3] > 0.5, 0.0, gains)
            scores = np.bincount(sites[:, 2].astype(int), weights=gains, minlength=N_CHARACTERS)
            logps.append(normalise_log(scores))
            text += CHARACTERS[int(np.argmax(scores))]
        rows.append(text)
    return IdealReading(ROW_SEPARATOR.join(rows), tuple(logps))
