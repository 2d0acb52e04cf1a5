"""Rows of dots drawn for the tests of the needle model: known truth for every needle.

Deliberately simple and apart from the package's simulator: Gaussian dots with a flat top, each
with its own strength and size, on correlated noise.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from legibility.alphabet import N_CHARACTERS
from legibility.containers import GrayImage, Points
from legibility.dies.layout import needle_layout
from legibility.dies.strokes import GlyphSource
from legibility.read.cells import CellBox


@dataclass(frozen=True, slots=True)
class DotRow:
    """A drawn row."""

    ink: GrayImage
    cells: tuple[CellBox, ...]
    truth: tuple[int, ...]
    needles: tuple[Points, ...]
    """For each cell (n, 2) strip pixels."""
    inked: tuple[np.ndarray, ...]
    """For each cell (n,) bool."""


def draw_row(
    source: GlyphSource,
    rng: np.random.Generator,
    *,
    n_cells: int = 8,
    loss: float = 0.0,
    noise: float = 0.08,
    dot_px: float = 1.8,
    blur_px: float = 0.7,
    contrast: float = 0.7,
    clutter: int = 0,
    disturb: float = 1.0,
    truth: tuple[int, ...] | None = None,
) -> DotRow:
    """Draw ``n_cells`` characters of a die set with 8 to 16 jittered needles each.

    ``disturb`` scales shift (up to 2 px), size (8 %), slant (0.07) and layout jitter (0.015).
    """
    if truth is None:
        truth = tuple(int(c) for c in rng.integers(0, N_CHARACTERS, n_cells))
    pitch = 384.0 / max(n_cells + 0.6, 9)
    count = int(rng.integers(9, 16))
    size = 32.0 * (1 + disturb * rng.uniform(-0.08, 0.08)) * min(1.0, pitch / 36)
    slant = disturb * rng.uniform(-0.07, 0.07)
    y, x = np.mgrid[0:48, 0:384].astype(np.float32)
    ink = np.zeros((48, 384), np.float32)
    cells, needles, inked = [], [], []
    for place, character in enumerate(truth):
        unit = needle_layout(
            source.strokes[character],
            needles=int(np.clip(count + rng.integers(-2, 3), 8, 16)),
            jitter=0.015 * disturb,
            rng=rng,
        ).astype(np.float64)
        unit[:, 0] -= 0.5 * (unit[:, 0].min() + unit[:, 0].max())
        unit[:, 1] -= 0.5
        cell = CellBox(pitch * (place + 0.8), 24.0, 32.0 * min(1.0, pitch / 36), pitch)
        shift = disturb * rng.uniform(-2, 2, 2)
        at = np.stack(
            [
                cell.x_center + shift[0] + size * (unit[:, 0] - slant * unit[:, 1]),
                cell.y_center + shift[1] + size * unit[:, 1],
            ],
            axis=1,
        )
        shows = rng.random(len(at)) >= loss
        for (px, py), here in zip(at, shows, strict=True):
            if here:
                radius = dot_px * rng.uniform(0.8, 1.2)
                dot = np.exp(-((((x - px) ** 2 + (y - py) ** 2) / (2 * radius**2)) ** 2))
                ink = np.maximum(ink, np.float32(contrast * rng.uniform(0.6, 1.2)) * dot)
        cells.append(cell)
        needles.append(at)
        inked.append(shows)
    for _ in range(clutter):
        px, py = rng.uniform(0, 384), rng.uniform(4, 44)
        dot = np.exp(-((((x - px) ** 2 + (y - py) ** 2) / (2 * 1.5**2)) ** 2))
        ink = np.maximum(ink, np.float32(contrast * rng.uniform(0.5, 1.0)) * dot)
    ink = cv2.GaussianBlur(ink, (0, 0), blur_px)
    grain = cv2.GaussianBlur(rng.normal(size=ink.shape), (0, 0), 0.8)
    ink = ink + 0.15 + noise * grain / grain.std()
    return DotRow(
        ink=np.clip(ink, 0, 1).astype(np.float32),
        cells=tuple(cells),
        truth=truth,
        needles=tuple(needles),
        inked=tuple(inked),
    )
