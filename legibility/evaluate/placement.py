"""Where needles stand on a die, and where a row of dies lands in the photo."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from legibility.containers import Points
from legibility.dies.strokes import GlyphSource

_STEP: Final = 0.01
"""Choice: spacing of the dense samples along a stroke, glyph heights."""


SPACING: Final = (0.15, 0.23)
"""Choice: distance of needles along the strokes, glyph heights, before the limits on their number.
Sets with wider spacing were tried: one person read only about half of even their fresh marks."""


def die_set(
    source: GlyphSource, *, rng: np.random.Generator, needles: tuple[int, int] = (8, 16)
) -> tuple[Points, ...]:
    """Needle positions of the 36 dies of one set, in the unit box of the glyph source.

    Each set uses one of two ways to place needles, both different from even spacing with the
    ends first: even spacing with a random phase along every stroke, or farthest-point sampling
    from a random start.

    Parameters
    ----------
    source : GlyphSource
    rng : numpy.random.Generator
    needles : (int, int)
        Fewest and most needles of a die.

    Returns
    -------
    tuple of 36 ndarrays, (n, 2) float64, x 0..aspect, y 0..1
    """
    farthest = bool(rng.random() < 0.5)
    spacing = rng.uniform(*SPACING)
    shear = rng.normal(0.0, 0.03)
    dies = []
    for strokes in source.strokes:
        lengths = [_length(np.asarray(line, dtype=np.float64)) for line in strokes]
        total = sum(lengths)
        wanted = len(strokes) if source.kind == "grid" else round(total / spacing)
        count = int(np.clip(wanted, *needles))
        if farthest or source.kind == "grid" or total < 1e-3:
            points = _farthest_points(strokes, count=count, rng=rng)
        else:
            points = _random_phase(strokes, lengths, count=count, rng=rng)
        points = points + rng.normal(0.0, 0.012, points.shape)
        points[:, 0] += shear * (0.5 - points[:, 1])
        dies.append(points)
    return tuple(dies)


def _length(line: Points) -> float:
    return float(np.hypot(*np.diff(line, axis=0).T).sum()) if len(line) > 1 else 0.0


def _dense(line: Points, *, step: float, start: float = 0.0) -> Points:
    if len(line) < 2:
        return line
    steps = np.hypot(*np.diff(line, axis=0).T)
    along = np.concatenate(([0.0], np.cumsum(steps)))
    at = np.arange(start, along[-1] + 1e-9, step)
    return np.stack((np.interp(at, along, line[:, 0]), np.interp(at, along, line[:, 1])), axis=1)


def _random_phase(
    strokes: tuple[NDArray[np.float32], ...],
    lengths: list[float],
    *,
    count: int,
    rng: np.random.Generator,
) -> Points:
    """Even spacing along all strokes laid end to end, from a random start; near doubles dropped."""
    step = sum(lengths) / count
    carried = rng.uniform(0.0, 0.6) * step
    pieces = []
    for line, length in zip(strokes, lengths, strict=True):
        points = _dense(np.asarray(line, dtype=np.float64), step=step, start=carried)
        if length > carried:
            carried = step - (length - carried) % step
        else:
            carried, points = carried - length, points[:0]
        pieces.append(points)
    return _apart(np.concatenate(pieces), distance=0.09)


def _farthest_points(
    strokes: tuple[NDArray[np.float32], ...], *, count: int, rng: np.random.Generator
) -> Points:
    dense = np.concatenate([_dense(np.asarray(s, dtype=np.float64), step=_STEP) for s in strokes])
    chosen = [int(rng.integers(len(dense)))]
    distance = np.hypot(*(dense - dense[chosen[0]]).T)
    while len(chosen) < count and float(distance.max()) > 0.09:
        chosen.append(int(np.argmax(distance)))
        distance = np.minimum(distance, np.hypot(*(dense - dense[chosen[-1]]).T))
    return np.asarray(dense[chosen], dtype=np.float64)


def _apart(points: Points, *, distance: float) -> Points:
    kept: list[int] = []
    for index, point in enumerate(points):
        if all(np.hypot(*(point - points[other])) >= distance for other in kept):
            kept.append(index)
    return points[kept]


@dataclass(frozen=True, slots=True)
class Geometry:
    """From the plane of the mark (unit: character height, mark's centre at 0, y down) to pixels."""

    height_px: float
    stretch: float
    """Width over height of a square that the ear's growth has stretched."""
    bend: float
    """Curvature of the rows, 1 / character heights."""
    ripple: float
    """Amplitude of a slow wave across the rows, character heights."""
    rotation_deg: float
    mirrored: bool
    tilt: tuple[float, float]
    """Perspective, 1 / character heights."""
    centre: tuple[float, float]

    def to_photo(self, points: Points) -> Points:
        """Photo pixels of points of the mark's plane, (n, 2) to (n, 2)."""
        x = points[:, 0] * self.stretch
        y = points[:, 1] + self.bend * x**2 + self.ripple * np.sin(0.9 * x)
        if self.mirrored:
            x = -x
        turn = np.deg2rad(self.rotation_deg)
        u = x * np.cos(turn) + y * np.sin(turn)
        v = -x * np.sin(turn) + y * np.cos(turn)
        depth = 1.0 + self.tilt[0] * u + self.tilt[1] * v
        scale = self.height_px / depth
        return np.stack((u * scale + self.centre[0], v * scale + self.centre[1]), axis=1)


@dataclass(frozen=True, slots=True)
class Die:
    """One die as it was pressed."""

    character: str
    offset: tuple[float, float]
    """Of the glyph's centre, in the mark's plane."""
    turn_deg: float
    slot: float
    """Widest glyph that fits, character heights; wider ones are cut smaller."""
    middle: float
    """Horizontal middle of the glyph in its unit box."""
    width: float
    """Glyph width in its unit box."""

    @property
    def size(self) -> float:
        """Glyph height, character heights."""
        return min(1.0, self.slot / max(self.width, 0.1))

    def in_plane(self, points: Points) -> Points:
        """Points of the glyph's unit box, in the mark's plane."""
        local = (points - np.array((self.middle, 0.5))) * self.size
        turn = np.deg2rad(self.turn_deg)
        x = local[:, 0] * np.cos(turn) - local[:, 1] * np.sin(turn)
        y = local[:, 0] * np.sin(turn) + local[:, 1] * np.cos(turn)
        return np.stack((x + self.offset[0], y + self.offset[1]), axis=1)

    def quad(self) -> Points:
        """Corners in the mark's plane: top left, top right, bottom right, bottom left."""
        half = max(self.width, 0.3) / 2
        left, right = self.middle - half, self.middle + half
        return self.in_plane(np.array(((left, 0.0), (right, 0.0), (right, 1.0), (left, 1.0))))

    def exchanged(self, character: str, layout: Points) -> Die:
        """Another die of the set in the same slot, as askew as this one."""
        low, high = float(layout[:, 0].min()), float(layout[:, 0].max())
        return replace(self, character=character, middle=(low + high) / 2, width=high - low)


def press_rows(
    rows: tuple[str, ...], dies: tuple[Points, ...], *, characters: str, rng: np.random.Generator
) -> tuple[tuple[Die, ...], ...]:
    """Dies set in rows of equal slots, each a little off and a little turned.

    Parameters
    ----------
    rows : tuple of str
    dies : tuple of ndarrays
        From :func:`die_set`.
    characters : str
        Alphabet in the order of ``dies``.
    rng : numpy.random.Generator
    """
    widths = [float(np.ptp(die[:, 0])) for die in dies]
    pitch = float(np.median(widths)) + rng.uniform(0.18, 0.5)
    line_gap = rng.uniform(1.25, 1.8)
    slack = rng.uniform(0.0, 0.035)
    turn = rng.uniform(0.0, 3.0)
    result = []
    for number, row in enumerate(rows):
        y = (number - (len(rows) - 1) / 2) * line_gap
        shift = rng.uniform(-0.5, 0.5) * pitch if len(rows) > 1 else 0.0
        cells = []
        for place, character in enumerate(row):
            x = (place - (len(row) - 1) / 2) * pitch + shift
            offset = (x + rng.normal(0, slack), y + rng.normal(0, 1.5 * slack))
            blank = Die("", offset, float(rng.normal(0, turn)), pitch - 0.06, 0.0, 0.0)
            cells.append(blank.exchanged(character, dies[characters.index(character)]))
        result.append(tuple(cells))
    return tuple(result)
