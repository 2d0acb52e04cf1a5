"""Drawn skin, needle marks, hairs and highlights with known places, for the tests of ``enhance``.

Independent of ``legibility.simulate``: plain drawing, so that a fault there cannot hide one here.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

HEIGHT, WIDTH = 450, 600
SKINS = {"pink": (226, 178, 168), "grey": (160, 152, 148), "dark": (86, 70, 64)}
INKS = {
    "green": (2.2, 1.0, 1.6),
    "black": (2.0, 2.0, 2.0),
    "red-brown": (0.8, 1.8, 1.9),
    "blue-green": (1.9, 1.1, 0.9),
}
"""Absorbance in red, green and blue; invented, only the hue matters."""


@dataclass(frozen=True, slots=True)
class Drawing:
    pixels: NDArray[np.uint8]
    ink: NDArray[np.float32]
    hair: NDArray[np.bool_]
    glare: NDArray[np.bool_]


def draw(
    *,
    seed: int = 0,
    skin: str = "pink",
    ink: str = "green",
    hairs: int = 0,
    light_hair: bool = False,
    highlights: int = 0,
    radius: float = 4.0,
    pitch: float = 14.0,
    strength: float = 1.0,
) -> Drawing:
    """A grid-like pattern of needle marks in the middle of textured skin under sloping light."""
    rng = np.random.default_rng(seed)
    rows, columns = np.mgrid[0:HEIGHT, 0:WIDTH].astype(np.float32)
    linear = np.tile((np.array(SKINS[skin], np.float32) / 255) ** 2.2, (HEIGHT, WIDTH, 1))
    linear *= (1 + 0.04 * _noise(rng, 2) + 0.05 * _noise(rng, 40))[..., None]
    cover = np.zeros((HEIGHT, WIDTH), np.float32)
    for x, y in needle_places(pitch):
        distance = np.hypot(columns - x, rows - y)
        cover = np.maximum(cover, strength / (1 + np.exp((distance - radius) / 0.8)))
    linear *= np.exp(-cover[..., None] * np.array(INKS[ink], np.float32))
    strands = np.zeros((HEIGHT, WIDTH), np.uint8)
    for _ in range(hairs):
        cv2.polylines(strands, [_curve(rng)], False, 255, 2, cv2.LINE_AA)
    share = 0.9 * strands[..., None].astype(np.float32) / 255
    tone = np.array((0.75, 0.7, 0.6) if light_hair else (0.04, 0.035, 0.03), np.float32)
    linear = linear * (1 - share) + share * tone
    linear *= (1.2 * np.exp(-0.8 * columns / WIDTH))[..., None]
    shine = np.zeros((HEIGHT, WIDTH), np.float32)
    for _ in range(highlights):
        x, y = rng.uniform(0.1, 0.9) * WIDTH, rng.choice([0.15, 0.85]) * HEIGHT
        shine += 3 * np.exp(-(((columns - x) / 14) ** 2) - ((rows - y) / 9) ** 2)
    linear = cv2.GaussianBlur(linear + shine[..., None], (0, 0), 0.8)
    linear = linear + rng.normal(0, 0.004, linear.shape)
    pixels = np.round(255 * np.clip(linear, 0, 1) ** (1 / 2.2)).astype(np.uint8)
    return Drawing(pixels, cover, strands > 100, shine > 1.0)


def needle_places(pitch: float) -> NDArray[np.float64]:
    """(n, 2) x, y: three open letters' worth of needles (H, T and L), one pitch apart."""
    letters = (
        [(0, r) for r in range(5)] + [(3, r) for r in range(5)] + [(1, 2), (2, 2)],
        [(c, 0) for c in range(4)] + [(1.5, r) for r in range(1, 5)],
        [(0, r) for r in range(5)] + [(c, 4) for c in range(1, 4)],
    )
    places = [(x + 5.5 * n, y) for n, letter in enumerate(letters) for x, y in letter]
    return pitch * (np.array(places) - (7, 2)) + (WIDTH / 2, HEIGHT / 2)


def _noise(rng: np.random.Generator, scale: int) -> NDArray[np.float32]:
    coarse = rng.standard_normal((HEIGHT // scale + 2, WIDTH // scale + 2)).astype(np.float32)
    smooth: NDArray[np.float32] = cv2.resize(coarse, (WIDTH, HEIGHT), interpolation=cv2.INTER_CUBIC)
    return smooth


def _curve(rng: np.random.Generator) -> NDArray[np.int32]:
    angle, bend = rng.uniform(0, 2 * np.pi), rng.uniform(-0.03, 0.03)
    place = np.array([rng.uniform(0.2, 0.8) * WIDTH, rng.uniform(0.2, 0.8) * HEIGHT])
    points = [place]
    for _ in range(40):
        angle += bend
        place = place + 6 * np.array([np.cos(angle), np.sin(angle)])
        points.append(place)
    return np.round(np.array(points)).astype(np.int32).reshape(-1, 1, 2)
