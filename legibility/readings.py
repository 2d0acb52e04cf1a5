"""What the pixels of one photo show: the picture, its rows and cells, and the ways to read them.

Stages take these from :mod:`legibility.containers`. Arrays are (row, column); points are (x, y) in
pixels with the origin at the centre of the first pixel; natural logarithms inside (``logp_``).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import IntFlag
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from legibility.alphabet import NO_CHARACTER
from legibility.marks.laid import with_doubt_of_way
from legibility.marks.same_dies import LIKENESS_WEIGHT, agreed
from legibility.marks.usual import as_usually_written

GrayImage: TypeAlias = NDArray[np.float32]
"""(height, width), float32, nominal range 0..1."""
ColorImage: TypeAlias = NDArray[np.uint8]
"""(height, width, 3), RGB, uint8."""
Mask: TypeAlias = NDArray[np.bool_]
"""(height, width), bool."""
LogLikelihood: TypeAlias = NDArray[np.float64]
"""(..., 37): natural logs over ``alphabet.CHARACTERS`` and, last, "no character"."""
Points: TypeAlias = NDArray[np.float64]
"""(n, 2): x, y in pixels."""


class Flag(IntFlag):
    """What may be wrong with a photo; sentences and remedies are in ``photo.flags``."""

    NONE = 0
    BLURRED = 1
    MOTION = 2
    TOO_DARK = 4
    TOO_BRIGHT = 8
    GLARE = 16
    HAIR = 32
    MARK_SMALL = 64
    MARK_CUT_OFF = 128
    LOW_CONTRAST = 256
    SMALL_PICTURE = 512
    NO_MARK = 1024
    TOO_MANY_ROWS = 2048
    NO_SECOND_READER = 4096
    READERS_DISAGREE = 8192
    SEEN_MIRRORED = 16384


@dataclass(frozen=True, slots=True)
class Photo:
    """A decoded picture, upright by its EXIF orientation."""

    name: str
    """Path as given by the caller, safe to print."""
    sha256: str
    """Hex digest of the file's bytes as found."""
    pixels: ColorImage
    exif_orientation: int = 1
    captured_at: str = ""
    """ISO 8601 time of capture from EXIF, local time without zone; empty when not recorded."""

    @property
    def height_px(self) -> int:
        return int(self.pixels.shape[0])

    @property
    def width_px(self) -> int:
        return int(self.pixels.shape[1])


@dataclass(frozen=True, slots=True)
class CaptureCheck:
    """Whether a photo can show what the ear shows."""

    flags: Flag
    measures: Mapping[str, float]
    """Name with unit -> value, e.g. ``sharpness_ratio``, ``glare_share``, ``mark_height_px``."""
    good_enough: bool
    """False when a flag that prevents reading is set."""


@dataclass(frozen=True, slots=True)
class Enhanced:
    """Pictures the reader and a person look at, all at the working scale."""

    pixels: ColorImage
    """The photo at the working scale."""
    scale: float
    """Working pixels per photo pixel (<= 1)."""
    flat: ColorImage
    """Illumination flattened."""
    ink: GrayImage
    """0 (skin) .. 1 (ink)."""
    glare: Mask
    """Not seen: specular or clipped."""
    hair: Mask
    """Not seen: covered by hair."""


@dataclass(frozen=True, slots=True)
class Spot:
    """One character found by the spotter, in photo pixels."""

    x: float
    y: float
    height_px: float
    angle_deg: float
    """Of the axis across the row (up or down), counter-clockwise from the picture's up, -90..90."""
    axis_certainty: float
    """0 (no idea of the axis) .. 1."""
    score: float
    """0..1."""


@dataclass(frozen=True, slots=True)
class RowStrip:
    """A row candidate cut out upright at the reader's scale."""

    pixels: ColorImage
    """(48, 384, 3)."""
    not_seen: Mask
    """(48, 384): glare, hair, outside the photo, or outside the room."""
    to_photo: NDArray[np.float64]
    """(3, 3) homography, strip (x, y, 1) -> photo (x, y, 1)."""
    score: float
    """Sum of the log-odds of the spots that support it."""
    spots: tuple[Spot, ...]
    bend_per_px: float = 0.0
    """A strip line at y lies at ``y - bend_per_px * (x - middle)**2`` before ``to_photo``."""
    room_px: int = 384
    """Columns about the middle that hold the row and what may be missing at its ends."""


