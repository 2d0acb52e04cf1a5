"""What of a mark can be seen in a photo, and whether a person could read it."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.containers import ColorImage
from legibility.evaluate.textures import blur

VISIBLE_CNR: Final = 2.0
"""Contrast-to-noise from which a needle counts as visible. Measured: see person_readable."""

READABLE_SHARE: Final = 0.75
"""Share of a die's needles that must be visible. Measured: see person_readable."""

READABLE_CNR: Final = 4.0
"""Median contrast-to-noise of a character's uncovered inked needles. Measured likewise."""

READABLE_APART: Final = 1
"""Needles that must tell a character from every other die of its set. Choice: with none, the
layout itself is a riddle, however fresh the ink."""

APART: Final = 0.08
"""Choice: two needles are told apart when this far from each other, character heights."""

READABLE_HEIGHT_PX: Final = 16.0
"""Smallest height of a character in photo pixels. Measured likewise."""


def dot_response(
    channel: NDArray[np.float32], *, sigma_px: float, background_px: float
) -> NDArray[np.float32]:
    """Difference of Gaussians at the scale of a dot; positive where the channel is high.

    Parameters
    ----------
    channel : ndarray of float32, (height, width)
        Picture projected on the ink's direction.
    sigma_px, background_px : float
        Scales of the dot and of its surroundings.
    """
    return np.asarray(
        blur(channel, sigma=sigma_px) - blur(channel, sigma=background_px), dtype=np.float32
    )


def ink_direction(
    inked: ColorImage, blank: ColorImage, density: NDArray[np.float32]
) -> NDArray[np.float64]:
    """Unit RGB vector along which ink changes this photo, weighted by the ink's density.

    Returns
    -------
    ndarray of float64, (3,); (-1, -1, -1) / sqrt(3) when there is no ink.
    """
    weight = density.astype(np.float64)
    total = float(weight.sum())
    if total <= 0:
        return np.full(3, -1.0 / np.sqrt(3.0))
    difference = inked.astype(np.float32) - blank.astype(np.float32)
    vector = np.tensordot(weight, difference, axes=((0, 1), (0, 1))) / total
    length = float(np.linalg.norm(vector))
    return np.asarray(vector / length if length > 1e-9 else np.full(3, -1.0 / np.sqrt(3.0)))


def sample(image: NDArray[np.float32], points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Values of an image at the nearest pixels of points (x, y); zero outside."""
    x = np.round(points[:, 0]).astype(int)
    y = np.round(points[:, 1]).astype(int)
    height, width = image.shape[:2]
    inside = (x >= 0) & (y >= 0) & (x < width) & (y < height)
    values = image[np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)].astype(np.float64)
    return np.asarray(np.where(inside, values, 0.0))


def character_readable(
    *,
    visible: NDArray[np.bool_],
    cnr: NDArray[np.float64],
    inked: NDArray[np.bool_],
    covered: NDArray[np.bool_],
    apart: int,
    height_px: float,
) -> bool:
    """Whether one character meets the definition of :func:`person_readable`."""
    seen = inked & ~covered
    if height_px < READABLE_HEIGHT_PX or not seen.any() or apart < READABLE_APART:
        return False
    return bool(visible.mean() >= READABLE_SHARE and float(np.median(cnr[seen])) >= READABLE_CNR)


def needles_apart(
    seen: NDArray[np.float64],
    sites: NDArray[np.float32],
    *,
    own: tuple[int, ...],
    distance_px: float,
) -> int:
    """Fewest needles that tell the seen ones from another die of the set.

    Counted are seen needles that the other die lacks, and needles of the other die that are not
    seen though nothing covers their place.

    Parameters
    ----------
    seen : ndarray of float64, (n, 2)
        Visible needles, pixels.
    sites : ndarray of float32, (m, 4)
        See :class:`legibility.evaluate.truth.CharacterTruth`.
    own : tuple of int
        Characters not to be told from (itself, and O/0 or I/1).
    distance_px : float
        Needles nearer than this are the same.
    """
    least = len(seen)
    for index in np.unique(sites[:, 2]).astype(int).tolist():
        if index in own or not len(seen):
            continue
        other = sites[sites[:, 2] == index]
        gaps = np.hypot(seen[:, None, 0] - other[None, :, 0], seen[:, None, 1] - other[None, :, 1])
        lacking = int(np.sum(gaps.min(axis=1) > distance_px))
        unseen = int(np.sum((gaps.min(axis=0) > distance_px) & (other[:, 3] < 0.5)))
        least = min(least, lacking + unseen)
    return least


def person_readable(characters: tuple[bool, ...]) -> bool:
    """Whether a person who knows how such marks look could read every character of a photo.

    Definition: every character is at least ``READABLE_HEIGHT_PX`` high, at least
    ``READABLE_SHARE`` of its needles are visible (not covered by hair, dirt or glare, with a
    contrast-to-noise of at least ``VISIBLE_CNR``), the median contrast-to-noise of its inked and
    uncovered needles is at least ``READABLE_CNR``, and at least ``READABLE_APART`` needles tell it
    from every other die of its set (O and 0, I and 1 need not be told apart).

    Calibrated by one person's blind reading of the upright crops of 75 photos with ink left
    (O=0, I=1): of the 26 that meet the definition 67 % of the characters were read right
    (83/124; 16 photos with two thirds or more right, 8 exact), of the 49 that do not 17 %
    (42/249; 6 and 3). "Two thirds right" agrees with the definition in 79 % of the photos;
    stricter and laxer limits agreed less. Most errors in photos that meet it are look-alikes
    (C/G, D/0/8, S/5/9) and dot-matrix dies, which the layout, not the photo, makes hard: a person
    who knows the die set would do better, one who does not will not read every mark exactly.
    """
    return bool(characters) and all(characters)
