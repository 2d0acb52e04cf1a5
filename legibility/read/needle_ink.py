"""How much each place of a strip looks like an inked needle rather than bare skin.

Ink values of a row are taken as a mixture: bare skin (normal, spread measured on the row) with a
little clutter, and inked dots of any strength up to the darkest of the row. The ratio of the two
densities, averaged over a needle's uncertain place and mixed with the chance that the needle left
no ink, gives a log-likelihood ratio that is bounded on both sides: neither a speck of dirt nor a
single lost needle decides a character.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import GrayImage, Mask
from legibility.read.cells import STRIP_HEIGHT_PX, STRIP_WIDTH_PX, CellBox

LOSS_SHARE: Final = 0.3
"""Choice: chance that a needle left no ink to be seen, before the row is looked at."""

CLUTTER_SHARE: Final = 0.04
"""Choice: share of skin that shows ink-like clutter; bounds a needle's evidence at log 25."""

INK_BLUR_PX: Final = 1.3
"""Choice: smoothing of the ink map, about the radius of a dot (matched filter)."""

PLACE_SIGMA_PX: Final = 1.3
"""Choice: how far a needle stands from where its layout says (jitter, skin stretch)."""

LEAST_SPREAD: Final = 0.015
"""Choice: smallest spread of bare skin; keeps noiseless pictures finite."""

STRENGTHS: Final = (0.35, 0.6, 0.85, 1.1)
"""Choice: strengths of inked dots relative to the row's darkest, equally likely."""


@dataclass(frozen=True, slots=True)
class InkEvidence:
    """Evidence for ink at each place of the strip."""

    llr: NDArray[np.float32]
    """(48, 384) log p(value | a needle pressed here) - log p(value | none); 0 where not seen."""
    inked: NDArray[np.float32]
    """(48, 384) probability that a needle pressed here left ink, 0..1."""
    contrast: float
    """Strength of the row's inked dots above skin, in units of the ink map."""
    spread: float
    """Standard deviation of bare skin, in units of the ink map."""


def ink_evidence(
    ink: GrayImage,
    cells: Sequence[CellBox],
    *,
    not_seen: Mask | None = None,
    loss_share: float = LOSS_SHARE,
) -> InkEvidence:
    """Log-likelihood ratios of "needle here" against "no needle here".

    Parameters
    ----------
    ink : ndarray, shape (48, 384), float32
        0 (skin) .. 1 (ink).
    cells : sequence of CellBox
        Cells of the row; skin and ink are measured between the first and the last.
    not_seen : ndarray of bool, shape (48, 384), optional
        Glare, hair, outside the photo: no evidence there.
    loss_share : float
        Chance that a needle left no ink, 0 < value < 1.

    Raises
    ------
    ValueError
        If a shape is wrong, a value is not finite, or ``loss_share`` is out of range.
    """
    _check(ink, not_seen, loss_share)
    seen = np.ones(ink.shape, np.float32) if not_seen is None else (~not_seen).astype(np.float32)
    weight = cv2.GaussianBlur(seen, (0, 0), INK_BLUR_PX)
    values = cv2.GaussianBlur(ink.astype(np.float32) * seen, (0, 0), INK_BLUR_PX)
    values = values / np.maximum(weight, 1e-3)
    level, spread, contrast = _levels(values[_span(cells)], seen[_span(cells)] > 0)
    ratio = density_ratio(values - level, spread=spread, contrast=contrast)
    moved = cv2.GaussianBlur(ratio * seen, (0, 0), PLACE_SIGMA_PX) + (
        1 - cv2.GaussianBlur(seen, (0, 0), PLACE_SIGMA_PX)
    )
    mixed = loss_share + (1 - loss_share) * moved
    # A place that is hardly seen says nothing.
    trust = np.clip(weight, 0, 1)
    return InkEvidence(
        llr=np.asarray(np.log(mixed) * trust, dtype=np.float32),
        inked=np.asarray((1 - loss_share) * moved / mixed, dtype=np.float32),
        contrast=contrast,
        spread=spread,
    )


def density_ratio(
    values: NDArray[np.float32], *, spread: float, contrast: float
) -> NDArray[np.float32]:
    """p(value | inked) / p(value | not inked) for values above the skin's level.

    Never above 1 / CLUTTER_SHARE. With no contrast the ratio tends to one everywhere.
    """
    strengths = np.asarray(STRENGTHS, dtype=np.float32) * np.float32(contrast)
    scale = float(np.hypot(spread, 0.15 * contrast))
    inked = np.zeros_like(values)
    for strength in strengths:
        inked += np.exp(-0.5 * ((values - strength) / scale) ** 2)
    # Darker than the darkest dot is still ink: hold the density from the top strength on.
    top = float(strengths[-1])
    at_top = float(np.exp(-0.5 * ((top - strengths) / scale) ** 2).sum())
    inked = np.where(values > top, np.float32(at_top), inked)
    inked /= len(strengths) * scale
    bare = np.exp(-0.5 * (values / spread) ** 2) / spread
    bare = np.where(values < 0, np.maximum(bare, np.float32(0.02 / spread)), bare)
    # Far below the skin's level both densities fade; keep the ratio at "not ink".
    ratio = (inked + 1e-6) / ((1 - CLUTTER_SHARE) * bare + CLUTTER_SHARE * inked + 1e-6)
    return np.asarray(ratio, dtype=np.float32)


def _levels(values: NDArray[np.float32], seen: NDArray[np.bool_]) -> tuple[float, float, float]:
    """Skin level, spread of skin, and contrast of the inked dots of a row."""
    sample = values[seen]
    if sample.size < 50:
        return 0.0, 1.0, 0.0
    low, level, high = (float(q) for q in np.percentile(sample, (7.0, 35.0, 96.0)))
    # 7 % and 35 % of all are about the 9 % and 44 % points of skin when a fifth is ink:
    # 1.19 standard deviations of a normal apart.
    spread = max((level - low) / 1.19, LEAST_SPREAD)
    return level, spread, max(high - level, spread)


def _span(cells: Sequence[CellBox]) -> tuple[slice, slice]:
    left = int(max(min((cell.left for cell in cells), default=0.0), 0))
    right = int(min(max((cell.right for cell in cells), default=float(STRIP_WIDTH_PX)) + 1, 384))
    return slice(None), slice(left, max(right, left + 1))


def _check(ink: GrayImage, not_seen: Mask | None, loss_share: float) -> None:
    shape = (STRIP_HEIGHT_PX, STRIP_WIDTH_PX)
    if ink.shape != shape or (not_seen is not None and not_seen.shape != shape):
        raise ValueError(
            f"ink map is {ink.shape} and mask {None if not_seen is None else not_seen.shape}; "
            f"expected {shape}"
        )
    if not np.all(np.isfinite(ink)):
        raise ValueError("ink map holds values that are not finite")
    if not 0 < loss_share < 1:
        raise ValueError(f"loss share is {loss_share}; expected 0 < value < 1")