@dataclass(frozen=True, slots=True)
class Steps:
    """What one reading looked at on its way, for a person to see."""

    enhanced: Enhanced
    strips: tuple[RowStrip, ...]
    """Row candidates in the order they were tried."""
    spots: tuple[Spot, ...]


@dataclass(frozen=True, slots=True)
class NeedleEvidence:
    """What the needle model saw in one cell for its best character."""

    expected: int
    """Needles of the die."""
    inked: float
    """Expected number of them that show ink."""


EMPTY_PROBABILITY: Final = 0.5
"""Choice: a cell more likely without a character than with one is left out of the text."""


@dataclass(frozen=True, slots=True)
class CellReading:
    """One place of a row where a character was pressed."""

    logp: LogLikelihood
    """(37,) calibrated log-probability of each character under equal priors; sums to one."""
    quad: Points
    """(4, 2) photo pixels: top left, top right, bottom right, bottom left of the character."""
    needles: NeedleEvidence
    ink_contrast: float
    """Ink against skin, 0..1, median over the cell's inked needles."""
    seen_share: float
    """Share of the cell that is not under glare or hair, 0..1."""
    separation: float = float("nan")
    """How far the ink falls between neighbouring needle dots, 0 (run together) .. 1 (bare skin);
    NaN where it was not measured."""

    @property
    def is_empty(self) -> bool:
        """Whether the cell is read as a place where no character was pressed."""
        return float(np.exp(self.logp[NO_CHARACTER])) >= EMPTY_PROBABILITY


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """One way to see the picture: orientation, handedness and segmentation."""

    logp: float
    """Log-probability among the hypotheses of this photo (they and "no mark" sum to one)."""
    rows: tuple[tuple[CellReading, ...], ...]
    rotation_deg: float
    """Counter-clockwise angle from the picture's up to the mark's up, -180..180."""
    mirrored: bool
    alike: NDArray[np.float64] = field(default_factory=lambda: np.zeros((0, 0)))
    """(n, n) log-likelihood ratio that two cells, in reading order, show the same character; empty
    where they were not compared."""

    def weighed(self) -> Hypothesis:
        """The same with its cells weighed by each other and by how marks are usually written.

        See ``marks.same_dies`` and ``marks.usual``. For texts that people read; evidence for one
        animal or another is the plain cells.
        """
        cells = self._cells()
        if len(self.alike):
            cells = agreed(cells, LIKENESS_WEIGHT * self.alike)
        return self._with_cells(as_usually_written(cells))

    def as_written(self) -> Hypothesis:
        """The same as :meth:`weighed` with doubt of the way round (``marks.laid``).

        What is said of single characters, whatever way round they were read.
        """
        weighed = self.weighed()
        return weighed._with_cells(with_doubt_of_way(weighed._cells(), self.logp))

    def _cells(self) -> tuple[LogLikelihood, ...]:
        return tuple(cell.logp for row in self.rows for cell in row)

    def _with_cells(self, cells: Sequence[LogLikelihood]) -> Hypothesis:
        left = iter(cells)
        rows = tuple(tuple(replace(cell, logp=next(left)) for cell in row) for row in self.rows)
        return replace(self, rows=rows)


@dataclass(frozen=True, slots=True)
class Reading:
    """Everything the pixels said, before any registry."""

    hypotheses: tuple[Hypothesis, ...]
    """First the one that people are shown: the most probable one when the usual ways to write marks
    count, too. Then the others, best first; empty when no row was found."""
    logp_no_mark: float
    """Log-probability that there is no readable mark in the picture."""
    second_opinion: tuple[str, ...] = ()
    """Rows as the second reader saw them; empty when it was not asked or not installed."""
    flags: Flag = Flag.NONE
