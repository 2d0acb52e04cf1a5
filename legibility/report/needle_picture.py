"""The needle patterns of two claims over one row's ink map, side by side (one above the other)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np

from legibility.containers import ColorImage, GrayImage

ENLARGED: Final = 6
"""Choice: pixels of the picture for each pixel of the strip."""
INKED: Final = 0.5
"""Choice: a needle more probably inked than not is drawn filled."""
RADIUS_PX: Final = 1.4
"""Radius of a needle in strip pixels, about that of a dot."""
ONLY: Final = (196, 84, 0)
SHARED: Final = (28, 92, 158)
WHITE: Final = (255, 255, 255)
MARGIN_PX: Final = 6
LABEL_PX: Final = 34
GAP_PX: Final = 10


@dataclass(frozen=True, slots=True)
class ClaimNeedle:
    """One needle of a claim's pattern, strip pixels."""

    x: float
    y: float
    inked: float
    """Probability that it shows ink."""
    only: bool
    """Whether the other claim has no needle there."""


def draw_claims(
    ink: GrayImage,
    first: Sequence[ClaimNeedle],
    second: Sequence[ClaimNeedle],
    *,
    span: tuple[float, float],
    labels: tuple[str, str] = ("A", "B"),
) -> ColorImage:
    """Both patterns over the ink map: filled where ink shows, a ring with a cross where none does.

    Needles that only one claim has are orange and twice outlined, those of both are blue. The two
    panels show the same ink.

    Parameters
    ----------
    ink : (48, 384) float32, 0 (skin) .. 1 (ink)
    span : (left, right)
        Columns of the row.

    Returns
    -------
    ndarray of uint8, (height, width, 3), RGB
    """
    left = max(0, int(span[0]) - MARGIN_PX)
    right = min(ink.shape[1], int(span[1]) + MARGIN_PX + 1)
    gray = np.clip(255 * (1 - 0.75 * np.clip(ink[:, left:right], 0, 1)), 0, 255).astype(np.uint8)
    size = (gray.shape[1] * ENLARGED, gray.shape[0] * ENLARGED)
    large = cv2.cvtColor(cv2.resize(gray, size, interpolation=cv2.INTER_CUBIC), cv2.COLOR_GRAY2RGB)
    panels = [
        _panel(large, needles, left, label)
        for needles, label in zip((first, second), labels, strict=True)
    ]
    wide = panels[0].shape[1] > 900
    gap_shape = (GAP_PX, panels[0].shape[1]) if wide else (panels[0].shape[0], GAP_PX)
    gap = np.full((*gap_shape, 3), 255, np.uint8)
    joined = np.concatenate([panels[0], gap, panels[1]], axis=0 if wide else 1)
    return np.asarray(joined, dtype=np.uint8)


def _panel(ink: ColorImage, needles: Sequence[ClaimNeedle], left: int, label: str) -> ColorImage:
    drawn = np.ascontiguousarray(ink.copy())
    radius = round(RADIUS_PX * ENLARGED)
    for needle in needles:
        centre = (
            round((needle.x - left + 0.5) * ENLARGED),
            round((needle.y + 0.5) * ENLARGED),
        )
        colour = ONLY if needle.only else SHARED
        cv2.circle(drawn, centre, radius + 2, WHITE, 2, cv2.LINE_AA)
        if needle.inked > INKED:
            cv2.circle(drawn, centre, radius, colour, -1, cv2.LINE_AA)
        else:
            cv2.circle(drawn, centre, radius, colour, 2, cv2.LINE_AA)
            reach = round(0.6 * radius)
            for sign in (1, -1):
                start = (centre[0] - reach, centre[1] - sign * reach)
                end = (centre[0] + reach, centre[1] + sign * reach)
                cv2.line(drawn, start, end, colour, 2, cv2.LINE_AA)
        if needle.only:
            cv2.circle(drawn, centre, radius + 5, colour, 2, cv2.LINE_AA)
    head = np.full((LABEL_PX, drawn.shape[1], 3), 255, np.uint8)
    cv2.putText(
        head, f"claim {label}", (6, LABEL_PX - 10), cv2.FONT_HERSHEY_SIMPLEX, 0.8, (29, 34, 38), 2,
        cv2.LINE_AA,
    )  # fmt: skip
    return np.concatenate([head, drawn], axis=0)
