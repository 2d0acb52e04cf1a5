"""Whether two files show the same shot: a perceptual hash of the picture's coarse content.

The signs of the lowest frequencies of the discrete cosine transform of a small grey picture,
against their median: Zauner 2010, "Implementation and benchmarking of perceptual image hash
functions", Upper Austria University of Applied Sciences, section 3.2.1 (DCT based hash). It differs
in taking 16 x 16 instead of 8 x 8 frequencies: photos of one ear are alike in the coarsest ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import ColorImage

Fingerprint: TypeAlias = NDArray[np.bool_]
"""(256,) bool."""

FREQUENCIES: Final = 16
"""Choice: lowest frequencies kept in each direction."""
OVERSAMPLED: Final = 4
"""Side of the small picture over ``FREQUENCIES``, as in Zauner's 32 over 8."""
SAME_SHOT_BITS: Final = 20
"""Measured on rendered photos (``tests/photo/test_fingerprint.py``): a shot stored again at half
the size and JPEG quality 40 differs in fewer bits than this, one from another angle in more."""


def fingerprint(pixels: ColorImage) -> Fingerprint:
    """Perceptual hash of a picture.

    Parameters
    ----------
    pixels : (height, width, 3) uint8
        Upright, RGB.

    Returns
    -------
    (256,) bool
    """
    side = FREQUENCIES * OVERSAMPLED
    gray = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    small = cv2.resize(gray, (side, side), interpolation=cv2.INTER_AREA).astype(np.float64)
    low = cv2.dct(small)[:FREQUENCIES, :FREQUENCIES].ravel()
    return np.asarray(low > np.median(low), dtype=np.bool_)


def distance_bits(first: Fingerprint, second: Fingerprint) -> int:
    """Number of bits that differ, 0..256."""
    return int(np.count_nonzero(first != second))


def first_of_each(
    digests: Sequence[str],
    fingerprints: Sequence[Fingerprint],
    *,
    same_shot_bits: int = SAME_SHOT_BITS,
) -> tuple[int, ...]:
    """For each photo the index of the earlier one that it repeats, -1 for none.

    Parameters
    ----------
    digests : sequence of str
        SHA-256 of the files; empty where a file could not be used, which repeats nothing.
    fingerprints : sequence of Fingerprint
        Of the same length; not looked at where the digest is empty.
    """
    kept: list[int] = []
    repeats = []
    for index, digest in enumerate(digests):
        earlier = -1
        for other in kept if digest else ():
            near = distance_bits(fingerprints[other], fingerprints[index]) < same_shot_bits
            if digests[other] == digest or near:
                earlier = other
                break
        if digest and earlier < 0:
            kept.append(index)
        repeats.append(earlier)
    return tuple(repeats)
