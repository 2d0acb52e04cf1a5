"""What the stages hand to each other: frozen dataclasses, no behaviour beyond derived fields.

Arrays are (row, column); points are (x, y) in pixels with the origin at the centre of the first
pixel; natural logarithms inside (``logp_``).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import IntFlag, StrEnum
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from legibility.marks.laid import with_doubt_of_way
from legibility.marks.same_dies import LIKENESS_WEIGHT, agreed
from legibility.marks.usual import as_usually_written
from legibility.reasons import Answer as Answer
from legibility.reasons import Apart as Apart
from legibility.reasons import Candidate as Candidate
from legibility.reasons import DecidingCell as DecidingCell
from legibility.reasons import Disagreement as Disagreement
from legibility.reasons import Explanation as Explanation
from legibility.reasons import ExplanationRow as ExplanationRow
from legibility.reasons import EyeEvidence as EyeEvidence
from legibility.reasons import EyeReading as EyeReading
from legibility.reasons import Given as Given
from legibility.reasons import Known as Known
from legibility.reasons import PlaceDiffers as PlaceDiffers
from legibility.reasons import PriorStatement as PriorStatement
from legibility.reasons import Side as Side
from legibility.reasons import VisitCheck as VisitCheck

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


@dataclass(frozen=True, slots=True)
class Animal:
    """One row of a registry."""

    animal_id: str
    mark: str
    ear: str = ""
    birth_year: int = 0
    """0 = not recorded."""
    sex: str = ""
    chip: str = ""
    status: str = ""
    line: int = 0
    """Line of the registry file."""
    right_mark: str = ""
    """Mark in the right ear where it differs from ``mark``, which is then the left one."""


@dataclass(frozen=True, slots=True)
class Confusable:
    """A character that may be another one in this reading, and whom that makes plausible."""

    row: int
    cell: int
    character: str
    probability: float
    alternative: str
    alternative_probability: float
    animal_ids: tuple[str, ...]
    """Registered animals whose mark is the reading with that character exchanged."""


class Decision(StrEnum):
    """What the tool advises."""

    IDENTIFIED = "identified"
    AMBIGUOUS = "ambiguous"
    UNREGISTERED = "unregistered"
    UNREADABLE = "unreadable"
    RETAKE = "retake"

    @property
    def settles(self) -> bool:
        """Whether the animal is named, or said to be none of the registry."""
        return self in (Decision.IDENTIFIED, Decision.UNREGISTERED)


@dataclass(frozen=True, slots=True)
class Identification:
    """Posterior over the registry for one photo."""

    candidates: tuple[Candidate, ...]
    """Best first, at most ``Settings.candidates_listed``."""
    candidate_set: tuple[str | None, ...]
    """Smallest set that holds the true animal with the stated probability."""
    decision: Decision
    misread_risk: float
    """Probability that the first candidate is wrong, 0..1."""
    confusables: tuple[Confusable, ...]
    reason: str = ""
    """Why this decision, as part of a sentence."""
    set_basis: str = ""
    """What the candidate set rests on, e.g. the size of the calibration set."""
    layouts: str = ""
    """Where it is known from in which rows marks stand that the list writes in one; empty: without
    a registry."""
    not_registered_prior: float = float("nan")
    """Probability of "not registered" before any mark was looked at; NaN without a registry."""
    prior: tuple[PriorStatement, ...] = ()
    """What was said of the animal; empty: all registered animals were alike."""
    prior_notices: tuple[str, ...] = ()
    """What is wrong with what was said, as sentences."""
    by_eye: tuple[EyeEvidence, ...] = ()
    """People's readings; they are part of ``candidates``."""
    photo_alone: tuple[Candidate, ...] = ()
    """With readings by people: the first candidates without them."""
    explanation: tuple[Explanation, ...] = ()
    """One when it was asked for."""
    differs: tuple[PlaceDiffers, ...] = ()
    """Places that were surely read as something else than the first candidate's mark has there; it
    is never "identified" then."""
    same_characters: tuple[str, ...] = ()
    """Of a mark that is not registered: sentences on registered marks of the same characters."""


@dataclass(frozen=True, slots=True)
class Grade:
    """Condition of a mark, 4 (as new) .. 0 (lost)."""

    overall: float
    parameters: Mapping[str, float]
    """Parameter -> 0..4: ink_contrast, needles_present, separation, evenness, certainty."""
    reason: str


