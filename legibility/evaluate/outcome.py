"""What a reader made of one evaluation photo, beside the truth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from legibility.alphabet import CHARACTERS, N_CHARACTERS
from legibility.containers import Photo, PhotoResult, Status
from legibility.evaluate.metrics import plain
from legibility.evaluate.truth import EvaluationPhoto
from legibility.identify.animals import Registry
from legibility.marks.alignment import align


class PhotoReader(Protocol):
    """Anything that reads photos as the pipeline does."""

    def __call__(self, photo: Photo, *, registry: Registry | None = None) -> PhotoResult: ...


@dataclass(frozen=True, slots=True)
class CharacterOutcome:
    """The best character of one cell of the best hypothesis, and whether it is right."""

    probability: float
    right: bool


@dataclass(frozen=True, slots=True)
class Outcome:
    """One photo."""

    name: str
    kind: str
    mark: str
    fading: int
    rotation_deg: float
    mirrored: bool
    n_rows: int
    readable: bool
    unreadable: bool
    animal_id: str | None
    """Of the photographed animal; None when it is not registered."""
    answered: bool
    """Status "read": the reader did not refuse."""
    said: str
    characters: tuple[CharacterOutcome, ...]
    first: str | None
    """Animal of the first candidate; None for "not registered" or when there is none."""
    first_probability: float
    """0 when there is no candidate."""
    identified: bool
    """There is a list of candidates."""
    covered: bool
    """The candidate set holds the true answer."""
    seconds: float

    @property
    def first_right(self) -> bool:
        return self.identified and self.first == self.animal_id

    @property
    def pose(self) -> str:
        """``"mirrored"``, ``"upright"``, ``"upside down"`` or ``"sideways"``."""
        if self.mirrored:
            return "mirrored"
        turn = abs(self.rotation_deg)
        return "upright" if turn <= 45 else "upside down" if turn >= 135 else "sideways"


def judge(photo: EvaluationPhoto, result: PhotoResult, *, animal_id: str | None = None) -> Outcome:
    """Put a result beside the truth.

    Parameters
    ----------
    photo : EvaluationPhoto
    result : PhotoResult
    animal_id : str or None
        Registered animal in the photo; None when it is not registered.
    """
    truth = photo.truth
    candidates = result.identification.candidates
    return Outcome(
        name=photo.name,
        kind=truth.kind,
        mark=truth.mark,
        fading=truth.fading,
        rotation_deg=truth.rotation_deg,
        mirrored=truth.mirrored,
        n_rows=len(truth.rows),
        readable=truth.person_readable,
        unreadable=truth.unreadable,
        animal_id=animal_id,
        answered=result.status is Status.READ,
        said=result.text if result.status is Status.READ else "",
        characters=_characters(truth.mark, result),
        first=candidates[0].animal_id if candidates else None,
        first_probability=candidates[0].probability if candidates else 0.0,
        identified=bool(candidates),
        covered=animal_id in result.identification.candidate_set,
        seconds=result.seconds,
    )


def _characters(mark: str, result: PhotoResult) -> tuple[CharacterOutcome, ...]:
    """Stated probability and correctness of every cell of the best hypothesis."""
    if result.status is not Status.READ or not result.reading.hypotheses:
        return ()
    cells = [cell for row in result.reading.hypotheses[0].as_written().rows for cell in row]
    best = [int(np.argmax(cell.logp[:N_CHARACTERS])) for cell in cells]
    said = "".join(CHARACTERS[index] for index in best)
    truth = plain(mark)
    right = [False] * len(cells)
    for place, cell in align(truth, said):
        if place is not None and cell is not None:
            right[cell] = truth[place] == said[cell]
    return tuple(
        CharacterOutcome(float(min(1.0, np.exp(cell.logp[index]))), good)
        for cell, index, good in zip(cells, best, right, strict=True)
    )
