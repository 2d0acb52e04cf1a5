"""What is known and said of an animal beside photos, and the reasons for its probability."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of an animal before its mark is looked at; the defaults say nothing."""

    present: tuple[str, ...] = ()
    """Identifiers of the animals that may be here."""
    present_name: str = ""
    """Where that list is from, safe to print."""
    alive: bool = False
    sex: str = ""
    """"male", "female", or "" for not known."""
    born: tuple[int, int] = (0, 0)
    """First and last year in which it may have been born; 0 = no limit."""
    ear: str = ""
    """The ear that is looked at, "left" or "right"; "" for not known."""


@dataclass(frozen=True, slots=True)
class EyeReading:
    """A mark as a person read it."""

    text: str
    """``K?17`` or ``K[8B]17``, rows apart by ``/``."""
    reader: str = ""
    accuracy: float = 0.8
    """Probability that a character the reader names is right, 0..1."""
    basis: str = "not measured: default"
    """What the accuracy rests on, in words."""


@dataclass(frozen=True, slots=True)
class Given:
    """What people say beside a photo, and what they ask of it."""

    known: Known = Known()
    readings: tuple[EyeReading, ...] = ()
    explain: str = ""
    """Animal whose probability is to be explained; "not-registered"; or "" for none."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """One animal the photo may show, or "not registered" (``animal_id`` None)."""

    animal_id: str | None
    mark: str
    probability: float
    prior: float = float("nan")
    """Probability before any mark was looked at; NaN where there is no registry."""


@dataclass(frozen=True, slots=True)
class PriorStatement:
    """One thing that was said of the animal, and what it means for the registry."""

    said: str
    """In words."""
    fitting: int
    """Registered animals that fit it."""
    not_recorded: int
    """Registered animals whose record does not tell."""
    otherwise: float
    """Probability allowed for an animal that does not fit."""


@dataclass(frozen=True, slots=True)
class EyeEvidence:
    """What one person's reading says alone, and how much it counts."""

    reading: EyeReading
    first: tuple[Candidate, ...]
    """First candidate by this reading and the prior alone; empty where it says nothing."""
    weight: float
    """Exponent with which it counts, 0..1."""


@dataclass(frozen=True, slots=True)
class ExplanationRow:
    """One reason for or against an animal."""

    kind: str
    """"prior", "length", "character", "poses", "application", "caution", "ears", "weights" or
    "person"."""
    what: str
    """What it is about, in a few words."""
    log_odds: float
    """What it adds to the animal's log-odds, in nats."""
    sentence: str
    photo: int = -1
    """Index of the photo; -1 for none."""
    row: int = -1
    cell: int = -1
    """Place in the photo's most probable hypothesis."""


@dataclass(frozen=True, slots=True)
class DecidingCell:
    """A place that tells the first candidate from the second."""

    photo: int
    row: int
    cell: int
    first: str
    """The first candidate's character there; empty for none, or when it is not registered."""
    second: str
    log_odds: float
    """What the place adds to the log-odds of the first against the second, in nats."""
    expected: float
    """Probability of the first candidate that a sure look at this place can be expected to give."""
    settles: float
    """Probability that a sure look settles the identity."""


@dataclass(frozen=True, slots=True)
class Explanation:
    """Why an animal has its probability: the rows sum to its log-odds."""

    animal_id: str | None
    mark: str
    probability: float
    log_odds: float
    rows: tuple[ExplanationRow, ...]
    first: Candidate
    second: Candidate
    deciding: tuple[DecidingCell, ...]
    """Most decisive first."""
