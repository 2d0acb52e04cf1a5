"""What the stages hand to each other: frozen dataclasses, no behaviour beyond derived fields.

What was seen in a photo is in :mod:`legibility.readings`, why an animal is meant in
:mod:`legibility.reasons`; stages take both from here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from legibility.readings import CaptureCheck as CaptureCheck
from legibility.readings import CellReading as CellReading
from legibility.readings import ColorImage as ColorImage
from legibility.readings import Enhanced as Enhanced
from legibility.readings import Flag as Flag
from legibility.readings import GrayImage as GrayImage
from legibility.readings import Hypothesis as Hypothesis
from legibility.readings import LogLikelihood as LogLikelihood
from legibility.readings import Mask as Mask
from legibility.readings import NeedleEvidence as NeedleEvidence
from legibility.readings import Photo as Photo
from legibility.readings import Points as Points
from legibility.readings import Reading as Reading
from legibility.readings import RowStrip as RowStrip
from legibility.readings import Spot as Spot
from legibility.readings import Steps as Steps
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