@dataclass(frozen=True, slots=True)
class Provenance:
    """What a result was made with, so that it can be made again."""

    version: str
    model_sha256: str
    settings_sha256: str
    calibration_sha256: str = ""
    """Of the final calibration's values; empty where none was used."""


class Status(StrEnum):
    """What became of one photo."""

    READ = "read"
    UNREADABLE = "unreadable"
    RETAKE = "retake"
    ERROR = "error"


@dataclass(frozen=True, slots=True)
class PhotoResult:
    """What is known of one photo; ``report.record`` turns it into the JSON contract."""

    photo: str
    sha256: str
    status: Status
    flags: Flag
    reasons: tuple[str, ...]
    text: str
    reading: Reading
    identification: Identification
    grade: Grade | None
    provenance: Provenance
    seconds: float
    measures: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Witness:
    """What is held against the photos of a visit, and makes no animal more probable."""

    kind: str
    """"reading", "transponder" or "earlier"."""
    name: str
    """In words: "the reading by eye (Ann)", "transponder 985...", "the photo of 2024-05-01"."""
    reading: EyeReading | None = None
    """Of a person."""
    seen: Reading | None = None
    """Of an earlier photo."""
    text: str = ""
    """Mark as read in it."""
    ear: str = ""
    photo: int = -1
    """Index of the photo that the reading is of; -1: any."""
    animals: tuple[str, ...] = ()
    """Whom the transponder, or the earlier photo, is recorded for."""
    what: str = ""
    """The number, or the digest of the earlier photo."""


class Stage(StrEnum):
    """What was done to the ear before a photo; each stage keeps what the ones before it did."""

    AS_FOUND = "as_found"
    CLEANED = "cleaned"
    CLIPPED = "clipped"
    LIT_FROM_BEHIND = "lit_from_behind"
    OTHER_ANGLE = "other_angle"


class Verdict(StrEnum):
    """What to do with the animal after a photo."""

    SETTLED = "settled"
    """The identity is settled: stop handling."""
    STEP = "step"
    """One more step is worth its minutes."""
    STOP = "stop"
    """Not settled, and no step is worth its minutes or fits into the time: stop."""
    ASK = "ask"
    """What was seen disagrees: a question comes first."""


@dataclass(frozen=True, slots=True)
class StepWorth:
    """What one step can be expected to do for the minutes it takes."""

    stage: Stage
    minutes: float
    settles: float
    """Probability that the identity is settled after it, 0..1."""
    basis: str
    """What the probability was measured on, in words."""
    in_time: bool
    """Whether it fits into what is left of the time."""


@dataclass(frozen=True, slots=True)
class Advice:
    """Whether to stop, and if not which one step to take."""

    verdict: Verdict
    steps: tuple[StepWorth, ...]
    """Steps not yet done, most worth its minutes first; the first one is meant by ``STEP``."""
    minutes_spent: float
    minutes_budget: float
    reason: str
    """Why, as a sentence."""


@dataclass(frozen=True, slots=True)
class SessionPhoto:
    """One photo among several of one animal."""

    result: PhotoResult
    ear: str
    """Left, right, or empty when it was not said."""
    stage: Stage
    duplicate_of: int
    """Index of the earlier photo that this one repeats; -1 for none."""
    weight: float
    """Exponent with which it counts in the end, 0..1; 0 for a repeated or unread photo."""


@dataclass(frozen=True, slots=True)
class SessionMoment:
    """What was known after one photo of a session."""

    first: tuple[Candidate, ...]
    """The first candidate; empty when nothing was read so far."""
    decision: Decision
    advice: Advice
    check: VisitCheck = field(default_factory=VisitCheck)


@dataclass(frozen=True, slots=True)
class SessionResult:
    """Everything several photos of one animal say together."""

    session: str
    photos: tuple[SessionPhoto, ...]
    text: str
    """Mark as read in the photo that says most; empty when none could be read."""
    identification: Identification
    after_each: tuple[SessionMoment, ...]
    """One a photo, in their order; the last one holds the advice that counts."""
    notices: tuple[str, ...]
    provenance: Provenance
    seconds: float
