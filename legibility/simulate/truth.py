"""What a rendered photo really shows, needle by needle."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from legibility.containers import ColorImage, GrayImage

VISIBLE_AMOUNT: Final = 0.15
"""Choice: a needle with less ink than this share is counted as not visible."""
HIDDEN_COVER: Final = 0.5
"""Choice: a needle whose dot is covered more than this (hair, dirt, glare, tear) is hidden."""
READABLE_SHARE: Final = 0.7
"""Choice, looked at on rendered photos: share of needles each character of it shows."""
READABLE_CONTRAST: Final = 2.0
"""Choice, looked at on rendered photos: least contrast-to-noise of a readable mark."""
READABLE_HEIGHT_PX: Final = 14.0
"""Choice: least height of its smallest character, pixels."""
READABLE_BLUR: Final = 0.6
"""Choice: largest deviation of the blur as a share of the needles' distance."""


@dataclass(frozen=True, slots=True)
class NeedleTruth:
    """One needle of a die, in photo pixels."""

    x: float
    y: float
    radius_px: float
    amount: float
    """Ink it left, 0..1 (0: lost)."""
    hidden: float
    """Share of its dot under hair, dirt, glare, a scar, a finger or outside picture and ear."""
    visible: bool
    """Enough ink, and not hidden."""


@dataclass(frozen=True, slots=True)
class CharacterTruth:
    """One character of the mark."""

    character: str
    row: int
    cell: int
    quad: tuple[tuple[float, float], ...]
    """Top left, top right, bottom right, bottom left of the upright character, photo pixels."""
    needles: tuple[NeedleTruth, ...]

    @property
    def visible_share(self) -> float:
        """Share of its needles that are visible, 0..1."""
        return sum(n.visible for n in self.needles) / max(len(self.needles), 1)


@dataclass(frozen=True, slots=True)
class SceneTruth:
    """Everything known of a rendered photo."""

    mark: str
    """Empty when the ear carries none."""
    rows: tuple[tuple[CharacterTruth, ...], ...]
    rotation_deg: float
    """Counter-clockwise angle from the picture's up to the mark's up, -180..180."""
    mirrored: bool
    visible_share: float
    """Share of all needles that are visible, 0..1; 0 without a mark."""
    contrast_to_noise: float
    """See :func:`contrast_to_noise`; 0 without a mark."""
    readable: bool
    """See :func:`is_readable`."""
    width_px: int
    height_px: int
    mark_share: float
    """Length of the mark along its row as a share of the picture's width."""
    conditions: Mapping[str, str | float]
    """How the scene was made, e.g. wear level, skin, ink, for slicing results."""


