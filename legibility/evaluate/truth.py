"""What an evaluation scene knows about itself."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import ROW_SEPARATOR
from legibility.containers import ColorImage, Photo, Points


@dataclass(frozen=True, slots=True)
class NeedleTruth:
    """One needle of a die that was pressed."""

    x: float
    y: float
    """Photo pixels."""
    strength: float
    """Ink left, 0 (none) .. 1 (fresh)."""
    covered: bool
    """Under hair, dirt or glare."""
    contrast_to_noise: float
    """Ink's difference from the same picture without ink, over the local clutter at dot scale."""
    visible: bool
    """``contrast_to_noise`` reaches ``visibility.VISIBLE_CNR`` and the needle is not covered."""


@dataclass(frozen=True, slots=True)
class CharacterTruth:
    """One character of the mark."""

    character: str
    quad: Points
    """(4, 2) photo pixels: top left, top right, bottom right, bottom left of the upright glyph."""
    height_px: float
    needles: tuple[NeedleTruth, ...]
    noise: float
    """Standard deviation of the dot filter over the cell without ink."""
    unit_response: float
    """Dot filter's answer to a needle of strength 1, averaged over the mark."""
    sites: NDArray[np.float32]
    """(n, 4): x, y in photo pixels of the needles every die of the set would have pressed here,
    the index of that die's character, and 1 where the place is covered."""
    readable: bool


@dataclass(frozen=True, slots=True)
class Truth:
    """Everything that is true of one evaluation photo."""

    kind: str
    """``"mark"``, ``"blank ear"``, or the name of a picture without a mark."""
    mark: str
    """Rows joined by ``/``; empty when there is no mark."""
    rows: tuple[tuple[CharacterTruth, ...], ...]
    rotation_deg: float
    """Counter-clockwise from the picture's up to the mark's up, -180..180."""
    mirrored: bool
    fading: int
    """0 none, 1 mild, 2 strong, 3 nearly lost, 4 nothing left; -1 without a mark."""
    ink: str
    skin: str
    back_lit: bool
    strength_mean: float
    strength_sd: float
    """Of the needles that hold ink."""
    loss: float
    """Share of the needles that hold none, as drawn."""
    dot_sigma_px: float
    """Scale of the dot filter that contrast-to-noise was measured with."""
    ink_direction: tuple[float, float, float]
    """Unit vector in RGB along which the ink differs from its skin."""
    person_readable: bool
    """By the definition of :func:`legibility.evaluate.visibility.person_readable`."""

    @property
    def characters(self) -> tuple[CharacterTruth, ...]:
        return tuple(character for row in self.rows for character in row)

    @property
    def unreadable(self) -> bool:
        """True when nothing should be read: no mark, or one that left nothing."""
        return not self.mark or self.fading >= 4


@dataclass(frozen=True, slots=True)
class EvaluationPhoto:
    """A picture and its truth."""

    name: str
    pixels: ColorImage
    truth: Truth

    def photo(self) -> Photo:
        """The same picture as the pipeline takes it."""
        digest = hashlib.sha256(np.ascontiguousarray(self.pixels).tobytes()).hexdigest()
        return Photo(name=self.name, sha256=digest, pixels=self.pixels)


def no_mark_truth(kind: str, *, skin: str = "", back_lit: bool = False) -> Truth:
    """Truth of a picture in which there is nothing to read."""
    return Truth(
        kind=kind,
        mark="",
        rows=(),
        rotation_deg=0.0,
        mirrored=False,
        fading=-1,
        ink="",
        skin=skin,
        back_lit=back_lit,
        strength_mean=0.0,
        strength_sd=0.0,
        loss=1.0,
        dot_sigma_px=0.0,
        ink_direction=(0.0, 0.0, 0.0),
        person_readable=False,
    )


def mark_of(rows: tuple[tuple[CharacterTruth, ...], ...]) -> str:
    """Written form of the rows."""
    return ROW_SEPARATOR.join("".join(cell.character for cell in row) for row in rows)
