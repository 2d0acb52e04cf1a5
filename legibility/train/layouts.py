"""A bank of needle layouts as tensors, drawn from the training glyph sources."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
import torch
from torch import Tensor

from legibility.dies.strokes import GlyphSource
from legibility.in_order import mapped
from legibility.train.drawn_layouts import layouts_of
from legibility.workers import usable_cores

WORTH_PROCESSES = 8
"""Choice: fewer glyph sources than this are drawn in this process."""


@dataclass(frozen=True, slots=True)
class LayoutBank:
    """Needle layouts by glyph source, character and variant."""

    needles: Tensor
    """(sources, 36, variants, NEEDLES_KEPT, 2) in the unit box centred on the origin."""
    present: Tensor
    """(sources, 36, variants, NEEDLES_KEPT) bool."""


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
        jobs = 1
    draw = partial(layouts_of, variants=variants)
    parts = list(mapped(draw, list(zip(sources, seeds, strict=True)), jobs=jobs or usable_cores()))
    return LayoutBank(
        needles=torch.from_numpy(np.stack([needles for needles, _ in parts])).to(device),
        present=torch.from_numpy(np.stack([present for _, present in parts])).to(device),
    )
