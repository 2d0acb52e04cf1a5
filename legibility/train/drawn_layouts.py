"""Needle layouts of one glyph source as arrays, without torch: quickly loaded by a process."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import N_CHARACTERS
from legibility.dies.placing import draw_placing, place_needles
from legibility.dies.strokes import GlyphSource

NEEDLES_KEPT = 22
"""Choice: most needles a layout can have; real dies have 8 to 16, more teach solid strokes."""


def layouts_of(
    drawn: tuple[GlyphSource, int], *, variants: int
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """(36, variants, NEEDLES_KEPT, 2) needles of a source and a seed, and which of them exist."""
    source, seed = drawn
    rng = np.random.default_rng(seed)
    needles = np.zeros((N_CHARACTERS, variants, NEEDLES_KEPT, 2), np.float32)
    present = np.zeros((N_CHARACTERS, variants, NEEDLES_KEPT), np.bool_)
    for v in range(variants):
        # Most dies have 8 to 16 needles; a tail of dense ones keeps solid strokes in view.
        dense = rng.random() > 0.75
        count = int(rng.integers(14, 22)) if dense else int(rng.integers(8, 17))
        spread = float(rng.uniform(0.0, 0.03))
        placing = draw_placing(rng)
        for c in range(N_CHARACTERS):
            wanted = max(6, count + int(rng.integers(-1, 2)))
            points = place_needles(
                source.strokes[c], placing, needles=wanted, jitter=spread, rng=rng
            )
            if len(points) > NEEDLES_KEPT:
                points = points[np.sort(rng.permutation(len(points))[:NEEDLES_KEPT])]
            # Boxes are centred so that a cell's centre means the same for every die.
            middle = (points.max(axis=0) + points.min(axis=0)) / 2
            needles[c, v, : len(points)] = points - middle
            present[c, v, : len(points)] = True
    return needles, present