def contrast_to_noise(
    pixels: ColorImage,
    ink: GrayImage,
    needles: NDArray[np.floating],
    absorbance: NDArray[np.floating],
) -> float:
    """How far the inked dots stand out from the skin around them in the finished photo.

    The picture's optical density is projected on the ink's absorbance. Around each needle the skin
    within four radii (less than a tenth of full ink) gives a median; the mean difference of the
    dots' middles to it, divided by the mean deviation of that skin, is the contrast-to-noise.

    Parameters
    ----------
    pixels : (height, width, 3) uint8
    ink : (height, width) float32
        Ink coverage in the photo's frame.
    needles : (n, 4) float
        x, y, radius in pixels; amount.
    absorbance : (3,) float

    Returns
    -------
    float
        0 when nothing can be measured; may be slightly below 0 by noise.
    """
    height, width = ink.shape
    direction = np.asarray(absorbance, dtype=np.float64)
    direction = direction / max(float(np.linalg.norm(direction)), 1e-9)
    curve = (-2.2 * np.log((np.arange(256) + 4.0) / 259.0)).astype(np.float32)
    differences, deviations = [], []
    for x, y, radius, _ in np.asarray(needles, dtype=np.float64).reshape(-1, 4):
        reach = max(4.0 * radius, 6.0)
        left, right = max(int(x - reach), 0), min(int(x + reach) + 1, width)
        top, bottom = max(int(y - reach), 0), min(int(y + reach) + 1, height)
        if right - left < 3 or bottom - top < 3:
            continue
        step = max(int(radius // 4), 1)
        density = curve[pixels[top:bottom:step, left:right:step]] @ direction
        columns = np.arange(left, right, step) - x
        lines = np.arange(top, bottom, step) - y
        distance = np.hypot(columns[None, :], lines[:, None])
        bare = (ink[top:bottom:step, left:right:step] < 0.1) & (distance > radius)
        centre = distance <= max(0.8 * radius, 0.75)
        if bare.sum() < 8 or not centre.any():
            continue
        middle = float(np.median(density[bare]))
        differences.append(float(density[centre].mean()) - middle)
        deviations.append(1.4826 * float(np.median(np.abs(density[bare] - middle))))
    if not differences:
        return 0.0
    return float(np.mean(differences) / max(float(np.mean(deviations)), 1e-3))


def is_readable(
    rows: tuple[tuple[CharacterTruth, ...], ...], *, contrast: float, blur_px: float
) -> bool:
    """Whether a person can be expected to read the mark; the definition all results use.

    All of: there is a mark; every character shows at least ``READABLE_SHARE`` of its needles; the
    contrast-to-noise is at least ``READABLE_CONTRAST``; the smallest character is at least
    ``READABLE_HEIGHT_PX`` high; and the blur's deviation is at most ``READABLE_BLUR`` of the
    median distance between neighbouring needles.
    """
    characters = [character for row in rows for character in row]
    if not characters or contrast < READABLE_CONTRAST:
        return False
    if min(character.visible_share for character in characters) < READABLE_SHARE:
        return False
    if min(character_height_px(character) for character in characters) < READABLE_HEIGHT_PX:
        return False
    return blur_px <= READABLE_BLUR * needle_distance_px(characters)


def character_height_px(character: CharacterTruth) -> float:
    """Mean length of the left and right side of a character's box."""
    quad = np.asarray(character.quad)
    sides = (quad[3] - quad[0], quad[2] - quad[1])
    return float(np.mean([math.hypot(*side) for side in sides]))


def needle_distance_px(characters: list[CharacterTruth]) -> float:
    """Median distance of a needle to its nearest neighbour within its character."""
    nearest = []
    for character in characters:
        places = np.array([[needle.x, needle.y] for needle in character.needles])
        if len(places) < 2:
            continue
        gaps = np.hypot(*(places[:, None] - places[None, :]).transpose(2, 0, 1))
        np.fill_diagonal(gaps, np.inf)
        nearest.extend(gaps.min(axis=1).tolist())
    return float(np.median(nearest)) if nearest else 0.0


def truth_to_json(truth: SceneTruth) -> str:
    """One line of JSON."""
    return json.dumps(asdict(truth), ensure_ascii=False, allow_nan=False)


def truth_from_json(text: str) -> SceneTruth:
    """The truth that :func:`truth_to_json` wrote.

    Raises
    ------
    ValueError
        If the text is no JSON object with the fields of :class:`SceneTruth`.
    """
    try:
        value: dict[str, Any] = json.loads(text)
        rows = tuple(tuple(_character(item) for item in row) for row in value.pop("rows"))
        return SceneTruth(rows=rows, **value)
    except (TypeError, KeyError, AttributeError) as error:
        raise ValueError(f"this is no truth of a rendered photo: {error}") from error


def _character(value: dict[str, Any]) -> CharacterTruth:
    return CharacterTruth(
        character=value["character"],
        row=value["row"],
        cell=value["cell"],
        quad=tuple((float(x), float(y)) for x, y in value["quad"]),
        needles=tuple(NeedleTruth(**needle) for needle in value["needles"]),
    )
