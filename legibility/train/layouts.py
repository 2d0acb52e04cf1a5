"""A bank of needle layouts as tensors, drawn from the training glyph sources."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from legibility.alphabet import N_CHARACTERS
from legibility.dies.placing import draw_placing, place_needles
from legibility.dies.strokes import GlyphSource

NEEDLES_KEPT = 22
"""Choice: most needles a layout can have; real dies have 8 to 16, more teach solid strokes."""


WORTH_PROCESSES = 8
"""Choice: fewer glyph sources than this are drawn in this process."""


@dataclass(frozen=True, slots=True)
class LayoutBank:
    """Needle layouts by glyph source, character and variant."""

    needles: Tensor
    """(sources, 36, variants, NEEDLES_KEPT, 2) in the unit box centred on the origin."""
    present: Tensor
    """(sources, 36, variants, NEEDLES_KEPT) bool."""


def _layouts_of(
    source: GlyphSource, variants: int, seed: int
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """(36, variants, NEEDLES_KEPT, 2) needles of one source and which of them exist."""
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


def build_bank(
    sources: tuple[GlyphSource, ...],
    *,
    variants: int,
    seed: int,
    device: torch.device,
    jobs: int | None = None,
) -> LayoutBank:
    """Layouts with 7 to 22 needles and jitter, ``variants`` for each character and source.

    Drawn by ``jobs`` processes, by default one for each core.
    """
    seeds = [seed * 1000 + i for i in range(len(sources))]
    if len(sources) < WORTH_PROCESSES:
        parts = [_layouts_of(s, variants, n) for s, n in zip(sources, seeds, strict=True)]
    else:
        with ProcessPoolExecutor(jobs, mp_context=get_context("fork")) as pool:
            parts = list(pool.map(_layouts_of, sources, [variants] * len(sources), seeds))
    return LayoutBank(
        needles=torch.from_numpy(np.stack([needles for needles, _ in parts])).to(device),
        present=torch.from_numpy(np.stack([present for _, present in parts])).to(device),
    )
