"""Size of an evaluation photo, and where in it the mark lies."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from legibility.alphabet import CHARACTERS, split_mark
from legibility.containers import Points
from legibility.dies.strokes import GlyphSource
from legibility.evaluate.marks import random_mark
from legibility.evaluate.placement import Die, Geometry, die_set, press_rows

MIRRORED_SHARE: Final = 0.2
"""Choice: share of photos taken from behind."""

LARGE_SHARE: Final = 0.06
"""Choice: share of photos of 3000 to 4000 pixels."""

MARK_SHARE: Final = (0.08, 0.90)
"""Contract: length of the mark over the picture's width."""


@dataclass(frozen=True, slots=True)
class SceneChoices:
    """What to hold fixed in a set; None leaves it to chance."""

    mark: str | None = None
    fading: int | None = None
    mirrored: bool | None = None
    rotation_deg: float | None = None
    rows: int | None = None
    width_px: int | None = None
    height_px: int | None = None
    mark_share: float | None = None
    """Length of the mark over the picture's width."""
    covering: str | None = None
    """What lies over the mark, see :func:`legibility.evaluate.cover.draw_covering`."""
    look: int = 0
    """Number of the photo of the ear: skin, dies, needles and ink are the same in all of them;
    covering, camera and light are not."""


@dataclass(frozen=True, slots=True)
class Pose:
    """A mark laid into a picture."""

    width: int
    height: int
    geometry: Geometry
    rows: tuple[tuple[Die, ...], ...]
    dies: tuple[Points, ...]
    """Of the whole set, in the order of ``alphabet.CHARACTERS``."""

    @property
    def cells(self) -> tuple[Die, ...]:
        return tuple(die for row in self.rows for die in row)

    @property
    def extent(self) -> tuple[float, float]:
        """Half width and half height of the mark's bounding box, pixels."""
        corners = self.corners()
        reach = np.abs(corners - np.asarray(self.geometry.centre)).max(axis=0)
        return float(reach[0]), float(reach[1])

    def corners(self) -> Points:
        """All corners of all characters, photo pixels."""
        return self.geometry.to_photo(np.concatenate([die.quad() for die in self.cells]))

    def scaled(self, factor: float) -> Pose:
        """The same pose in a picture of ``factor`` times the size."""
        if factor == 1.0:
            return self
        width, height = round(self.width * factor), round(self.height * factor)
        x, y = self.geometry.centre
        centre = ((x + 0.5) * factor - 0.5, (y + 0.5) * factor - 0.5)
        geometry = replace(self.geometry, height_px=self.geometry.height_px * factor, centre=centre)
        return replace(self, width=width, height=height, geometry=geometry)


def draw_pose(
    *, sources: tuple[GlyphSource, ...], choices: SceneChoices, rng: np.random.Generator
) -> Pose:
    """A random mark, die set and placement.

    Every random number is drawn whatever ``choices`` holds fixed, so that two calls with equal
    generators and different choices differ in the chosen things alone.
    """
    width, height = _size(choices, rng=rng)
    mark = random_mark(rows=choices.rows, rng=rng)
    rows = split_mark(choices.mark if choices.mark is not None else mark)
    source = sources[int(rng.integers(len(sources)))]
    dies = die_set(source, rng=rng)
    layout_rng, jitter = rng.spawn(2)
    cells = press_rows(rows, dies, characters=CHARACTERS, rng=layout_rng)
    share = float(MARK_SHARE[0] + np.ptp(MARK_SHARE) * rng.beta(1.3, 1.6))
    share = choices.mark_share if choices.mark_share is not None else share
    rotation = float(rng.uniform(-180.0, 180.0))
    if jitter.random() < 0.4:  # people tend to hold the camera along the row
        rotation = float(jitter.normal(0.0, 12.0)) + (180.0 if jitter.random() < 0.3 else 0.0)
    mirrored = bool(rng.random() < MIRRORED_SHARE)
    geometry = Geometry(
        height_px=1.0,
        stretch=float(rng.uniform(0.88, 1.18)),
        bend=float(rng.normal(0.0, 0.02)),
        ripple=float(rng.normal(0.0, 0.04)),
        rotation_deg=rotation if choices.rotation_deg is None else choices.rotation_deg,
        mirrored=mirrored if choices.mirrored is None else choices.mirrored,
        tilt=(float(rng.normal(0.0, 0.014)), float(rng.normal(0.0, 0.014))),
        centre=(0.0, 0.0),
    )
    place = rng.uniform(-1.0, 1.0, 2)
    return _fit(Pose(width, height, geometry, cells, dies), share=share, place=place)


def _size(choices: SceneChoices, *, rng: np.random.Generator) -> tuple[int, int]:
    large = rng.random() < LARGE_SHARE
    long = int(rng.integers(3000, 4001) if large else rng.integers(800, 1601))
    short = round(long * float(rng.choice((3 / 4, 2 / 3, 9 / 16, 1.0))))
    width, height = (long, short) if rng.random() < 0.75 else (short, long)
    if choices.width_px is not None:
        height = round(height * choices.width_px / width)
        width = choices.width_px
    if choices.height_px is not None:
        height = choices.height_px
    return width, height


def _fit(pose: Pose, *, share: float, place: np.ndarray) -> Pose:
    """Scale the mark to its share of the width, as far as it fits, and move it inside."""
    corners = pose.corners()
    first, last = pose.rows[0][0], pose.rows[-1][-1]
    length = max(
        max(die.offset[0] for die in pose.cells) - min(die.offset[0] for die in pose.cells) + 0.7,
        abs(last.offset[1] - first.offset[1]) + 1.0,
    )
    scale = share * pose.width / length
    low, high = corners.min(axis=0), corners.max(axis=0)
    room = 0.94 * np.array((pose.width, pose.height)) / (high - low)
    scale = float(min(scale, room.min()))
    size = (high - low) * scale
    free = np.maximum(np.array((pose.width, pose.height)) * 0.97 - size, 0.0)
    middle = np.array((pose.width, pose.height)) / 2 + place * free / 2 * 0.8
    centre = middle - (low + high) / 2 * scale
    geometry = replace(pose.geometry, height_px=scale, centre=(float(centre[0]), float(centre[1])))
    return replace(pose, geometry=geometry)


def rotation_of(quads: list[Points]) -> float:
    """Counter-clockwise angle from the picture's up to the mean up vector of quads, degrees."""
    up = np.sum([(q[0] + q[1]) - (q[2] + q[3]) for q in quads], axis=0)
    return float(np.rad2deg(np.arctan2(-up[0], -up[1])))
