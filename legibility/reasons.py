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
    """Share with which it is a look of its own beside what was seen already, 0..1."""


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


@dataclass(frozen=True, slots=True)
class Apart:
    """A character in which two sides differ, counted from 1."""

    row: int
    place: int
    first: str
    second: str


@dataclass(frozen=True, slots=True)
class Side:
    """Pieces of evidence that speak for one animal."""

    pieces: tuple[str, ...]
    """In words: "photo 1", "the reading by eye (Ann)", "transponder 985..."."""
    photos: tuple[int, ...]
    """Indices of the photos among them."""
    animal_id: str | None
    """The animal they speak for most; None: not registered."""
    mark: str
    probability: float
    """Of that animal by this side alone."""


@dataclass(frozen=True, slots=True)
class Answer:
    """One answer to the question that a disagreement asks."""

    key: str
    """"other_animal", "left_out", "reading_wrong", "transponder_wrong", "earlier_wrong" or
    "same_animal"."""
    words: str
    photos: tuple[int, ...] = ()
    """Indices of the photos it is about."""
    what: str = ""
    """The reading or the number it is about."""


@dataclass(frozen=True, slots=True)
class Disagreement:
    """What was seen of one visit does not go together; nothing is settled before it is answered."""

    sides: tuple[Side, Side]
    apart: tuple[Apart, ...]
    """Characters in which the two differ; empty where they cannot be set beside each other."""
    sentence: str
    """What disagrees, in words."""
    question: str
    answers: tuple[Answer, ...]


@dataclass(frozen=True, slots=True)
class VisitCheck:
    """Whether all that was seen of one visit is of one animal."""

    not_one: float = 0.0
    """Probability that it is not, 0..1; the candidates' probabilities and it sum to one."""
    wrong_ear: float = 0.0
    """Probability of one animal whose ears were taken for each other."""
    mistaken: tuple[tuple[str, float], ...] = ()
    """Readings by eye, scans and earlier photos, and the probability that each is of no use."""
    disagreement: tuple[Disagreement, ...] = ()
    """One, when something disagrees."""


@dataclass(frozen=True, slots=True)
class PlaceDiffers:
    """A place of a mark that was surely read as something else than a registered mark has there."""

    place: int
    """Of the mark as read, from 1; where nothing was read, of the registered one."""
    read: str
    """Empty: nothing was read there, though all that was read is sure."""
    probability: float
    """Of what was read there, 0..1."""
    registered: str
    """What the registered mark has there; empty: nothing."""
    mark: str
    """The registered mark."""


def describe_differences(text: str, differs: tuple[PlaceDiffers, ...]) -> str:
    """Sentence that names the mark, the place and how surely it was read.

    Examples
    --------
    >>> describe_differences("JJS177", (PlaceDiffers(6, "7", 0.983, "9", "JJS179"),))
    'reads JJS177; JJS179 differs at place 6, read 7 with 98 %'
    """
    places = ", ".join(map(_described, differs))
    return f"reads {text}; {differs[0].mark} differs at {places}"


def _described(one: PlaceDiffers) -> str:
    if not one.read:
        return f"place {one.place}, where it has {one.registered} and nothing was read"
    nothing = "" if one.registered else f" where {one.mark} has nothing"
    return (
        f"place {one.place}, read {one.read} with {min(99, int(100 * one.probability))} %{nothing}"
    )
