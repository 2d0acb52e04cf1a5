"""Truth of every needle, measured on the finished photo and on the same photo without ink."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import CHARACTERS
from legibility.containers import ColorImage, GrayImage, Points
from legibility.evaluate.dots import Fade
from legibility.evaluate.placement import Die
from legibility.evaluate.pose import Pose
from legibility.evaluate.truth import CharacterTruth, NeedleTruth
from legibility.evaluate.visibility import (
    APART,
    VISIBLE_CNR,
    character_readable,
    dot_response,
    needles_apart,
    sample,
)

COVERED_FROM: Final = 0.6
"""Choice: a needle is covered when this share of its disc is."""

DOT_SIGMA: Final = 0.7
"""Choice: scale of the dot filter over the dot's radius."""

BACKGROUND: Final = 0.25
"""Choice: scale of the filter's surroundings, character heights (about the needles' spacing)."""


def project(pixels: ColorImage, direction: NDArray[np.float64]) -> GrayImage:
    """Picture along a colour direction, 0..1 units, (height, width)."""
    return np.asarray(
        cv2.transform(pixels.astype(np.float32), direction.astype(np.float32)[None]),
        dtype=np.float32,
    ) / np.float32(255.0)


def filtered(
    pixels: ColorImage, direction: NDArray[np.float64], *, sigma_px: float, height_px: float
) -> GrayImage:
    """Answer of the dot filter along the ink's direction."""
    return dot_response(
        project(pixels, direction), sigma_px=sigma_px, background_px=BACKGROUND * height_px
    )


def measure_rows(
    *,
    pose: Pose,
    needles: tuple[Points, ...],
    faded: Fade,
    hidden: NDArray[np.float32],
    with_ink: ColorImage,
    without_ink: ColorImage,
    direction: NDArray[np.float64],
    sigma_px: float,
) -> tuple[tuple[CharacterTruth, ...], ...]:
    """Truth of all characters, row by row.

    Parameters
    ----------
    pose : Pose
    needles : tuple of ndarrays, (n, 2)
        Photo pixels of the needles of each character.
    faded : Fade
        Ink left in all needles, in the order of ``needles``.
    hidden : ndarray of float32, (height, width)
        Share of each pixel that does not come from the skin.
    with_ink, without_ink : ndarray of uint8, (height, width, 3)
        The photo, and the photo as it would be had there been no ink.
    direction : ndarray of float64, (3,)
    sigma_px : float
        Scale of the dot filter.
    """
    size = pose.geometry.height_px
    answer = filtered(with_ink, direction, sigma_px=sigma_px, height_px=size)
    clutter = filtered(without_ink, direction, sigma_px=sigma_px, height_px=size)
    signal = answer - clutter
    points = np.concatenate(needles)
    signals = sample(signal, points)
    covers = sample(cv2.blur(hidden, (3, 3)), points)
    inked = faded.strengths > 0
    clear = inked & (covers < COVERED_FROM)
    unit = float(np.sum(signals[clear]) / max(float(np.sum(faded.strengths[clear])), 1e-6))
    cells = []
    start = 0
    for die, placed in zip(pose.cells, needles, strict=True):
        part = slice(start, start + len(placed))
        start += len(placed)
        quad = pose.geometry.to_photo(die.quad())
        noise = _noise(clutter, quad, margin=0.15 * size)
        cnr = np.maximum(signals[part], 0.0) / noise
        covered = covers[part] >= COVERED_FROM
        visible = inked[part] & ~covered & (cnr >= VISIBLE_CNR)
        sites = _sites(pose, die, hidden)
        side = 0.5 * float(np.hypot(*(quad[0] - quad[3])) + np.hypot(*(quad[1] - quad[2])))
        cells.append(
            CharacterTruth(
                character=die.character,
                quad=quad,
                height_px=side,
                needles=tuple(
                    NeedleTruth(*values)
                    for values in zip(
                        placed[:, 0].tolist(), placed[:, 1].tolist(),
                        faded.strengths[part].tolist(), covered.tolist(), cnr.tolist(),
                        visible.tolist(), strict=True,
                    )
                ),
                noise=noise,
                unit_response=max(unit, 0.0),
                sites=sites,
                readable=character_readable(
                    visible=visible, cnr=cnr, inked=inked[part], covered=covered, height_px=side,
                    apart=needles_apart(
                        placed[visible], sites, own=_same(die.character), distance_px=APART * side
                    ),
                ),
            )
        )  # fmt: skip
    rows, place = [], 0
    for row in pose.rows:
        rows.append(tuple(cells[place : place + len(row)]))
        place += len(row)
    return tuple(rows)


def _same(character: str) -> tuple[int, ...]:
    """Indices of the characters that nobody can tell from this one without the herd's rules."""
    group = next((pair for pair in ("O0", "I1") if character in pair), character)
    return tuple(CHARACTERS.index(member) for member in group)


def _noise(clutter: GrayImage, quad: Points, *, margin: float) -> float:
    """Standard deviation of the dot filter around a character without its ink."""
    height, width = clutter.shape
    left, top = np.floor(quad.min(axis=0) - margin).astype(int)
    right, bottom = np.ceil(quad.max(axis=0) + margin).astype(int) + 1
    piece = clutter[max(0, top) : min(height, bottom), max(0, left) : min(width, right)]
    return max(float(piece.std()), 1e-4) if piece.size else 1.0


def _sites(pose: Pose, die: Die, hidden: NDArray[np.float32]) -> NDArray[np.float32]:
    """Where every die of the set would have pressed, had it stood in this place."""
    placed = []
    for index, layout in enumerate(pose.dies):
        other = die.exchanged(CHARACTERS[index], layout)
        points = pose.geometry.to_photo(other.in_plane(layout))
        covered = sample(hidden, points) >= COVERED_FROM
        tag = np.full((len(points), 1), index, dtype=np.float64)
        placed.append(np.hstack((points, tag, covered[:, None])))
    return np.concatenate(placed).astype(np.float32)
