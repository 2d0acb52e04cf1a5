"""What the record holds, row by row. Empty text and None mean "not recorded"."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True)
class AnimalRow:
    """One animal, without its marks."""

    animal_id: str
    birth_date: str = ""
    """YYYY-MM-DD."""
    birth_year: int = 0
    """0 = not recorded."""
    sex: str = ""
    status: str = ""
    skin: str = ""
    """Colour of the ear's skin in the keeper's words, e.g. ``dark``."""
    note: str = ""


@dataclass(frozen=True, slots=True)
class MarkRow:
    """One mark in one ear."""

    animal_id: str
    text: str
    """Its characters, ``AB123``, or ``AB/123`` where the list says where the rows break."""
    ear: str = ""
    """``left``, ``right``, ``both`` or nothing."""
    applied_on: str = ""
    """YYYY-MM-DD."""
    die_set: str = ""
    ink: str = ""
    operator: str = ""
    retired_on: str = ""
    """From when on the mark no longer counts."""
    mark_id: int = 0
    written: str = ""
    """As the list wrote it, ``hd-782``; empty where that is ``text``."""


@dataclass(frozen=True, slots=True)
class ChipRow:
    """A transponder said to be in an animal. One number on two animals is kept, and reported."""

    animal_id: str
    number: str
    """15 digits."""
    since: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True)
class ScanRow:
    """One try to read a transponder."""

    number: str
    """15 digits; empty when nothing was read."""
    scanned_at: str = ""
    outcome: str = "read"
    """``read``, ``nothing`` (no transponder answered) or ``refused`` (a number that identifies
    nobody, such as a test number)."""
    reader: str = ""
    raw: str = ""
    """As the reader wrote it."""
    form: str = ""
    """How it was understood, e.g. ``decimal``."""
    animal_id: str = ""
    """The animal by other means, e.g. when nothing was read."""
    event_id: int | None = None
    seconds: float | None = None
    note: str = ""
    scan_id: int = 0


@dataclass(frozen=True, slots=True)
class PhotoRow:
    """A photo file, known by its digest."""

    sha256: str
    path: str
    """Where it was when it was imported."""
    stored: str = ""
    """Path inside the content-addressed folder; empty when it was not copied."""
    size_bytes: int = 0
    stage: str = ""
    """How the ear was prepared, e.g. ``as found``, ``cleaned``, ``lit from behind``."""
    taken_at: str = ""
    ear: str = ""
    animal_id: str = ""
    """Whom it shows according to ``claimed_by``."""
    claimed_by: str = ""
    """``manifest``, ``chip``, ``person``, ``advice`` (a person who followed what the program had
    read) or nothing. A person who took a name away leaves no animal and ``person``."""
    scan_id: int | None = None
    """The scan made together with the photo."""
    event_id: int | None = None
    imported_at: str = ""
    photo_id: int = 0


@dataclass(frozen=True, slots=True)
class ReadingSummary:
    """The figures of a reading that can be searched; the whole is in ``readings.whole_reading``."""

    reading_id: int
    photo_sha256: str
    animal_id: str
    """Whom the photo shows according to ``claimed_by``; empty when nobody said."""
    claimed_by: str
    ear: str
    taken_at: str
    read_at: str
    status: str
    text: str
    decision: str
    misread_risk: float | None
    flags: int
    grade: float | None
    """None when capture did not allow one."""
    first_animal: str
    """First candidate; empty is "not registered" when there is a probability."""
    first_probability: float | None
    second_animal: str
    second_probability: float | None
    places: int
    needles_expected: float | None
    """Sum over the places of the best hypothesis."""
    needles_inked: float | None
    ink_contrast: float | None
    """Mean over the places, 0..1."""
    seen_share: float | None
    """Mean over the places, 0..1."""


@dataclass(frozen=True, slots=True)
class HumanReading:
    """What a person read from an ear or from a photo."""

    reader: str
    read_at: str
    text: str = ""
    """``?`` for a character that could not be read; empty when nothing could."""
    ear: str = ""
    animal_id: str = ""
    photo_sha256: str = ""
    usable: bool | None = None
    """Whether the mark could still be used to tell the animal."""
    blind: bool = False
    """Whether it was read without knowing the expected mark."""
    grade: float | None = None
    """The person's own grade of the mark, 0..4."""
    seconds: float | None = None
    event_id: int | None = None
    note: str = ""
    number: int = field(default=0, compare=False)
    """How people call it; 0 before it is in the record."""


@dataclass(frozen=True, slots=True)
class HandlingEvent:
    """Something that was done with an animal."""

    happened_at: str
    kind: str
    """One of ``handling_events.KINDS``."""
    animal_id: str = ""
    who: str = ""
    ear: str = ""
    text: str = ""
    """E.g. the mark that was applied."""
    seconds: float | None = None
    note: str = ""
    event_id: int = 0


@dataclass(frozen=True, slots=True)
class CaseRow:
    """A contradiction that a person has to settle."""

    case_key: str
    """What it is about, the same whenever it is found again."""
    kind: str
    summary: str
    detail: Mapping[str, Any] = field(default_factory=dict)
    opened_at: str = ""
    state: str = "open"
    number: int = 0
    """How people call it."""


@dataclass(frozen=True, slots=True)
class DecisionRow:
    """What a person decided, about a case, a photo or an animal."""

    decided_at: str
    who: str
    what: str
    reason: str = ""
    case_key: str = ""
    photo_sha256: str = ""
    animal_id: str = ""


@dataclass(frozen=True, slots=True)
class EventRow:
    """One entry of the hash-chained record."""

    seq: int
    at: str
    who: str
    what: str
    inputs: str
    """JSON, keys sorted."""
    outputs: str
    previous_hash: str
    hash: str


@dataclass(frozen=True, slots=True)
class CorrectionRow:
    """One thing that was corrected; what was there before is in it, and the entry says why."""

    kind: str
    """``photo``, ``reading`` (by eye), ``scan`` or ``case``."""
    about: str
    """Digest of the photo, or number of the reading, scan or case."""
    field: str
    """``animal``, ``ear``, ``stage``, ``scan`` of a photo; whether a reading or scan ``counts``
    (``yes``, ``no``); ``state`` of a case."""
    before: str
    after: str
    before_by: str = ""
    """Who gave the photo to the animal before, as ``PhotoRow.claimed_by``."""
    after_by: str = ""
    instead: int = 0
    """Number of the reading or scan that was entered in its place."""
    undoes: int = 0
    """Number of the correction that this one takes back."""
    number: int = 0
    """Given when it is stored, as all that follows."""
    entry: int = 0
    """Of the chain; what was done in one go has one."""
    at: str = ""
    who: str = ""
    what: str = ""
    reason: str = ""
