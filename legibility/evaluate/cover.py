"""What lies over a mark: hair, dirt and wax, wet glare."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.evaluate.skins import FloatColor
from legibility.evaluate.textures import blur, fine_structure, patch, slow_noise

MUCH_HAIR: Final = (4.0, 20.0)
"""Choice: hairs over a hairy ear, in units of the few that usually lie there."""
MUCH_DIRT: Final = (0.45, 0.75)
"""Choice: level of the slow noise above which a dirty ear is dirty; 0.84 and more otherwise."""
MUCH_GLARE: Final = (20, 70)
"""Choice: patches of glare on a wet ear; 1 to 8 otherwise."""


@dataclass(frozen=True, slots=True)
class Covering:
    """Layers over the skin; each alpha is (height, width) float32, 0..1."""

    hair: NDArray[np.float32]
    hair_colour: NDArray[np.float32]
    """(3,) sRGB 0..1."""
    dirt: NDArray[np.float32]
    dirt_pixels: FloatColor
    glare: NDArray[np.float32]

    @property
    def hidden(self) -> NDArray[np.float32]:
        """Share of each pixel that does not come from the skin."""
        return np.asarray(
            1.0 - (1.0 - self.hair) * (1.0 - self.dirt) * (1.0 - np.clip(self.glare, 0.0, 1.0)),
            dtype=np.float32,
        )

    def over(self, scene: FloatColor) -> FloatColor:
        """The scene with dirt, hair and its shadow, and glare on it."""
        dirt = self.dirt[..., None]
        result = scene * (1.0 - dirt) + self.dirt_pixels * dirt
        if float(self.hair.max()) > 0:
            shadow = np.roll(blur(self.hair, sigma=2.5), (3, 2), axis=(0, 1))
            result = result * (1.0 - 0.3 * shadow[..., None])
            hair = self.hair[..., None]
            result = result * (1.0 - hair) + self.hair_colour * hair
        result = result + self.glare[..., None]
        return np.asarray(np.clip(result, 0.0, 1.0), dtype=np.float32)


@dataclass(frozen=True, slots=True)
class Around:
    """Picture and mark that something lies over."""

    width: int
    height: int
    centre: tuple[float, float]
    """Of the mark, pixels."""
    reach_px: float
    """Half length of the mark."""
    height_px: float
    """Of a character."""

    def blank(self) -> NDArray[np.float32]:
        """Nothing: (height, width) zeros."""
        return np.zeros((self.height, self.width), dtype=np.float32)

    def black(self) -> FloatColor:
        """(height, width, 3) zeros."""
        return np.zeros((self.height, self.width, 3), dtype=np.float32)


def draw_covering(mark: Around, rng: np.random.Generator, *, only: str | None = None) -> Covering:
    """Random hair, dirt and glare around a mark; half of the photos have little of any.

    Parameters
    ----------
    mark : Around
    rng : Generator
    only : str, optional
        ``"hair"``, ``"dirt"`` or ``"wet"``: much of this, and by chance of the others; ``"none"``:
        an ear clipped, cleaned and dried.
    """
    if only == "none":
        nothing = mark.blank()
        return Covering(nothing, np.zeros(3, dtype=np.float32), nothing, mark.black(), nothing)
    return Covering(
        *_hair(mark, rng, much=only == "hair"),
        *_dirt(mark, rng, much=only == "dirt"),
        _glare(mark, rng, much=only == "wet"),
    )


def _hair(
    mark: Around, rng: np.random.Generator, *, much: bool
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    from scipy.interpolate import CubicSpline

    height_px = mark.height_px
    layer = np.zeros((mark.height, mark.width), dtype=np.uint8)
    colour = np.array(
        [(0.85, 0.8, 0.72), (0.45, 0.33, 0.22), (0.13, 0.11, 0.1)][int(rng.integers(3))]
    )
    colour = np.clip(colour + rng.normal(0, 0.05, 3), 0.02, 0.97).astype(np.float32)
    amount = float(rng.choice((0.0, 0.3, 1.0, 2.5), p=(0.45, 0.30, 0.18, 0.07)))
    amount = amount + float(rng.uniform(*MUCH_HAIR)) if much else amount
    around = mark.reach_px + 1.5 * height_px
    area = min((2 * around / height_px) ** 2, 400.0)
    strands = round(amount * area * rng.uniform(0.25, 0.7))
    flow = rng.uniform(0, 2 * np.pi)
    wander = rng.uniform(0.1, 0.6)
    knots = np.linspace(0.0, 1.0, 4)
    fine = np.linspace(0.0, 1.0, 14)
    thick = max(1.0, height_px * rng.uniform(0.008, 0.028))
    for _ in range(strands):
        length = height_px * rng.uniform(0.8, 3.0)
        angle = flow + rng.normal(0.0, wander)
        start = np.asarray(mark.centre) + rng.uniform(-around, around, 2)
        bends = np.cumsum(rng.normal(0.0, 0.25, 4))
        steps = np.stack((np.cos(angle + bends), np.sin(angle + bends)), axis=1) * length / 3
        path = start + np.cumsum(steps, axis=0) - steps[0]
        curve = CubicSpline(knots, path)(fine)
        width_px = max(1, round(thick * rng.uniform(0.6, 1.4)))
        cv2.polylines(
            layer,
            [np.round(curve * 16).astype(np.int32)],
            False,
            int(rng.integers(120, 256)),
            width_px,
            cv2.LINE_AA,
            4,
        )
    return layer.astype(np.float32) / np.float32(255.0), colour


def _dirt(
    mark: Around, rng: np.random.Generator, *, much: bool
) -> tuple[NDArray[np.float32], FloatColor]:
    if rng.random() < 0.72 and not much:
        return mark.blank(), mark.black()
    width, height, height_px = mark.width, mark.height, mark.height_px
    name = str(rng.choice(("gravel.png", "coffee.png", "grass.png", "brick.png")))
    rough = fine_structure(name, width=width, height=height, zoom=rng.uniform(1, 4), rng=rng)
    cells = max(width, height) / height_px * rng.uniform(0.5, 1.6)
    lumps = slow_noise(width=width, height=height, cells=min(cells, 60.0), rng=rng)
    threshold = rng.uniform(*(MUCH_DIRT if much else (0.84, 0.985)))
    lump = np.clip((lumps + 0.05 * rough - threshold) / 0.06, 0.0, 1.0).astype(np.float32)
    alpha = blur(lump, sigma=0.02 * height_px) * rng.uniform(0.75 if much else 0.4, 0.97)
    wax = rng.random() < 0.5
    tone = np.array((0.62, 0.5, 0.3) if wax else (0.25, 0.2, 0.16), dtype=np.float32)
    grain = patch(name, width=width, height=height, zoom=rng.uniform(1, 4), rng=rng)
    pixels = tone * (0.6 + 0.8 * grain.mean(axis=2, keepdims=True))
    return alpha.astype(np.float32), pixels.astype(np.float32)


def _glare(mark: Around, rng: np.random.Generator, *, much: bool) -> NDArray[np.float32]:
    layer, height_px = mark.blank(), mark.height_px
    if rng.random() < 0.75 and not much:
        return layer
    for _ in range(int(rng.integers(*(MUCH_GLARE if much else (1, 9))))):
        middle = np.asarray(mark.centre) + rng.uniform(-1.3, 1.3, 2) * (mark.reach_px + height_px)
        corners = int(rng.integers(3, 8))
        bearings = np.sort(rng.uniform(0, 2 * np.pi, corners))
        radii = height_px * rng.uniform(0.05, 0.45, corners)
        shape = np.stack((np.cos(bearings), np.sin(bearings)), axis=1) * radii[:, None]
        shape = shape * rng.uniform(0.4, 1.8, 2) + middle
        cv2.fillPoly(layer, [np.round(shape * 16).astype(np.int32)], 1.0, cv2.LINE_AA, 4)
    soft = blur(layer, sigma=height_px * rng.uniform(0.01, 0.08))
    return (soft * rng.uniform(0.8 if much else 0.5, 1.3)).astype(np.float32)
