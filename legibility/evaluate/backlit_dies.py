"""What the reader makes of dies lit from behind, drawn as neither trained scene model does.

``python -m legibility.evaluate.backlit_dies --marks 100 --seed 7`` draws five dies of a set of the
evaluation on a glowing sheet, with one thing at a time that stands between dots and reader: vessels
that branch as trees, needles that lost their ink, hair, dirt, a soft far side, faint ink. Each
strip is made of polygons, discs and lines in sRGB, nothing of it in layers of noise.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from legibility.containers import ColorImage
from legibility.evaluate.clean_dies import HEIGHT_PX, DieSet, evaluation_dies, middles, tally

SCALE: Final = 4
"""Choice: pixels drawn for each pixel of the strip, on either side."""
SIZE: Final = (48 * SCALE, 384 * SCALE)
GLOW: Final = ((226, 92, 44), (240, 128, 74), (205, 64, 40), (190, 84, 60))
"""Choice: sRGB of lit tissue, by eye, from orange to red."""


@dataclass(frozen=True, slots=True)
class Trouble:
    """How much of each disturbance a strip has."""

    vessels: float = 0.15
    """Darkness of the vessels, 0..1."""
    lost: float = 0.0
    """Share of needles without ink."""
    hairs: int = 0
    dirt: int = 0
    """Clods across the strip."""
    soft_px: float = 0.5
    """Blur of the dots, strip pixels."""
    ink: float = 0.85
    """Darkness of full dots, 0..1."""


PLAIN: Final = Trouble()
TROUBLES: Final[Mapping[str, Trouble]] = {
    "nothing else": PLAIN,
    "dark vessels": replace(PLAIN, vessels=0.75),
    "a fifth of the needles lost": replace(PLAIN, lost=0.2),
    "hair": replace(PLAIN, hairs=28),
    "dirt": replace(PLAIN, dirt=16),
    "seen from the far side": replace(PLAIN, soft_px=2.6, ink=0.6),
    "faint": replace(PLAIN, ink=0.13),
    "all of it by half": Trouble(0.45, 0.1, 12, 7, 1.1, 0.55),
}
"""Choice: strong enough that some characters are lost in each, by eye."""


def backlit_strip(
    dies: DieSet, row: NDArray[np.int64], rng: np.random.Generator, *, trouble: Trouble
) -> ColorImage:
    """Dies of a row as dark dots before light, (48, 384, 3) uint8 RGB."""
    glow = np.array(GLOW[int(rng.integers(len(GLOW)))], np.float64) * rng.uniform(0.6, 1.05)
    x = np.linspace(-1, 1, SIZE[1])[None, :, None]
    y = np.linspace(-1, 1, SIZE[0])[:, None, None]
    lamp = np.exp(-((x - rng.uniform(-1, 1)) ** 2) / 3 - 0.2 * (y - rng.uniform(-1, 1)) ** 2)
    picture = np.asarray(glow * (0.55 + 0.55 * lamp), np.float32)
    dark = 1 - trouble.vessels * np.array([0.55, 0.75, 0.6]) * _trees(rng)[..., None]
    dots = cv2.GaussianBlur(_dots(dies, row, rng, trouble.lost), (0, 0), trouble.soft_px * SCALE)
    picture = picture * dark * (1 - trouble.ink * dots[..., None] * np.array([0.95, 1.0, 0.9]))
    picture = np.asarray(picture, np.float32)
    _clods(picture, rng, trouble.dirt)
    _hairs(picture, rng, trouble.hairs)
    picture = cv2.GaussianBlur(picture, (0, 0), 0.7 * SCALE)
    small = cv2.resize(picture, (384, 48), interpolation=cv2.INTER_AREA)
    noisy = small + rng.normal(0, 4, small.shape)
    return np.asarray(np.clip(noisy, 0, 255), dtype=np.uint8)


def _dots(
    dies: DieSet, row: NDArray[np.int64], rng: np.random.Generator, lost: float
) -> NDArray[np.float32]:
    ink = np.zeros(SIZE, np.float32)
    radius = HEIGHT_PX * rng.uniform(0.04, 0.065) * SCALE
    for middle, die in zip(middles(), row, strict=True):
        points = np.asarray(dies[die], dtype=np.float64)
        points = points - (points.max(axis=0) + points.min(axis=0)) / 2
        for px, py in points[rng.random(len(points)) >= lost]:
            at = ((middle + px * HEIGHT_PX) * SCALE, (23.5 + py * HEIGHT_PX) * SCALE)
            corners = cv2.ellipse2Poly(
                (round(at[0]), round(at[1])),
                (round(radius * rng.uniform(0.8, 1.2)), round(radius * rng.uniform(0.8, 1.2))),
                int(rng.integers(180)),
                0,
                360,
                30,
            )
            cv2.fillPoly(ink, [corners], (float(rng.uniform(0.75, 1.0)),), cv2.LINE_AA)
    return ink


def _trees(rng: np.random.Generator) -> NDArray[np.float32]:
    """Vessels as trees: each twig leaves its branch at an angle and is thinner."""
    layer = np.zeros(SIZE, np.float32)
    open_ends = [
        (rng.uniform(0, SIZE[1]), edge, way, rng.uniform(9, 20))
        for edge, way in ((0.0, np.pi / 2), (float(SIZE[0]), -np.pi / 2))
        for _ in range(3)
    ]
    while open_ends:
        x, y, way, width = open_ends.pop()
        if width < 2 or not (-40 < x < SIZE[1] + 40):
            continue
        line = [(x, y)]
        for _ in range(int(rng.integers(4, 9))):
            way += rng.normal(0, 0.22)
            x, y = x + 18 * np.cos(way), y + 18 * np.sin(way)
            line.append((x, y))
        points = np.round(np.array(line)).astype(np.int32)
        cv2.polylines(layer, [points], False, (1.0,), max(1, round(width)), cv2.LINE_AA)
        for side in (-1, 1):
            turned = way + side * rng.uniform(0.2, 0.9)
            open_ends.append((x, y, turned, width * rng.uniform(0.55, 0.8)))
    return np.asarray(cv2.GaussianBlur(layer, (0, 0), 0.8 * SCALE), np.float32)


def _clods(picture: NDArray[np.float32], rng: np.random.Generator, count: int) -> None:
    """Dirt as dark polygons with ragged corners, drawn into the picture."""
    for _ in range(count):
        middle = np.array([rng.uniform(0, SIZE[1]), rng.uniform(0, SIZE[0])])
        turns = np.sort(rng.uniform(0, 2 * np.pi, 9))
        reach = HEIGHT_PX * SCALE * rng.uniform(0.05, 0.22) * rng.uniform(0.5, 1.2, 9)
        corners = middle + reach[:, None] * np.stack([np.cos(turns), np.sin(turns)], axis=1)
        colour = np.array([70.0, 48.0, 34.0]) * rng.uniform(0.4, 1.4)
        cv2.fillPoly(picture, [np.round(corners).astype(np.int32)], colour.tolist(), cv2.LINE_AA)


def _hairs(picture: NDArray[np.float32], rng: np.random.Generator, count: int) -> None:
    """Hairs as thin bent lines, light or dark, drawn into the picture."""
    lean = rng.uniform(0, np.pi)
    tone = np.array([235.0, 215.0, 190.0]) if rng.random() < 0.5 else np.array([45.0, 30.0, 25.0])
    for _ in range(count):
        way = lean + rng.normal(0, 0.35)
        middle = np.array([rng.uniform(0, SIZE[1]), rng.uniform(0, SIZE[0])])
        t = np.linspace(-1, 1, 12)[:, None]
        along = np.array([np.cos(way), np.sin(way)])
        across = np.array([-along[1], along[0]])
        points = middle + t * along * rng.uniform(60, 260) + t**2 * across * rng.normal(0, 40)
        colour = tone * rng.uniform(0.8, 1.1)
        corners = [np.round(points).astype(np.int32)]
        cv2.polylines(
            picture, corners, False, colour.tolist(), int(rng.integers(2, 6)), cv2.LINE_AA
        )


def main() -> None:
    """Command line of the module."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--marks", type=int, default=100)
    parser.add_argument("--seed", type=int, default=7)
    given = parser.parse_args()
    for name, trouble in TROUBLES.items():
        draw = partial(backlit_strip, trouble=trouble)
        print(f"{name}: {tally(evaluation_dies, marks=given.marks, seed=given.seed, draw=draw)}")


if __name__ == "__main__":
    main()
