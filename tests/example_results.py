"""Results built by hand for tests of reports, batches and commands; all names are invented."""

from __future__ import annotations

import numpy as np

from legibility.alphabet import N_CLASSES, index_of
from legibility.containers import (
    Candidate,
    CellReading,
    Confusable,
    Decision,
    Flag,
    Grade,
    Hypothesis,
    Identification,
    NeedleEvidence,
    PhotoResult,
    Provenance,
    Reading,
    Status,
)

PROVENANCE = Provenance("0.1.0", "m" * 64, "s" * 64)


def cell(character: str, probability: float = 0.97, x: float = 0.0, **others: float) -> CellReading:
    """A cell whose character has ``probability``; ``others`` are alternatives; the rest is even."""
    weights = np.full(N_CLASSES, 0.0)
    weights[index_of(character)] = probability
    for name, value in others.items():
        weights[index_of(name.removeprefix("c"))] = value
    spare = 1.0 - weights.sum()
    empty = weights == 0
    weights[empty] = spare / empty.sum()
    quad = np.array([[x, 10], [x + 20, 10], [x + 20, 40], [x, 40]], dtype=np.float64)
    return CellReading(np.log(weights), quad, NeedleEvidence(12, 10.6), 0.6, 0.98)


def hypothesis(*rows: tuple[CellReading, ...]) -> Hypothesis:
    return Hypothesis(float(np.log(0.98)), rows, 172.0, True)


def ambiguous_result(photo: str = "pen 4/IMG_0231.jpg") -> PhotoResult:
    """Two-row mark AB3/47? with one doubtful character and one unread one."""
    reading = Reading(
        (
            hypothesis(
                (cell("A", 0.985, 0), cell("B", 0.8, 30, c8=0.17), cell("3", 0.9994, 60)),
                (cell("4", 0.97, 0), cell("7", 0.88, 30, c1=0.09), cell("S", 0.2, 60, c5=0.18)),
            ),
        ),
        float(np.log(0.02)),
    )
    identification = Identification(
        (
            Candidate("goat 0142", "AB3/475", 0.71),
            Candidate("goat 0188", "A83/47S", 0.22),
            Candidate(None, "", 0.05),
            Candidate("goat 0203", "AB3/415", 0.02),
        ),
        ("goat 0142", "goat 0188", None),
        Decision.AMBIGUOUS,
        0.29,
        (Confusable(0, 1, "B", 0.61, "8", 0.33, ("goat 0188",)),),
    )
    return PhotoResult(
        photo,
        "a" * 64,
        Status.READ,
        Flag.HAIR | Flag.SEEN_MIRRORED,
        ("One character could not be read.",),
        "AB3/47?",
        reading,
        identification,
        Grade(
            2.4,
            {
                "ink_contrast": 3.1,
                "needles_present": 2.4,
                "separation": float("nan"),
                "evenness": 2.9,
                "certainty": 2.6,
            },
            "Limited by the needles that are still present.",
        ),
        PROVENANCE,
        0.4123,
    )


def identified_result(photo: str = "one.jpg") -> PhotoResult:
    reading = Reading((hypothesis((cell("X"), cell("9", x=30))),), float(np.log(0.001)))
    return PhotoResult(
        photo,
        "b" * 64,
        Status.READ,
        Flag.NONE,
        (),
        "X9",
        reading,
        Identification(
            (Candidate("goat 0009", "X9", 0.99999999), Candidate(None, "", 1e-9)),
            ("goat 0009",),
            Decision.IDENTIFIED,
            1e-8,
            (),
        ),
        Grade(3.6, {"ink_contrast": 3.8, "certainty": 3.6}, "Limited by certainty."),
        PROVENANCE,
        0.2,
    )


def retake_result(photo: str = "blurred.jpg") -> PhotoResult:
    return PhotoResult(
        photo,
        "c" * 64,
        Status.RETAKE,
        Flag.BLURRED,
        ("The picture is out of focus where the mark is.",),
        "",
        Reading((), float(np.log(0.6))),
        Identification((), (), Decision.RETAKE, 1.0, ()),
        None,
        PROVENANCE,
        0.1,
    )


def unreadable_result(photo: str = "fur.jpg") -> PhotoResult:
    return PhotoResult(
        photo,
        "d" * 64,
        Status.UNREADABLE,
        Flag.NO_MARK,
        ("No mark was found.",),
        "",
        Reading((), 0.0),
        Identification((), (), Decision.UNREADABLE, 1.0, ()),
        None,
        PROVENANCE,
        0.1,
    )


def example_results() -> tuple[PhotoResult, ...]:
    return ambiguous_result(), identified_result(), retake_result(), unreadable_result()
