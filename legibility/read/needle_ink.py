"""How much each place of a strip looks inked rather than bare.

Ink values of a row are taken as bare skin (normal, spread measured on the row) or inked dots of
any strength up to the darkest of the row; ``ratio`` is the quotient of the two densities. Where a
die makes ink probable with ``q``, a place speaks for it, against bare skin with a share ``q0`` of
clutter, with

``log((1 - q + q ratio) / (1 - q0 + q0 ratio))``

Bare places speak against a die with at most ``log((1 - q) / (1 - q0))``, inked ones for it with
at most ``log(q / q0)``, doubtful ones say nothing: neither a speck of dirt nor one lost needle
decides a character. Ink away from a die's needles counts against it by what it fails to explain.
The function is computed at few values of ``q`` and interpolated linearly between them.
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
from legibility.read.needle_bank import CLUTTER_SHARE, NODES, SHOWS_SHARE

INK_BLUR_PX: Final = 1.0
"""Choice: smoothing of the ink map, a little less than the radius of a dot (matched filter)."""

LEAST_SPREAD: Final = 0.015
"""Choice: smallest spread of bare skin; keeps noiseless pictures finite."""

DOT_EDGE_SHARE: Final = 0.15
"""Choice: skin within this share of the contrast of an inked dot counts as the dot's blurred edge,
not as ink, however clean the picture is."""

STRENGTHS: Final = (0.35, 0.6, 0.85, 1.1)
"""Choice: strengths of inked dots relative to the row's darkest, equally likely."""

INDEPENDENT_SHARE: Final = 0.3
"""Choice: part of a grid place's evidence that its neighbours do not repeat (a dot covers about
three places of the grid)."""


@dataclass(frozen=True, slots=True)
class InkEvidence:
    """Evidence for ink at each place of the strip."""

    llr: NDArray[np.float32]
    """(n_nodes, 48, 384) log-likelihood ratio for a die that makes ink there as probable as the
    node says against bare skin; 0 where not seen."""
    inked: NDArray[np.float32]
    """(48, 384) probability that a needle pressed here left ink, 0..1."""
    contrast: float
    """Strength of the row's inked dots above skin, in units of the ink map."""
    spread: float
    """Standard deviation of bare skin, blurred edges of dots included, in units of the ink map."""


def ink_evidence(
    ink: GrayImage, cells: Sequence[CellBox], *, not_seen: Mask | None = None
) -> InkEvidence:
    """Log-likelihood ratios of ink against bare skin.

    Parameters
    ----------
    ink : ndarray, shape (48, 384), float32
        0 (skin) .. 1 (ink).
    cells : sequence of CellBox
        Cells of the row; skin and ink are measured between the first and the last.
    not_seen : ndarray of bool, shape (48, 384), optional
        Glare, hair, outside the photo: no evidence there.

    Raises
    ------
    ValueError
        If a shape is wrong or a value is not finite.
    """
    _check(ink, not_seen)
    seen = np.ones(ink.shape, np.float32) if not_seen is None else (~not_seen).astype(np.float32)
    weight = cv2.GaussianBlur(seen, (0, 0), INK_BLUR_PX)
    values = cv2.GaussianBlur(ink.astype(np.float32) * seen, (0, 0), INK_BLUR_PX)
    values = values / np.maximum(weight, 1e-3)
    level, spread, contrast = _levels(values[_span(cells)], seen[_span(cells)] > 0)
    ratio = density_ratio(values - level, spread=spread, contrast=contrast)
    bare = np.log1p(CLUTTER_SHARE * (ratio - 1))
    # A place that is hardly seen says nothing.
    trust = INDEPENDENT_SHARE * np.where(seen > 0, np.clip(weight, 0, 1), 0)
    llr = np.stack([(np.log1p(node * (ratio - 1)) - bare) * trust for node in NODES])
    return InkEvidence(
        llr=np.asarray(llr, dtype=np.float32),
        inked=np.asarray(
            SHOWS_SHARE * ratio / (1 - SHOWS_SHARE + SHOWS_SHARE * ratio), dtype=np.float32
        ),
        contrast=contrast,
        spread=spread,
    )


def density_ratio(
    values: NDArray[np.float32], *, spread: float, contrast: float
) -> NDArray[np.float32]:
    """p(value | inked) / p(value | not inked) for values above the skin's level.

    At most 1e4, at least 1e-4.
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
    # Paler than skin is still bare: hold the density from the skin's level down.
    bare = np.where(values < 0, np.float32(1.0 / spread), bare)
    return np.asarray(np.clip(inked / np.maximum(bare, 1e-30), 1e-4, 1e4), dtype=np.float32)


def _levels(values: NDArray[np.float32], seen: NDArray[np.bool_]) -> tuple[float, float, float]:
    """Skin level, spread of skin, and contrast of the inked dots of a row."""
    sample = values[seen]
    if sample.size < 50:
        return 0.0, 1.0, 0.0
    low, level, high = (float(q) for q in np.percentile(sample, (7.0, 35.0, 96.0)))
    # 7 % and 35 % of all are about the 9 % and 44 % points of skin when a fifth is ink:
    # 1.19 standard deviations of a normal apart.
    spread = max((level - low) / 1.19, LEAST_SPREAD)
    contrast = max(high - level, spread)
    return level, max(spread, DOT_EDGE_SHARE * contrast), contrast


def _span(cells: Sequence[CellBox]) -> tuple[slice, slice]:
    left = int(max(min((cell.left for cell in cells), default=0.0), 0))
    right = int(min(max((cell.right for cell in cells), default=float(STRIP_WIDTH_PX)) + 1, 384))
    return slice(None), slice(left, max(right, left + 1))


def _check(ink: GrayImage, not_seen: Mask | None) -> None:
    shape = (STRIP_HEIGHT_PX, STRIP_WIDTH_PX)
    if ink.shape != shape or (not_seen is not None and not_seen.shape != shape):
        raise ValueError(
            f"ink map is {ink.shape} and mask {None if not_seen is None else not_seen.shape}; "
            f"expected {shape}"
        )
    if not np.all(np.isfinite(ink)):
        raise ValueError("ink map holds values that are not finite")
