"""The dies: which needles a mark is pressed with, in millimetres on the ear."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import index_of, split_mark
from legibility.containers import Points
from legibility.dies.placing import Rule, draw_placing, place_needles
from legibility.dies.strokes import GlyphSource, load_sources

_DOT_LENGTH = 0.17
"""Choice: length of line one dot of a 5x7 matrix stands for, character heights."""


@dataclass(frozen=True, slots=True)
class DieSpec:
    """One set of dies and how it was loaded and pressed."""

    source: str
    """Name of the glyph source in ``dies``."""
    needles: int
    """Needles of a die of usual stroke length, 8..16; a die of longer strokes has more."""
    jitter: float
    """Deviation of a needle's place within its die, in character heights."""
    height_mm: float
    """Height of a character when pressed. Handbooks name dies of 4.8, 6.4, 7.9 and 9.5 mm."""
    pitch: float
    """Distance between neighbouring dies, in character heights."""
    row_pitch: float
    """Distance between two rows' baselines, in character heights."""
    offset: float
    """Deviation of a die's place, in character heights."""
    tilt_deg: float
    """Deviation of a die's angle."""
    bow: float
    """Sag of the baseline at the ends of a row, in character heights."""
    dot_radius_mm: float
    """Radius of the ink dot of one needle when pressed."""
    growth: tuple[float, float]
    """How much the ear grew since, along and across the row; at least 1."""
    seed: int
    rule: Rule = "ends"
    """How the needles of the set were placed."""


@dataclass(frozen=True, slots=True)
class PressedCharacter:
    """One character as it lies in the ear."""

    character: str
    row: int
    cell: int
    quad_mm: Points
    """(4, 2): top left, top right, bottom right, bottom left."""
    needles_mm: Points
    """(n, 2)."""


@functools.lru_cache(maxsize=1)
def _sources() -> dict[str, GlyphSource]:
    return {source.name: source for source in load_sources()}


def source_names(*, split: str) -> tuple[str, ...]:
    """Names of the glyph sources of one split ("train" or "held_out")."""
    return tuple(source.name for source in _sources().values() if source.split == split)


@functools.lru_cache(maxsize=512)
def die_needles(spec: DieSpec, character: str) -> Points:
    """Needles of one die in the unit box (x 0..width, y 0 top..1 bottom), (n, 2) float64.

    A die's body is as wide as the set's pitch allows; wider letters are squeezed into it.
    """
    index = index_of(character)
    source = _sources()[spec.source]
    lengths = [_arc_length(strokes) for strokes in source.strokes]
    relative = lengths[index] / max(float(np.mean(lengths)), 1e-6)
    count = int(np.clip(round(spec.needles * relative**0.6), 6, 18))
    rng = np.random.default_rng([spec.seed, index])
    placing = draw_placing(np.random.default_rng([spec.seed, 98]), rule=spec.rule)
    strokes = source.strokes[index]
    needles = np.asarray(
        place_needles(strokes, placing, needles=count, jitter=spec.jitter, rng=rng),
        dtype=np.float64,
    )
    body = max(spec.pitch - 0.16, 0.3)
    left, right = needles[:, 0].min(), needles[:, 0].max()
    if right - left > body:
        needles[:, 0] = left + (needles[:, 0] - left) * body / (right - left)
    needles.setflags(write=False)
    return needles


def _arc_length(strokes: tuple[NDArray[np.float32], ...]) -> float:
    """Length of the lines in character heights; a dot of a dot matrix counts as its pitch."""
    total = 0.0
    for line in strokes:
        points = np.asarray(line, dtype=np.float64)
        step = np.diff(points, axis=0)
        total += float(np.hypot(step[:, 0], step[:, 1]).sum()) if len(points) > 1 else _DOT_LENGTH
    return max(total, 0.5)


def press(mark: str, spec: DieSpec) -> tuple[PressedCharacter, ...]:
    """Needles and boxes of a written mark, centred on the mark's middle.

    Parameters
    ----------
    mark : str
        One or two rows, ``AB/123``; empty for an ear without a mark.
    spec : DieSpec

    Returns
    -------
    tuple of PressedCharacter, in reading order

    Raises
    ------
    ValueError
        If the mark has characters that no die shows.
    """
    if not mark:
        return ()
    rows = split_mark(mark)
    rng = np.random.default_rng([spec.seed, 97])
    widest = max(len(row) for row in rows)
    align = rng.uniform(-0.5, 0.5)
    pressed = []
    scale = spec.height_mm * np.asarray(spec.growth)
    half_length = max(widest * spec.pitch / 2.0, 0.5)
    for row_index, row in enumerate(rows):
        shift = align * (widest - len(row)) * spec.pitch
        y_middle = (row_index - (len(rows) - 1) / 2.0) * spec.row_pitch
        for cell, character in enumerate(row):
            needles = die_needles(spec, character)
            left, right = needles[:, 0].min(), needles[:, 0].max()
            width = max(right - left, 0.35)
            middle = np.array([(left + right) / 2.0, 0.5])
            box = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [width / 2.0 + 0.05, 0.55]
            angle = np.radians(rng.normal(0.0, spec.tilt_deg))
            turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
            place = np.array([(cell - (len(row) - 1) / 2.0) * spec.pitch + shift, y_middle])
            place = place + rng.normal(0.0, spec.offset, size=2)
            both = np.vstack([needles - middle, box]) @ turn.T + place
            both[:, 1] += spec.bow * (both[:, 0] / half_length) ** 2
            both *= scale
            pressed.append(
                PressedCharacter(
                    character=character,
                    row=row_index,
                    cell=cell,
                    quad_mm=both[-4:],
                    needles_mm=both[:-4],
                )
            )
    return tuple(pressed)


def mark_size_mm(pressed: tuple[PressedCharacter, ...]) -> tuple[float, float]:
    """Width and height of the box around all characters; a nominal 25 by 8 mm without a mark."""
    if not pressed:
        return 25.0, 8.0
    corners = np.vstack([character.quad_mm for character in pressed])
    width, height = corners.max(axis=0) - corners.min(axis=0)
    return float(width), float(height)
