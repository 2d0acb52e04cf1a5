"""Readers that need no pixels: one that knows every answer, one that guesses."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from legibility.alphabet import CHARACTERS, N_CLASSES, index_of, split_mark
from legibility.containers import (
    Candidate,
    CellReading,
    Decision,
    Flag,
    Hypothesis,
    Identification,
    NeedleEvidence,
    Photo,
    PhotoResult,
    Provenance,
    Reading,
    Status,
)
from legibility.identify.animals import Registry

Answer = Callable[[Photo], str]


def cell(character: str, probability: float) -> CellReading:
    """A cell that gives one character a probability, the others the rest."""
    logp = np.full(N_CLASSES, np.log((1 - probability) / (N_CLASSES - 1) + 1e-12))
    logp[index_of(character)] = np.log(probability)
    return CellReading(
        logp=logp,
        quad=np.zeros((4, 2)),
        needles=NeedleEvidence(expected=10, inked=10.0),
        ink_contrast=0.5,
        seen_share=1.0,
    )


def result(
    text: str,
    *,
    name: str = "x",
    probability: float = 0.99,
    registry: Registry | None = None,
    first_probability: float = 0.99,
) -> PhotoResult:
    """A result that says ``text``; empty means refused."""
    status = Status.READ if text else Status.UNREADABLE
    rows = (
        tuple(tuple(cell(c, probability) for c in row) for row in split_mark(text)) if text else ()
    )
    hypotheses = (
        (Hypothesis(logp=0.0, rows=rows, rotation_deg=0.0, mirrored=False),) if text else ()
    )
    first = None
    if registry is not None:
        ids = {animal.mark: animal.animal_id for animal in registry}
        first = ids.get(text)
    candidates = (Candidate(first, text, first_probability),) if text and registry else ()
    return PhotoResult(
        photo=name,
        sha256="",
        status=status,
        flags=Flag.NONE,
        reasons=(),
        text=text,
        reading=Reading(hypotheses=hypotheses, logp_no_mark=0.0),
        identification=Identification(
            candidates=candidates,
            candidate_set=tuple(c.animal_id for c in candidates),
            decision=Decision.UNREADABLE,
            misread_risk=0.0,
            confusables=(),
        ),
        grade=None,
        provenance=Provenance("", "", ""),
        seconds=0.01,
    )


class FakeReader:
    """Answers each photo by a function of it."""

    def __init__(self, answer: Answer, *, probability: float = 0.99) -> None:
        self.answer = answer
        self.probability = probability

    def __call__(self, photo: Photo, *, registry: Registry | None = None) -> PhotoResult:
        return result(
            self.answer(photo),
            name=photo.name,
            probability=self.probability,
            registry=registry,
            first_probability=self.probability,
        )


def guess(photo: Photo) -> str:
    """Four random characters that depend on the photo alone."""
    rng = np.random.default_rng(int(photo.sha256[:12], 16))
    return "".join(CHARACTERS[int(i)] for i in rng.integers(36, size=4))
